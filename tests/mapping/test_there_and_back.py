"""Any valid record goes to FHIR and back equal, in both shapes (exam record: "Rules that hold for every reader")."""

from __future__ import annotations

import random
import sys
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhir_bladder import exam, wire
from fhir_bladder.errors import RecordError
from fhir_bladder.mapping import MapOptions, from_fhir, to_fhir

make = sys.modules["fhir_bladder_test_strategies"]

PATIENTS_OWN = ("birth_date", "administrative_gender", "family_name", "given_names")
DEVICES_OWN = ("manufacturer", "model", "udi_device_identifier")


def over_the_wire(resources: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [wire.loads(wire.dumps(resource)) for resource in resources]


@pytest.mark.parametrize("shape", ["panel", "single"])
@given(data=make.records())
def test_any_record_comes_back_equal_as_bundle(shape: str, data: dict[str, Any]) -> None:
    record = exam.load(data)
    mapped = to_fhir(record, options=MapOptions(shape=shape, as_="bundles"))
    (back,) = from_fhir(over_the_wire(mapped.resources))
    assert exam.dump(exam.load(wire.loads(wire.dumps(back)))) == exam.dump(
        exam.load(data | {"status": exam.status_of(record)})
    )
    assert exam.same(exam.load(back), record)


@pytest.mark.parametrize("shape", ["panel", "single"])
@given(data=make.records())
def test_observations_give_back_the_exam_itself(shape: str, data: dict[str, Any]) -> None:
    record = exam.load(data)
    mapped = to_fhir(record, options=MapOptions(shape=shape))
    (back,) = from_fhir(over_the_wire(mapped.resources))
    given_, got = exam.dump(record), exam.dump(exam.load(back))
    patient = given_.pop("patient", {})
    for name in DEVICES_OWN:
        given_["device"].pop(name, None)
    given_["status"] = exam.status_of(record)
    got_patient = got.pop("patient", {})
    assert got == given_
    if "identifiers" in patient:
        assert got_patient == {"identifiers": patient["identifiers"][:1]}
    else:
        assert got_patient == patient


@given(
    datas=st.lists(make.records(), max_size=4, unique_by=lambda r: (r["device"]["serial"], r["exam_number"])),
    seed=st.integers(),
)
def test_exams_of_the_single_shape_come_back_from_any_order(datas: list[dict[str, Any]], seed: int) -> None:
    records = {to_fhir(record).key: record for record in map(exam.load, datas)}
    resources = [
        one for record in records.values() for one in to_fhir(record, options=MapOptions(shape="single")).resources
    ]
    random.Random(seed).shuffle(resources)
    back = [exam.load(one) for one in from_fhir(over_the_wire(resources))]
    assert sorted(to_fhir(one).key for one in back) == sorted(records)


@given(data=make.records())
def test_a_server_that_rewrites_numbers_as_doubles_loses_no_digit(data: dict[str, Any]) -> None:
    """As the embedded server does: `1.10` becomes `1.1`, `1E+2` becomes `100.0`."""
    record = exam.load(data)
    mapped = to_fhir(record, options=MapOptions(as_="bundles"))
    (back,) = from_fhir([_as_doubles(mapped.bundle)])
    assert exam.same(exam.load(back), record)


def _as_doubles(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _as_doubles(item) for name, item in value.items()}
    if isinstance(value, list):
        return [_as_doubles(item) for item in value]
    return Decimal(repr(float(value))) if isinstance(value, Decimal) else value


def test_missing_measurements_are_told(example: dict[str, Any]) -> None:
    resources = to_fhir(exam.load(example), options=MapOptions(shape="single")).resources
    with pytest.raises(RecordError, match="lacks 1 of its measurements"):
        list(from_fhir(resources[:-1]))
    problems: list[RecordError] = []
    assert list(from_fhir(resources[1:], on_problem=problems.append)) == []
    assert "no group" in problems[0].what


def test_what_cannot_be_read_is_told_and_the_rest_goes_on(example: dict[str, Any]) -> None:
    good = to_fhir(exam.load(example)).observations[0]
    foreign = {"resourceType": "Observation", "code": {"text": "pulse"}}
    broken = {name: value for name, value in good.items() if name != "identifier"}
    mangled = good | {"component": "none"}
    problems: list[RecordError] = []
    back = list(from_fhir([foreign, broken, mangled, good], on_problem=problems.append))
    assert len(back) == 1
    assert [problem.what.split(" (")[0] for problem in problems] == [
        "not a bladder-ultrasound exam", "no identifier is an exam key", "not readable as an exam",
    ]  # fmt: skip


def test_patient_and_device_that_came_before_are_read(example: dict[str, Any]) -> None:
    """As in the files of an export: loose resources with references of the server."""
    example["device"]["model"] = "invented scanner"
    bundle = to_fhir(exam.load(example), options=MapOptions(as_="bundles")).bundle
    device, patient, observation = (entry["resource"] for entry in bundle["entry"][:3])
    observation = observation | {
        "subject": observation["subject"] | {"reference": "Patient/7"},
        "device": observation["device"] | {"reference": "https://server.example/fhir/Device/9/_history/2"},
    }
    (back,) = from_fhir([device | {"id": "9"}, patient | {"id": "7"}, observation])
    assert exam.same(exam.load(back), exam.load(example))
