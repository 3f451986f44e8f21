"""The library without the command line: its names, its types, and one use of each function."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

import fhir_bladder
from fhir_bladder import exam, wire
from fhir_bladder.errors import RecordError

ROOT = Path(__file__).parent.parent
RECORD = wire.loads((ROOT / "examples" / "exam.json").read_bytes())


def test_exported_names() -> None:
    assert sorted(fhir_bladder.__all__) == ["__version__", "check", "load", "map", "push", "unmap", "validate"]
    for name in fhir_bladder.__all__:
        assert getattr(fhir_bladder, name)
    with pytest.raises(AttributeError):
        fhir_bladder.no_such_name  # noqa: B018


def test_import_loads_no_room() -> None:
    code = "import sys, fhir_bladder; print([m for m in sys.modules if m.startswith('fhir_bladder.')])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_there_and_back() -> None:
    mapped = fhir_bladder.map(RECORD)
    assert mapped.key == "HT-0093/2026-00417"
    assert fhir_bladder.validate(mapped.bundle) == []
    (back,) = fhir_bladder.unmap([mapped.bundle])
    assert exam.same(fhir_bladder.load(back), fhir_bladder.load(RECORD))


def test_check_finds_what_is_wrong() -> None:
    assert list(fhir_bladder.check([RECORD])) == []
    late = {**RECORD, "voided_at": "2026-03-18T11:35:00+00:00"}
    assert "block" in {found.severity for found in fhir_bladder.check([late])}


def test_validate_finds_what_is_wrong() -> None:
    observation = {**fhir_bladder.map(RECORD).observations[0], "status": "finall"}
    (finding,) = fhir_bladder.validate(json.dumps(observation, default=float).encode())
    assert (finding.severity, finding.path) == ("error", "Observation.status")


def test_a_refused_record_names_the_field() -> None:
    with pytest.raises(RecordError) as refused:
        fhir_bladder.map({**RECORD, "void_state": "after"})
    assert refused.value.field == "void_state"


def test_push_delivers_once(tmp_path: Path) -> None:
    pytest.importorskip("sekmet", reason="needs the extra `demo`")
    from fhir_bladder.exchange.push.options import PushOptions
    from fhir_bladder.sandbox.embedded import embedded_server

    with embedded_server() as url:
        for outbox in ("one.db", "one.db", "another.db"):
            summary = fhir_bladder.push(
                [RECORD, fhir_bladder.map(RECORD).bundle],
                url,
                outbox=tmp_path / outbox,
                choices=PushOptions(patients="create"),
            )
            assert summary.error is None
            assert summary.counts["delivered"] >= 1
            assert summary.left == 0
        from fhir_bladder.exchange.http.client import Client

        with Client(url) as client:
            assert client.request("GET", "Observation?_summary=count").body["total"] == 1


def test_the_usage_file_type_checks() -> None:
    mypy = pytest.importorskip("mypy.api", reason="mypy is of the extra `dev`")
    usage = ROOT / "tests" / "typing" / "usage.py"
    out, err, code = mypy.run(["--strict", "--config-file", str(ROOT / "pyproject.toml"), str(usage)])
    assert code == 0, out + err
