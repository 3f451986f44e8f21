"""Mutation operators that aim at rules: invariants, references, extensions, narrative, slices, Bundles, additions."""

from __future__ import annotations

import copy
import random
from decimal import Decimal
from typing import Any

from operators import OPERATORS, Resource, operator, pick, places, set_at

from fhir_bladder.fhirpath import model

ABSENT = {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/data-absent-reason", "code": "unknown"}]}
XHTML = '<div xmlns="http://www.w3.org/1999/xhtml">'


def objects(resource: Resource, *kinds: str) -> list[dict[str, Any]]:
    """All objects of the types, the resource itself included."""
    found = [resource] if resource["resourceType"] in kinds else []
    for parent, name, key in places(resource):
        for item in parent[name] if isinstance(parent[name], list) else [parent[name]]:
            kind = item.get("resourceType") if isinstance(item, dict) and key.type == "Resource" else key.type
            if isinstance(item, dict) and kind in kinds:
                found.append(item)
    return found


def on(*kinds: str, **fields: Any) -> Any:
    """Set fields (None: drop) on a random object of the types."""

    def run(rng: random.Random, resource: Resource) -> Any:
        found = objects(resource, *kinds)
        if not found:
            return None
        item = rng.choice(found)
        for name, value in fields.items():
            if value is None:
                item.pop(name, None)
            else:
                item[name] = copy.deepcopy(value)
        return resource

    return run


# ---- invariants ----------------------------------------------------------------------------------------------------
operator("obs-6")(on("Observation", "Observation.component", dataAbsentReason=ABSENT))
operator("qty-3")(on("Quantity", code="mL", system=None))
operator("quantity-comparator", harmless=True)(on("Quantity", comparator="<"))
operator("quantity-without-unit", harmless=True)(on("Quantity", unit=None))
operator("per-1")(on("Period", start="2026-03-02", end="2025-01-01"))
operator("period-precision")(on("Period", start="2026-03-02", end="2026-03"))
operator("period-ok", harmless=True)(on("Period", start="2026-03-02", end="2026-03-04"))
operator("cpt-2")(on("ContactPoint", system=None))
operator("att-1")(on("Attachment", data="YWJj", contentType=None))
operator("pat-1")(on("Patient", contact=[{"period": {"start": "2026"}}]))
operator("org-1")(on("Organization", name=None, identifier=None))
operator("org-home")(on("Organization", telecom=[{"system": "phone", "value": "1", "use": "home"}]))
operator("rng-2")(on("Observation", "Observation.component", valueRange={"low": {"value": 5}, "high": {"value": 1}}))
operator("rat-1")(on("Ratio", denominator=None))
operator("obs-3")(on("Observation", referenceRange=[{"type": {"text": "x"}}]))
operator("prr-1")(on("ServiceRequest", code=None))
operator("inv-1")(on("Parameters.parameter", valueString="x", part=[{"name": "p", "valueString": "y"}]))
operator("tim")(on("Timing.repeat", duration=Decimal(1), count=None, period=None))
operator("dom-2")(
    on(
        "Observation",
        "Patient",
        contained=[{"resourceType": "Patient", "id": "c", "contained": [{"resourceType": "Patient", "id": "d"}]}],
        managingOrganization={"reference": "#c"},
    )
)
operator("dom-3")(
    on(
        "Observation",
        "Patient",
        "Device",
        "Encounter",
        contained=[{"resourceType": "Organization", "id": "c", "name": "x"}],
    )
)
operator("dom-4")(
    on(
        "Patient",
        "Device",
        contained=[{"resourceType": "Organization", "id": "c", "name": "x", "meta": {"versionId": "1"}}],
        managingOrganization={"reference": "#c"},
        owner={"reference": "#c"},
    )
)
operator("contained-without-id")(on("Patient", contained=[{"resourceType": "Organization", "name": "x"}]))


@operator("obs-7")
def _obs_7(rng: random.Random, resource: Resource) -> Any:
    found = [item for item in objects(resource, "Observation") if isinstance(item.get("component"), list)]
    if not found:
        return None
    item = rng.choice(found)
    item["component"][0]["code"] = copy.deepcopy(item.get("code"))
    item["valueString"] = "x"
    return resource


@operator("two-choices")
def _two(rng: random.Random, resource: Resource) -> Any:
    place = pick(rng, resource, lambda value, key: key.name != key.element)
    if place is None:
        return None
    parent, name, key = place
    parent[key.element + ("Boolean" if not name.endswith("Boolean") else "String")] = (
        True if not name.endswith("Boolean") else "x"
    )
    return resource


@operator("other-choice")
def _other(rng: random.Random, resource: Resource) -> Any:
    place = pick(rng, resource, lambda value, key: key.name != key.element)
    if place is None:
        return None
    parent, name, key = place
    del parent[name]
    suffix, value = rng.choice(
        [
            ("String", "x"),
            ("Boolean", True),
            ("Integer", 3),
            ("DateTime", "2026"),
            ("Quantity", {"value": 1}),
            ("Period", {"start": "2026"}),
            ("CodeableConcept", {"text": "x"}),
        ]
    )
    parent[key.element + suffix] = value
    return resource


# ---- references ----------------------------------------------------------------------------------------------------
operator("reference-other-type")(on("Reference", reference="Medication/1", type=None))
operator("reference-contained-missing")(on("Reference", reference="#nothing"))
operator("reference-garbage")(on("Reference", reference="http://"))
operator("reference-text")(on("Reference", reference="just words"))
operator("reference-type-word")(on("Reference", type="Medication"))
operator("reference-empty")(on("Reference", reference="", display=None))
operator("reference-display", harmless=True)(on("Reference", reference=None, display="by name"))
operator("reference-identifier", harmless=True)(
    on("Reference", reference=None, identifier={"system": "https://ward-h.example/x", "value": "1"})
)
operator("reference-versioned", harmless=True)(on("Reference", display="shown"))


@operator("reference-absolute", harmless=True)
def _absolute(rng: random.Random, resource: Resource) -> Any:
    found = [item for item in objects(resource, "Reference") if str(item.get("reference", "")).count("/") == 1]
    if not found or resource["resourceType"] == "Bundle":
        return None
    item = rng.choice(found)
    item["reference"] = "https://records.example/fhir/" + item["reference"]
    return resource


# ---- extensions ----------------------------------------------------------------------------------------------------
KNOWN = {"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "unknown"}
OTHERS = {"url": "https://ward-h.example/extension", "valueString": "x"}


def with_extension(extension: Any, name: str = "extension") -> Any:
    def run(rng: random.Random, resource: Resource) -> Any:
        kinds = (
            "Observation",
            "Patient",
            "Device",
            "Quantity",
            "CodeableConcept",
            "Reference",
            "Encounter",
            "ServiceRequest",
        )
        found = objects(resource, *kinds)
        if not found:
            return None
        item = rng.choice(found)
        item[name] = (
            [*item.get(name, []), copy.deepcopy(extension)] if isinstance(item.get(name, []), list) else [extension]
        )
        return resource

    return run


operator("extension-other")(with_extension(OTHERS))
operator("extension-known", harmless=True)(with_extension(KNOWN))
operator("extension-nested")(
    with_extension({"url": "https://ward-h.example/e", "extension": [{"url": "a", "valueCode": "b"}]})
)
operator("extension-without-url")(with_extension({"valueString": "x"}))
operator("extension-without-value")(with_extension({"url": "https://ward-h.example/e"}))
operator("extension-both")(
    with_extension({"url": "https://ward-h.example/e", "valueString": "x", "extension": [OTHERS]})
)
operator("extension-two-values")(
    with_extension({"url": "https://ward-h.example/e", "valueString": "x", "valueCode": "y"})
)
operator("extension-value-type")(with_extension({"url": "https://ward-h.example/e", "valueAnything": "x"}))
operator("extension-relative-url")(with_extension({"url": "relative", "valueString": "x"}))
operator("modifier-extension")(with_extension(OTHERS, "modifierExtension"))


@operator("extension-known-value")
def _known(rng: random.Random, resource: Resource) -> Any:
    found = [item for item in objects(resource, "Extension") if any(name.startswith("value") for name in item)]
    if not found:
        return None
    item = rng.choice(found)
    for name in [name for name in item if name.startswith("value")]:
        del item[name]
    name, value = rng.choice(
        [("valueString", "x"), ("valueInteger", 1), ("valueBoolean", True), ("valueCode", "x"), ("valueDecimal", 1)]
    )
    item[name] = value
    return resource


@operator("extension-doubled")
def _doubled(rng: random.Random, resource: Resource) -> Any:
    place = pick(
        rng, resource, lambda value, key: key.element == "extension" and isinstance(value, list) and bool(value)
    )
    if place is None:
        return None
    place[0][place[1]].append(copy.deepcopy(place[0][place[1]][0]))
    return resource


@operator("sibling-extension", harmless=True)
def _sibling(rng: random.Random, resource: Resource) -> Any:
    place = pick(
        rng,
        resource,
        lambda value, key: (
            key.primitive
            and not isinstance(value, list)
            and key.type not in ("xhtml",)
            and key.name not in ("id", "url")
        ),
    )
    if place is None:
        return None
    place[0]["_" + place[1]] = {"extension": [copy.deepcopy(KNOWN)]}
    return resource


@operator("sibling-only")
def _sibling_only(rng: random.Random, resource: Resource) -> Any:
    made = _sibling(rng, resource)
    if made is None:
        return None
    name = next((parent, name) for parent, name, key in places(made) if "_" + name in parent)
    del name[0][name[1]]
    return made


@operator("sibling-on-object")
def _sibling_object(rng: random.Random, resource: Resource) -> Any:
    place = pick(rng, resource, lambda value, key: isinstance(value, dict))
    if place is None:
        return None
    place[0]["_" + place[1]] = {"extension": [copy.deepcopy(OTHERS)]}
    return resource


@operator("sibling-form")
def _sibling_form(rng: random.Random, resource: Resource) -> Any:
    place = pick(rng, resource, lambda value, key: key.primitive and key.name != "id")
    if place is None:
        return None
    place[0]["_" + place[1]] = rng.choice([{}, [], "x", [None], {"value": 1}, {"extension": []}, {"id": "i"}])
    return resource


# ---- narrative -----------------------------------------------------------------------------------------------------
def narrative(*divs: str, status: str | None = "generated") -> Any:
    def run(rng: random.Random, resource: Resource) -> Any:
        text = {"status": status, "div": rng.choice(divs)}
        resource["text"] = {name: value for name, value in text.items() if value is not None}
        return resource if resource["resourceType"] not in ("Bundle", "Parameters") else None

    return run


operator("narrative-ok", harmless=True)(
    narrative(
        XHTML + "<p>a <b>b</b></p></div>",
        XHTML + "<table><tr><td>1</td></tr></table></div>",
        XHTML + "a &amp; b &#160;<br/></div>",
    )
)
operator("narrative-script")(
    narrative(
        XHTML + "<script>alert(1)</script></div>",
        XHTML + '<p onclick="x()">a</p></div>',
        XHTML + "<form><input/></form></div>",
    )
)
operator("narrative-no-namespace")(narrative("<div>text</div>"))
operator("narrative-empty")(narrative(XHTML + "</div>", XHTML + " </div>", XHTML + "<p> </p></div>"))
operator("narrative-broken")(
    narrative(XHTML + "<p>a</div>", XHTML + "<p>a", "words", XHTML + "a &nbsp; b &bogus; c</div>")
)
operator("narrative-other-root")(narrative('<p xmlns="http://www.w3.org/1999/xhtml">a</p>'))
operator("narrative-without-status")(narrative(XHTML + "a</div>", status=None))
operator("narrative-status")(narrative(XHTML + "a</div>", status="written"))

# ---- slices and profiles -------------------------------------------------------------------------------------------


@operator("component-dropped")
def _component_dropped(rng: random.Random, resource: Resource) -> Any:
    items = resource.get("component")
    if not isinstance(items, list) or not items:
        return None
    del items[rng.randrange(len(items))]
    if not items:
        del resource["component"]
    return resource


@operator("component-doubled")
def _component_doubled(rng: random.Random, resource: Resource) -> Any:
    items = resource.get("component")
    if not isinstance(items, list) or not items:
        return None
    items.append(copy.deepcopy(rng.choice(items)))
    return resource


@operator("components-reordered", harmless=True)
def _components(rng: random.Random, resource: Resource) -> Any:
    if not isinstance(resource.get("component"), list):
        return None
    rng.shuffle(resource["component"])
    return resource


operator("coding-code")(on("Coding", code="nothing-of-ours"))
operator("coding-system")(on("Coding", system="https://ward-h.example/other"))
operator("coding-without-system")(on("Coding", system=None))
operator("coding-without-code")(on("Coding", code=None))
operator("concept-text-only")(on("CodeableConcept", coding=None, text="words"))
operator("profile-unknown")(on("Meta", profile=["https://ward-h.example/StructureDefinition/none"]))
operator("profile-version")(
    on("Meta", profile=["https://w3id.org/fhir-bladder/StructureDefinition/bladder-ultrasound-exam|9.9"])
)


@operator("coding-added", harmless=True)
def _coding(rng: random.Random, resource: Resource) -> Any:
    found = [item for item in objects(resource, "CodeableConcept") if isinstance(item.get("coding"), list)]
    if not found:
        return None
    rng.choice(found)["coding"].append({"system": "https://ward-h.example/codes", "code": "other"})
    return resource


@operator("profile-dropped", harmless=True)
def _profile(rng: random.Random, resource: Resource) -> Any:
    if "profile" not in resource.get("meta", {}):
        return None
    del resource["meta"]["profile"]
    if not resource["meta"]:
        del resource["meta"]
    return resource


@operator("meta-added", harmless=True)
def _meta(rng: random.Random, resource: Resource) -> Any:
    meta = resource.setdefault("meta", {})
    meta |= {"versionId": "3", "lastUpdated": "2026-03-02T09:00:00Z", "source": "https://ward-h.example/#1"}
    return resource


@operator("tag-added", harmless=True)
def _tag(rng: random.Random, resource: Resource) -> Any:
    resource.setdefault("meta", {}).setdefault("tag", []).append({"system": "https://ward-h.example/tags", "code": "t"})
    return resource


operator("language", harmless=True)(lambda rng, resource: {**resource, "language": rng.choice(["en", "de-DE"])})
operator("language-odd")(
    lambda rng, resource: {**resource, "language": rng.choice(["xx-nonsense", "English", "de_DE"])}
)
operator("identifier-added", harmless=True)(
    lambda rng, resource: (
        None
        if resource["resourceType"]
        in ("Bundle", "Provenance", "OperationOutcome", "Parameters", "Observation", "Device")
        else {
            **resource,
            "identifier": [
                *resource.get("identifier", []),
                {"use": "secondary", "system": "https://ward-h.example/s", "value": "2"},
            ],
        }
    )
)

# ---- elements of the type, added with a good value -----------------------------------------------------------------
GOOD: dict[str, list[Any]] = {
    "boolean": [True, False],
    "string": ["text"],
    "markdown": ["*text*"],
    "code": [],
    "uri": ["https://ward-h.example/u"],
    "url": ["https://ward-h.example/u"],
    "canonical": ["https://ward-h.example/c"],
    "date": ["2026-03-02"],
    "dateTime": ["2026-03-02T08:00:00Z"],
    "instant": ["2026-03-02T08:00:00Z"],
    "time": ["08:00:00"],
    "integer": [3],
    "decimal": [Decimal("1.5")],
    "positiveInt": [1],
    "unsignedInt": [0],
    "base64Binary": ["YWJj"],
    "id": ["a1"],
    "CodeableConcept": [{"text": "words"}, {"coding": [{"system": "https://ward-h.example/codes", "code": "c"}]}],
    "Quantity": [{"value": Decimal("1.5"), "unit": "mL", "system": "http://unitsofmeasure.org", "code": "mL"}],
    "Reference": [{"display": "somebody"}],
    "Identifier": [{"system": "https://ward-h.example/s", "value": "3"}],
    "Period": [{"start": "2026-03-02", "end": "2026-03-03"}],
    "Annotation": [{"text": "a note"}],
    "HumanName": [{"text": "Htest-One"}],
    "Address": [{"text": "Ward H"}],
    "Range": [{"low": {"value": 1}, "high": {"value": 2}}],
    "ContactPoint": [{"system": "phone", "value": "1"}],
    "Attachment": [{"contentType": "text/plain", "data": "YWJj"}],
    "Ratio": [{"numerator": {"value": 1}, "denominator": {"value": 2}}],
    "Coding": [{"system": "https://ward-h.example/codes", "code": "c"}],
}


@operator("element-added", harmless=True)
def _added(rng: random.Random, resource: Resource) -> Any:
    """A random element that is not there yet, with a good value of its type."""
    targets = [resource, *objects(resource, *(key for key in GOOD if key[0].isupper()))]
    item = rng.choice(targets)
    kind = item.get("resourceType") or next((k for k in GOOD if k[0].isupper() and item in objects(resource, k)), "")
    info = model.info(kind)
    if info is None:
        return None
    free = [
        key
        for element, keys in info.elements.items()
        if not any(key.name in item for key in keys)
        for key in keys
        if GOOD.get(key.type) and element not in ("id", "implicitRules", "contained")
    ]
    if not free:
        return None
    key = rng.choice(free)
    value = copy.deepcopy(rng.choice(GOOD[key.type]))
    item[key.name] = [value] if key.many else value
    return resource


# ---- Bundles -------------------------------------------------------------------------------------------------------
def on_entry(change: Any) -> Any:
    def run(rng: random.Random, resource: Resource) -> Any:
        entries = resource.get("entry") if resource["resourceType"] == "Bundle" else None
        if not entries:
            return None
        change(rng, resource, rng.choice(entries))
        return resource

    return run


operator("bundle-type")(
    lambda rng, r: (
        {
            **r,
            "type": rng.choice(
                ["batch", "document", "collection", "history", "searchset", "message", "transaction-response"]
            ),
        }
        if r["resourceType"] == "Bundle"
        else None
    )
)
operator("bundle-total")(lambda rng, r: {**r, "total": 3} if r["resourceType"] == "Bundle" else None)
operator("entry-without-resource")(on_entry(lambda rng, r, entry: entry.pop("resource", None)))
operator("entry-without-request")(on_entry(lambda rng, r, entry: entry.pop("request", None)))
operator("entry-search")(on_entry(lambda rng, r, entry: entry.update(search={"mode": "match"})))
operator("entry-response")(on_entry(lambda rng, r, entry: entry.update(response={"status": "201"})))
operator("entry-doubled")(on_entry(lambda rng, r, entry: r["entry"].append(copy.deepcopy(entry))))
operator("entry-without-fullurl")(on_entry(lambda rng, r, entry: entry.pop("fullUrl", None)))
operator("fullurl-history")(
    on_entry(lambda rng, r, entry: entry.update(fullUrl="https://records.example/fhir/Patient/1/_history/2"))
)
operator("fullurl-relative")(on_entry(lambda rng, r, entry: entry.update(fullUrl="Patient/1")))
operator("fullurl-uuid")(
    on_entry(
        lambda rng, r, entry: entry.update(
            fullUrl=rng.choice(["urn:uuid:c757873d-ec9a-4326-a141-556f43239520", "urn:uuid:7", "urn:oid:1.2"])
        )
    )
)
operator("request-method")(
    on_entry(lambda rng, r, entry: entry.get("request", {}).update(method=rng.choice(["FETCH", "post", "PUT"])))
)
operator("entries-reordered", harmless=True)(on_entry(lambda rng, r, entry: rng.shuffle(r["entry"])))
operator("status-other")(set_at(("code",), "registered", "amended", "unknown", "active", "male", "draft"))

assert len(OPERATORS) >= 60
