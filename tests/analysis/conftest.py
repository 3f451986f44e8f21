"""Shared by the tests of the room `analysis`: invented exams, mapped, and tables made of them."""

from __future__ import annotations

import copy
import csv
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from fhir_bladder import wire
from fhir_bladder.exam.record import load
from fhir_bladder.mapping import MapOptions, to_fhir

Record = dict[str, Any]

BASE: Record = {
    "record_version": "1",
    "exam_number": "2026-00417",
    "device": {"serial": "HT-0093", "software_version": "2.4", "calibrated_on": "2026-01-12"},
    "patient": {
        "identifiers": [{"system": "https://ward-h.example/mrn", "value": "H700-431", "type": "MR"}],
        "birth_date": "1951-03-09",
        "administrative_gender": "male",
        "family_name": "Htest-Seven",
    },
    "started_at": "2026-03-18T10:42:00+01:00",
    "uterus_present": False,
    "void_state": "post-void",
    "void_attempt": "voided",
    "voided_at": "2026-03-18T10:35:00+01:00",
    "voided_volume": {"value": 260, "unit": "mL"},
    "void_measured": True,
    "position": "supine",
    "location": "Ward H",
    "scans": [
        {
            "scan_number": 1,
            "volume": {"value": 171, "unit": "mL"},
            "centring": "partly-centred",
            "off_centre_towards": ["left"],
            "pubic_shadow": True,
        },
        {"scan_number": 2, "volume": {"value": 186, "unit": "mL"}, "centring": "centred", "pubic_shadow": False},
    ],
    "reported_scan": 2,
    "choice_rule": "operator",
    "wall": {
        "scan_number": 2,
        "layer": "whole-wall",
        "thickness": {"value": wire.loads(b"2.40"), "unit": "mm"},
        "surface_area": {"value": 164, "unit": "cm2"},
    },
    "verified": {"by": "operator 12", "at": "2026-03-18T10:44:00+01:00", "note": "second scan better centred"},
}
"""The example of the exam record format, with an invented patient and no `synthetic` mark, so that it counts."""


@pytest.fixture
def record() -> Callable[..., Record]:
    """A function that gives the base record with some fields changed; None takes a field out."""

    def make(**changes: Any) -> Record:
        made = copy.deepcopy(BASE)
        for name, value in changes.items():
            if value is None:
                made.pop(name, None)
            else:
                made[name] = value
        return made

    return make


@pytest.fixture
def observations() -> Callable[..., list[Record]]:
    """A function that maps a record to its Observations."""

    def make(data: Record, shape: str = "panel") -> list[Record]:
        return to_fhir(load(data), options=MapOptions(shape=shape)).observations

    return make


@pytest.fixture
def bundle() -> Callable[..., Record]:
    """A function that maps a record to its Bundle."""

    def make(data: Record, shape: str = "panel") -> Record:
        return to_fhir(load(data), options=MapOptions(shape=shape)).bundle

    return make


@pytest.fixture
def ndjson(tmp_path: Path) -> Callable[..., Path]:
    """A function that writes resources, or raw lines, to an NDJSON file."""

    def write(lines: list[Any], name: str = "in.ndjson") -> Path:
        path = tmp_path / name
        path.write_bytes(b"".join((line if isinstance(line, bytes) else wire.dumps(line)) + b"\n" for line in lines))
        return path

    return write


@pytest.fixture
def read_csv() -> Callable[[Path], list[dict[str, str]]]:
    """A function that reads a CSV file as dicts."""

    def read(path: Path) -> list[dict[str, str]]:
        with path.open(newline="", encoding="utf-8") as stream:
            return list(csv.DictReader(stream))

    return read


@pytest.fixture
def stored() -> Callable[..., Record]:
    """A function that gives a resource the id and meta of a server."""

    def put(resource: Record, identity: str, version: str = "1", at: str = "2026-03-18T10:00:00Z") -> Record:
        made = copy.deepcopy(resource)
        made["id"] = identity
        made["meta"] = {**made.get("meta", {}), "versionId": version, "lastUpdated": at}
        return made

    return put
