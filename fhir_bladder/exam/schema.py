"""Room `exam`: the JSON Schema of the exam record, generated from the model. May import terminology.

JSON Schema can say less than the model does: rules between fields (`broken_rules`), clock changes and the calendar
are checked on reading only. `python -m fhir_bladder.exam.schema` writes it for the docs.
"""

from __future__ import annotations

import json
import sys
from typing import Any

from fhir_bladder.exam import model
from fhir_bladder.terminology import units

SCHEMA_ID = "https://w3id.org/fhir-bladder/exam-record.schema.json"


def json_schema() -> dict[str, Any]:
    """The schema (draft 2020-12) of one exam record."""
    generated = model.ExamRecord.model_json_schema(ref_template="#/$defs/{model}")
    generated["title"] = "Exam record, version 1"
    for name, part in generated["$defs"].items():
        kind = getattr(getattr(model, name), "kind", "")
        if kind:
            _quantity(part, kind, takes_comparator=getattr(model, name).takes_comparator)
    # null says the same as leaving out; the two alternatives are therefore written with a type, not with presence
    generated["$defs"]["Scan"]["oneOf"] = [
        {"properties": {name: {"not": {"type": "null"}}, other: {"type": "null"}}, "required": [name]}
        for name, other in (("volume", "absent_reason"), ("absent_reason", "volume"))
    ]
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "$id": SCHEMA_ID} | generated


def _quantity(part: dict[str, Any], kind: str, *, takes_comparator: bool) -> None:
    aliases = [alias for alias, code in units.ALIASES.items() if units.understand(code, _kind(code)).kind == kind]
    part["properties"]["unit"] = {
        "title": "Unit",
        "description": f"UCUM code of a {kind}; the last {len(aliases)} are aliases that are read with a note",
        "enum": units.units_of(kind) + aliases,
    }
    if not takes_comparator:
        part["properties"]["comparator"] = {"title": "Comparator", "type": "null"}


def _kind(code: str) -> str:
    return next(kind for kind in units.CANONICAL if code in units.units_of(kind))


def text() -> str:
    """The schema as written into the docs."""
    return json.dumps(json_schema(), indent=2, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    sys.stdout.write(text())
