"""Shared by all tests: hypothesis profiles and the folder of public test suites."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

settings.register_profile(
    "default", max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large]
)
settings.register_profile("long", parent=settings.get_profile("default"), max_examples=5000)
settings.load_profile(os.environ.get("FHIR_BLADDER_HYPOTHESIS", "default"))

ROOT = Path(__file__).parent.parent


@pytest.fixture(scope="session")
def suites() -> Path:
    """The folder of public test suites; the test is skipped by name where it is not there."""
    folder = Path(os.environ.get("FHIR_BLADDER_SUITES", ROOT.parent / "shared" / "suites"))
    if not folder.is_dir():
        pytest.skip(f"public test suites not found: {folder} (set FHIR_BLADDER_SUITES)")
    return folder
