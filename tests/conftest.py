"""Shared by all tests: hypothesis profiles, strategies of records, the example record, the public test suites."""

from __future__ import annotations

import copy
import importlib.util
import os
import sys
from collections.abc import Generator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

from fhir_bladder import wire

settings.register_profile(
    "default", max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large]
)
settings.register_profile("long", parent=settings.get_profile("default"), max_examples=5000)
settings.load_profile(os.environ.get("FHIR_BLADDER_HYPOTHESIS", "default"))

ROOT = Path(__file__).parent.parent
NO_SUITES = "(set FHIR_BLADDER_SUITES)"

# The tests are no package: a module that several rooms import is loaded by its path, once.
for _name in ("strategies", "exports"):
    _spec = importlib.util.spec_from_file_location(
        f"fhir_bladder_test_{_name}", Path(__file__).with_name(f"{_name}.py")
    )
    assert _spec is not None and _spec.loader is not None
    sys.modules[_spec.name] = importlib.util.module_from_spec(_spec)
    _spec.loader.exec_module(sys.modules[_spec.name])

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


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """With FHIR_BLADDER_NO_SKIP (as in CI) a skipped test is a failed one; only absent suites may be skipped."""
    report = yield
    if os.environ.get("FHIR_BLADDER_NO_SKIP") and report.skipped and not hasattr(report, "wasxfail"):
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
        if NO_SUITES not in reason:
            report.outcome, report.longrepr = "failed", f"skipped where nothing may be: {reason}"
    return report


@pytest.fixture(scope="session")
def suites() -> Path:
    """The folder of public test suites; the test is skipped by name where it is not there."""
    folder = Path(os.environ.get("FHIR_BLADDER_SUITES", ROOT.parent / "shared" / "suites"))
    if not folder.is_dir():
        pytest.skip(f"public test suites not found: {folder} {NO_SUITES}")
    return folder


@pytest.fixture
def example() -> dict[str, Any]:
    """The example record of the format's description, free to change."""
    return copy.deepcopy(EXAMPLE)
