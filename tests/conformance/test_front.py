"""The fast tiers on texts: never a yes where the explainer alone finds something; and the front tier does say yes."""

from __future__ import annotations

import importlib.util
import json
import random
import sys
import threading
from collections import Counter
from pathlib import Path
from types import ModuleType
from typing import Any

import orjson
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from fhir_bladder.conformance.front import Front
from fhir_bladder.conformance.needs import ITEMS, KEYS, ONE, WHOLE, need
from fhir_bladder.conformance.validator import Validator


@pytest.fixture(scope="session")
def spoil() -> ModuleType:
    """The maker of texts."""
    spec = importlib.util.spec_from_file_location("conformance_spoil", Path(__file__).with_name("spoil.py"))
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


class Tiers:
    """One validator through which all texts go, warm as in a stream, and another whose explainer is the judge."""

    def __init__(self, spoil: ModuleType, corpus: Any) -> None:
        self.fast, self.judge = Validator(), Validator()
        self.maker = spoil.Maker(self.judge, corpus.Guided(self.judge.explainer), spoil.pool())
        assert self.fast.front is not None
        self.told: Counter[str] = Counter()
        for resource in self.maker.resources:
            for _ in range(3):  # once to learn its keys, twice to keep its parts
                self.fast.known_good(orjson.dumps(resource))

    def check(self, data: bytes) -> None:
        """Ask every tier about a text; a yes needs an explainer that finds nothing."""
        self.fast.front._rest = 0
        front = self.fast.front.accepts(data)
        self.fast.front.pending = []
        whole = self.fast.known_good(data)
        self.told["front"] += front
        self.told["whole"] += whole
        assert whole or not front
        found = [f"{f.severity} {f.id} {f.path}" for f in self.judge.explain(data)]
        self.told["found"] += bool(found)
        assert not (whole and found), (found, data)


@pytest.fixture(scope="session")
def tiers(spoil: ModuleType, corpus: Any) -> Tiers:
    return Tiers(spoil, corpus)


@given(seed=st.integers(0, 2**64))
def test_no_wrong_yes(tiers: Tiers, seed: int) -> None:
    for data in tiers.maker.texts(random.Random(seed), 8):
        tiers.check(data)


def test_all_tiers_have_their_say(tiers: Tiers) -> None:
    """Without this the other tests would hold for tiers that never say yes."""
    tiers.told.clear()
    for data in tiers.maker.texts(random.Random(20261125), 300):
        tiers.check(data)
    assert tiers.told["front"] > 60 and tiers.told["whole"] > tiers.told["front"] + 10 and tiers.told["found"] > 60


@pytest.mark.long
@settings(max_examples=2_000, phases=[Phase.generate], suppress_health_check=list(HealthCheck), deadline=None)
@given(seed=st.integers(0, 2**64))
def test_no_wrong_yes_in_100_000(tiers: Tiers, seed: int) -> None:
    """2,000 seeds of 50 texts, three minutes of processor time. Last run to the end on 2026-11-25: no wrong yes."""
    for data in tiers.maker.texts(random.Random(seed), 50):
        tiers.check(data)


# single traps, each on a warm front tier

RIGHT: dict[str, Any] = {
    "resourceType": "Observation", "id": "o1", "status": "final", "code": {"text": "Volume"},
    "subject": {"reference": "Patient/p1"}, "valueQuantity": {"value": 18.6, "unit": "mL"},
}  # fmt: skip


@pytest.fixture(scope="module")
def warm(base: Validator) -> Front:
    """A front tier that says yes to RIGHT."""
    validator = Validator(local=False)
    front = validator.front
    data = orjson.dumps(RIGHT)
    for _ in range(4):
        assert validator.known_good(data)
    assert front.accepts(data)
    return front


TRAPS = {
    "key twice, the second right": (b'"status":"final"', b'"status":"x","status":"final"'),
    "key twice, both right": (b'"status":"final"', b'"status":"final","status":"final"'),
    "key twice by an escape": (b'"status":"final"', b'"stat\\u0075s":"x","status":"final"'),
    "key twice, the length kept by dropping a blank": (b'"id":"o1","status"', b'"id":"o1","id":"o1","status"'),
    "key twice inside a part": (b'{"text":"Volume"}', b'{"text":"x","text":"Volume"}'),
    "null": (b'"status":"final"', b'"status":null'),
    "null beside": (b'"id":"o1"', b'"id":"o1","_status":null'),
    "lone surrogate": (b"Volume", b"Vol\\ud800ume"),
    "not UTF-8": (b"Volume", b"Vol\xffume"),
    "control character": (b"Volume", b"Vol\\u0001ume"),
    "number in quotes": (b"18.6", b'"18.6"'),
    "no number": (b"18.6", b"NaN"),
    "leading zero": (b"18.6", b"018.6"),
    "true as number": (b"18.6", b"true"),
    "comma missing": (b'"id":"o1",', b'"id":"o1"'),
    "comma too many": (b'"id":"o1",', b'"id":"o1",,'),
    "comma at the end": (b'"mL"}}', b'"mL"},}'),
    "type missing": (b'"resourceType":"Observation",', b""),
    "type of another kind": (b'"Observation"', b'"Device"'),
    "mandatory key missing": (b'"status":"final",', b""),
    "choice twice": (b'"valueQuantity"', b'"valueString":"x","valueQuantity"'),
    "unknown key": (b'"id":"o1"', b'"id":"o1","foo":1'),
}


@pytest.mark.parametrize(("old", "new"), TRAPS.values(), ids=TRAPS)
def test_traps(warm: Front, base: Validator, old: bytes, new: bytes) -> None:
    data = orjson.dumps(RIGHT)
    assert old in data
    bad = data.replace(old, new, 1)
    base.explainer.helper = None
    assert base.explain(bad), "the trap must be one"
    for _ in range(3):
        assert not warm.accepts(bad)
    assert warm.accepts(data)


@pytest.mark.parametrize("around", [b"\xef\xbb\xbf%s", b"%s\n", b" %s", b"%s%s"])
def test_what_stands_around_is_left_to_others(warm: Front, around: bytes) -> None:
    data = orjson.dumps(RIGHT)
    assert not warm.accepts(around.replace(b"%s", data))


def test_a_shape_counts_only_after_a_yes(base: Validator) -> None:
    """Parts known to be right do not make an object right whose keys were never seen together."""
    validator = Validator(local=False)
    assert validator.front is not None
    first = {**RIGHT, "valueString": "x"}
    del first["valueQuantity"]
    for resource in (RIGHT, first):
        for _ in range(4):
            assert validator.known_good(orjson.dumps(resource))
    both = orjson.dumps({**RIGHT, "valueString": "x"})
    for _ in range(4):
        assert not validator.front.accepts(both) and not validator.known_good(both)


def test_nested_too_deep_is_never_accepted(base: Validator) -> None:
    """FHIR that holds its like: parts in parts, extensions in extensions, assigners of identifiers."""
    absent = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"
    for levels in (30, 60):
        part: Any = {"name": "a", "valueString": "x"}
        extension: Any = {"url": absent, "valueCode": "unknown"}
        reference: Any = {"display": "x"}
        for _ in range(levels):
            part = {"name": "a", "part": [part]}
            extension = {"url": absent, "valueCode": "unknown", "_valueCode": {"extension": [extension]}}
            reference = {"identifier": {"value": "1", "assigner": reference}}
        for resource in (
            {"resourceType": "Parameters", "parameter": [part]},
            {**RIGHT, "extension": [extension]},
            {**RIGHT, "performer": [reference]},
        ):
            data = json.dumps(resource).encode()
            base.explainer.helper = None
            found = {f.id for f in base.explain(data)}
            assert ("too-deep" in found) == (levels == 60)
            compact = orjson.dumps(resource)
            for text in (data, compact, compact):
                assert not (base.known_good(text) and found)


OBSERVATION_NEEDS = [
    ("status.exists()", KEYS, ""),
    ("value.exists() xor dataAbsentReason.exists()", KEYS, ""),
    ("identifier.where(value.matches('x')).count() = 1", ONE, "identifier"),
    ("value.ofType(Quantity).value.all($this >= 0)", ONE, "valueQuantity"),
    ("component.all(value.exists() xor dataAbsentReason.exists())", ITEMS, "component"),
    ("component.where(code.exists()).value.ofType(Quantity).value.all($this > 0)", ITEMS, "component"),
    ("component.where(code.exists()).count() = 1", WHOLE, ""),
    ("component.all(%resource.component.where(code.exists()).count() = 1)", WHOLE, ""),
    ("component.all(%resource.status = 'final')", WHOLE, ""),
    ("code.exists() implies value.ofType(Quantity).value > 1", WHOLE, ""),
]


@pytest.mark.parametrize(("expression", "kind", "key"), OBSERVATION_NEEDS, ids=[n[0][:50] for n in OBSERVATION_NEEDS])
def test_what_a_rule_depends_on(expression: str, kind: str, key: str) -> None:
    found = need(expression, "Observation", frozenset({"component", "extension"}))
    assert (found.kind, found.key) == (kind, key)


def test_a_condition_that_an_absent_key_makes_true_is_no_guard() -> None:
    """Where nothing of a guard's key is there the rule would be left out: `exists` of a path only is then false."""
    assert need("code.coding.exists() implies note.text.exists()", "Observation", frozenset()).guards
    url = "http://example.org/p"
    rule = "$this.where(maritalStatus.coding.empty()).exists() implies name.where(text = 'A').exists()"
    assert need(rule, "Patient", frozenset()).guards == ()
    validator = Validator(local=False, artefacts=[{
        "resourceType": "StructureDefinition", "url": url, "name": "P", "status": "draft", "kind": "resource",
        "abstract": False, "type": "Patient", "derivation": "constraint", "fhirVersion": "4.0.1",
        "baseDefinition": "http://hl7.org/fhir/StructureDefinition/Patient",
        "differential": {"element": [{"id": "Patient", "path": "Patient", "constraint": [
            {"key": "x-1", "severity": "error", "human": "x", "expression": rule}]}]},
    }])  # fmt: skip
    right, wrong = (
        orjson.dumps({"resourceType": "Patient", "meta": {"profile": [url]}, "name": [{"text": text}]}) for text in "AB"
    )
    for _ in range(4):
        assert validator.front is not None and validator.known_good(right)
    assert validator.front.accepts(right)
    for _ in range(4):
        assert not validator.known_good(wrong)


def test_other_threads_do_without_the_front_tier() -> None:
    """What it is about to learn belongs to one text; a second thread must not mix its own in."""
    validator = Validator(local=False)
    data = orjson.dumps(RIGHT)
    for _ in range(4):
        assert validator.front is not None and validator.known_good(data)
    assert validator.front.accepts(data)
    told: list[tuple[bool, bool]] = []
    thread = threading.Thread(target=lambda: told.append((validator._past_front(data), validator.known_good(data))))
    thread.start()
    thread.join()
    assert told == [(False, True)] and validator._past_front(data)
