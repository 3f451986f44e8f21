"""The public FHIRPath R4 suite (FHIR/fhir-test-cases, tests-fhir-r4.xml): every case passes or is named here."""

from __future__ import annotations

from pathlib import Path
from types import ModuleType

import pytest

# The standard decides otherwise than the suite; the text says how.
OTHERWISE = {
    "testPlusDate19": "FHIRPath 6.7: decimals are dropped only above seconds; 0.1 's' moves by 100 ms",
    "LowBoundaryDecimal15": "a low boundary of -0.0034 to one place that is above the value (-0.0) bounds nothing",
    "HighBoundaryDecimal15": "a high boundary of 0.0034 to one place that is below the value (0.0) bounds nothing",
    "HighBoundaryDecimal16": "0.0034.highBoundary(1) is 0.1 here, so its negative is -0.1",
    "HighBoundaryDateTimeMillisecond1": "FHIRPath highBoundary: 08 with open minutes ends at 08:59:59.999",
    "HighBoundaryDateTimeMillisecond3": "FHIRPath highBoundary: 08 with open minutes ends at 08:59:59.999",
}
UNSUPPORTED = {
    "testConformsTo1": "conformsTo() needs a validator; the caller brings it as a hook",
    "testConformsTo2": "conformsTo() needs a validator; the caller brings it as a hook",
    "testConformsTo3": "conformsTo() needs a validator; the caller brings it as a hook",
}
MISSING = {
    "appointment-examplereq.json",
    "explanationofbenefit-example.json",
    "parameters-example-types.xml",
    "patient-container-example.json",
    "patient-example-period.xml",
    "patient-name-extensions.json",
    "valueset-example-expansion.xml",
}


@pytest.fixture(scope="module")
def results(suite: ModuleType, suites: Path) -> list[tuple[object, str, str]]:
    return suite.results()


def test_every_case_is_read(results: list[tuple[object, str, str]]) -> None:
    assert len(results) == 935


def test_failures_are_the_named_ones(results: list[tuple[object, str, str]]) -> None:
    seen = {case.name: why for case, verdict, why in results if verdict == "failed"}
    assert seen.keys() == OTHERWISE.keys(), seen


def test_unsupported_are_the_named_ones(results: list[tuple[object, str, str]]) -> None:
    seen = {case.name for case, verdict, _ in results if verdict == "unsupported"}
    assert seen == UNSUPPORTED.keys()


def test_missing_inputs_are_the_named_ones(results: list[tuple[object, str, str]]) -> None:
    assert {why for _, verdict, why in results if verdict == "no input"} == MISSING


def test_a_wrong_answer_is_noticed(suite: ModuleType, suites: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Positive control: with `not()` broken the suite must complain."""
    from fhir_bladder.fhirpath import program, registry

    broken = registry.Function("not", 0, 0, lambda _context, items: items)
    monkeypatch.setitem(registry.FUNCTIONS, "not", broken)
    program._without_hooks.cache_clear()
    try:
        failed = [case.name for case, verdict, _ in suite.results() if verdict == "failed"]
    finally:
        program._without_hooks.cache_clear()
    assert "testLiteralNotTrue" in failed or len(failed) > len(OTHERWISE) + 5


def test_the_page_shows_these_results(results: list[tuple[object, str, str]], suite: ModuleType) -> None:
    page = (suite.ROOT / "docs" / "fhirpath.md").read_text()
    assert suite.table(results, OTHERWISE, UNSUPPORTED) in page, "run: python tests/fhirpath/suite.py --write"
