"""The patient guard: what is proven is sent, what is not is held and says what a person must decide."""

from __future__ import annotations

from typing import Any

import pytest

from fhir_bladder.errors import ConfigError
from fhir_bladder.exchange.outbox import Outbox
from fhir_bladder.exchange.push.engine import PushOptions, check_target
from fhir_bladder.sandbox.hostile_faults import InProcess

MATCH = PushOptions(patients="match", concurrency=1)
ORDER = {"system": "https://records.example/order", "value": "O-1"}
VISIT = {"system": "https://records.example/visit", "value": "V-1"}


def outcome(bench: Any, record: dict[str, Any], options: PushOptions = MATCH) -> tuple[str, str]:
    bench.push([record], options=options)
    with Outbox(bench.outbox_path) as box:
        [row] = box.rows()
    return row.state, row.code


def linked(bench: Any, kind: str, identifier: dict[str, str], patient: dict[str, Any]) -> None:
    bench.store.write(
        {"resourceType": kind, "identifier": [identifier], "subject": {"reference": f"Patient/{patient['id']}"}}
    )


def test_identifier_and_birth_date(bench: Any) -> None:
    patient = bench.patient(name=[{"family": "Htest-Other"}])
    assert outcome(bench, bench.record()) == ("delivered", "")
    [exam] = bench.exams()
    assert exam["subject"]["reference"] == f"Patient/{patient['id']}"
    assert len(list(bench.store.current("Patient"))) == 1  # never created


def test_identifier_and_family_name(bench: Any) -> None:
    bench.patient(birthDate=None, name=[{"family": " HTEST-seven "}])
    assert outcome(bench, bench.record()) == ("delivered", "")


@pytest.mark.parametrize(
    ("kind", "field", "identifier"), [("ServiceRequest", "order", ORDER), ("Encounter", "encounter", VISIT)]
)
def test_identifier_and_order_or_encounter(bench: Any, kind: str, field: str, identifier: dict[str, str]) -> None:
    patient = bench.patient(birthDate=None, name=None)
    linked(bench, kind, identifier, patient)
    assert outcome(bench, bench.record(**{field: identifier})) == ("delivered", "")


@pytest.mark.parametrize(
    ("kind", "field", "identifier"), [("ServiceRequest", "order", ORDER), ("Encounter", "encounter", VISIT)]
)
def test_order_or_encounter_of_another_patient(bench: Any, kind: str, field: str, identifier: dict[str, str]) -> None:
    bench.patient()
    linked(bench, kind, identifier, bench.patient(999))
    assert outcome(bench, bench.record(**{field: identifier})) == ("held", "other-patient")
    assert not bench.exams()


def test_order_that_the_server_does_not_know_proves_nothing(bench: Any) -> None:
    bench.patient(birthDate=None, name=None)
    assert outcome(bench, bench.record(order=ORDER)) == ("held", "patient-unproven")


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"birthDate": "1951-03-10"}, "patient-contradicts"),
        ({"birthDate": None, "name": [{"family": "Htest-Other"}]}, "patient-unproven"),
        ({"birthDate": None, "name": None}, "patient-unproven"),
        ({"birthDate": "1951", "name": [{"family": "Htest-Other"}]}, "patient-unproven"),
        ({"active": False}, "patient-unknown"),
        ({"link": [{"other": {"reference": "Patient/9"}, "type": "replaced-by"}]}, "patient-unknown"),
    ],
)
def test_what_is_not_proven_is_held(bench: Any, changes: dict[str, Any], code: str) -> None:
    bench.patient(**changes)
    assert outcome(bench, bench.record()) == ("held", code)
    assert not bench.exams()
    with Outbox(bench.outbox_path) as box:
        assert next(box.rows()).reason


@pytest.mark.parametrize(
    ("died", "state"),
    [("2026-11-17", "held"), ("2025", "held"), ("2026-11-18", "delivered"), ("2027-01-02", "delivered")],
)
def test_an_exam_after_the_patient_has_died_is_another_patients(bench: Any, died: str, state: str) -> None:
    bench.patient(deceasedDateTime=died)
    assert outcome(bench, bench.record())[0] == state


def test_an_encounter_that_names_no_patient_contradicts_nothing(bench: Any) -> None:
    bench.patient()
    bench.store.write({"resourceType": "Encounter", "identifier": [VISIT]})
    assert outcome(bench, bench.record(encounter=VISIT)) == ("delivered", "")


@pytest.mark.parametrize("status", [425, 409, 423])
def test_a_passing_refusal_of_a_look_for_orders_does_not_switch_it_off(bench: Any, status: int) -> None:
    """Only a server that has no orders at all has nothing to contradict with."""

    class Early(InProcess):
        def request(self, method: str, path: str, **options: Any) -> Any:
            response = super().request(method, path, **options)
            if path.startswith("ServiceRequest"):
                response.status, response.body = status, None
            return response

    bench.patient()
    linked(bench, "ServiceRequest", ORDER, bench.patient(999))
    bench.push([bench.record(order=ORDER)], options=MATCH, server=Early(bench.server))
    assert not bench.exams()
    assert outcome(bench, bench.record(order=ORDER)) == ("held", "other-patient")


def test_no_patient_and_two_patients(bench: Any) -> None:
    assert outcome(bench, bench.record()) == ("held", "patient-unknown")
    bench.patient()
    bench.patient()
    assert outcome(bench, bench.record()) == ("held", "patient-ambiguous")


def test_put_right_on_the_server_and_given_again(bench: Any) -> None:
    assert outcome(bench, bench.record()) == ("held", "patient-unknown")
    bench.patient()
    assert outcome(bench, bench.record()) == ("delivered", "")


def test_identifiers_of_two_patients(bench: Any) -> None:
    bench.patient()
    bench.patient(identifier=[{"system": "https://other.example", "value": "X"}])
    record = bench.record()
    record["patient"]["identifiers"].append({"system": "https://other.example", "value": "X"})
    assert outcome(bench, record) == ("held", "patient-ambiguous")


def test_a_record_without_patient_is_held_whatever_the_mode(bench: Any) -> None:
    for mode in ("match", "logical", "create"):
        options = PushOptions(patients=mode, concurrency=1)  # type: ignore[arg-type]
        assert outcome(bench, bench.record(patient=None), options) == ("held", "no-patient")


def test_released_by_a_person(bench: Any) -> None:
    bench.patient(birthDate=None, name=None)
    assert outcome(bench, bench.record()) == ("held", "patient-unproven")
    with Outbox(bench.outbox_path) as box:
        box.release("LK-0093/E-1", by="Nurse Htest", reason="wristband compared")
    bench.push(options=MATCH)
    with Outbox(bench.outbox_path) as box:
        assert next(box.rows()).state == "delivered"
    [note] = bench.store.current("Provenance")
    assert any("wristband compared" in str(agent) for agent in note["agent"])


def test_logical_refers_by_identifier_and_says_so(bench: Any) -> None:
    assert outcome(bench, bench.record(), PushOptions(patients="logical", concurrency=1)) == ("delivered", "")
    [exam] = bench.exams()
    assert exam["subject"]["identifier"]["value"] == "700-431"
    assert "reference" not in exam["subject"]
    assert "not verified" in exam["meta"]["tag"][0]["display"]
    assert "not verified" in bench.receipts()[-1]["reason"]


def test_fhir_without_a_patient_to_compare(bench: Any) -> None:
    """Observations of `map` name the patient by identifier alone: held unless logical, or an order agrees."""
    from fhir_bladder import exam
    from fhir_bladder.mapping import MapOptions, to_fhir

    patient = bench.patient()
    observations = to_fhir(exam.load(bench.record(order=ORDER)), options=MapOptions()).observations
    item = bench.preparer().fhir(observations)
    assert item.state == "waiting", item.reason
    bench.push(items=[item], options=MATCH)
    assert bench.states() == {"LK-0093/E-1": [("held", "patient-unproven")]}
    linked(bench, "ServiceRequest", ORDER, patient)
    bench.push(items=[bench.preparer().fhir(observations)], options=MATCH)
    assert bench.states() == {"LK-0093/E-1": [("delivered", "")]}


def test_patients_are_created_on_this_machine_only() -> None:
    create = PushOptions(patients="create")
    assert check_target("http://127.0.0.1:8080/fhir/", create) == ("http://127.0.0.1:8080/fhir", True)
    with pytest.raises(ConfigError, match="test servers"):
        check_target("https://fhir.hospital.example/fhir", create)
    assert check_target("https://fhir.hospital.example", PushOptions(patients="create", allow_test=True))[1] is False


def test_invented_data_stays_on_this_machine(bench: Any) -> None:
    from fhir_bladder.exchange.push.prepare import Preparer
    from fhir_bladder.mapping import MapOptions

    far = Preparer(MapOptions(), None, local=False)
    [item] = bench.items([bench.record()], far)
    assert (item.state, item.code) == ("held", "test-data")
    [item] = bench.items([bench.record(synthetic=None)], far)
    assert item.state == "waiting"
    allowed = Preparer(MapOptions(), None, local=False, allow_test=True)
    [item] = bench.items([bench.record()], allowed)
    assert item.state == "waiting"


def test_what_is_remembered_is_bounded() -> None:
    from fhir_bladder.exchange.push import ensure

    known = {("Patient", ("s", str(n))): n for n in range(ensure.REMEMBERED + 10)}
    ensure.forget(known)
    assert len(known) == ensure.REMEMBERED
    assert ("Patient", ("s", "9")) not in known
    assert ("Patient", ("s", "10")) in known
