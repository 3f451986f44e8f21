"""What `validate --output-format sarif` writes holds to the whole JSON schema of SARIF 2.1.0.

The schema is the one in @microsoft/jest-sarif 1.0.0-beta.0 (`sarif-2.1.0-rtm.5.json`): cd tests/oracle/sarif && npm ci
"""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from fhir_bladder.conformance import Validator, validate_files, writers

HERE = Path(__file__).parent
SCHEMA = HERE / "node_modules/@microsoft/jest-sarif/lib/schemas/sarif-2.1.0-rtm.5.json"
INVALID = HERE.parents[1] / "profiles" / "invalid"


@pytest.mark.oracle
def test_sarif_holds_to_its_schema(tmp_path: Path) -> None:
    if not SCHEMA.exists():
        pytest.skip("the schema is missing: npm ci in tests/oracle/sarif")
    schema = json.loads(SCHEMA.read_bytes())
    kind = jsonschema.validators.validator_for(schema)
    judge = kind(schema, format_checker=kind.FORMAT_CHECKER)

    def errors(log: dict[str, Any]) -> list[str]:
        return [f"{list(error.path)}: {error.message[:200]}" for error in judge.iter_errors(log)]

    odd = tmp_path / "a b.ndjson"
    odd.write_text(
        '{"resourceType":"Patient","id":"p"}\n{"resourceType":"Patient","gender":"M\\u0001<&\\"é"}\n{\n', "utf-8"
    )
    files = [odd, tmp_path / "none.json", *sorted(INVALID.glob("*.json"))]
    log = json.loads("".join(writers.sarif(validate_files(files, validator=Validator()), version="1.0")))
    assert len(log["runs"][0]["results"]) > 50
    assert errors(log) == [] and errors(json.loads("".join(writers.sarif([])))) == []
    for key, wrong in (("level", "fatal"), ("message", "text"), ("locations", {})):  # the schema notices
        broken = copy.deepcopy(log)
        broken["runs"][0]["results"][0][key] = wrong
        assert errors(broken)
