# ruff: noqa: E501 - tables of cases read better in one line
"""Drop each check of the acceptor in turn: a document must show it, or it is redundant for a reason given in a file.

Acceptor and explainer share their tables, so their agreement alone proves little; this is the gate for the acceptor.
What is dropped, and how, is in `weaken.py` and `dropping.py`; the documents are made by `growth.py` and `odd.py`; the
reasons stand in `redundant.toml`. `python tests/conformance/proof.py` runs all of it and prints the table.
"""

from __future__ import annotations

import contextlib
from types import ModuleType
from typing import Any

import pytest

CORE = (
    "bladder-ultrasound-exam | Observation.status | v not in K",
    "bladder-ultrasound-exam | Observation.status | is there",
    "bladder-ultrasound-exam | Observation.category | not v",
    "Coding | Coding.code | v not in OK_code and (not SLOW_code(v))",
    "CodeableConcept | CodeableConcept.coding | not v",
    "Reference | Reference.display | v not in OK_text and (not TEXT(v))",
    "(bundles) | bundles.entry_problems | not absolute(url)",
    "(accept) | accept.target.leads | link[0] == '#' or references.form(link) is None",
)
"""Checks that must be among those looked at, so that a harness that finds none is noticed."""


def test_checks_of_some_tables_are_needed(proof: ModuleType) -> None:
    """A sample: hand-written documents and the tables of a few small seeds; every check of theirs is shown or named."""
    found = proof.prove(part=True)
    assert found.wrong == []
    assert not found.unnamed, "a document must show them (odd.py, growth.py), or redundant.toml must say why not"
    assert found.checks > 900 and found.shown > 600


def test_a_dropped_check_is_noticed(proof: ModuleType, base: Any) -> None:
    """The harness itself: with the binding of `status` left out a wrong status is taken, and only then."""
    right = b'{"resourceType":"Observation","status":"final","code":{"text":"x"}}'
    bad = right.replace(b"final", b"finale")
    with proof.dropping.copied() as (switches, weak):
        run = proof.dropping.Run(switches, weak, lambda data: [f.id for f in base.explain(data)])
        assert run.known_good(right) and not run.known_good(bad)
        shown = [str(switches.sites[key]) for key in run.one(bad)]
        assert "Observation | Observation.status | v not in K" in shown
        assert not run.known_good(bad)


def test_the_thicknesses_start_from_a_right_panel(proof: ModuleType, local: Any) -> None:
    """A seed that is wrong itself shows a check by luck only."""
    import orjson

    assert local.validate(orjson.dumps(proof.odd.seeds()["walls"])) == []


@pytest.mark.long
def test_every_check_is_needed(proof: ModuleType) -> None:
    """All profiles, all types judged in full, and the hand-written modules. About a minute and a half of processor time."""
    found = proof.prove()
    assert found.wrong == []
    assert not found.unnamed, "a new check that nothing shows: write the document, or the reason"
    assert set(CORE) <= found.names, set(CORE) - found.names


ACT = "http://terminology.hl7.org/CodeSystem/v3-ActReason"
OTHER = "http://a.example/cs"
UCUM = "http://unitsofmeasure.org"
RIGHT = {"system": ACT, "code": "HTEST", "display": "y"}
AMOUNT = {"value": 1, "unit": "x", "system": UCUM, "code": "mL"}
JUDGED_AT_ALL = "if not NAME_full(o, C): return 0"
TEMPLATES: list[tuple[str, str, str, list[Any], Any]] = [
    # template, what stands in it, what is put there, values judged before, a value that is then taken wrongly
    ("Coding", "len(o) == 3", "True", [RIGHT], {**RIGHT, "zz": 1}),
    ("Coding", "None not in key", "True", [{"code": "x", "display": "y", "userSelected": True}], {"code": "x", "display": "y", "zz": 1}),
    ("Coding", ", o.get('display')", "", [RIGHT], {**RIGHT, "display": " y"}),
    ("Coding", ", o.get('code')", "", [RIGHT], {**RIGHT, "code": "zz"}),
    ("Coding", "o.get('system'), ", "", [{**RIGHT, "system": OTHER, "code": "zz"}], {**RIGHT, "code": "zz"}),
    ("Coding", JUDGED_AT_ALL, "pass", [], {**RIGHT, "code": "zz"}),
    ("CodeableConcept", "len(o) == 2", "True", [{"coding": [RIGHT], "text": "x"}], {"coding": [RIGHT], "text": "x", "zz": 1}),
    ("CodeableConcept", "len(a) == 1", "True", [{"coding": [RIGHT], "text": "x"}], {"coding": [RIGHT, {"zz": 1}], "text": "x"}),
    ("CodeableConcept", "len(a) == 3", "True", [{"coding": [RIGHT], "text": "x"}], {"coding": [{**RIGHT, "zz": 1}], "text": "x"}),
    ("CodeableConcept", "None not in key", "True", [{"coding": [{"system": OTHER, "code": "x", "userSelected": True}], "text": "x"}], {"coding": [{"system": OTHER, "code": "x", "zz": 1}], "text": "x"}),
    ("CodeableConcept", "o.get('text'), ", "", [{"coding": [RIGHT], "text": "x"}], {"coding": [RIGHT], "text": " x"}),
    ("CodeableConcept", ", a.get('display')", "", [{"coding": [RIGHT], "text": "x"}], {"coding": [{**RIGHT, "display": " y"}], "text": "x"}),
    ("CodeableConcept", ", a.get('code')", "", [{"coding": [RIGHT], "text": "x"}], {"coding": [{**RIGHT, "code": "zz"}], "text": "x"}),
    ("CodeableConcept", "a.get('system'), ", "", [{"coding": [{**RIGHT, "system": OTHER, "code": "zz"}], "text": "x"}], {"coding": [{**RIGHT, "code": "zz"}], "text": "x"}),
    ("CodeableConcept", JUDGED_AT_ALL, "pass", [], {"coding": [{**RIGHT, "code": "zz"}], "text": "x"}),
    ("Quantity", "len(o) == 4", "True", [AMOUNT], {**AMOUNT, "zz": 1}),
    ("Quantity", "None not in key", "True", [{"value": 1, "unit": "x", "id": "a", "extension": []}, {"value": 1, "unit": "x", "id": "a", "comparator": "<"}], {"value": 1, "unit": "x", "id": "a", "zz": 1}),
    ("Quantity", "o.get('unit'), ", "", [AMOUNT], {**AMOUNT, "unit": " x"}),
    ("Quantity", ", o.get('code')", "", [AMOUNT], {**AMOUNT, "code": "zz"}),
    ("Quantity", "o.get('system'), ", "", [{**AMOUNT, "system": OTHER, "code": "zz"}], {**AMOUNT, "code": "zz"}),
    ("Quantity", "1 if type(o['value']) in NUMBER else 0", "1", [AMOUNT], {**AMOUNT, "value": "1"}),
    ("Quantity", JUDGED_AT_ALL, "pass", [], {**AMOUNT, "code": "zz"}),
]  # fmt: skip
"""Left out, and why: `a and` (nothing has no length: it raises), `'value' in o` (the look-up of the value raises
later), the choice between `NAME_kept` and `NAME_full` (what is kept is the same answer for the same text)."""


@pytest.mark.parametrize(
    ("name", "old", "new", "before", "bad"), TEMPLATES, ids=[f"{t[0]} {t[1][:24]}" for t in TEMPLATES]
)
def test_each_part_of_a_template_is_needed(
    monkeypatch: pytest.MonkeyPatch, name: str, old: str, new: str, before: list[Any], bad: Any
) -> None:
    """Answers kept for texts: with one condition or one text of the key left out, a wrong value is taken."""
    from fhir_bladder.conformance.accept_names import MEMO
    from fhir_bladder.conformance.validator import Validator

    def resource(value: Any) -> dict[str, Any]:
        held = {"Coding": {"code": {"coding": [value]}}, "CodeableConcept": {"code": value}}
        more = held.get(name, {"code": {"text": "x"}, "valueQuantity": value})
        return {"resourceType": "Observation", "status": "final", **more}

    def taken() -> bool:
        acceptor = Validator(local=False).acceptor
        for value in before * 2:
            acceptor.accepts(resource(value))
        return acceptor.accepts(resource(bad))

    assert old in MEMO[name]
    assert not taken()
    monkeypatch.setitem(MEMO, name, MEMO[name].replace(old, new))
    assert taken()


BARE = {"resourceType": "Observation", "status": "final", "code": {"text": "x"}}
ON_LIMIT = [{"low": {"value": 1.0}, "text": "x"}]
WRITER = [
    ("expr.name in ('exists', 'empty')", "method.text.matches('a').not() xor component.exists()", {"component": [{"code": {"text": "x"}}]}),
    ("self._exact(expr.left, focus)", "referenceRange.where((low.value <= 1) and text.exists()).empty()", {"referenceRange": ON_LIMIT}),
    ("self._exact(expr.right, focus)", "referenceRange.where(text.exists() and (low.value <= 1)).empty()", {"referenceRange": ON_LIMIT}),
    ("expr.operator in ('=', '!=')", "referenceRange.where(low.value <= 1).empty()", {"referenceRange": ON_LIMIT}),
    ("expr.name in ('exists', 'empty', 'matches')", "component.where(referenceRange.all(low.value <= 1)).empty()", {"component": [{"code": {"text": "x"}, "referenceRange": ON_LIMIT}]}),
]  # fmt: skip
"""A check that decides while the text of a rule is written, a rule, and an Observation that then passes it wrongly."""


@pytest.mark.parametrize(("check", "rule", "more"), WRITER, ids=[w[0] for w in WRITER])
def test_checks_of_the_writer_of_rules_are_needed(proof: ModuleType, check: str, rule: str, more: Any) -> None:
    """A float on a limit may stand for a number beyond it: "not known" must not drop an item. The engine is asked."""
    import sys

    from fhir_bladder import fhirpath

    value = {**BARE, **more}
    assert fhirpath.compile(rule, "Observation").truth(value, resource=value, root=value) is not True
    with proof.dropping.copied() as (switches, _):
        room = "fhir_bladder.conformance"
        quick, context = sys.modules[f"{room}.quick"], sys.modules[f"{room}.invariants"].Context(value, value)
        with contextlib.suppress(quick.Beyond):
            assert not quick.write(rule, "Observation", True)(value, context)
        key = next(k for k, s in switches.sites.items() if s.owner == "(quick)" and s.text == check)
        switches.dropped = frozenset([key])
        assert quick.write(rule, "Observation", True)(value, context)
        switches.dropped = None


@pytest.mark.parametrize("check", ["key in good", "answer"])
def test_checks_of_the_memory_are_needed(proof: ModuleType, check: str) -> None:
    """Answers are kept here, while the proof runs without."""
    import sys
    from decimal import Decimal

    with proof.dropping.copied(keep=True) as (switches, _):
        memory = sys.modules["fhir_bladder.conformance.memory"]
        context = sys.modules["fhir_bladder.conformance.invariants"].Context({}, {})
        wrong = [{"a": 1}, {"a": 1}, {"a": Decimal(1)}]

        def said() -> list[int]:
            judge = memory.remembered(lambda v, _: int(v["a"] is True))
            return [judge(value, context) for value in wrong]

        assert not any(said())
        keys = [k for k, s in switches.sites.items() if s.owner == "(memory)" and s.text.startswith(check)]
        switches.learn, switches.dropped = True, frozenset(keys)
        assert any(said())
        switches.dropped = None


def test_a_choice_with_extensions_only_is_left_to_its_slices(proof: ModuleType) -> None:
    """Found by the documents above: `_valueBoolean` alone was taken where the slices of value[x] are closed."""
    import copy

    import orjson
    from conformance_odd import ARTEFACTS, SEED_ODD

    from fhir_bladder.conformance.validator import Validator

    validator = Validator(local=False, artefacts=ARTEFACTS)
    made = copy.deepcopy(SEED_ODD)
    assert validator.known_good(orjson.dumps(made))
    del made["valueQuantity"]
    url = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"
    made["_valueBoolean"] = {"extension": [{"url": url, "valueCode": "unknown"}]}
    assert "slice-closed" in [f.id for f in validator.validate(orjson.dumps(made))]
