"""Generated expressions over the R4 examples: our engine and npm fhirpath 5.2.2 with its R4 model must agree.

    cd tests/oracle/fhirpath && npm ci && pytest -m oracle tests/oracle/fhirpath

Left out by the expression maker, because the two read the standard differently: type tests of ids (System.String
there), ofType(string) of a code (the R4 suite asks for none, npm gives it), times without zone beside times with one
(empty by the standard, npm takes the machine's zone), conversions of several items (an error by the standard).
"""

from __future__ import annotations

import importlib.util
import json
import shutil
import subprocess
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from fhir_bladder import fhirpath, wire
from fhir_bladder.errors import BladderError

HERE = Path(__file__).parent
PER_RESOURCE = 60
LARGEST = 40_000


def _maker() -> Any:
    spec = importlib.util.spec_from_file_location("expressions", HERE.parents[1] / "fhirpath" / "expressions.py")
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.Maker


def normal(value: Any) -> Any:
    """Numbers as npm has them: JavaScript doubles without trailing zeros."""
    if isinstance(value, bool):
        return value
    if isinstance(value, int | float | Decimal):
        return Decimal(repr(float(value))).normalize()
    if isinstance(value, dict):
        return {key: normal(item) for key, item in value.items()}
    return [normal(item) for item in value] if isinstance(value, list) else value


def ours(resource: dict[str, Any], expression: str) -> Any:
    try:
        return normal(fhirpath.compile(expression, resource["resourceType"]).evaluate(resource))
    except BladderError as error:
        return error


@pytest.mark.oracle
def test_same_result(suites: Path) -> None:
    if not shutil.which("node") or not (HERE / "node_modules" / "fhirpath").is_dir():
        pytest.skip("npm package fhirpath not installed: run `npm ci` in tests/oracle/fhirpath")
    maker = _maker()
    cases: list[tuple[str, dict[str, Any], list[str]]] = []
    for path in sorted((suites / "fhir-r4/examples").glob("*.json")):
        resource = wire.loads(path.read_bytes())
        if path.stat().st_size < LARGEST:
            made = [maker(resource, seed).expression() for seed in range(PER_RESOURCE)]
            cases.append((path.stem, resource, made))
    asked = b"\n".join(wire.dumps({"resource": resource, "cases": made}) for _, resource, made in cases)
    run = subprocess.run(
        [str(shutil.which("node")), str(HERE / "judge.js")], input=asked, capture_output=True, timeout=600, check=True
    )
    differing, compared = [], 0
    for (name, resource, made), line in zip(cases, run.stdout.splitlines(), strict=True):
        for expression, other in zip(made, json.loads(line), strict=True):
            mine, failed = ours(resource, expression), isinstance(other, dict)
            compared += 1
            if isinstance(mine, Exception) != failed or (not failed and mine != normal(other)):
                differing.append((name, expression, mine, other))
    print(f"{compared} expressions over {len(cases)} resources, {len(differing)} differ")
    assert compared > 3000
    assert not differing, differing[:5]
