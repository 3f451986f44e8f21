# ruff: noqa: E501 - tables of cases read better in one line
"""Drop each compiled check of the acceptor in turn: the corpus must notice, or the check is redundant for a reason given here.

Acceptor and walker share their tables, so their agreement alone proves little; this is the gate for the acceptor.
"""

from __future__ import annotations

import copy
import json
import os
import random
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import orjson
import pytest

from fhir_bladder.conformance.accept import Acceptor
from fhir_bladder.conformance.validator import Validator

URL = "http://a.example/StructureDefinition/limits"
SYSTEM = "https://a.example/cs"
UCUM = "http://unitsofmeasure.org"


def concept(code: str) -> dict[str, Any]:
    return {"coding": [{"system": SYSTEM, "code": code, "display": code}], "text": code}


def sliced(name: str) -> list[dict[str, Any]]:
    at = "Observation.component"
    return [
        {"id": f"{at}:{name}", "path": at, "sliceName": name, "min": 1, "max": "1"},
        {
            "id": f"{at}:{name}.code",
            "path": f"{at}.code",
            "patternCodeableConcept": {"coding": [{"system": SYSTEM, "code": name}]},
        },
        {
            "id": f"{at}:{name}.value[x]",
            "path": f"{at}.value[x]",
            "min": 1,
            "type": [{"code": "Quantity"}],
            "patternQuantity": {"system": UCUM, "code": "mm"},
        },
    ]


PROFILE = {
    "resourceType": "StructureDefinition", "url": URL, "name": "Limits", "status": "draft", "kind": "resource", "abstract": False,
    "type": "Observation", "derivation": "constraint", "baseDefinition": "http://hl7.org/fhir/StructureDefinition/Observation",
    "differential": {"element": [
        {"id": "Observation", "path": "Observation", "constraint": [{"key": "lim-1", "severity": "error", "human": "0 to 5000", "expression": "value.ofType(Quantity).value >= 0 and value.ofType(Quantity).value <= 5000"}]},
        {"id": "Observation.code", "path": "Observation.code", "patternCodeableConcept": {"coding": [{"system": SYSTEM, "code": "vol"}]}},
        {"id": "Observation.subject", "path": "Observation.subject", "min": 1},
        {"id": "Observation.performer", "path": "Observation.performer", "max": "1"},
        {"id": "Observation.value[x]", "path": "Observation.value[x]", "min": 1, "type": [{"code": "Quantity"}]},
        {"id": "Observation.value[x].value", "path": "Observation.value[x].value", "min": 1},
        {"id": "Observation.value[x].system", "path": "Observation.value[x].system", "min": 1, "fixedUri": UCUM},
        {"id": "Observation.value[x].code", "path": "Observation.value[x].code", "min": 1, "fixedCode": "mL"},
        {"id": "Observation.component", "path": "Observation.component", "slicing": {"discriminator": [{"type": "pattern", "path": "code"}], "rules": "open"}},
        *sliced("length"), *sliced("width"),
    ]},
}  # fmt: skip
SEED = {
    "resourceType": "Observation", "id": "o1", "meta": {"profile": [URL]}, "status": "final", "code": concept("vol"),
    "identifier": [{"system": "https://a.example/key", "value": "S1/1"}],
    "category": [{"coding": [{"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "imaging"}]}],
    "subject": {"reference": "Patient/p1", "display": "Htest"}, "performer": [{"reference": "Practitioner/n1"}],
    "device": {"reference": "Device/d1"}, "effectiveDateTime": "2026-11-18T10:42:00+01:00", "issued": "2026-11-18T10:50:00+01:00",
    "valueQuantity": {"value": 186.5, "unit": "mL", "system": UCUM, "code": "mL"},
    "component": [{"code": concept(n), "valueQuantity": {"value": 90.5, "unit": "mm", "system": UCUM, "code": "mm"}} for n in ("length", "width", "other")],
}  # fmt: skip
BAD = [None, " x", "x", {}, {"id": "x"}, [], True, 1.5, [["x"]]]

REDUNDANT = {
    # pattern of a label → why dropping it changes no verdict
    r".*:obs-6|.*:dom-[245]|.*:(obs-3|rat-1|rng-2|sqty-1|per-1)": "the keys it asks for are not checked inline, so the general function decides",
    r".*:dom-2:general|Patient:dom-.*": "a contained resource that holds others is refused before any rule",
    r".*:needed": "a mandatory choice is refused where it is read, or by the inline check",
    r"Observation\.component:array": "anything but a filled array lacks the mandatory slices or has no items with a code",
    r"Observation\.contained:array": "ids are read from the items of an array before",
    r"Reference\.reference:form|.*\.type:binding": "the target check reads the same text",
    r"Meta\.profile:form": "a profile that is not known is refused before",
    r"Observation\.value\[x\]:(ele-1|datatype|qty-3)": "value, system and code are mandatory and fixed",
    r"Observation\.dataAbsentReason:.*": "the profile asks for a value, so obs-6 refuses any reason",
    r".*:(length|width)\.code:pattern": "the slice was chosen by this pattern",
    r"Extension\.url:fixed": "the definition was found by this url",
    r"Extension:ext-1": "inline only where exactly one value is mandatory and extensions are not usual keys",
    r"(Observation\.component.*|Narrative|Extension|Annotation|Ratio|SampledData|Observation\.referenceRange):ele-1": "a mandatory key, or an invariant that asks for one, is there",
}
"""Checks that another check always makes superfluous."""


@pytest.fixture(scope="module")
def validator() -> Validator:
    return Validator(local=False, artefacts=[PROFILE])


def by_hand() -> Iterator[dict[str, Any]]:
    """What no systematic change makes: rules between elements."""

    def made(**more: Any) -> dict[str, Any]:
        return {**copy.deepcopy(SEED), **more}

    extra = {"code": concept("vol"), "valueString": "x"}
    yield made(component=[*SEED["component"], extra])
    yield made(component=[*SEED["component"], extra], method={"text": "x"})
    yield made(component=[*SEED["component"], {"code": {"text": "x"}, "valueString": "x", "valueBoolean": True}])
    yield made(component=SEED["component"] * 2)
    for value in (-1, 5001, -0.5, 5000.5):
        yield made(valueQuantity={**SEED["valueQuantity"], "value": value})
        yield made(valueQuantity={**SEED["valueQuantity"], "value": value}, method={"text": "x"})
    yield made(subject={"reference": "Medication/1"})
    yield made(subject={"reference": "#x"})
    yield made(
        contained=[{"resourceType": "Patient", "id": "p", "meta": {"versionId": "1"}}], subject={"reference": "#p"}
    )
    yield made(
        contained=[{"resourceType": "Patient", "id": "p", "meta": {"security": [{"code": "x"}]}}],
        subject={"reference": "#p"},
    )
    yield made(contained=[{"resourceType": "Patient", "id": "p", "contained": []}], subject={"reference": "#p"})
    yield made(dataAbsentReason={"text": "x"})
    label = {"system": "http://terminology.hl7.org/CodeSystem/v3-ActReason", "code": "HTEST"}
    for inner in (
        {"meta": {"security": [label]}},
        {"gender": "x"},
        {"meta": {"foo": 1}},
        {"deceasedBoolean": True, "deceasedDateTime": "2020"},
    ):
        yield made(contained=[{"resourceType": "Patient", "id": "p", **inner}], subject={"reference": "#p"})
    yield made(contained=[{"resourceType": "Patient", "id": "a_b", "active": True}], subject={"reference": "#a_b"})
    for inner in ({"deceasedBoolean": "x"}, {"deceasedDateTime": "x"}):
        yield made(contained=[{"resourceType": "Patient", "id": "p", **inner}], subject={"reference": "#p"})
    yield made(effectivePeriod={"start": "2020"})
    backwards = made(effectivePeriod={"start": "2020", "end": "2019"})
    del backwards["effectiveDateTime"]
    yield backwards
    for number in range(3):
        for ranges in ({"text": "x"}, [], [{"text": " x"}]):
            value = made()
            value["component"][number]["referenceRange"] = ranges
            yield value
    for note in (
        {"text": "x", "time": "x"},
        {"text": "x", "authorString": " x"},
        {"text": "x", "authorString": "x", "authorReference": {"reference": "Patient/1"}},
    ):
        yield made(note=[note])
    foreign = {"coding": [{"system": "http://a.example", "code": "x"}]}
    yield made(interpretation=[foreign])
    yield made(meta={"profile": [URL], "security": [{"system": "http://a.example", "code": "x"}]})
    yield made(identifier=[{"type": foreign, "value": "x"}])
    for number in range(3):
        for more in (
            {"interpretation": [foreign]}, {"dataAbsentReason": foreign}, {"referenceRange": [{"id": " x", "text": "x"}]},
            {"referenceRange": [{"text": "x", "low": {"id": " ", "value": 1}}]},
        ):  # fmt: skip
            value = made()
            value["component"][number].update(more)
            if number == 2 and "dataAbsentReason" in more:
                del value["component"][number]["valueQuantity"]
            yield value
    other = made()
    other["component"][2].pop("valueQuantity")
    yield {
        **other,
        "component": [
            *other["component"][:2],
            {**other["component"][2], "valueRange": {"id": " x", "low": {"value": 1}}},
        ],
    }


def documents(validator: Validator, corpus: Any, share: float) -> list[Any]:
    """Parsed resources in which the walker, alone, finds something."""
    tree = validator.schema.tree(URL)
    assert tree is not None
    root = validator.schema.table(tree, "Observation")
    guided = corpus.Guided(validator.explainer)
    r = random.Random(7)
    validator.explainer.helper = validator.acceptor
    found, seen = [], set()
    for source, keep in (
        (by_hand(), 1.0),
        (corpus.single_changes(SEED), share),
        (guided.systematic(r, SEED, root, BAD, validator.acceptor.accepts), share),
    ):
        for value in source:
            if keep < 1 and r.random() > keep:
                continue
            try:
                data = orjson.dumps(value)
            except (TypeError, ValueError):
                continue
            if data in seen:
                continue
            seen.add(data)
            parsed = orjson.loads(data)
            if not validator.acceptor.accepts(parsed) and validator.explain(data):
                found.append(parsed)
    return found


def labels(validator: Validator, docs: list[Any]) -> list[str]:
    """Checks of an acceptor that judged the seed and all documents."""
    acceptor = Acceptor(validator.explainer)
    assert acceptor.accepts(copy.deepcopy(SEED))
    for value in docs:
        acceptor.accepts(value)
    return list(acceptor.labels)


def survivors(validator: Validator, docs: list[Any], chosen: list[str]) -> list[str]:
    """Labels whose absence no document shows."""
    left = []
    for label in chosen:
        acceptor = Acceptor(validator.explainer, drop={label})
        if not any(acceptor.accepts(value) for value in docs):
            left.append(label)
    return left


CORE = (
    "Observation.status:binding", "Observation.code:pattern", "Observation.subject:target", "Observation.performer:max",
    "Observation.component:length:min", "Observation.component:length:max", "Observation.effectiveDateTime:form",
    "Observation.value[x].code:fixed", "Observation.value[x].system:fixed", "Observation:obs-7", "Observation:lim-1",
    "Observation.id:form", "Coding.code:form", "CodeableConcept.coding:array", "Observation.category:array",
)  # fmt: skip


def test_core_checks_are_needed(validator: Validator, corpus: Any) -> None:
    docs = documents(validator, corpus, 0.02)
    for value in (*by_hand(), *corpus.single_changes(SEED)):
        docs.append(value)
    docs = [json.loads(json.dumps(d)) for d in docs]
    bad = [d for d in docs if validator.explain(json.dumps(d).encode())]
    made = labels(validator, bad)
    assert set(CORE) <= set(made), set(CORE) - set(made)
    assert survivors(validator, bad, list(CORE)) == []


@pytest.mark.long
def test_every_check_is_needed(validator: Validator, corpus: Any) -> None:
    """All labels; a report of the survivors goes to the file named by FHIR_BLADDER_REPORT."""
    docs = documents(validator, corpus, float(os.environ.get("FHIR_BLADDER_SHARE", "1")))
    made = labels(validator, docs)
    left = survivors(validator, docs, made)
    unexplained = [label for label in left if not any(re.fullmatch(pattern, label) for pattern in REDUNDANT)]
    if report := os.environ.get("FHIR_BLADDER_REPORT"):
        text = (
            f"{len(made)} checks, {len(docs)} documents, {len(made) - len(left)} noticed, {len(left)} not\n"
            + "\n".join(left)
        )
        Path(report).write_text(text + "\n", "utf-8")
    assert unexplained == []
