"""The life table of an exam (design, section 3), row by row, as a pure function; the table stands in the test."""

from __future__ import annotations

import copy
from decimal import Decimal
from typing import Any

import pytest

from fhir_bladder.exchange.push import life
from fhir_bladder.exchange.push.life import CREATE, HELD, REPLACE, SAME, SUPERSEDED, UPDATE, Comparison
from fhir_bladder.terminology import names

EQUAL = Comparison(subject=True, measured=True, whole=True)
NOTES = Comparison(subject=True, measured=True, whole=False)
VALUES = Comparison(subject=True, measured=False, whole=False)
SUBJECT = Comparison(subject=False, measured=True, whole=True)
STATUSES = ("preliminary", "final", "amended", "corrected", "cancelled", "entered-in-error")


@pytest.mark.parametrize("ours", STATUSES)
def test_nothing_there_is_created(ours: str) -> None:
    assert life.decide(ours, None, None).action == CREATE


@pytest.mark.parametrize("status", STATUSES)
def test_the_same_again_is_the_same(status: str) -> None:
    assert life.decide(status, status, EQUAL).action == SAME


@pytest.mark.parametrize(
    ("theirs", "ours", "comparison", "action"),
    [
        # preliminary → preliminary, final (verified later) or cancelled
        ("preliminary", "preliminary", VALUES, UPDATE),
        ("preliminary", "final", EQUAL, UPDATE),
        ("preliminary", "final", NOTES, UPDATE),
        ("preliminary", "cancelled", EQUAL, UPDATE),
        ("preliminary", "amended", VALUES, UPDATE),
        # final → amended or corrected
        ("final", "amended", EQUAL, UPDATE),
        ("final", "amended", VALUES, UPDATE),
        ("final", "corrected", VALUES, UPDATE),
        # content change with status amended or corrected
        ("amended", "amended", VALUES, UPDATE),
        ("amended", "corrected", VALUES, UPDATE),
        ("corrected", "amended", NOTES, UPDATE),
        # any → entered-in-error
        ("preliminary", "entered-in-error", EQUAL, UPDATE),
        ("final", "entered-in-error", VALUES, UPDATE),
        ("amended", "entered-in-error", EQUAL, UPDATE),
        ("corrected", "entered-in-error", EQUAL, UPDATE),
        ("cancelled", "entered-in-error", EQUAL, UPDATE),
        # backwards with otherwise equal content
        ("final", "preliminary", EQUAL, SUPERSEDED),
        ("final", "preliminary", NOTES, SUPERSEDED),
        ("amended", "final", EQUAL, SUPERSEDED),
        ("corrected", "preliminary", EQUAL, SUPERSEDED),
        ("cancelled", "preliminary", EQUAL, SUPERSEDED),
        ("entered-in-error", "final", EQUAL, SUPERSEDED),
        ("entered-in-error", "amended", EQUAL, SUPERSEDED),
        # other content under the same key without status amended or corrected
        ("final", "final", VALUES, HELD),
        ("final", "final", NOTES, HELD),
        ("final", "preliminary", VALUES, HELD),
        ("amended", "final", VALUES, HELD),
        ("cancelled", "final", VALUES, HELD),
        ("cancelled", "final", EQUAL, HELD),
        ("final", "cancelled", EQUAL, HELD),
        ("entered-in-error", "final", VALUES, HELD),
        ("entered-in-error", "amended", VALUES, HELD),
        # another subject included
        ("preliminary", "preliminary", SUBJECT, HELD),
        ("final", "final", SUBJECT, HELD),
        ("final", "amended", SUBJECT, HELD),
        ("final", "entered-in-error", SUBJECT, HELD),
        # other subject with status corrected: never an update
        ("final", "corrected", SUBJECT, REPLACE),
        ("corrected", "corrected", SUBJECT, REPLACE),
        ("entered-in-error", "corrected", SUBJECT, REPLACE),
    ],
)
def test_row_of_the_table(theirs: str, ours: str, comparison: Comparison, action: str) -> None:
    assert life.decide(ours, theirs, comparison).action == action


@pytest.mark.parametrize("theirs", STATUSES)
@pytest.mark.parametrize("ours", STATUSES)
@pytest.mark.parametrize("comparison", [EQUAL, NOTES, VALUES, SUBJECT])
def test_every_combination_is_decided_and_safe(theirs: str, ours: str, comparison: Comparison) -> None:
    decision = life.decide(ours, theirs, comparison)
    assert decision.action in (SAME, UPDATE, REPLACE, SUPERSEDED, HELD)
    assert decision.action == SAME or decision.reason
    if not comparison.subject:
        assert decision.action in (HELD, REPLACE)  # an update never moves an exam to another patient
    if theirs == "entered-in-error":
        assert decision.action != UPDATE  # nothing retracted comes back to life
    if decision.action == HELD:
        assert decision.code
    # a version the server has had is never written again
    earlier = life.decide(ours, theirs, comparison, earlier=True)
    assert earlier.action in (SAME, SUPERSEDED)


def observation() -> dict[str, Any]:
    return {
        "resourceType": "Observation",
        "identifier": [{"system": "s", "value": "LK/1"}],
        "status": "final",
        "code": {"coding": [{"system": "https://w3id.org/fhir-bladder/CodeSystem/bladder-ultrasound", "code": "x"}]},
        "subject": {"reference": "Patient/1", "identifier": {"system": "m", "value": "7"}},
        "effectiveDateTime": "2026-11-18T10:42:00+00:00",
        "note": [{"text": "a note"}],
        "component": [
            {"code": {"text": "volume"}, "valueQuantity": {"value": 186, "code": "mL"}},
            {"code": {"text": "wall"}, "valueQuantity": {"value": 2.4, "code": "mm"}},
        ],
    }


@pytest.mark.parametrize(
    "rewrite",
    [
        lambda o: o.update(id="9", meta={"versionId": "3"}, text={"div": "<div/>"}),
        lambda o: o["subject"].update(reference="http://host/fhir/Patient/1"),
        lambda o: o["component"].reverse(),
        lambda o: o["component"][1]["valueQuantity"].update(value=2.40),
        lambda o: o.update(effectiveDateTime="2026-11-18T11:42:00+01:00"),
        lambda o: o["note"][0].update(text="a note "),
        lambda o: o.setdefault("extension", []).append({"url": names.AS_RECEIVED, "valueString": "10:35"}),
    ],
)
def test_what_servers_rewrite_is_no_difference(rewrite: Any) -> None:
    theirs = copy.deepcopy(observation())
    rewrite(theirs)
    assert life.compare([observation()], [theirs]) == EQUAL


def test_digits_beyond_a_double_are_no_difference() -> None:
    ours, theirs = observation(), observation()
    ours["component"][0]["valueQuantity"]["value"] = Decimal("212.12345678901234567890123456789")
    theirs["component"][0]["valueQuantity"]["value"] = Decimal("212.1234567890123")
    assert life.compare([ours], [theirs]) == EQUAL


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (lambda o: o["component"][0]["valueQuantity"].update(value=187), VALUES),
        (lambda o: o["component"][0]["valueQuantity"].update(comparator=">"), VALUES),
        (lambda o: o["component"][0]["valueQuantity"].update(code="L"), VALUES),
        (lambda o: o["component"].pop(), VALUES),
        (lambda o: o.update(effectiveDateTime="2026-11-18T10:43:00+00:00"), VALUES),
        (lambda o: o["note"][0].update(text="another"), NOTES),
        (lambda o: o["subject"].update(reference="Patient/2"), SUBJECT),
        (lambda o: o.update(subject={"identifier": {"system": "m", "value": "8"}}), SUBJECT),
    ],
)
def test_what_differs_is_seen(change: Any, expected: Comparison) -> None:
    theirs = copy.deepcopy(observation())
    change(theirs)
    assert life.compare([observation()], [theirs]) == expected
