"""Fixtures for the tests of `conformance`."""

from __future__ import annotations

import copy
import importlib.util
import json
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from fhir_bladder.conformance.validator import Validator

INSTANCES = Path(__file__).parent.parent / "profiles"
LOINC = "http://loinc.org"
OBSERVATION: dict[str, Any] = {
    "resourceType": "Observation",
    "id": "o1",
    "status": "final",
    "code": {"coding": [{"system": LOINC, "code": "15309-8"}], "text": "Volume"},
    "subject": {"reference": "Patient/p1"},
    "effectiveDateTime": "2026-11-18T10:42:00+01:00",
    "valueQuantity": {"value": 186, "unit": "mL", "system": "http://unitsofmeasure.org", "code": "mL"},
}


def _helper(file: str) -> ModuleType:
    name = f"conformance_{file}"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{file}.py"))
        assert spec is not None and spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


@pytest.fixture(scope="session")
def corpus() -> ModuleType:
    """The maker of bad resources."""
    return _helper("corpus")


@pytest.fixture(scope="session")
def proof() -> ModuleType:
    """What drops the checks of the acceptor."""
    return _helper("proof")


@pytest.fixture(scope="session")
def base() -> Validator:
    """R4 alone."""
    return Validator(local=False)


@pytest.fixture(scope="session")
def local() -> Validator:
    """R4 and the project's profiles."""
    return Validator()


@pytest.fixture
def observation() -> dict[str, Any]:
    """A plain Observation, valid by R4."""
    return copy.deepcopy(OBSERVATION)


@pytest.fixture(scope="session")
def exam() -> dict[str, Any]:
    """The exam of the documentation, valid by the profile. Copy before changing."""
    return json.loads((INSTANCES / "valid" / "exam-example.json").read_bytes())


@pytest.fixture(scope="session")
def errors() -> Any:
    """errors(validator, resource) → ids of errors, by the chain and by the walker alone, which must agree."""

    def run(validator: Validator, resource: Any) -> list[str]:
        data = resource if isinstance(resource, bytes) else json.dumps(resource).encode()
        by_chain = validator.validate(data)
        validator.explainer.helper = None
        alone = validator.explain(data)
        assert sorted((f.id, f.path, f.line, f.column) for f in by_chain) == sorted(
            (f.id, f.path, f.line, f.column) for f in alone
        )
        return [f.id for f in alone if f.severity in ("error", "fatal")]

    return run
