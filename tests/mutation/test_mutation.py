"""The mutation run of `measurement` (marker `long`), and that it changes what it says and fails where it must."""

from __future__ import annotations

import ast
import importlib
import os
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

HERE = Path(__file__).parent
ROOT = HERE.parents[1]

SOURCE = '''
"""A docstring, left alone."""
LIMIT = Decimal("0.95")
@dataclass(slots=True)
class Kind:
    name: str = "a-name"
    def over(self, value: int = 3) -> bool:
        """Left alone too."""
        assert value is not None
        return value > 300 and not self.off
'''


@pytest.fixture
def tool(monkeypatch: pytest.MonkeyPatch) -> tuple[ModuleType, ModuleType]:
    """The two modules of the tool."""
    monkeypatch.syspath_prepend(str(HERE))
    return importlib.import_module("mutants"), importlib.import_module("run")


def test_every_change_changes_what_it_says(tool: tuple[ModuleType, ModuleType]) -> None:
    mutants, _ = tool
    names = [one.name for one in mutants.mutants(ast.parse(SOURCE))]
    assert names == [
        "module: LIMIT = Decimal('0.95') → left out",
        "module: Decimal('0.95') → Decimal('0.96')",
        "module: Decimal('0.95') → Decimal('0.94')",
        "Kind.: name: str = 'a-name' → name: str = 'a-namex'",
        "Kind.over(): def over(self, value: int=3) -> bool: → def over(self, value: int=4) -> bool:",
        "Kind.over(): def over(self, value: int=3) -> bool: → def over(self, value: int=2) -> bool:",
        "Kind.over: return value > 300 and (not self.off) → left out",
        "Kind.over: return value > 300 and (not self.off) → return not self.off",
        "Kind.over: return value > 300 and (not self.off) → return value > 300",
        "Kind.over: return value > 300 and (not self.off) → return None",
        "Kind.over: value > 300 and (not self.off) → value > 300 or not self.off",
        "Kind.over: value > 300 → value >= 300",
        "Kind.over: value > 300 → value > 301",
        "Kind.over: value > 300 → value > 299",
        "Kind.over: not self.off → self.off",
    ]
    for number, name in enumerate(names):
        tree = ast.parse(SOURCE)
        before = ast.unparse(tree)
        one = mutants.mutants(tree)[number]
        assert ast.unparse(tree) == before  # making them changes nothing
        one.apply()
        assert one.name == name
        assert ast.unparse(tree) != before


def test_a_survivor_without_a_judgement_fails_and_so_does_a_judgement_without_a_survivor(
    tool: tuple[ModuleType, ModuleType],
) -> None:
    _, run = tool
    reasons = [{"why": "equal", "changes": ["a.f: x", "a.f: y"]}]
    assert run.compare({"a.f: x", "a.f: y"}, {"a.f: x", "a.f: y", "a.f: z"}, reasons, whole=True)[1] == 0
    lines, code = run.compare({"a.f: x", "a.f: y", "a.f: z"}, {"a.f: z"}, reasons, whole=False)
    assert code == 1 and "not judged: a.f: z" in lines
    lines, code = run.compare({"a.f: x"}, {"a.f: x", "a.f: y"}, reasons, whole=False)
    assert code == 1 and "judged, but noticed or no longer there: a.f: y" in lines
    assert run.compare({"a.f: x"}, {"a.f: x"}, reasons, whole=False)[1] == 0
    assert run.compare({"a.f: x"}, {"a.f: x"}, reasons, whole=True)[1] == 1


def test_every_judgement_names_a_change_that_is_made(tool: tuple[ModuleType, ModuleType]) -> None:
    mutants, run = tool
    made = {
        f"{path.stem}.{one.name}"
        for path in (ROOT / "fhir_bladder" / "measurement").glob("*.py")
        for one in mutants.mutants(ast.parse(path.read_text("utf-8")))
    }
    reasons = run.tomllib.loads(run.JUDGED.read_text("utf-8"))["reason"]
    named = [name for reason in reasons for name in reason["changes"]]
    assert [name for name in named if name not in made] == []
    assert len(named) == len(set(named))
    assert all(len(reason["why"]) > 20 for reason in reasons)


@pytest.mark.long
@pytest.mark.skipif(not hasattr(os, "fork"), reason="the mutation run forks")
def test_the_tests_of_measurement_notice_every_change_but_the_judged_ones() -> None:
    """Half an hour on an idle machine."""
    command = [sys.executable, str(HERE / "run.py"), "fhir_bladder/measurement"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout[-5000:]
