"""HAPI's validator and ours give the same verdict on mutated resources (issue 4, "Proof")."""

from __future__ import annotations

import importlib.util
import sys
from collections import Counter
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

HERE = Path(__file__).parent
SAMPLE, ALL = 1_000, 12_000


@pytest.fixture(scope="module")
def harness() -> ModuleType:
    spec = importlib.util.spec_from_file_location("hapi_compare", HERE / "compare.py")
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    sys.modules["hapi_compare"] = module
    spec.loader.exec_module(module)
    missing = module.prepare()
    if missing:
        pytest.skip(missing)
    return module


def judged(harness: ModuleType, suites: Path, count: int, seed: int) -> list[Any]:
    verdicts = harness.compare(list(harness.mutants(count, seed, suites)))
    print(harness.differences(verdicts))
    print(harness.tables(verdicts))
    counted = harness.counted(verdicts)
    valid = sum(verdict.hapi for verdict in verdicts)
    assert len(harness.OPERATORS) >= 60
    assert valid >= 0.4 * len(verdicts)
    assert counted["crash"] == 0
    assert counted["false accept"] == 0
    assert counted["false reject"] <= 0.005 * valid
    assert counted["agree"] >= 0.995 * sum(counted.values())
    return list(verdicts)


@pytest.mark.oracle
def test_sample(harness: ModuleType, suites: Path) -> None:
    judged(harness, suites, SAMPLE, 7)


@pytest.mark.oracle
@pytest.mark.long
def test_all(harness: ModuleType, suites: Path) -> None:
    verdicts = judged(harness, suites, ALL, 1)
    second = judged(harness, suites, *harness.SECOND)
    assert harness.PAGE.read_text().partition(harness.MARK)[0] == harness.page(verdicts, second), (
        "run compare.py 12000 1 --write"
    )


@pytest.mark.oracle
def test_a_lenient_validator_is_noticed(harness: ModuleType, suites: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Positive control: a validator that accepts everything has false accepts."""
    monkeypatch.setattr(harness, "ours", lambda _validator, _data: [])
    verdicts = harness.compare(list(harness.mutants(400, 7, suites)))
    assert Counter(verdict.kind for verdict in verdicts)["false accept"] > 50
