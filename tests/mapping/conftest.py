"""Shared by the mapping tests: the example, shortcuts, and the strategies of records."""

from __future__ import annotations

import copy
import importlib.util
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from fhir_bladder import exam, wire
from fhir_bladder.exam import ExamRecord


def strategies() -> Any:
    """tests/strategies.py as a module; the tests are no package."""
    name = "fhir_bladder_test_strategies"
    if name not in sys.modules:
        path = Path(__file__).parent.parent / "strategies.py"
        spec = importlib.util.spec_from_file_location(name, path)
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


strategies()

EXAMPLE = wire.loads(b"""
{"record_version":"1","exam_number":"2026-00417","device":{"serial":"LK-0093","software_version":"2.4"},
 "patient":{"identifiers":[{"system":"https://records.example/mrn","value":"700-431","type":"MR"}],"birth_date":"1951-03-09"},
 "started_at":"2026-11-18T10:42:00+00:00","uterus_present":false,"void_state":"post-void","void_attempt":"voided",
 "voided_at":"2026-11-18T10:35:00+00:00","voided_volume":{"value":260,"unit":"mL"},"void_measured":true,"position":"supine",
 "scans":[{"scan_number":1,"volume":{"value":171,"unit":"mL"},"centring":"partly-centred","off_centre_towards":["left"],"pubic_shadow":true},
          {"scan_number":2,"volume":{"value":186,"unit":"mL"},"centring":"centred","pubic_shadow":false}],
 "reported_scan":2,"choice_rule":"operator",
 "wall":{"scan_number":2,"layer":"whole-wall","thickness":{"value":2.40,"unit":"mm"},"surface_area":{"value":164,"unit":"cm2"}},
 "verified":{"by":"operator 12","at":"2026-11-18T10:44:00+00:00","note":"second scan better centred"},"synthetic":true}
""")


@pytest.fixture
def example() -> dict[str, Any]:
    """The example of the record's description, free to change."""
    return copy.deepcopy(EXAMPLE)


@pytest.fixture
def record() -> Callable[..., ExamRecord]:
    """The example with fields replaced; `None` takes a field away."""

    def make(**changes: Any) -> ExamRecord:
        data = copy.deepcopy(EXAMPLE) | changes
        return exam.load({name: value for name, value in data.items() if value is not None})

    return make


@pytest.fixture
def component() -> Callable[[dict[str, Any], str], dict[str, Any]]:
    """The one component of an Observation with a local code."""

    def find(observation: dict[str, Any], code: str) -> dict[str, Any]:
        (found,) = (one for one in observation["component"] if one["code"]["coding"][0]["code"] == code)
        return found

    return find
