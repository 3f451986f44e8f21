"""Every mapped resource parses as a model of `fhir.resources` (R4B, an implementation independent of ours)."""

from __future__ import annotations

import sys
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings

from fhir_bladder import exam
from fhir_bladder.errors import RecordError
from fhir_bladder.mapping import MapOptions, from_fhir, to_fhir
from fhir_bladder.mapping.models import typed

pytest.importorskip("fhir.resources.R4B", reason="the extra `models` is not installed")
make = sys.modules["fhir_bladder_test_strategies"]


@pytest.mark.parametrize("shape", ["panel", "single"])
@settings(max_examples=25)
@given(data=make.records())
def test_every_resource_of_a_bundle_parses(shape: str, data: dict[str, Any]) -> None:
    bundle = to_fhir(exam.load(data), options=MapOptions(shape=shape, as_="bundles")).bundle
    model = typed(bundle)
    assert model.type == "transaction"
    kinds = [entry.resource.__class__.__name__ for entry in model.entry]
    assert kinds == [entry["resource"]["resourceType"] for entry in bundle["entry"]]


@pytest.mark.parametrize("shape", ["panel", "single"])
def test_what_was_received_beside_extensions_parses_too(shape: str, example: dict[str, Any]) -> None:
    """Times without seconds and a coefficient with a zero at its end: servers built on these models must take them."""
    text = "2026-11-18T09:30Z"
    data = example | {
        "voided_at": text, "catheter_removed_at": text, "catheterised_at": text,
        "earlier_voids": [{"at": text}, {"at": "2026-11-18T08:00Z"}],
        "action": {"what": "escalated", "at": text},
        "diameters": {
            "scan_number": 2, "coefficient": Decimal("0.520"),
            **{name: {"value": Decimal("7.10"), "unit": "cm"} for name in ("length", "width", "height")},
        },
    }  # fmt: skip
    data["scans"][0]["taken_at"] = text
    record = exam.load(data)
    mapped = to_fhir(record, options=MapOptions(shape=shape, as_="bundles"))
    assert typed(mapped.bundle).type == "transaction"
    (back,) = from_fhir([mapped.bundle])
    assert exam.same(exam.load(back), record)


def test_the_models_refuse_what_is_no_resource(example: dict[str, Any]) -> None:
    observation = to_fhir(exam.load(example)).observations[0]
    with pytest.raises(RecordError, match="refuses it"):
        typed({name: value for name, value in observation.items() if name != "code"})
    with pytest.raises(RecordError, match="Bladder"):
        typed({"resourceType": "Bladder"})
