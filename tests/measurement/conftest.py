"""Shared by the tests of the measurement room: check values with their sources, and a builder of exam records."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from fhir_bladder import wire
from fhir_bladder.exam import ExamRecord, load

NOW = dt.datetime(2026, 11, 30, 12, tzinfo=dt.UTC)


@pytest.fixture(scope="session")
def now() -> dt.datetime:
    return NOW


@pytest.fixture(scope="session")
def checks() -> dict[str, Any]:
    return json.loads((Path(__file__).parent / "checks.json").read_text())


def _base() -> dict[str, Any]:
    """A post-void exam without anything to find in it; invented."""
    return {
        "record_version": "1",
        "exam_number": "2026-00417",
        "device": {"serial": "HT-0093"},
        "patient": {"identifiers": [{"system": "https://records.example/mrn", "value": "H7"}],
                    "birth_date": "1951-03-09"},
        "started_at": "2026-11-18T10:42:00+00:00",
        "void_state": "post-void",
        "void_attempt": "voided",
        "voided_at": "2026-11-18T10:35:00+00:00",
        "voided_volume": {"value": 260, "unit": "mL"},
        "void_measured": True,
        "scans": [{"scan_number": 1, "volume": {"value": 186, "unit": "mL"}, "centring": "centred",
                   "pubic_shadow": False}],
        "verified": {"by": "operator 12", "at": "2026-11-18T10:44:00+00:00"},
        "synthetic": True,
    }  # fmt: skip


def build(**changes: Any) -> ExamRecord:
    """The base exam with changes; a value of None leaves the field out. `volumes` stands for scans in short form."""
    data = _base()
    volumes = changes.pop("volumes", None)
    if volumes is not None:
        changes["scans"] = [
            {"scan_number": n, "centring": "centred", "pubic_shadow": False, **_volume(v)}
            for n, v in enumerate(volumes, 1)
        ]
    data.update(changes)
    data = {name: value for name, value in data.items() if value is not None}
    return load(wire.loads(wire.dumps(data)))


def _volume(value: Any) -> dict[str, Any]:
    if value is None:
        return {"absent_reason": "not-seen"}
    if isinstance(value, str):
        return {"volume": {"value": Decimal(value[1:]), "unit": "mL", "comparator": value[0]}}
    return {"volume": {"value": value, "unit": "mL"}}


@pytest.fixture(scope="session")
def exam() -> Callable[..., ExamRecord]:
    return build
