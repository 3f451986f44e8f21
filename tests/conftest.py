"""Shared by all tests: hypothesis profiles and the folder of public test suites."""

from __future__ import annotations

import os
from collections.abc import Generator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

settings.register_profile(
    "default", max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large]
)
settings.register_profile("long", parent=settings.get_profile("default"), max_examples=5000)
settings.load_profile(os.environ.get("FHIR_BLADDER_HYPOTHESIS", "default"))

ROOT = Path(__file__).parent.parent
NO_SUITES = "(set FHIR_BLADDER_SUITES)"


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
