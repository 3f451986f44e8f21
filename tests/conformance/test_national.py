# ruff: noqa: E501 - tables of cases read better in one line
"""Features that public national profiles use, each in a home-made profile.

Met in US Core, AU Base and Core, UK Core, the German and Norwegian base profiles, ISiK, IPS and the Dutch zibs, whose
verdicts were compared with HAPI 8.8.0 (`tests/oracle/hapi/packages.py`, table in docs/hapi-agreement.md).
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from fhir_bladder.conformance import Validator, read_package, snapshot_of
from fhir_bladder.errors import InputError, UnsupportedError

A = "https://a.example/"
BASE = "http://hl7.org/fhir/StructureDefinition/"
ABSENT = {"url": BASE + "data-absent-reason", "valueCode": "unknown"}
OPEN = {"discriminator": [{"type": "type", "path": "$this"}], "rules": "open"}
LOINC, SNOMED = "http://loinc.org", "http://snomed.info/sct"


def element(ident: str, **fields: Any) -> dict[str, Any]:
    path = ".".join(part.partition(":")[0] for part in ident.split("."))
    last = ident.rpartition(".")[2]
    name = {"sliceName": last.partition(":")[2]} if ":" in last else {}
    return {"id": ident, "path": path, **name, **fields}


def profile(name: str, type_: str, *elements: dict[str, Any], base: str = "", **fields: Any) -> dict[str, Any]:
    return {
        "resourceType": "StructureDefinition", "url": A + name, "name": "N", "status": "draft", "abstract": False,
        "kind": "resource", "type": type_, "derivation": "constraint", "baseDefinition": base or BASE + type_,
        "differential": {"element": [element(type_), *elements]}, **fields,
    }  # fmt: skip


def value_set(name: str, **include: Any) -> dict[str, Any]:
    return {"resourceType": "ValueSet", "url": A + name, "status": "draft", "compose": {"include": [include]}}


def found(artefacts: list[dict[str, Any]], resource: dict[str, Any], url: str = "p", level: str = "error") -> list[str]:
    """Ids of the findings; what the acceptor takes, the explainer must have nothing to say about."""
    validator = Validator(local=False, artefacts=artefacts, profiles=[A + url])
    data = json.dumps(resource).encode()
    explained = validator.explain(data)
    assert [f.as_dict() for f in validator.validate(data)] == [f.as_dict() for f in explained]
    assert not (validator.known_good(data) and explained)
    return [f.id for f in explained if f.severity == level]


def observation(**fields: Any) -> dict[str, Any]:
    return {"resourceType": "Observation", "status": "final", "code": {"text": "x"}, **fields}


def test_a_type_slice_alone_leaves_one_type() -> None:
    """The base lists Quantity among others; a profile on it that speaks of the slice only allows no other (as HAPI)."""
    base = profile(
        "b", "Observation",
        element("Observation.value[x]", slicing=OPEN),
        element("Observation.value[x]:valueQuantity", type=[{"code": "Quantity"}], min=0),
        element("Observation.value[x]:valueQuantity.unit", min=1),
    )  # fmt: skip
    derived = profile(
        "p", "Observation", element("Observation.value[x]:valueQuantity", patternQuantity={"code": "mL"}), base=A + "b"
    )
    made = [base, derived]
    assert found(made, observation(valueString="x"), "b") == []
    assert found(made, observation(valueQuantity={"value": 1}), "b") == ["cardinality-min"]
    assert found(made, observation(valueString="x")) == ["element-unknown"]
    assert (
        found(
            made,
            observation(valueQuantity={"value": 1, "unit": "mL", "system": "http://unitsofmeasure.org", "code": "mL"}),
        )
        == []
    )
    assert found(made, observation(valueQuantity={"value": 1, "unit": "L"})) == ["pattern"]


def test_a_slice_may_bear_the_name_of_its_element() -> None:
    made = [
        value_set("v", system=A + "s", concept=[{"code": "a"}]),
        profile(
            "p", "Observation",
            element("Observation.category", slicing={"discriminator": [{"type": "value", "path": "$this"}], "rules": "open"}),
            element("Observation.category:category", min=1, max="1", binding={"strength": "required", "valueSet": A + "v"}),
        ),
    ]  # fmt: skip
    inside, outside = {"coding": [{"system": A + "s", "code": "a"}]}, {"text": "other"}
    assert found(made, observation(category=[inside, outside])) == []
    assert found(made, observation(category=[outside])) == ["slice-min"]


def test_an_extension_on_a_choice_of_several_types() -> None:
    """`effective[x].extension:…` while several types may stand: each keeps its own children."""
    made = [
        profile(
            "p", "Observation",
            element("Observation.effective[x]", type=[{"code": "dateTime"}, {"code": "Period"}], min=1),
            element("Observation.effective[x].extension:absent", min=0, max="1", type=[{"code": "Extension", "profile": [BASE + "data-absent-reason"]}]),
        )
    ]  # fmt: skip
    assert found(made, observation(effectiveDateTime="2026-03-02")) == []
    assert found(made, observation(effectivePeriod={"start": "2026-03-02"})) == []
    assert found(made, observation(_effectiveDateTime={"extension": [ABSENT]})) == []
    assert "slice-max" in found(
        made, observation(effectiveDateTime="2026", _effectiveDateTime={"extension": [ABSENT, ABSENT]})
    )
    assert found(made, observation(effectivePeriod={"start": "2026", "begin": "2026"})) == ["element-unknown"]


def test_a_binding_whose_strength_alone_is_raised() -> None:
    made = [
        value_set("v", system=A + "s", concept=[{"code": "a"}]),
        profile(
            "b", "Observation", element("Observation.method", binding={"strength": "preferred", "valueSet": A + "v"})
        ),
        profile("p", "Observation", element("Observation.method", binding={"strength": "required"}), base=A + "b"),
    ]
    assert found(made, observation(method={"coding": [{"system": A + "s", "code": "a"}]})) == []
    assert found(made, observation(method={"coding": [{"system": A + "s", "code": "b"}]})) == ["binding-required"]


def coded(name: str, system: str, code: str) -> list[dict[str, Any]]:
    stem = f"Observation.component:{name}.code.coding"
    return [
        element(stem, slicing={"discriminator": [{"type": "value", "path": "code"}], "rules": "open"}),
        element(f"{stem}:first", min=1, max="1"),
        element(f"{stem}:first.system", min=1, fixedUri=system),
        element(f"{stem}:first.code", min=1, fixedCode=code),
    ]


def test_a_discriminator_through_mandatory_slices() -> None:
    """As R4's own blood pressure: component by code.coding.code, whose value stands on a slice of coding."""
    paths = [{"type": "value", "path": "code.coding.code"}, {"type": "value", "path": "code.coding.system"}]
    made = [
        profile(
            "p", "Observation",
            element("Observation.component", slicing={"discriminator": paths, "rules": "open"}),
            element("Observation.component:low", min=1, max="1"), *coded("low", LOINC, "8462-4"),
            element("Observation.component:low.value[x]", min=1),
            element("Observation.component:high", min=0, max="1"), *coded("high", LOINC, "8480-6"),
        )
    ]  # fmt: skip

    def component(code: str, **fields: Any) -> dict[str, Any]:
        return {"code": {"coding": [{"system": A + "s", "code": "x"}, {"system": LOINC, "code": code}]}, **fields}

    assert found(made, observation(component=[component("8462-4", valueString="x")])) == []
    assert found(made, observation(component=[component("8462-4")])) == ["cardinality-min"]
    assert found(made, observation(component=[component("8480-6", valueString="x")])) == ["slice-min"]


def test_a_discriminator_that_asks_for_nothing_is_passed_over() -> None:
    both = [{"type": "value", "path": "coding.system"}, {"type": "value", "path": "coding.code"}]
    made = [
        profile(
            "p", "Observation",
            element("Observation.category", slicing={"discriminator": both, "rules": "open"}),
            element("Observation.category:own", min=1, max="*"),
            element("Observation.category:own.coding.system", min=1, fixedUri=A + "s"),
        )
    ]  # fmt: skip
    assert found(made, observation(category=[{"coding": [{"system": A + "s", "code": "a"}]}])) == []
    assert found(made, observation(category=[{"coding": [{"system": A + "t", "code": "a"}]}])) == ["slice-min"]


FILTER = [{"property": "concept", "op": "is-a", "value": "404684003"}]


def test_a_binding_that_cannot_be_listed_is_told() -> None:
    """A filter over a code system nobody gave: a warning by name, never a silent yes."""
    made = [
        value_set("v", system=SNOMED, filter=FILTER),
        profile(
            "p", "Observation",
            element("Observation.method", binding={"strength": "required", "valueSet": A + "v"}),
            element("Observation.status", binding={"strength": "required", "valueSet": A + "nobody"}),
        ),
    ]  # fmt: skip
    resource = observation(method={"coding": [{"system": SNOMED, "code": "1"}]})
    assert found(made, resource) == [] and found(made, resource, level="warning") == [
        "binding-unknown",
        "binding-undecided",
    ]
    assert found(made, observation(method={"text": "x"})) == ["binding-required"]


def test_a_filter_over_a_given_code_system_is_decided() -> None:
    system = {
        "resourceType": "CodeSystem", "url": A + "s", "status": "draft", "content": "complete",
        "concept": [{"code": "top", "concept": [{"code": "below"}]}, {"code": "other"}],
    }  # fmt: skip
    made = [
        system,
        value_set("v", system=A + "s", filter=[{"property": "concept", "op": "is-a", "value": "top"}]),
        profile(
            "p", "Observation", element("Observation.method", binding={"strength": "required", "valueSet": A + "v"})
        ),
    ]
    for code, ids in (("below", []), ("top", []), ("other", ["binding-required"])):
        assert found(made, observation(method={"coding": [{"system": A + "s", "code": code}]})) == ids


@pytest.mark.parametrize("low", [0, 1])
def test_a_slice_told_by_such_a_binding(low: int) -> None:
    """Optional: a warning that it is not checked. Mandatory: the profile cannot be judged, and is refused by name."""
    made = [
        value_set("v", system=SNOMED, filter=FILTER),
        profile(
            "p", "Observation",
            element("Observation.category", slicing={"discriminator": [{"type": "pattern", "path": "$this"}], "rules": "open"}),
            element("Observation.category:sct", min=low, max="1", binding={"strength": "required", "valueSet": A + "v"}),
        ),
    ]  # fmt: skip
    resource = observation(category=[{"coding": [{"system": SNOMED, "code": "1"}]}])
    validator = Validator(local=False, artefacts=made, profiles=[A + "p"])
    findings = validator.validate(json.dumps(resource).encode())
    if low == 0:
        assert [(f.id, f.severity) for f in findings] == [("slice-undecided", "warning")]
        assert A + "v" in findings[0].message and "sct" in findings[0].message
    else:
        assert found(made, resource) == ["slice-min"] or [f.id for f in findings] == ["profile-unsupported"]


def test_one_of_several_profiles_on_a_type() -> None:
    """R4 ElementDefinition.type.profile: the value holds to one of them."""
    made = [
        profile("short", "Identifier", element("Identifier.value", maxLength=3), kind="complex-type"),
        profile("typed", "Identifier", element("Identifier.type", min=1), kind="complex-type"),
        profile(
            "p",
            "Patient",
            element("Patient.identifier", type=[{"code": "Identifier", "profile": [A + "short", A + "typed"]}]),
        ),
    ]
    for identifier, ids in (
        ({"value": "abc"}, []), ({"value": "abcd", "type": {"text": "x"}}, []), ({"value": "abcd"}, ["profile-none"]),
    ):  # fmt: skip
        assert found(made, {"resourceType": "Patient", "identifier": [identifier]}) == ids


def extension(name: str, *contexts: str, kind: str = "element") -> dict[str, Any]:
    made = profile(
        name, "Extension", element("Extension.extension", max="0"), element("Extension.url", fixedUri=A + name),
        element("Extension.value[x]", min=1, type=[{"code": "string"}]), kind="complex-type",
    )  # fmt: skip
    return {**made, "context": [{"type": kind, "expression": one} for one in contexts]}


def test_contexts_by_path_and_by_extension() -> None:
    marked = {"url": A + "e", "valueString": "x"}
    coding = {"system": A + "s", "code": "a", "extension": [marked]}
    made = [extension("e", "Observation.code.coding"), profile("p", "Observation")]
    assert found(made, observation(code={"coding": [coding]})) == []
    assert found(made, observation(method={"coding": [coding]})) == ["extension-context"]
    outer = profile(
        "o",
        "Extension",
        element("Extension.url", fixedUri=A + "o"),
        element("Extension.value[x]", max="0"),
        kind="complex-type",
    )
    inside = [
        extension("e", A + "o", kind="extension"),
        {**outer, "context": [{"type": "element", "expression": "Element"}]},
        profile("p", "Observation"),
    ]
    assert found(inside, observation(extension=[{"url": A + "o", "extension": [marked]}])) == []
    assert found(inside, observation(extension=[marked])) == ["extension-context"]


def test_a_slice_by_an_extension_nobody_gave() -> None:
    """The profile can be judged; only an instance that carries the extension cannot."""
    made = [
        profile(
            "p", "Patient",
            element("Patient.extension:far", min=0, max="1", type=[{"code": "Extension", "profile": [A + "far"]}]),
            element("Patient.extension:far.value[x]", min=1),
            element("Patient.name", min=1),
        )
    ]  # fmt: skip
    named = {"resourceType": "Patient", "name": [{"family": "Htest-Nine"}]}
    assert found(made, named) == [] and found(made, {"resourceType": "Patient", "active": True}) == ["cardinality-min"]
    assert "extension-unknown" in found(made, {**named, "extension": [{"url": A + "far", "valueString": "x"}]})


def test_resources_of_one_type_in_a_bundle() -> None:
    """Entries sliced by the type of their resource, with a profile on it and a constraint written below it."""
    made = [
        profile("patient", "Patient", element("Patient.birthDate", min=1)),
        profile(
            "p", "Bundle",
            element("Bundle.entry", slicing={"discriminator": [{"type": "type", "path": "resource"}], "rules": "closed"}),
            element("Bundle.entry:patient", min=1, max="1"),
            element("Bundle.entry:patient.resource", min=1, type=[{"code": "Patient", "profile": [A + "patient"]}]),
            element("Bundle.entry:patient.resource.gender", min=1),
        ),
    ]  # fmt: skip

    def bundle(**resource: Any) -> dict[str, Any]:
        urn = "urn:uuid:0c3151bd-1cbf-4d64-b04d-cd9187a4c6e0"
        return {"resourceType": "Bundle", "type": "collection", "entry": [{"fullUrl": urn, "resource": resource}]}

    right = {"resourceType": "Patient", "birthDate": "1950", "gender": "male"}
    assert found(made, bundle(**right)) == []
    assert found(made, bundle(resourceType="Patient", gender="male")) == ["cardinality-min"]
    assert found(made, bundle(resourceType="Patient", birthDate="1950")) == ["cardinality-min"]
    assert "slice-closed" in found(made, bundle(resourceType="Organization", name="x"))
    typed = [
        made[0],
        profile(
            "p", "Bundle", element("Bundle.entry.resource", type=[{"code": "Patient", "profile": [A + "patient"]}])
        ),
    ]
    assert found(typed, bundle(**right)) == [] and "resource-type" in found(
        typed, bundle(resourceType="Organization", name="x")
    )


def test_canonicals_with_a_version() -> None:
    targets = [{"code": "Reference", "targetProfile": [BASE + "Patient|4.0.1"]}]
    made = [profile("p", "Observation", element("Observation.subject", type=targets))]
    assert found(made, observation(subject={"reference": "Patient/1"})) == []
    assert found(made, observation(subject={"reference": "Device/1"})) == ["reference-target"]
    everything = [{"code": "Reference", "targetProfile": [BASE + "Resource|4.0.1"]}]
    made = [
        profile("p", "Observation", element("Observation.subject", type=everything), base=BASE + "Observation|4.0.1")
    ]
    assert found(made, observation(subject={"reference": "Device/1"})) == []


@pytest.mark.parametrize(
    ("fields", "word"),
    [
        ({"fhirVersion": "5.0.0"}, "FHIR 5.0.0"),
        ({"fhirVersion": "3.0.2"}, "FHIR 3.0.2"),
        (
            {"differential": {"element": [{"id": "Observation.status", "path": "Observation.status", "min": "x"}]}},
            "malformed",
        ),
        ({"differential": {"element": ["x"]}}, "malformed"),
        ({"snapshot": 5}, "malformed"),
        ({"type": "Patient"}, "of Observation"),
        ({"baseDefinition": A + "nowhere"}, "nowhere"),
        ({"baseDefinition": None}, "base definition"),
    ],
    ids=["R5", "STU3", "bad number", "text for an element", "bad snapshot", "another type", "unknown base", "no base"],
)
def test_broken_definitions_are_refused_by_name(fields: dict[str, Any], word: str) -> None:
    made = {k: v for k, v in {**profile("p", "Observation"), **fields}.items() if v is not None}
    with pytest.raises(UnsupportedError) as caught:
        snapshot_of(A + "p", [made])
    assert word in str(caught.value) and A + "p" in str(caught.value)


def test_neither_snapshot_nor_differential() -> None:
    made = {k: v for k, v in profile("p", "Observation").items() if k != "differential"}
    with pytest.raises(UnsupportedError, match="neither"):
        snapshot_of(A + "p", [made])


def test_packages_that_cannot_be_read_say_why(tmp_path: Path) -> None:
    (tmp_path / "package.json").write_text(json.dumps({"name": "a", "version": "1", "fhirVersions": ["5.0.0"]}))
    with pytest.raises(InputError, match=r"FHIR 5\.0\.0"):
        read_package(tmp_path)
    (tmp_path / "package.json").write_text(json.dumps({"name": "a", "version": "1"}))
    (tmp_path / "StructureDefinition-a.xml").write_text("<StructureDefinition/>")
    with pytest.raises(InputError, match="XML"):
        read_package(tmp_path)
