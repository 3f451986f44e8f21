"""`fhir-bladder check`: every finding and every prompt of an exam says in which file and line the exam stands."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from fhir_bladder import exam as exams
from fhir_bladder import wire
from fhir_bladder.cli.main import cli
from fhir_bladder.exam import ExamRecord

Exam = Callable[..., ExamRecord]

RULES = '[[use]]\nrule = "residual-advice-100"\n'


@pytest.fixture
def check(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., str]:
    """What `check` writes of some exams, a line each in `exams.ndjson`, with a rule switched on."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "rules.toml").write_text(RULES)

    def run(records: list[ExamRecord], *options: str) -> str:
        lines = [wire.dumps(exams.dump(record)) for record in records]
        (tmp_path / "exams.ndjson").write_bytes(b"\n".join(lines) + b"\n")
        done = CliRunner().invoke(cli, ["check", "exams.ndjson", "--rules", "rules.toml", *options])
        assert done.exception is None or isinstance(done.exception, SystemExit), done.output
        return done.stdout

    return run


def test_a_prompt_tells_its_place_like_a_finding(exam: Exam, check: Callable[..., str]) -> None:
    def who(value: str) -> dict[str, Any]:
        return {"identifiers": [{"system": "urn:x", "value": value}], "birth_date": "1951-03-09"}

    records = [
        exam(exam_number="b", started_at="2026-11-19T10:42:00Z", voided_at=None, verified=None),
        exam(exam_number="a", volumes=[99], patient=who("H8")),
        exam(exam_number="c", volumes=[1200], patient=who("H9"), started_at="2026-11-18T10:48:00Z"),
    ]
    found: list[dict[str, Any]] = [
        json.loads(line) for line in check(records, "--output-format", "ndjson").splitlines()
    ]
    places = [(one["severity"], one["id"], one["exam_number"], one["file"], one["line"]) for one in found]
    assert places == [
        ("warn", "volume-large", "c", "exams.ndjson", 3),
        ("prompt", "residual-advice-100", "c", "exams.ndjson", 3),
        ("prompt", "residual-advice-100", "b", "exams.ndjson", 1),
    ]
    assert [list(one)[:2] for one in found] == [["file", "line"]] * 3
    assert json.loads(check(records, "--output-format", "json")) == found
    text = check(records).splitlines()
    assert text[1].startswith("prompt: residual of at least 100 mL: ")
    assert " — exams.ndjson:3 exam c scans — a prompt, no diagnosis: " in text[1]
    assert "(expected: at least 100 mL; found: 1200 mL; source: Association for Continence Advice" in text[1]
