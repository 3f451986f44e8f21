"""Kept answers: the same as without, for values that differ in type, order or place; given up where useless."""

from __future__ import annotations

import json
from decimal import Decimal
from typing import Any
from uuid import UUID

import orjson
import pytest

from fhir_bladder.conformance import memory
from fhir_bladder.conformance.invariants import Context
from fhir_bladder.conformance.validator import Validator

WHERE = Context({}, {})


def counting(answer: Any) -> tuple[Any, list[Any]]:
    calls: list[Any] = []

    def accept(value: Any, context: Context) -> int:
        calls.append(value)
        return int(answer(value, context))

    return memory.remembered(accept), calls


def test_only_a_yes_is_kept_and_types_stay_apart() -> None:
    judge, calls = counting(lambda v, _: v["a"] is True)
    assert [judge({"a": x}, WHERE) for x in (True, 1, 1.0, "true", None, True, 1)] == [1, 0, 0, 0, 0, 1, 0]
    assert len(calls) == 6  # the second true is known, the second 1 is judged again


def test_numbers_without_exact_json_text_are_judged_each_time() -> None:
    judge, calls = counting(lambda v, _: True)
    assert judge({"a": Decimal("1.0")}, WHERE) == judge({"a": Decimal("1.0")}, WHERE) == 1
    assert len(calls) == 2


def test_an_answer_that_looked_elsewhere_is_not_kept() -> None:
    def answer(_: Any, context: Context) -> bool:
        context.asked = True
        return context.bundle is None

    judge, _ = counting(answer)
    assert judge({"a": 1}, Context({}, {})) == 1
    assert judge({"a": 1}, Context({}, {}, bundle={})) == 0
    outer = Context({}, {})
    judge({"a": 1}, outer)
    assert outer.asked, "what lies around must know it too"


def test_unique_values_are_not_looked_up_for_long(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = 0

    def text(value: Any) -> bytes:
        nonlocal asked
        asked += 1
        return orjson.dumps(value)

    monkeypatch.setattr(memory, "_text", text)
    judge, calls = counting(lambda v, _: True)
    many = memory.TURN + memory.REST
    for number in range(many):
        judge({"a": number}, WHERE)
    assert len(calls) == many and asked == memory.TURN


def test_values_that_come_back_are_known_in_the_end() -> None:
    """More of them than one turn holds: what was kept before a rest is known after it."""
    judge, calls = counting(lambda v, _: True)
    different = 4 * memory.TURN
    assert different < memory.ROOM
    for number in range(20 * (memory.TURN + memory.REST)):
        judge({"a": number % different}, WHERE)
    calls.clear()
    for number in range(different):
        judge({"a": number}, WHERE)
    assert not calls


def test_no_more_is_kept_than_there_is_room_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(memory, "ROOM", 10)
    judge, calls = counting(lambda v, _: True)
    for number in (*range(11), 10, 0):
        judge({"a": number}, WHERE)
    assert calls == [{"a": n} for n in (*range(11), 0)]


def test_references_are_judged_where_they_stand(local: Validator, exam: dict[str, Any]) -> None:
    """`#p` is right only beside the contained patient, whatever was accepted before."""
    patient = {"resourceType": "Patient", "id": "p", "active": True}
    link = {"reference": "#p", "identifier": {"system": "https://a.example", "value": "1"}}
    right = {**exam, "subject": link, "contained": [patient]}
    wrong = {**exam, "subject": link}
    for _ in range(3):
        assert local.accepts(json.dumps(right).encode())
        assert not local.accepts(json.dumps(wrong).encode())
    place = {"url": "http://hl7.org/fhir/StructureDefinition/event-location", "valueReference": {"reference": "#l"}}
    ward = {"resourceType": "Location", "id": "l", "name": "Ward"}
    others = [e for e in exam["extension"] if e["url"] != place["url"]]
    for _ in range(3):
        assert local.accepts(json.dumps({**exam, "extension": [*others, place], "contained": [ward]}).encode())
        assert not local.accepts(json.dumps({**exam, "extension": [*others, place]}).encode())


@pytest.mark.parametrize("odd", [UUID(int=1), float("nan"), (1, 2), {1: 2}])
def test_what_no_parser_makes_is_left_to_the_walker(local: Validator, exam: dict[str, Any], odd: Any) -> None:
    value = {**exam, "note": [{"text": odd}]}
    assert not local.known_good(value)
    assert local.known_good(dict(exam))
    assert any(f.severity == "error" for f in local.validate(value))
