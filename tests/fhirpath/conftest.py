"""Shared by the tests of the room `fhirpath`: example resources, the suite reader, the expression maker."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from fhir_bladder import wire

HERE = Path(__file__).parent


def _module(name: str) -> ModuleType:
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, HERE / f"{name}.py")
        assert spec and spec.loader
        sys.modules[name] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(sys.modules[name])
    return sys.modules[name]


@pytest.fixture(scope="session")
def suite() -> ModuleType:
    return _module("suite")


@pytest.fixture(scope="session")
def expressions() -> ModuleType:
    return _module("expressions")


@pytest.fixture(scope="session")
def examples(suites: Path) -> dict[str, dict[str, Any]]:
    """The R4 example resources, JSON only."""
    found = {path.stem: wire.loads(path.read_bytes()) for path in sorted((suites / "fhir-r4/examples").glob("*.json"))}
    return {name: resource for name, resource in found.items() if isinstance(resource, dict)}
