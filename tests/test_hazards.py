"""Every hazard has a control, and every control a test that exists."""

from __future__ import annotations

import ast
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
HAZARDS = tomllib.loads((ROOT / "tests" / "hazards.toml").read_text())["hazard"]


@pytest.mark.parametrize("hazard", HAZARDS, ids=[hazard["id"] for hazard in HAZARDS])
def test_a_hazard_is_whole(hazard: dict[str, object]) -> None:
    for name in ("id", "hazard", "cause", "harm", "control", "residual"):
        assert hazard[name], name


@pytest.mark.parametrize("hazard", HAZARDS, ids=[hazard["id"] for hazard in HAZARDS])
def test_its_control_has_a_test(hazard: dict[str, list[str]]) -> None:
    assert hazard["tests"], "a control without a test is a hope"
    for name in hazard["tests"]:
        file, _, function = name.partition("::")
        tree = ast.parse((ROOT / file).read_text())
        functions = {node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)}
        if function:
            assert function in functions, name
        else:
            assert any(each.startswith("test_") for each in functions), name


def test_ids_are_unique() -> None:
    ids = [hazard["id"] for hazard in HAZARDS]
    assert len(ids) == len(set(ids))
