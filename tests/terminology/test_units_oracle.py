"""Units and factors against the UCUM implementation of the npm package `@lhncbc/ucum-lhc` 7.1.10 (marker oracle).

Needs node and npm; the package is installed once beside `tests/oracle/ucum/judge.js`.
"""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from fhir_bladder.terminology import units

pytestmark = pytest.mark.oracle
FOLDER = Path(__file__).parent.parent / "oracle" / "ucum"
Ask = Callable[[list[dict[str, Any]]], list[dict[str, Any]]]


@pytest.fixture(scope="module")
def ask() -> Ask:
    """Puts questions to the judge."""
    if shutil.which("node") is None or shutil.which("npm") is None:
        pytest.skip("node and npm are not installed")
    if not (FOLDER / "node_modules" / "@lhncbc" / "ucum-lhc").is_dir():
        subprocess.run(
            ["npm", "install", "--no-audit", "--no-fund", "--no-package-lock", "--silent"], cwd=FOLDER, check=True
        )

    def put(questions: list[dict[str, Any]]) -> list[dict[str, Any]]:
        lines = "".join(json.dumps(question) + "\n" for question in questions)
        done = subprocess.run(["node", "judge.js"], cwd=FOLDER, input=lines, capture_output=True, text=True, check=True)
        answers = [json.loads(line) for line in done.stdout.splitlines()]
        assert len(answers) == len(questions)
        return answers

    return put


def test_every_unit_taken_is_valid_ucum_and_no_alias_is(ask: Ask) -> None:
    taken = [code for kind in units.CANONICAL for code in units.units_of(kind)]
    assert all(answer["valid"] for answer in ask([{"unit": code} for code in taken]))
    aliases = list(units.ALIASES)
    wrong = [
        alias for alias, answer in zip(aliases, ask([{"unit": a} for a in aliases]), strict=True) if answer["valid"]
    ]
    assert wrong == [], "an alias that UCUM knows means something else there"
    assert ask([{"unit": "ML"}]) == [{"valid": True}], "a megalitre: refused by us as implausible, not as unknown"


def test_factors_agree(ask: Ask) -> None:
    """To 12 digits: the package computes in binary doubles, ours are exact."""
    cases = [(code, CANON) for kind, CANON in units.CANONICAL.items() for code in units.units_of(kind)]
    answers = ask([{"from": code, "to": canonical, "value": 3.7} for code, canonical in cases])
    for (code, _), answer in zip(cases, answers, strict=True):
        ours = float(units.to_canonical(Decimal("3.7"), code))
        assert answer["value"] == pytest.approx(ours, rel=1e-12), code


def test_nothing_converts_between_kinds(ask: Ask) -> None:
    canonical = list(units.CANONICAL.values())
    pairs = [(one, other) for one in canonical for other in canonical if one != other]
    assert all(a["value"] is None for a in ask([{"from": one, "to": other, "value": 1} for one, other in pairs]))
