"""Shared by the mapping tests: shortcuts."""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any

import pytest

from fhir_bladder import exam
from fhir_bladder.exam import ExamRecord


@pytest.fixture
def record(example: dict[str, Any]) -> Callable[..., ExamRecord]:
    """The example with fields replaced; `None` takes a field away."""

    def make(**changes: Any) -> ExamRecord:
        data = copy.deepcopy(example) | changes
        return exam.load({name: value for name, value in data.items() if value is not None})

    return make


@pytest.fixture
def component() -> Callable[[dict[str, Any], str], dict[str, Any]]:
    """The one component of an Observation with a local code."""

    def find(observation: dict[str, Any], code: str) -> dict[str, Any]:
        (found,) = (one for one in observation["component"] if one["code"]["coding"][0]["code"] == code)
        return found

    return find
