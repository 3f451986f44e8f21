"""The exported JSON Schema is current and says what the model says."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from fhir_bladder import wire
from fhir_bladder.exam import schema

FILE = Path(__file__).parents[2] / "docs" / "exam-record.schema.json"


def test_the_written_schema_is_current() -> None:
    assert FILE.read_text(encoding="utf-8") == schema.text(), (
        "run: python -m fhir_bladder.exam.schema > docs/exam-record.schema.json"
    )


def test_fields_and_units_are_in_the_schema() -> None:
    generated = schema.json_schema()
    assert set(generated["required"]) == {
        "record_version",
        "exam_number",
        "device",
        "started_at",
        "void_state",
        "scans",
    }
    assert generated["additionalProperties"] is False
    assert {"mL", "cc"} <= set(generated["$defs"]["ScanVolume"]["properties"]["unit"]["enum"])
    assert "mm" not in generated["$defs"]["ScanVolume"]["properties"]["unit"]["enum"]
    assert generated["$defs"]["Area"]["properties"]["comparator"] == {"title": "Comparator", "type": "null"}


def test_examples_hold_to_the_schema(example: dict[str, Any]) -> None:
    jsonschema = pytest.importorskip("jsonschema", reason="no JSON Schema library installed")
    validator = jsonschema.Draft202012Validator(schema.json_schema())
    plain = json.loads(wire.dumps(example))
    assert list(validator.iter_errors(plain)) == []
    for path, value in (("started_at", "today"), ("colour", 1), ("void_state", "after"), ("scans", [])):
        assert list(validator.iter_errors(plain | {path: value})), path
    plain["scans"][0]["absent_reason"] = "failed"
    assert list(validator.iter_errors(plain))


def test_the_description_names_every_field_and_its_example_is_taken(example: dict[str, Any]) -> None:
    import re

    from fhir_bladder.exam import model

    text = (FILE.parent / "exam-record.md").read_text(encoding="utf-8")
    parts = [model.ExamRecord, *(getattr(model, name) for name in schema.json_schema()["$defs"])]
    for part in parts:
        for name in part.model_fields:
            assert f"`{name}`" in text or f'"{name}"' in text, f"{part.__name__}.{name} is not in the description"
    written = re.search(r"```json\n(.*?)```", text, re.DOTALL)
    assert written is not None
    assert wire.dumps(wire.loads(written[1].encode())) == wire.dumps(example)
