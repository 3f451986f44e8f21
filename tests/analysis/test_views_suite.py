"""The public suite of SQL on FHIR v2 (FHIR/sql-on-fhir-v2 at 49fc1ad): every test, shareable and experimental.

Each runs twice: on the whole resource, and on the resource as the view's own pruned parser gives it. With
`FHIR_BLADDER_TEST_REPORT=FILE` the results are written in the suite's format (`test_report.json`).
"""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from fhir_bladder.analysis import views
from fhir_bladder.errors import BladderError

ROOT = Path(__file__).parents[2]
FOLDER = Path(os.environ.get("FHIR_BLADDER_SUITES", ROOT.parent / "shared" / "suites")) / "sql-on-fhir" / "tests"
FILES = sorted(FOLDER.glob("*.json"))


def _tests() -> Iterator[Any]:
    for path in FILES:
        suite = json.loads(path.read_text(), parse_float=Decimal)
        for number, test in enumerate(suite["tests"]):
            kind = "-".join(test["tags"])
            yield pytest.param(suite, test, id=f"{path.stem}-{number}-{kind}-{test['title'].replace(' ', '_')}")


def _plain(value: Any) -> Any:
    """Rows in a comparable form; the suite compares without order."""
    return json.dumps(value, sort_keys=True, default=float)


def run(suite: dict[str, Any], test: dict[str, Any], *, pruned: bool) -> tuple[bool, str]:
    """Whether a test passes, and why not."""
    try:
        view = views.compile(test["view"])
        reader = view.reader()
        rows = []
        for resource in suite["resources"]:
            text = json.dumps(resource, default=float).encode()
            made = reader.rows(reader.parse(text)) if pruned else view.rows(resource)
            rows += [dict(zip([c.name for c in view.columns], row, strict=True)) for row in made]
    except BladderError as error:
        return bool(test.get("expectError")), f"refused: {error}"
    if test.get("expectError"):
        return False, "should have been refused"
    if "expectColumns" in test and [c.name for c in view.columns] != test["expectColumns"]:
        return False, f"columns {[c.name for c in view.columns]}"
    if "expectCount" in test and len(rows) != test["expectCount"]:
        return False, f"{len(rows)} rows"
    expected = test.get("expect", rows)
    return Counter(map(_plain, rows)) == Counter(map(_plain, expected)), f"rows {rows}"


@pytest.mark.skipif(not FILES, reason=f"public suite not found: {FOLDER} (set FHIR_BLADDER_SUITES)")
@pytest.mark.parametrize("pruned", [False, True], ids=["whole", "pruned"])
@pytest.mark.parametrize(("suite", "test"), list(_tests()))
def test_public_suite(suite: dict[str, Any], test: dict[str, Any], pruned: bool) -> None:
    passed, why = run(suite, test, pruned=pruned)
    assert passed, why


@pytest.mark.skipif(not FILES, reason=f"public suite not found: {FOLDER} (set FHIR_BLADDER_SUITES)")
def test_report_in_the_format_of_the_suite(tmp_path: Path) -> None:
    target = Path(os.environ.get("FHIR_BLADDER_TEST_REPORT", tmp_path / "test_report.json"))
    report: dict[str, Any] = {}
    tags: Counter[str] = Counter()
    for path in FILES:
        suite = json.loads(path.read_text(), parse_float=Decimal)
        results = []
        for test in suite["tests"]:
            passed, why = run(suite, test, pruned=False)
            results.append(
                {"name": test["title"], "result": {"passed": passed} if passed else {"passed": False, "reason": why}}
            )
            tags.update(test["tags"])
        report[path.name] = {"tests": results}
    target.write_text(json.dumps(report, indent=2) + "\n")
    # the counts of the suite at this commit; another number means that the folder holds another version
    assert tags == {"shareable": 123, "experimental": 11}
    assert sum(t["result"]["passed"] for file in report.values() for t in file["tests"]) == 134
