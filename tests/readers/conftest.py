"""Shared by the reader tests: a small record, files written on the spot."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from fhir_bladder.readers import ReadItem, ReadOptions, read

ROOT = Path(__file__).parents[2]


@pytest.fixture
def examples() -> Path:
    """The folder of examples."""
    return ROOT / "examples"


def _record(number: str = "E-1", **fields: Any) -> dict[str, Any]:
    return {
        "record_version": "1",
        "exam_number": number,
        "device": {"serial": "LK-0093"},
        "started_at": "2026-11-18T10:42:00+00:00",
        "void_state": "pre-void",
        "scans": [{"scan_number": 1, "volume": {"value": 212, "unit": "mL"}}],
    } | fields


@pytest.fixture
def record() -> Callable[..., dict[str, Any]]:
    """Makes the smallest usable record."""
    return _record


@pytest.fixture
def line() -> Callable[..., bytes]:
    """Makes a record as one NDJSON line."""
    return lambda number="E-1", **fields: json.dumps(_record(number, **fields)).encode() + b"\n"


@pytest.fixture
def read_bytes(tmp_path: Path) -> Callable[..., list[ReadItem]]:
    """Writes bytes to a file and reads them."""

    def run(data: bytes, name: str = "in.ndjson", **options: Any) -> list[ReadItem]:
        (tmp_path / name).write_bytes(data)
        if isinstance(options.get("columns"), str):
            (tmp_path / "map.toml").write_text(options["columns"], encoding="utf-8")
            options["columns"] = tmp_path / "map.toml"
        return list(read([tmp_path / name], ReadOptions(**options)))

    return run
