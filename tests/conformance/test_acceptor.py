# ruff: noqa: E501 - tables of cases read better in one line
"""The acceptor: never a yes where the walker finds something; every compiled check is needed; quick rules are sound."""

from __future__ import annotations

import json
import random
from pathlib import Path
from typing import Any

import orjson
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhir_bladder import fhirpath
from fhir_bladder.conformance.invariants import Context, hand
from fhir_bladder.conformance.quick import Beyond, search, write
from fhir_bladder.conformance.validator import Validator
from fhir_bladder.fhirpath.functions_text import regex

VALID = Path(__file__).parent.parent / "profiles" / "valid"
NAMES = (
    "exam-example",
    "exam-not-seen",
    "measurement-volume",
    "report-full",
    "device-full",
    "provenance",
    "bundle-panel",
)
SEEDS = {name: json.loads((VALID / f"{name}.json").read_bytes()) for name in NAMES}


def root_of(validator: Validator, resource: dict[str, Any]) -> Any:
    """The table of the profile a resource claims, else of its type."""
    name = resource["resourceType"]
    claimed = resource.get("meta", {}).get("profile") or [f"http://hl7.org/fhir/StructureDefinition/{name}"]
    tree = validator.schema.tree(claimed[0])
    assert tree is not None
    return validator.schema.table(tree, name)


def judged(validator: Validator, data: bytes) -> tuple[bool, list[str], list[str]]:
    """(acceptor says yes, what the walker finds alone, what it finds with the acceptor skipping parts)."""
    accepted = validator.known_good(data)
    validator.explainer.helper = None
    alone = [f"{f.severity} {f.id} {f.path}" for f in validator.explain(data)]
    validator.explainer.helper = validator.acceptor
    helped = [f"{f.severity} {f.id} {f.path}" for f in validator.explain(data)]
    return accepted, sorted(alone), sorted(helped)


@given(seed=st.integers(0, 2**32), name=st.sampled_from(NAMES))
def test_never_a_wrong_yes(local: Validator, corpus: Any, seed: int, name: str) -> None:
    """Changes led by the schema; the long profile of hypothesis runs many more."""
    r = random.Random(seed)
    guided = corpus.Guided(local.explainer)
    for made in guided.changes(r, SEEDS[name], root_of(local, SEEDS[name]), 2):
        try:
            data = orjson.dumps(made)
        except (TypeError, ValueError):
            continue
        accepted, alone, helped = judged(local, data)
        assert not (accepted and alone), (alone, data)
        assert alone == helped, data


@given(seed=st.integers(0, 2**32), name=st.sampled_from(("exam-example", "measurement-volume")))
def test_bytes_changed_anywhere(local: Validator, seed: int, name: str) -> None:
    """One to three bytes replaced, dropped or doubled: no exception, no wrong yes."""
    r = random.Random(seed)
    data = bytearray(json.dumps(SEEDS[name]).encode())
    for _ in range(r.choice((1, 1, 2, 3))):
        at = r.randrange(len(data))
        if r.random() < 0.5:
            data[at] = r.choice(b'{}[]",:0x \\e-n\n\xff')
        elif r.random() < 0.5:
            del data[at]
        else:
            data[at:at] = data[max(0, at - r.randrange(1, 40)) : at]
    accepted, alone, helped = judged(local, bytes(data))
    assert not (accepted and alone), (alone, bytes(data))
    assert alone == helped


def test_valid_ones_are_accepted_at_once(local: Validator) -> None:
    """Without this the other tests would hold for an acceptor that never says yes."""
    for name, resource in SEEDS.items():
        if not name.startswith("bundle"):
            assert local.known_good(orjson.dumps(resource)), name


NUMBERS = [
    "5000",
    "5000.0",
    "5000.00000000000000001",
    "5000.00000000000000001e0",
    "0",
    "-0.0",
    "-1e-400",
    "1e-400",
    "4999.9999999999999999999",
]


@pytest.mark.parametrize("number", NUMBERS)
def test_numbers_on_the_limit(number: str) -> None:
    """The acceptor sees floats; on a limit it must leave the answer to exact numbers."""
    profile = {
        "resourceType": "StructureDefinition", "url": "http://a.example/limit", "name": "Limit", "status": "draft",
        "kind": "resource", "abstract": False, "type": "Observation", "derivation": "constraint",
        "baseDefinition": "http://hl7.org/fhir/StructureDefinition/Observation",
        "differential": {"element": [{"id": "Observation", "path": "Observation", "constraint": [{
            "key": "lim-1", "severity": "error", "human": "between",
            "expression": "value.ofType(Quantity).value >= 0 and value.ofType(Quantity).value <= 5000",
        }]}]},
    }  # fmt: skip
    validator = Validator(local=False, artefacts=[profile], profiles=["http://a.example/limit"])
    text = (
        '{"resourceType":"Observation","status":"final","code":{"text":"x"},"valueQuantity":{"value":' + number + "}}"
    )
    from decimal import Decimal

    right = 0 <= Decimal(number) <= 5000
    assert any(f.id == "lim-1" for f in validator.validate(text.encode())) != right
    assert right or not validator.known_good(text.encode())


def _invariants() -> list[tuple[str, str, str]]:
    from fhir_bladder.conformance.packages import local_artefacts

    found = []
    for profile in local_artefacts():
        if profile["resourceType"] != "StructureDefinition" or profile["type"] == "Extension":
            continue
        for element in profile["differential"]["element"]:
            for constraint in element.get("constraint", ()):
                if "." not in element["path"] and _is_quick(constraint["expression"], profile["type"]):
                    found.append((constraint["key"], constraint["expression"], profile["type"]))
    assert len(set(found)) > 5
    return sorted(set(found))


def _is_quick(expression: str, kind: str) -> bool:
    """Whether a rule has a quick form; the others run through the engine as they are."""
    try:
        write(expression, kind, True)
    except Beyond:
        return False
    return True


@pytest.mark.parametrize(
    ("key", "expression", "kind"), _invariants(), ids=lambda v: v if isinstance(v, str) and len(v) < 20 else ""
)
def test_quick_rules_are_sound(local: Validator, corpus: Any, key: str, expression: str, kind: str) -> None:
    """A quick rule says yes only where the engine does, on right and broken resources."""
    quick = write(expression, kind, True)
    program = fhirpath.compile(expression, kind)
    r = random.Random(key)
    yes = no = 0
    broken = [json.loads(p.read_bytes()) for p in (VALID.parent / "invalid").glob(f"{key}*.json")]
    for resource in (*SEEDS.values(), *broken):
        if resource["resourceType"] != kind:
            continue
        guided = corpus.Guided(local.explainer)
        changed = [resource, *guided.changes(r, resource, root_of(local, resource), 12)]
        for value in (*changed, *corpus.single_changes(resource, r, 2)):
            try:
                said = bool(quick(value, Context(value, value)))
            except (KeyError, TypeError, AttributeError, ValueError):
                said = False
            if not said:
                no += 1
                continue
            yes += 1
            try:
                truth = program.truth(value, resource=value, root=value)
            except Exception as error:  # broken data: the structure checks refuse them before any rule
                truth = f"no answer: {error}"
            if truth is not True:
                validator_finds = [f for f in local.explain(orjson.dumps(value)) if f.severity in ("error", "fatal")]
                assert validator_finds, (key, truth, value)
    assert yes and (no or not broken), "the corpus must have both answers"


HAND_SAMPLES: list[tuple[str, str, list[dict[str, Any]]]] = [
    ("dataAbsentReason.empty() or value.empty()", "Observation", [{}, {"valueString": "x"}, {"dataAbsentReason": {"text": "x"}}, {"valueString": "x", "dataAbsentReason": {"text": "x"}}, {"_valueString": {"id": "x"}, "dataAbsentReason": {"text": "x"}}]),
    ("code.empty() or system.exists()", "Quantity", [{}, {"code": "x"}, {"system": "x"}, {"code": "x", "system": "y"}, {"_code": {"id": "x"}}, {"code": "x", "_system": {"id": "y"}}]),
    ("low.exists() or high.exists() or text.exists()", "Observation.referenceRange", [{}, {"low": {"value": 1}}, {"text": "x"}, {"_text": {"id": "x"}}]),
    ("(identifier.count() + name.count()) > 0", "Organization", [{}, {"name": "x"}, {"identifier": [{"value": "x"}]}, {"_name": {"id": "x"}}]),
    ("where(use = 'home').empty()", "ContactPoint", [{}, {"use": "home"}, {"use": "work"}]),
    ("fullUrl.contains('/_history/').not()", "Bundle.entry", [{"fullUrl": "http://a/_history/1"}, {"fullUrl": "http://a/1"}]),
    ("extension.exists() != value.exists()", "Extension", [{}, {"valueString": "x"}, {"extension": [{"url": "x"}]}, {"valueString": "x", "extension": [{"url": "x"}]}]),
    ("(type = 'history') or entry.where(fullUrl.exists()).select(fullUrl&resource.meta.versionId).isDistinct()", "Bundle", [
        {"type": "history", "entry": [{"fullUrl": "a"}, {"fullUrl": "a"}]}, {"type": "collection", "entry": [{"fullUrl": "a"}, {"fullUrl": "a"}]},
        {"type": "collection", "entry": [{"fullUrl": "a"}, {"fullUrl": "b"}]},
        {"type": "collection", "entry": [{"fullUrl": "a", "resource": {"resourceType": "Patient", "meta": {"versionId": "1"}}}, {"fullUrl": "a"}]},
    ]),
    ("value.empty() or component.code.where(coding.intersect(%resource.code.coding).exists()).empty()", "Observation", [
        {"valueString": "x", "code": {"coding": [{"code": "a"}]}, "component": [{"code": {"coding": [{"code": "a"}]}}]},
        {"valueString": "x", "code": {"coding": [{"code": "a"}]}, "component": [{"code": {"coding": [{"code": "b"}]}}]},
        {"code": {"coding": [{"code": "a"}]}, "component": [{"code": {"coding": [{"code": "a"}]}}]},
    ]),
    ("contained.meta.security.empty()", "Observation", [{}, {"contained": [{"resourceType": "Patient", "meta": {"security": [{"code": "x"}]}}]}, {"contained": [{"resourceType": "Patient", "meta": {}}]}]),
]  # fmt: skip


@pytest.mark.parametrize(("expression", "kind", "samples"), HAND_SAMPLES, ids=[s[0][:40] for s in HAND_SAMPLES])
def test_hand_written_invariants_equal_the_engine(expression: str, kind: str, samples: list[dict[str, Any]]) -> None:
    rule = hand(expression)
    assert rule is not None
    program = fhirpath.compile(expression, kind)
    for sample in samples:
        value = (
            {"resourceType": kind, **sample}
            if "." not in kind and kind in ("Observation", "Bundle", "Organization")
            else sample
        )
        assert rule(value, Context(value, value)) == (program.truth(value, resource=value, root=value) is True), sample


def _cs(*pairs: str) -> dict[str, Any]:
    return {"coding": [dict(zip(("system", "code"), pair.split("|"), strict=True)) for pair in pairs]}


INDEXED = [
    "component.code.coding.where(system = 'a' and code = 'x').exists()",
    "component.code.coding.where(code = 'x' and system = 'a').empty()",
    "component.code.coding.where((system = 'a' and (code = 'x' or code = 'y')) or (system = 'b' and code = 'z')).exists()",
    "component.where(code.coding.where(system = 'a' and code = 'x').exists()).value.ofType(Quantity).value.all($this > 1)",
    "component.where(code.coding.where(system = 'a' and code = 'x').exists()).count() = 1",
    "component.all(value.exists() xor dataAbsentReason.exists())",
    "component.where($this.code.coding.where(system = 'a' and code = 'x').exists()).dataAbsentReason.exists().not()",
    "component.code.coding.where(system = 'a').exists()",
    "component.exists(code.coding.where(system = 'b' and code = 'z').exists())",
    "status != 'final' and status.exists()",
]


@pytest.mark.parametrize("expression", INDEXED)
def test_looked_up_codings_tell_what_the_engine_tells(expression: str) -> None:
    """Rules that look codings up say yes exactly where the engine does, with codes doubled, missing and in any order."""
    quick = write(expression, "Observation", True)
    program = fhirpath.compile(expression, "Observation")
    r = random.Random(expression)
    seen = set()
    for _ in range(400):
        components: list[dict[str, Any]] = []
        for _ in range(r.randrange(4)):
            component: dict[str, Any] = {}
            pairs = r.choices(("a|x", "a|y", "b|z", "b|x"), k=r.randrange(3))
            component["code"] = _cs(*pairs) if pairs else {"text": "x"}
            if pairs and r.random() < 0.2:
                del component["code"]["coding"][0][r.choice(("system", "code"))]
            if r.random() < 0.5:
                component["valueQuantity"] = {"value": r.choice((0, 1, 2))}
            if r.random() < 0.5:
                component["dataAbsentReason"] = {"text": "x"}
            components.append(component)
        value = {"resourceType": "Observation", "code": {"text": "x"}}
        if components:
            value["component"] = components  # type: ignore[assignment]
        if r.random() < 0.8:
            value["status"] = r.choice(("final", "amended"))  # type: ignore[assignment]
        truth = program.truth(value, resource=value, root=value) is True
        assert bool(quick(value, Context(value, value))) == truth, value
        seen.add(truth)
    assert seen == {True, False}


@pytest.mark.parametrize(
    "pattern",
    ["^(a|b)+$", r"\(a\)", "[(]a", "[^(]a", "[]()]b", "[^](]b", r"(a)\1", r"(?<x>a)(?P=x)", "(a)?(?(1)b|c)", "a(?=b)(b)",
     r"\\(a)", r"[\](]a", "((a)(b))c", "x|"],
)  # fmt: skip
def test_groups_that_nothing_refers_to_change_no_match(pattern: str) -> None:
    """As the pattern itself, by `re`."""
    asked = ["", "a", "b", "ab", "aa", "(a)", "(a", "xa", ")b", "]b", "]a", "cb", "abab", "\\a", "abc", "c", "xb"]
    whole = regex(pattern)
    found = [(whole.search(text) or [None])[0] for text in asked]
    assert [(search(pattern)(text) or [None])[0] for text in asked] == found
    assert any(found) or pattern == "x|"
