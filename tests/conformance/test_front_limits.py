# ruff: noqa: E501 - tables of cases read better in one line
"""Each limit of the front tier by itself: parts known to be right, put together so that only this limit refuses them.

The explainer alone is the judge of what is right. Each limit was left out once on purpose to see its test fail.

Not here, for nothing can show them alone: unknown keys (the acceptor confirms no list with one), null (no type takes
it), `contained` and resources as parts (each limit stands behind the other, and both behind what looks at the
resource), another spelling of the type (its table is looked up by the text), blanks between the items of an array (each
item is judged by itself), slices of one url (here each has its own), and paths of a guard that the writer of rules does
not know (`first()`, `$index`).
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import orjson
import pytest

from fhir_bladder.conformance.needs import ITEMS, WHOLE, need
from fhir_bladder.conformance.validator import Validator

BASE = "http://hl7.org/fhir/StructureDefinition/"
URL = "http://a.example/p"
A, B, C, D = (f"http://a.example/{name}" for name in "abcd")
"""Extensions with a text that may stand anywhere; D not in an amended resource."""
NOT_AMENDED = "%resource.where(status = 'amended').empty()"
"""A rule that holds too where nothing is known of the resource yet."""


def structure(url: str, kind: str, elements: list[dict[str, Any]], **more: Any) -> dict[str, Any]:
    """A profile of a type, or an extension."""
    made = {
        "resourceType": "StructureDefinition", "url": url, "name": "N", "status": "draft", "fhirVersion": "4.0.1",
        "kind": "complex-type" if kind == "Extension" else "resource", "abstract": False, "type": kind,
        "derivation": "constraint", "baseDefinition": BASE + kind, "differential": {"element": elements},
    }  # fmt: skip
    return {**made, **more}


def extension(url: str, *rules: str) -> dict[str, Any]:
    root = {"id": "Extension", "path": "Extension", "constraint": constraints(*rules)}
    elements = [
        root, {"id": "Extension.url", "path": "Extension.url", "fixedUri": url},
        {"id": "Extension.value[x]", "path": "Extension.value[x]", "min": 1, "type": [{"code": "string"}]},
    ]  # fmt: skip
    return structure(url, "Extension", elements, context=[{"type": "element", "expression": "Element"}])


def constraints(*rules: str) -> list[dict[str, Any]]:
    return [{"key": f"x-{n}", "severity": "error", "human": "x", "expression": r} for n, r in enumerate(rules)]


def ruled(*rules: str) -> list[dict[str, Any]]:
    """A profile of Observation with rules."""
    return [{"id": "Observation", "path": "Observation", "constraint": constraints(*rules)}]


def sliced(low: int = 0, high: str = "*", **slicing: Any) -> list[dict[str, Any]]:
    """A profile of Observation whose extensions are A, twice at most, and B, once."""
    made: list[dict[str, Any]] = [{
        "id": "Observation.extension", "path": "Observation.extension", "min": low, "max": high,
        "slicing": {"discriminator": [{"type": "value", "path": "url"}], "rules": "open", **slicing},
    }]  # fmt: skip
    for name, url, least, most in (("a", A, 0, "2"), ("b", B, 1, "1")):
        made.append({
            "id": f"Observation.extension:{name}", "path": "Observation.extension", "sliceName": name, "min": least,
            "max": most, "type": [{"code": "Extension", "profile": [url]}],
        })  # fmt: skip
    return made


EXTENSIONS = [extension(A), extension(B), extension(C), extension(D, NOT_AMENDED)]


def observation(**more: Any) -> dict[str, Any]:
    """With the keys that all have here, so that one list of them serves all."""
    return {
        "resourceType": "Observation", "meta": {"profile": [URL]}, "status": "final", "code": {"text": "x"},
        "valueQuantity": {"value": 5}, **more,
    }  # fmt: skip


def extended(*items: tuple[str, str], **more: Any) -> dict[str, Any]:
    return observation(extension=[{"url": url, "valueString": text} for url, text in items], **more)


def coded(code: str, **more: Any) -> dict[str, Any]:
    return {"coding": [{"system": "http://a.example/cs", "code": code}], **more}


def refused(validator: Validator, judge: Validator, right: Iterable[Any], wrong: Any) -> None:
    """Known parts first, each judged until it is kept; then the wrong one, which no tier may take."""
    for value in right:
        data = orjson.dumps(value)
        assert not judge.explain(data), value
        for _ in range(4):
            assert validator.front is not None and validator.known_good(data)
    assert validator.front.accepts(data), "the tier must say yes to the last one, or nothing is shown"
    data = orjson.dumps(wrong)
    assert judge.explain(data), "the trap must be one"
    for _ in range(3):
        assert not validator.front.accepts(data)
        assert not validator.known_good(data)


LABEL = {"system": "http://terminology.hl7.org/CodeSystem/v3-ActReason", "code": "HTEST"}
SMALL = {"valueQuantity": {"value": 0}}
ON_EXTENSION = f"extension.where(url = '{A}').exists() implies value.ofType(Quantity).value > 1"
ON_CODE = "code.coding.where(code = 'a').exists() implies value.ofType(Quantity).value > 1"
ON_TEXT = "code.text.exists() implies status = 'final'"
AMENDED = {"status": "amended"}
CASES: dict[str, tuple[list[dict[str, Any]], list[dict[str, Any]], dict[str, Any]]] = {
    # what the profile asks, what is right, what is wrong though all its parts are right elsewhere
    "rule of two keys": (ruled(),
        [observation(code=coded(x), component=[{"code": coded(y), "valueString": "x"}]) for x, y in ("ab", "ba")],
        observation(code=coded("a"), component=[{"code": coded("a"), "valueString": "x"}])),
    "condition on an item": (ruled(ON_EXTENSION), [extended((A, "x")), extended((B, "x"), **SMALL)], extended((A, "x"), **SMALL)),
    "condition on a new item": (ruled(ON_EXTENSION), [extended((A, "x")), extended((B, "x"), **SMALL)], extended((A, "new"), **SMALL)),
    "condition on one of two items": (ruled(ON_EXTENSION), [extended((A, "x"), (B, "x")), extended((B, "x"), (B, "y"), **SMALL)], extended((A, "x"), (B, "x"), **SMALL)),
    "condition on a value": (ruled(ON_CODE), [observation(code=coded("a")), observation(code=coded("b"), **SMALL)], observation(code=coded("a"), **SMALL)),
    "condition on a new value": (ruled(ON_CODE), [observation(code=coded("a")), observation(code=coded("b"), **SMALL)], observation(code=coded("a", text="new"), **SMALL)),
    "first of two conditions on one value": (ruled(ON_CODE, ON_TEXT), [observation(code=coded("a", text="x")), observation(code=coded("b"), **SMALL)], observation(code=coded("a", text="x"), **SMALL)),
    "second of two conditions on one value": (ruled(ON_CODE, ON_TEXT), [observation(code=coded("a", text="x")), observation(code=coded("b"), **AMENDED)], observation(code=coded("a", text="x"), **AMENDED)),
    "rule on one value": (ruled("code.coding.where(code = 'a').empty()"), [observation(code=coded("b"))], observation(code=coded("a"))),
    "rule on each item": (ruled(f"extension.all(url = '{A}')"), [extended((A, "x"))], extended((B, "x"))),
    "rule on the number of items": (ruled(f"extension.where(url = '{A}').count() = 1"), [extended((A, "x")), extended((A, "y"))], extended((A, "x"), (A, "y"))),
    "an item that looks at the resource": (ruled(), [extended((D, "x")), extended((A, "x"), **AMENDED)], extended((D, "x"), **AMENDED)),
    "too few items": (sliced(2), [extended((A, "x"), (B, "x"))], extended((B, "x"))),
    "too many items": (sliced(0, "2"), [extended((A, "x"), (B, "x")), extended((A, "y"), (B, "x"))], extended((A, "x"), (A, "y"), (B, "x"))),
    "item of no slice": (sliced(rules="closed"), [extended((A, "x"), (B, "x"))], extended((B, "x"), (C, "x"))),
    "slice too seldom": (sliced(), [extended((A, "x"), (B, "x"))], extended((A, "x"))),
    "slice too often": (sliced(), [extended((B, "x")), extended((B, "y"))], extended((B, "x"), (B, "y"))),
    "slices out of order": (sliced(ordered=True), [extended((A, "x"), (B, "x"))], extended((B, "x"), (A, "x"))),
    "label twice": (ruled(),
        [observation(meta={"profile": [URL], "security": [LABEL]})], observation(meta={"profile": [URL], "security": [LABEL, LABEL]})),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_known_parts_do_not_make_a_right_whole(name: str) -> None:
    elements, right, wrong = CASES[name]
    artefacts = [*EXTENSIONS, structure(URL, "Observation", elements)]
    validator, judge = (Validator(local=False, artefacts=artefacts) for _ in range(2))
    refused(validator, judge, right, wrong)


def test_a_value_that_looks_at_the_resource_is_never_kept() -> None:
    """So the tier never says yes where such a value stands."""
    rule = constraints(f"text = 'y' or {NOT_AMENDED}")
    profile = structure(
        URL, "Observation", [{"id": "Observation.method", "path": "Observation.method", "constraint": rule}]
    )
    validator, judge = (Validator(local=False, artefacts=[profile]) for _ in range(2))
    for right in (observation(method={"text": "x"}), observation(method={"text": "y"}, **AMENDED)):
        for _ in range(4):
            assert validator.front is not None and validator.known_good(orjson.dumps(right))
    wrong = orjson.dumps(observation(method={"text": "x"}, **AMENDED))
    assert judge.explain(wrong) and not validator.front.accepts(wrong) and not validator.known_good(wrong)


def test_profiles_asked_for_are_asked_here_too() -> None:
    rule = structure(URL, "Observation", ruled(ON_CODE))
    validator, judge = (Validator((), [URL], local=False, artefacts=[rule]) for _ in range(2))
    a, b = (observation(code=coded(x), meta={"language": "en"}) for x in "ab")
    for one in (a, b):
        del one["meta"]
    refused(validator, judge, [a, {**b, **SMALL}], {**a, **SMALL})


def test_bundles_are_left_to_the_acceptor() -> None:
    """What a fullUrl must be is said by no invariant."""
    validator, judge = Validator(local=False), Validator(local=False)

    def bundle(url: str) -> bytes:
        entry = {"fullUrl": url, "request": {"method": "DELETE", "url": "Patient/1"}}
        return orjson.dumps({"resourceType": "Bundle", "type": "transaction", "entry": [entry]})

    for number in range(4):
        right, wrong = bundle(f"urn:uuid:c757873d-ec9a-4326-a141-55{number:010}"), bundle("Patient/1")
        assert validator.front is not None and validator.known_good(right)
        assert not validator.front.accepts(right)
        assert judge.explain(wrong) and not validator.known_good(wrong)


def test_a_deep_value_is_left_to_the_acceptor() -> None:
    validator, judge = (Validator(local=False, artefacts=EXTENSIONS) for _ in range(2))
    deep: Any = {"url": A, "valueString": "x"}
    for _ in range(60):
        deep = {"url": A, "valueString": "x", "_valueString": {"extension": [deep]}}
    right = {"resourceType": "Observation", "status": "final", "code": {"text": "x"}}
    flat, nested = ({"text": "x", "_text": {"extension": [item]}} for item in ({"url": A, "valueString": "x"}, deep))
    refused(validator, judge, [{**right, "method": flat}], {**right, "method": nested})
    refused(
        validator, judge, [{**right, "extension": [{"url": A, "valueString": "x"}]}], {**right, "extension": [deep]}
    )


DEPENDS = [
    # rule, what it depends on, whether it has guards
    ("extension.where(url = 'x').exists()", WHOLE, False),
    ("extension.all(url = 'x')", ITEMS, False),
    ("$this.all(extension.where(url = 'x').count() = 1)", WHOLE, False),
    ("code.coding.exists() and note.text.exists()", WHOLE, False),
    ("code.coding.exists() implies note.text.exists()", WHOLE, True),
    ("code.coding.empty() implies note.text.exists()", WHOLE, False),
    ("(code.coding.exists() or status = 'final') implies note.text.exists()", WHOLE, False),
    ("(code.coding.exists() or method.coding.exists()) implies note.text.exists()", WHOLE, True),
    ("(code.coding.exists() and status = 'final') implies note.text.exists()", WHOLE, True),
    ("component.where(%resource.component.count() = 1).exists() implies note.text.exists()", WHOLE, False),
    ("$this.where(status = 'final' and code.text = 'x').exists() implies note.text.exists()", WHOLE, False),
]


@pytest.mark.parametrize(("expression", "kind", "guarded"), DEPENDS, ids=[d[0][:60] for d in DEPENDS])
def test_what_a_rule_depends_on(expression: str, kind: str, guarded: bool) -> None:
    found = need(expression, "Observation", frozenset({"component", "extension"}))
    assert (found.kind, bool(found.guards)) == (kind, guarded)
