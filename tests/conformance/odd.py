# ruff: noqa: E501 - tables of cases read better in one line
"""Seeds and hand-written documents for the proof that each check is needed.

Belongs here: plain resources of each type judged in full, a profile that uses what ours do not (fixed and pattern
objects, ranges, lengths, closed and ordered slices, a sliced choice), and documents that no systematic change makes.
"""

from __future__ import annotations

import copy
import json
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import orjson
from conformance_growth import minimal

from fhir_bladder.conformance.emit import HOT

VALID = Path(__file__).parent.parent / "profiles" / "valid"
UCUM = "http://unitsofmeasure.org"
DAR = {"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "unknown"}
A = "urn:uuid:00000000-0000-0000-0000-00000000000a"
B = "urn:uuid:00000000-0000-0000-0000-00000000000b"
DIV = '<div xmlns="http://www.w3.org/1999/xhtml">{}</div>'
ODD = "http://a.example/StructureDefinition/odd"
CS = "https://a.example/cs"
OUTER, INNER = "http://a.example/StructureDefinition/outer", "http://a.example/StructureDefinition/inner"
OTHER = "http://a.example/StructureDefinition/other"
PRECISION = "http://hl7.org/fhir/StructureDefinition/quantity-precision"

BASE: dict[str, dict[str, Any]] = {
    "Observation": {"status": "final", "code": {"text": "x"}},
    "DiagnosticReport": {"status": "final", "code": {"text": "x"}},
    "Patient": {"active": True},
    "Device": {"status": "active"},
    "DeviceMetric": {"type": {"text": "x"}, "category": "setting"},
    "Provenance": {"target": [{"reference": "Patient/1"}], "recorded": "2020-01-02T03:04:05Z", "agent": [{"who": {"reference": "Patient/1"}}]},
    "Encounter": {"status": "finished", "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "AMB"}},
    "ServiceRequest": {"status": "active", "intent": "order", "subject": {"reference": "Patient/1"}},
    "Practitioner": {"active": True},
    "PractitionerRole": {"active": True},
    "Organization": {"name": "x"},
    "Location": {"name": "x"},
    "OperationOutcome": {"issue": [{"severity": "error", "code": "invalid"}]},
    "Parameters": {"parameter": [{"name": "x", "valueString": "x"}]},
    "Bundle": {"type": "collection", "entry": [{"fullUrl": A, "resource": {"resourceType": "Patient", "active": True}}]},
}  # fmt: skip
"""A plain resource of each type judged in full."""


def _el(path: str, **more: Any) -> dict[str, Any]:
    return {"id": path, "path": path.replace(":one", "").replace(":two", "").replace(":x", ""), **more}


PROFILE: dict[str, Any] = {
    "resourceType": "StructureDefinition", "url": ODD, "name": "Odd", "status": "draft", "kind": "resource", "abstract": False,
    "type": "Observation", "derivation": "constraint", "baseDefinition": "http://hl7.org/fhir/StructureDefinition/Observation",
    "differential": {"element": [
        _el("Observation"),
        _el("Observation.identifier", max="3", slicing={"discriminator": [{"type": "value", "path": "system"}], "ordered": True, "rules": "closed"}),
        _el("Observation.identifier:one", sliceName="one", min=1, max="1"),
        _el("Observation.identifier:one.system", min=1, fixedUri="http://a.example/one"),
        _el("Observation.identifier:two", sliceName="two", min=0, max="1"),
        _el("Observation.identifier:two.system", min=1, fixedUri="http://a.example/two"),
        _el("Observation.category", patternCodeableConcept={"coding": [{"system": CS, "code": "a"}, {"system": CS, "code": "b"}]}),
        _el("Observation.code", fixedCodeableConcept={"coding": [{"system": CS, "code": "x", "userSelected": True}], "text": "x"}),
        _el("Observation.focus", max="1"),
        _el("Observation.performer", min=2),
        _el("Observation.value[x]", slicing={"discriminator": [{"type": "type", "path": "$this"}], "rules": "closed"}),
        _el("Observation.value[x]:x", sliceName="valueQuantity", min=0, max="1", type=[{"code": "Quantity"}], patternQuantity={"value": 1.5, "system": UCUM}),
        _el("Observation.note", max="2"),
        _el("Observation.note.text", maxLength=5),
        _el("Observation.note.extension", slicing={"discriminator": [{"type": "value", "path": "url"}], "ordered": True, "rules": "closed"}),
        _el("Observation.note.extension:one", sliceName="one", min=1, max="2", type=[{"code": "Extension", "profile": [DAR["url"]]}]),
        _el("Observation.note.extension:two", sliceName="two", min=0, max="2", type=[{"code": "Extension", "profile": [OUTER]}]),
        _el("Observation.effective[x]", slicing={"discriminator": [{"type": "type", "path": "$this"}], "rules": "open"}),
        _el("Observation.effective[x]:x", sliceName="effectiveDateTime", min=1, max="1", type=[{"code": "dateTime"}]),
        _el("Observation.method", binding={"strength": "required", "valueSet": "http://hl7.org/fhir/ValueSet/observation-methods"}),
        _el("Observation.referenceRange.low.value", minValueDecimal=1, maxValueDecimal=5),
        _el("Observation.referenceRange.high", binding={"strength": "required", "valueSet": "http://hl7.org/fhir/ValueSet/units-of-time"}),
        _el("Observation.component", max="2"),
        _el("Observation.component.value[x]", type=[{"code": "integer"}], minValueInteger=1, maxValueInteger=5, constraint=[{"key": "odd-1", "severity": "error", "human": "not three", "expression": "$this != 3"}]),
        _el("Observation.referenceRange", max="1"),
        _el("Observation.referenceRange.age", fixedRange={"low": {"value": 1}}),
    ]},
}  # fmt: skip


def _extension(url: str, *contexts: tuple[str, str]) -> dict[str, Any]:
    return {
        "resourceType": "StructureDefinition", "url": url, "name": "X", "status": "draft", "kind": "complex-type", "abstract": False,
        "type": "Extension", "derivation": "constraint", "baseDefinition": "http://hl7.org/fhir/StructureDefinition/Extension",
        "context": [{"type": kind, "expression": expression} for kind, expression in contexts],
        "differential": {"element": [_el("Extension"), _el("Extension.url", fixedUri=url)]},
    }  # fmt: skip


ARTEFACTS = [
    PROFILE,
    _extension(OUTER, ("element", "Element")),
    _extension(OTHER, ("element", "Element")),
    _extension(INNER, ("extension", OUTER)),
]
"""The profile, two extensions that may stand anywhere, and one that may stand only in the first."""
SEED_ODD: dict[str, Any] = {
    "resourceType": "Observation", "meta": {"profile": [ODD]}, "status": "final",
    "identifier": [{"system": "http://a.example/one", "value": "1"}, {"system": "http://a.example/two", "value": "2"}],
    "category": [{"coding": [{"system": CS, "code": "b"}, {"system": CS, "code": "c"}, {"system": CS, "code": "a"}]}],
    "code": {"coding": [{"system": CS, "code": "x", "userSelected": True}], "text": "x"},
    "performer": [{"reference": "Practitioner/1"}, {"reference": "Practitioner/2"}],
    "valueQuantity": {"value": 1.5, "unit": "mL", "system": UCUM, "code": "mL"},
    "note": [{"text": "12345", "extension": [DAR, {"url": OUTER, "valueString": "x"}]}],
    "effectiveDateTime": "2020-01-02",
    "component": [{"code": {"text": "a"}, "valueInteger": 2}, {"code": {"text": "b"}, "valueInteger": 4}],
    "referenceRange": [{"text": "x", "age": {"low": {"value": 1}}}],
}  # fmt: skip


def seeds() -> dict[str, dict[str, Any]]:
    """Valid resources by name, small ones first, so that each table is met where it costs least."""
    found = {file.stem: json.loads(file.read_bytes()) for file in sorted(VALID.glob("*.json"))}
    found |= {f"plain {name}": {"resourceType": name, **more} for name, more in BASE.items()}
    found["odd"] = copy.deepcopy(SEED_ODD)
    found["rich Bundle"] = _bundle("searchset", [
        {"link": [{"relation": "self", "url": "http://a.example/x"}], "fullUrl": "http://a.example/Patient/1", "resource": {"resourceType": "Patient", "id": "1", "active": True}, "search": {"mode": "match", "score": 0.5}},
    ], total=1, link=[{"relation": "self", "url": "http://a.example/Patient?x=1"}])  # fmt: skip
    found["transaction"] = _bundle("transaction", [{"fullUrl": A, "resource": {"resourceType": "Patient", "active": True}, "request": {"method": "POST", "url": "Patient"}}])  # fmt: skip
    found["response"] = _bundle("transaction-response", [{"response": {"status": "201", "outcome": {"resourceType": "OperationOutcome", "issue": [{"severity": "error", "code": "invalid"}]}}}])  # fmt: skip
    found["contained"] = {"resourceType": "Observation", "status": "final", "code": {"text": "x"}, "subject": {"reference": "#p"}, "contained": [{"resourceType": "Patient", "id": "p", "active": True}]}  # fmt: skip
    ages = {"Age": "a", "Count": "1", "Distance": "m", "Duration": "min", "Quantity": "mL"}
    parts: list[dict[str, Any]] = [
        {"name": k, f"value{k}": {"value": 1, "unit": "x", "system": UCUM, "code": c}} for k, c in ages.items()
    ]
    parts.append(
        {"name": "data", "valueAttachment": {"contentType": "text/plain", "language": "en", "data": "QUJD", "size": 3}}
    )
    parts.append({"name": "part", "part": [{"name": "x", "valueString": "x"}]})
    parts.append(
        {
            "name": "timing",
            "valueTiming": {
                "repeat": {
                    "duration": 1,
                    "durationMax": 2,
                    "durationUnit": "h",
                    "period": 1,
                    "periodMax": 2,
                    "periodUnit": "d",
                    "count": 1,
                    "countMax": 2,
                    "frequency": 1,
                    "frequencyMax": 2,
                    "when": ["MORN"],
                    "offset": 5,
                    "dayOfWeek": ["mon"],
                }
            },
        }
    )
    parts.append({"name": "trigger", "valueTriggerDefinition": {"type": "periodic", "name": "x", "timingDate": "2020"}})
    found["types"] = {"resourceType": "Parameters", "parameter": parts}
    dose = {"doseAndRate": [{"doseQuantity": {"value": 1}, "rateQuantity": {"value": 1}}]}
    found["dose"] = {"resourceType": "Parameters", "parameter": [{"name": "dose", "valueDosage": dose}]}
    for name in ("exam-not-seen", "group-full"):
        made = copy.deepcopy(found[name])
        made["component"].append({"code": {"text": "x"}, "valueString": "x"})
        found[f"{name}, another component"] = made
    found["walls"] = _walls()
    return dict(sorted(found.items(), key=lambda item: len(orjson.dumps(item[1]))))


def _bundle(kind: str, entries: list[Any], **more: Any) -> dict[str, Any]:
    return {"resourceType": "Bundle", "type": kind, **more, "entry": entries}


def by_hand() -> Iterator[bytes]:
    """Documents that show what no systematic change does, most of them wrong; some texts rather than values."""
    patient = {"resourceType": "Patient", "active": True}
    for url in ("Patient/1", "http://a.example/Patient/1"):  # before many others have tried the same
        yield orjson.dumps(_bundle("transaction", [{"fullUrl": url, "resource": patient, "request": {"method": "POST", "url": "Patient"}}]))  # fmt: skip
    for value in _values():
        yield orjson.dumps(value)
    yield from _texts()


def _observation(**more: Any) -> dict[str, Any]:
    return {"resourceType": "Observation", "status": "final", "code": {"text": "x"}, **more}


def _values() -> Iterator[dict[str, Any]]:
    yield from _bundles()
    yield from _contained()
    for seed in seeds().values():
        if seed["resourceType"] not in ("Bundle", "Parameters"):
            yield from _inside(seed)
    yield from _narratives()
    yield from _units()
    yield from _invariants()
    yield from _odd()
    yield from _primitives()
    for seed in (json.loads((VALID / "exam-example.json").read_bytes()), json.loads((VALID / "exam-full.json").read_bytes()), json.loads((VALID / "group-full.json").read_bytes()), json.loads((VALID / "measurement-volume.json").read_bytes()), _walls()):  # fmt: skip
        yield from _exam(seed)
    for file in sorted((VALID.parent / "invalid").glob("*.json")):
        yield json.loads(file.read_bytes())


def _bundles() -> Iterator[dict[str, Any]]:
    patient: dict[str, Any] = {"resourceType": "Patient", "active": True}
    one = {**patient, "id": "1"}
    for kind in ("collection", "searchset", "transaction", "transaction-response", "batch", "batch-response", "history", "document", "message"):  # fmt: skip
        for entry in (
            {"fullUrl": A, "resource": patient}, {"resource": patient}, {"fullUrl": A}, {"fullUrl": "Patient/1", "resource": one}, {"fullUrl": "http://a.example/Patient/1", "resource": one},
            {"fullUrl": "http://a.example/Patient/1", "resource": patient}, {"fullUrl": "http://a.example/Patient/2", "resource": one}, {"fullUrl": "http://a.example/Group/1", "resource": one}, {"fullUrl": "http://a.example/x", "resource": one},
            {"fullUrl": "http://a.example/x/y", "resource": patient}, {"fullUrl": "http://a.example/Patient/1/_history/2", "resource": one}, {"fullUrl": "http://a.example/x/_history/2", "resource": one}, {"fullUrl": "http://a.example/x/_history/2/x", "resource": patient},
            {"fullUrl": "http://a.example/Patient/1"}, {"fullUrl": "https://a.example/Patient/2", "resource": one}, {"_fullUrl": {"extension": [DAR]}, "resource": patient}, {"_fullUrl": {"id": "x"}, "resource": patient},
            {"fullUrl": A, "resource": patient, "request": {"method": "POST", "url": "Patient"}}, {"resource": patient, "request": {"method": "POST", "url": "Patient"}}, {"fullUrl": A, "resource": patient, "request": {"method": "POST"}}, {"request": {"method": "DELETE", "url": "Patient/1"}}, {"fullUrl": A, "request": {"method": "DELETE", "url": "Patient/1"}},
            {"response": {"status": "200"}}, {"fullUrl": A, "response": {"status": "200"}}, {"resource": patient, "response": {"status": "200"}}, {"response": {"status": " x"}}, {"response": {"etag": "x"}},
            {"fullUrl": A, "resource": patient, "search": {"mode": "match"}}, {"fullUrl": A, "resource": patient, "search": {"mode": "include"}}, {"fullUrl": A, "resource": patient, "search": {}}, {"fullUrl": A, "resource": patient, "search": {"id": "x"}}, {"fullUrl": A, "resource": {"resourceType": "Patient"}}, {"fullUrl": A, "resource": {}}, {"fullUrl": A, "resource": {"resourceType": "Foo"}}, {"fullUrl": A, "resource": {"resourceType": "Medication"}}, {"fullUrl": "urn:x:1", "resource": patient}, {"fullUrl": "x", "resource": patient},
            {"link": [{"relation": "self", "url": "x"}]}, {"id": "x"}, {"extension": [DAR]}, {},
        ):  # fmt: skip
            yield _bundle(kind, [entry])
            yield _bundle(kind, [entry, entry])
            yield _bundle(kind, [{"fullUrl": B, "resource": patient}, entry])
            yield _bundle(kind, [entry], total=1)
            yield _bundle(kind, [entry], link=[{"relation": "self", "url": "http://a.example/Group?x=1"}])
            yield _bundle(kind, [entry], link=[{"relation": "self", "url": "http://a.example/Patient?x=1"}])
            yield _bundle(kind, [entry], identifier={"system": "http://a.example", "value": "x"}, timestamp="2020-01-02T03:04:05Z")  # fmt: skip
            yield _bundle(kind, [entry], identifier={"value": "x"}, timestamp="2020-01-02T03:04:05Z")
            yield _bundle(kind, [entry], identifier={"system": "http://a.example", "value": "x"})
        yield {"resourceType": "Bundle", "type": kind}
        yield {"resourceType": "Bundle", "type": kind, "total": 1}
        for more in (
            {"_total": {"extension": [DAR]}},
            {"_timestamp": {"extension": [DAR]}, "identifier": {"system": "http://a.example", "value": "x"}},
            {"timestamp": "2020-01-02T03:04:05Z", "identifier": {"_system": {"extension": [DAR]}, "value": "x"}},
            {
                "timestamp": "2020-01-02T03:04:05Z",
                "identifier": {"system": "http://a.example", "_value": {"extension": [DAR]}},
            },
            {"timestamp": "2020-01-02T03:04:05Z", "identifier": {"system": "http://a.example"}},
            {"timestamp": "2020-01-02T03:04:05Z", "identifier": {"value": "x"}},
            {"timestamp": "2020-01-02T03:04:05Z", "identifier": {"system": "http://a.example", "value": "x"}},
            {"identifier": {"system": "http://a.example", "value": "x"}},
            {"timestamp": "2020-01-02T03:04:05Z"},
        ):
            yield {"resourceType": "Bundle", "type": kind, **more}
            yield _bundle(kind, [{"fullUrl": A, "resource": patient}], **more)
    for meta in ({"versionId": "1"}, {"versionId": "2"}, {"lastUpdated": "2020-01-02T03:04:05Z"}):
        yield _bundle("collection", [{"fullUrl": A, "resource": {**patient, "meta": {"versionId": "1"}}}, {"fullUrl": A, "resource": {**patient, "meta": meta}}])  # fmt: skip
    for target in (A, B, "Patient/1", "Observation/o", "Group/9", "http://a.example/Patient/1", "http://a.example/Patient/9", "http://a.example/Medication/9", "urn:uuid:00000000-0000-0000-0000-00000000000c", "#x", "x"):  # fmt: skip
        for stated in ({}, {"type": "Patient"}, {"type": "Group"}, {"type": "Foo"}, {"type": "Medication"}):
            reference = {"reference": target, **stated}
            for inner in (_observation(subject=reference), _observation(performer=[reference])):
                yield _bundle("collection", [
                    {"fullUrl": "http://a.example/Patient/1", "resource": one}, {"fullUrl": B, "resource": _observation(id="o")}, {"fullUrl": A, "resource": inner},
                ])  # fmt: skip
                yield inner


def _contained() -> Iterator[dict[str, Any]]:
    label = {"system": "http://terminology.hl7.org/CodeSystem/v3-ActReason", "code": "HTEST"}
    plain = {"resourceType": "Patient", "id": "p", "active": True}
    for inner in (
        {"meta": {"versionId": "1"}}, {"meta": {"lastUpdated": "2020-01-02T03:04:05Z"}}, {"meta": {"security": [label]}}, {"meta": {"tag": [{"code": "x"}]}}, {"contained": []}, {"contained": [{"resourceType": "Patient", "id": "q", "active": True}]},
        {"gender": "x"}, {"id": "a_b"}, {"deceasedBoolean": True, "deceasedDateTime": "2020"}, {"managingOrganization": {"reference": "#"}}, {"managingOrganization": {"reference": "#p"}}, {"managingOrganization": {"reference": "#q"}},
        {"generalPractitioner": [{"reference": "#"}]}, {"text": {"status": "generated", "div": DIV.format("x")}}, {"resourceType": "Group"}, {"resourceType": "Medication"}, {"meta": {"security": [label, label]}},
    ):  # fmt: skip
        made = {**plain, **inner}
        for other in ([], [plain], [{**plain, "id": "z"}]):
            for link in ("#p", "#q", "#", "Patient/1", f"#{made['id']}"):
                yield _observation(contained=[made, *other], subject={"reference": link})
                yield _observation(
                    contained=[made, *other], subject={"reference": link}, performer=[{"reference": "#z"}]
                )
    bare = {"resourceType": "Patient", "active": True}
    for contained in ([bare], bare, [], [plain, plain], [plain, bare], [{**plain, "id": 1}], ["x"], [[plain]], [None]):
        yield _observation(contained=contained, subject={"reference": "#p"})
        yield _observation(contained=contained, subject={"reference": "#"})
        yield _observation(contained=contained)
    yield _observation(contained=[{**bare, "managingOrganization": {"reference": "#"}}])
    yield _observation(contained=[{**bare, "link": [{"other": {"reference": "#"}, "type": "seealso"}]}])
    yield _observation(contained=[{**plain, "link": [{"other": {"reference": "#"}, "type": "seealso"}]}])


def _inside(seed: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Contained resources that refer to the one around them, so that they may stand in any."""
    right = {"resourceType": "Observation", "id": "p", "status": "final", "code": {"text": "x"}, "focus": [{"reference": "#"}]}  # fmt: skip
    for contained in (
        [right], [{**right, "status": "zz"}], [{**right, "zz": 1}], [], right, [right, right], {"p": right}, [[right]], ["x"], "p", [None],
        [{**right, "meta": {"versionId": "1"}}], [{**right, "meta": {"security": [{"code": "x"}]}}], [{**right, "contained": [{**right, "id": "q"}]}], [{**right, "focus": [{"reference": "Patient/1"}]}],
    ):  # fmt: skip
        yield {**seed, "contained": contained}


def _narratives() -> Iterator[dict[str, Any]]:
    for inside in (
        "x", "", " ", "<p>x</p>", "<p> </p>", "<p></p>", "<p>x<p>y</p></p>", "<p><div>x</div></p>", "<p><table><tr><td>x</td></tr></table></p>", "<script>x</script>", "<br/>", "<img src='#p'/>", "<img src='#q'/>", "<img src='data:image/png;base64,QQ'/>", "<img src='data:text/html,x'/>",
        "<img src='http://a.example/x.png'/>", "<img/>", "<a href='javascript:x'>x</a>", "<a href=' VBScript:x'>x</a>", "<a href='data:x'>x</a>", "<a href='http://a.example'>x</a>", "<p onclick='x'>x</p>", "<p style='x'>x</p>", "<p id='a'>x</p><p id='a'>y</p>", "<p href='x'>x</p>",
        "<p>x", "<p xmlns='http://a.example'>x</p>", "<p xmlns='http://www.w3.org/1999/xhtml'>x</p>", "&nbsp;x", "&#160;", "&lt;x", "<!-- x -->", "<b>x</b>", "<P>x</P>", "<form>x</form>", "<p>\u0001</p>", "<p>x\u0001</p>", "<p>x\ufffe</p>", "<ul><li>x</li></ul>", "<p>x</p></div><div xmlns='http://www.w3.org/1999/xhtml'>x", "<td nowrap='x'>x</td>", "<map name='x'><area shape='x' href='javascript:x'/></map>x",
    ):  # fmt: skip
        for contained in (
            {},
            {"contained": [{"resourceType": "Patient", "id": "p", "active": True}], "subject": {"reference": "#p"}},
        ):
            yield _observation(text={"status": "generated", "div": DIV.format(inside)}, **contained)
    for div in (
        "<div>x</div>", "<p xmlns='http://www.w3.org/1999/xhtml'>x</p>", "x", "", DIV.format("x") + " ", " " + DIV.format("x"), DIV.format("x") + "x", "<?xml version='1.0'?>" + DIV.format("x"), "<!DOCTYPE div>" + DIV.format("x"), '<!DOCTYPE div [<!ENTITY a "b">]>' + DIV.format("&a;"),
        '<div xmlns="http://a.example">x</div>', '<h:div xmlns:h="http://www.w3.org/1999/xhtml">x</h:div>', '<div xmlns="http://www.w3.org/1999/xhtml"/>', DIV.format("x" * (1024 * 1024)), DIV.format("<p>" + "x" * (1024 * 1024 - 60) + "</p>"), DIV.format("<p>" + "x" * (1024 * 1024) + "</p>"), 1, None, [DIV.format("x")], True,
    ):  # fmt: skip
        yield _observation(text={"status": "generated", "div": div})


def _units() -> Iterator[dict[str, Any]]:
    for code in (
        "mL", "ml", "L", "g/cm3", "10*3/uL", "{score}", "mL{x}", "{x", "x}", "m[H2O]", "[in_i]", "[x]", "k[in_i]", "kL", "xL", "kmin", "min", "kkg", "1", "10", "/min", "//min", "mL.", "mL/", "(mL)", "(mL", "mL)", "(mL/min)/m2", "mL//min", "mL+2", "cm2", "cm-2", "cm+2", "cm2x", "2cm", "cmx2", "", " mL", "mL ", "m L", "\u00b5L", "a" * 513,
        "mL" + "." * 3, "((((((((((((((((((((((((mL))))))))))))))))))))))))", "%", "Cel", "mCel", "m[iU]/mL", "10^3", "{\u00e4}", "mL{a b}", "mL{}", "kg.m/s2", "kg m", "k", "da", "dam", "L2", "10*", "10*-2", "*", "2", "x2", "K", "kK",
    ):  # fmt: skip
        quantity = {"value": 1, "unit": "x", "system": UCUM, "code": code}
        yield _observation(valueQuantity=quantity)
        yield _observation(component=[{"code": {"text": "x"}, "valueQuantity": quantity}])
        yield _observation(referenceRange=[{"low": quantity}])
    for code, system in (("en", "urn:ietf:bcp:47"), ("zz", "urn:ietf:bcp:47"), ("x y", "urn:ietf:bcp:13"), ("EUR", "urn:iso:std:iso:4217"), ("zzz", "urn:iso:std:iso:4217"), ("HTEST", "http://terminology.hl7.org/CodeSystem/v3-ActReason"), ("htest", "http://terminology.hl7.org/CodeSystem/v3-ActReason"), ("imaging", "http://terminology.hl7.org/CodeSystem/observation-category"), ("IMAGING", "http://terminology.hl7.org/CodeSystem/observation-category"), ("x", "http://loinc.org")):  # fmt: skip
        yield _observation(category=[{"coding": [{"system": system, "code": code}]}])
        yield _observation(category=[{"coding": [{"system": system, "code": code, "userSelected": True}]}])
        yield {
            "resourceType": "Patient",
            "communication": [{"language": {"coding": [{"system": system, "code": code}]}}],
        }
        yield {"resourceType": "Observation", "status": "final", "code": {"text": "x"}, "interpretation": [{"coding": [{"system": system, "code": code}]}]}  # fmt: skip
        yield {"resourceType": "Patient", "maritalStatus": {"coding": [{"system": system, "code": code}]}}
    for tag in ("en", "en-GB", "EN", "zz", "xx-x", "x-klingon", "i-klingon", "deu", "zzz", "e", "en-", "en-123456789", "en_GB", "en GB", "de-1", "1-de", "en\n", "x", "xy-z"):  # fmt: skip
        for name in ("Patient", "Observation", "Bundle"):
            yield {"resourceType": name, **BASE[name], "language": tag}
        yield {"resourceType": "Patient", "photo": [{"contentType": "image/png", "language": tag}]}
        yield {"resourceType": "Patient", "communication": [{"language": {"coding": [{"system": "urn:ietf:bcp:47", "code": tag}]}}]}  # fmt: skip


RANGES: list[dict[str, Any]] = [
    {"text": "x", "appliesTo": []}, {"text": "x", "appliesTo": [{}]}, {"text": "x", "appliesTo": [{"text": " x"}]}, {"text": "x", "id": " "}, {"text": " x"}, {"text": "x", "low": {}},
    {"text": "x", "high": {}}, {"text": "x", "low": {"value": "1"}}, {"text": "x", "high": {"value": "1"}}, {"text": "x", "appliesTo": {}},
]  # fmt: skip
"""Reference ranges that are wrong."""


def _invariants() -> Iterator[dict[str, Any]]:
    for part in (
        {"text": "x"},
        {"text": " x"},
        {"text": "x", "id": " "},
        {"text": "x", "zz": 1},
        {"id": "x"},
        {},
        {"appliesTo": [{"text": "x"}]},
        *RANGES,
    ):
        yield _observation(referenceRange=[part])
        yield _observation(component=[{"code": {"text": "x"}, "valueString": "x", "referenceRange": [part]}])
    for code in ({"coding": [{"code": "x"}]}, {"coding": [{"system": CS, "code": "x"}]}, {"coding": [{"system": CS, "code": "x"}, {"system": CS, "code": "y"}]}, {"text": "x"}):  # fmt: skip
        for inner in ({"coding": [{"code": "x"}]}, {"coding": [{"system": CS, "code": "x"}]}, {"coding": [{"system": CS, "code": "z"}, {"system": CS, "code": "y"}]}, {"text": "x"}):  # fmt: skip
            for more in ({"valueString": "x"}, {"_valueString": {"extension": [DAR]}}, {"valueQuantity": {"value": 1}}, {}, {"dataAbsentReason": {"text": "x"}}, {"valueString": "x", "method": {"text": "x"}}, {"valueString": "x", "dataAbsentReason": {"text": "x"}}):  # fmt: skip
                for component in ({"valueString": "x"}, {}, {"dataAbsentReason": {"text": "x"}}, {"valueBoolean": True, "dataAbsentReason": {"text": "x"}}, {"_valueBoolean": {"id": "x"}, "dataAbsentReason": {"text": "x"}}):  # fmt: skip
                    yield {"resourceType": "Observation", "status": "final", "code": code, "component": [{"code": inner, **component}], **more}  # fmt: skip
    for more in (
        {"orderDetail": []}, {"orderDetail": [], "code": {"text": "x"}}, {"orderDetail": {"text": "x"}, "code": {"text": "x"}}, {"orderDetail": [{"text": "x"}]}, {"orderDetail": [{"text": "x"}], "code": {"text": "x"}}, {"asNeededBoolean": True, "asNeededCodeableConcept": {"text": "x"}}, {"quantityQuantity": {"value": 1}, "quantityRatio": {"numerator": {"value": 1}, "denominator": {"value": 1}}},
        {"occurrenceTiming": {"repeat": {"frequency": 1, "period": 1, "periodUnit": "d"}}}, *({"occurrenceTiming": {"repeat": repeat}} for repeat in (
            *({**whole, f"_{key}": {"extension": [DAR]}} for whole in ({}, {"count": 1}) for key in ("duration", "period", "periodMax", "durationMax", "countMax", "offset", "when", "count", "durationUnit", "periodUnit")),
            {"duration": 0.0, "durationUnit": "h"}, {"period": 0.0, "periodUnit": "d"}, {"duration": 0, "durationUnit": "h"}, {"period": 0, "periodUnit": "d"}, {"periodMax": "1", "period": 1, "periodUnit": "d"}, {"durationMax": "1", "duration": 1, "durationUnit": "h"}, {"offset": "1", "when": ["MORN"]}, {"offset": -1, "when": ["MORN"]}, {"countMax": "1", "count": 1}, {"countMax": 0, "count": 1}, {"frequency": "1"}, {"frequencyMax": "1"}, {"frequency": 0}, {"count": 0}, {"duration": "1", "durationUnit": "h"}, {"period": "1", "periodUnit": "d"},
            {"duration": 1}, {"duration": -1, "durationUnit": "h"}, {"period": 1}, {"period": -1, "periodUnit": "d"}, {"periodMax": 2}, {"periodMax": 2, "period": 1, "periodUnit": "d"}, {"durationMax": 2}, {"durationMax": 2, "duration": 1, "durationUnit": "h"}, {"countMax": 2}, {"count": 1, "countMax": 2}, {"offset": 1}, {"offset": 1, "when": ["MORN"]}, {"offset": 1, "when": ["C"]}, {"offset": 1, "when": ["CM"]}, {"when": []}, {"timeOfDay": []}, {"when": "C"}, {"when": "CM"}, {"_duration": {"extension": [DAR]}, "durationUnit": "h"}, {"_period": {"extension": [DAR]}, "periodUnit": "d"}, {"when": ["MORN"]}, {"when": "MORN"}, {"when": ["MORN", "MORN"]}, {"when": ["MORN", None]}, {"timeOfDay": "10:00:00"}, {"timeOfDay": ["25:00:00"]}, {"dayOfWeek": []}, {"dayOfWeek": "mon"}, {"dayOfWeek": ["mon"]}, {"id": " ", "when": ["MORN"]}, {"id": " ", "count": 1}, {"id": "x"}, {}, {"zz": 1}, {"boundsPeriod": {"start": "2020"}, "boundsDuration": {"value": 1, "unit": "h"}}, {"when": ["MORN"], "zz": 1}, {"timeOfDay": ["10:00:00"], "when": ["MORN"]}, {"timeOfDay": ["10:00:00"]},
            {"frequency": 1, "period": 1, "periodUnit": "zz"}, {"dayOfWeek": ["zz"]}, {"when": ["zz"]}, {"durationUnit": "h"}, {"periodUnit": "d"}, {"boundsPeriod": {"start": "2020", "end": "2019"}}, {"boundsRange": {"low": {"value": 2}, "high": {"value": 1}}}, {"boundsDuration": {"value": 1, "unit": "h"}},
        )),
    ):  # fmt: skip
        yield {"resourceType": "ServiceRequest", **BASE["ServiceRequest"], **more}
    for more in ({"contact": [{"gender": "male"}]}, {"contact": [{"name": {"text": "x"}}]}, {"contact": [{"telecom": [{"value": "x", "system": "phone"}]}]}, {"contact": [{"address": {"text": "x"}}]}, {"contact": [{"organization": {"reference": "Organization/1"}}]}, {"contact": [{"id": "x"}]}, {"contact": [{"period": {"start": "2020"}}]}):  # fmt: skip
        yield {"resourceType": "Patient", **more}
    for more in ({"telecom": [{"use": "home", "system": "phone", "value": "x"}]}, {"address": [{"use": "home", "text": "x"}]}, {"telecom": [{"value": "x"}]}, {"name": "x", "telecom": [{"use": "home", "system": "phone", "value": "x"}]}, {"name": "x", "address": [{"use": "home", "text": "x"}]}, {"active": True}, {"_name": {"extension": [DAR]}}, {"identifier": [{"value": "x"}]}, {"name": "x", "telecom": [{"value": "x"}]}):  # fmt: skip
        yield {"resourceType": "Organization", **more}
    for quantity in ({"value": 1, "comparator": "<"}, {"value": 1, "code": "x"}, {"value": 1, "code": "x", "_system": {"extension": [DAR]}}, {"comparator": "<"}, {"value": 2}):  # fmt: skip
        yield _observation(referenceRange=[{"low": quantity, "high": {"value": 1}}])
        yield _observation(referenceRange=[{"high": quantity}])
        yield _observation(valueRange={"low": quantity, "high": {"value": 1}})
        yield _observation(valueSampledData={"origin": quantity, "period": 1, "dimensions": 1, "data": "1"})
        yield _observation(valueRatio={"numerator": quantity, "denominator": {"value": 1}})
        yield {"resourceType": "Parameters", "parameter": [{"name": "x", "valueAge": quantity}]}
        for kind in ("Age", "Count", "Distance", "Duration", "Quantity", "Money"):
            for more in ({}, {"system": UCUM, "code": "a"}, {"system": UCUM, "code": "1"}, {"system": UCUM, "code": "m"}, {"system": UCUM, "code": "min"}, {"system": "http://a.example", "code": "x"}, {"code": "a"}, {"system": UCUM}, {"value": 1.5, "system": UCUM, "code": "1"}):  # fmt: skip
                yield {"resourceType": "Parameters", "parameter": [{"name": "x", f"value{kind}": {**quantity, **more}}]}
    for parameter in ({"name": "x"}, {"name": "x", "valueString": "x", "resource": {"resourceType": "Patient", "active": True}}, {"name": "x", "part": [{"name": "y"}]}, {"name": "x", "part": [{"name": "y", "valueString": "x"}]}, {"name": "x", "valueString": "x", "part": [{"name": "y", "valueString": "x"}]}, {"name": "x", "resource": {"resourceType": "Patient", "active": True}}, {"name": "x", "resource": {"resourceType": "Patient", "gender": "x"}}, {"name": "x", "resource": {"resourceType": "Patient"}}, {"name": "x", "resource": 1}, {"name": "x", "part": []}):  # fmt: skip
        yield {"resourceType": "Parameters", "parameter": [parameter]}
        yield {"resourceType": "Parameters", "parameter": [{"name": "o", "part": [parameter]}]}
    for kind in ("DataRequirement", "TriggerDefinition", "Expression", "Attachment", "Signature", "Dosage", "UsageContext", "RelatedArtifact", "ParameterDefinition", "Contributor", "ContactDetail", "Money", "Address", "ContactPoint", "Annotation", "Identifier", "Meta", "HumanName", "SampledData", "Range", "Ratio", "Period", "Timing"):  # fmt: skip
        for inner in _datatypes(kind):
            if isinstance(inner, dict) and "id" not in inner:
                yield {"resourceType": "Parameters", "parameter": [{"name": "x", f"value{kind}": {**inner, "id": "i"}}]}
            yield {"resourceType": "Parameters", "parameter": [{"name": "x", f"value{kind}": inner}]}


def _datatypes(kind: str) -> Iterator[Any]:
    made: dict[str, list[Any]] = {
        "DataRequirement": [{"type": "Patient", "dateFilter": [d]} for d in ({"path": "x"}, {"searchParam": "x"}, {"path": "x", "searchParam": "y"}, {"valueDateTime": "2020"}, {"id": "x"}, {})] + [{"type": "Patient", "codeFilter": [d]} for d in ({"path": "x"}, {"searchParam": "x"}, {"path": "x", "searchParam": "y"}, {"code": [{"code": "x"}]}, {"id": "x"}, {})] + [{"type": "Patient", **s} for s in ({"subjectCodeableConcept": {"text": "x"}}, {"subjectCodeableConcept": {"coding": [{"system": CS, "code": "x"}]}}, {"subjectReference": {"reference": "Group/1"}}, {"subjectReference": {"reference": "Patient/1"}})],
        "TriggerDefinition": [{"type": "zz", "timingDate": "2020"}, {"type": "periodic", "timingDate": "x"}, {"type": "periodic", "timingDateTime": "x"}, {"type": "periodic", "timingDate": "2020", "id": " "}, {"type": "periodic", "timingDate": "2020", "timingDateTime": "2020"}, {"timingDate": "2020"}, {"type": "data-added", "data": []}, {"type": "data-added", "data": [{"type": "zz"}]}, {"type": "data-added", "data": [{"type": "Patient"}], "condition": {"language": "text/cql"}}, *({"type": t, **m} for t in ("named-event", "periodic", "data-added") for m in ({}, {"name": "x"}, {"timingDate": "2020"}, {"data": [{"type": "Patient"}]}, {"timingDate": "2020", "data": [{"type": "Patient"}]}, {"name": "x", "condition": {"language": "text/cql", "expression": "x"}}, {"data": [{"type": "Patient"}], "condition": {"language": "text/cql", "expression": "x"}}))],
        "Expression": [{"language": "text/cql"}, {"language": "text/cql", "expression": "x"}, {"language": "text/cql", "reference": "http://a.example"}, {"language": "zz", "expression": "x"}],
        "Attachment": [{"data": "QUJD"}, {"data": "QUJD", "contentType": "text/plain"}, {"data": "QUJD", "contentType": "text/plain", "size": 3}, {"data": "QUJD", "contentType": "text/plain", "size": 2}, {"data": "QUJ", "contentType": "x"}, {"data": "QU JD", "contentType": "x"}, {"data": "QU\nJD", "contentType": "x"}, {"data": "====", "contentType": "x"}, {"data": "Q===", "contentType": "x"}, {"data": "QQ==", "contentType": "x"}, {"data": "Q=Q=", "contentType": "x"}, {"size": 1}, {"_data": {"extension": [DAR]}, "size": 1}],
        "ContactPoint": [{"value": "x"}, {"_value": {"extension": [DAR]}}, {"value": "x", "system": "phone"}, {"value": "x", "_system": {"extension": [DAR]}}],
        "Period": [{"start": a, "end": b} for a in ("2020", "2020-06", "2020-06-15", "2020-06-15T10:00:00Z", "2020-06-15T10:00:00+02:00") for b in ("2019", "2020", "2020-06", "2020-06-15", "2020-06-15T09:00:00Z", "2020-06-15T10:00:00Z", "2021")],
        "Range": [{"low": {"value": 2}, "high": {"value": 1}}, {"low": {"value": 1}, "high": {"value": 2}}, {"low": {"value": 1, "system": UCUM, "code": "mL"}, "high": {"value": 2, "system": UCUM, "code": "L"}}, {"high": {"value": 1}}],
        "Ratio": [{"numerator": {"value": 1}}, {"denominator": {"value": 1}}, {"extension": [DAR]}, {"extension": [DAR], "numerator": {"value": 1}}, {"numerator": {"value": 1}, "denominator": {"value": 1}}, {"id": "x"}],
        "Dosage": [{"doseAndRate": [{"doseRange": {"low": {"value": 1}}, "doseQuantity": {"value": 1}}]}, {"doseAndRate": [{"rateRange": {"low": {"value": 1}}, "rateQuantity": {"value": 1}}]}, {"maxDosePerLifetime": {"value": 1, "comparator": "<"}}, {"asNeededBoolean": True, "asNeededCodeableConcept": {"text": "x"}}, {"doseAndRate": [{"rateQuantity": {"value": 1, "comparator": "<"}}]}, {"maxDosePerAdministration": {"value": 1, "comparator": "<"}}],
        "Identifier": [{"system": s, "value": v} for s in ("x", "http://a.example", "urn:ietf:rfc:3986", "urn:oid:1.2.3", "urn:oid:x") for v in ("x", "http://a.example", "urn:uuid:x")] + [{"value": "x"}, {"system": "urn:ietf:rfc:3986"}, {"_system": {"extension": [DAR]}, "value": "x"}],
    }  # fmt: skip
    yield from made.get(kind, ())
    yield from ({}, {"id": "x"}, {"zz": 1}, "x")


def _odd() -> Iterator[dict[str, Any]]:
    def made(**more: Any) -> dict[str, Any]:
        return {k: v for k, v in {**copy.deepcopy(SEED_ODD), **more}.items() if v is not None}

    one, two = SEED_ODD["identifier"]
    for identifier in ([one], [two], [two, one], [one, two, two], [one, one], [one, {"value": "3"}], [one, {"system": "http://a.example/three", "value": "3"}], [], None, [{"value": "x"}, one], one):  # fmt: skip
        yield made(identifier=identifier)
    a, b, c = ({"system": CS, "code": x} for x in "abc")
    for category in ([{"coding": [a]}], [{"coding": [a, b]}], [{"coding": [b, c]}], [{"coding": [a, c, b]}], [{"coding": {**a}}], [{"text": "x"}], [{"coding": [a, b]}, {"coding": [a]}], [{"coding": [{**a, "display": "x"}, b]}], [{"coding": [{"code": "a"}, {"code": "b"}]}], [{"coding": [{"system": CS}, b]}]):  # fmt: skip
        yield made(category=category)
    coding = SEED_ODD["code"]["coding"][0]
    for code in ({"text": "x"}, {"coding": [coding]}, {"coding": [coding], "text": "y"}, {"coding": [coding, coding], "text": "x"}, {"coding": [{**coding, "userSelected": False}], "text": "x"}, {"coding": [{**coding, "display": "x"}], "text": "x"}, {"coding": [{"system": CS, "code": "x"}], "text": "x"}, {"coding": [{**coding, "code": "y"}], "text": "x"}, {"coding": [{"system": CS, "userSelected": True, "display": "x"}], "text": "x"}, {"coding": [coding], "text": "x", "extension": [DAR]}, {"coding": [{**coding, "userSelected": 1}], "text": "x"}):  # fmt: skip
        yield made(code=code)
    quantity = SEED_ODD["valueQuantity"]
    for value in ({**quantity, "value": 1.6}, {**quantity, "value": 1}, {**quantity, "value": "1.5"}, {**quantity, "system": "http://a.example"}, {"unit": "mL", "system": UCUM, "code": "mL"}, {"value": 1.5}, {**quantity, "value": True}):  # fmt: skip
        yield made(valueQuantity=value)
    yield made(valueQuantity=None)
    for key, value in (("valueString", "x"), ("valueBoolean", True), ("valueRange", {"low": {"value": 1}}), ("valueInteger", 1)):  # fmt: skip
        yield made(valueQuantity=None, **{key: value})
        yield made(**{key: value})
    for text in ("123456", "1234", "x" * 5, " x", 12345, ["1"], ""):
        yield made(note=[{"text": text, "extension": [DAR]}])
    yield made(note=[{"text": "x", "extension": [DAR]}] * 3)
    outer = {"url": OUTER, "valueString": "x"}
    for held in ([DAR, outer], [outer, DAR], [outer], [DAR] * 3, [DAR, outer, outer], [DAR, outer, outer, outer], [DAR, {"url": PRECISION, "valueInteger": 1}], [{**DAR, "valueCode": " x"}], [DAR, {**outer, "valueString": " x"}], [DAR, {"url": OUTER}], [DAR, {"url": "x"}], []):  # fmt: skip
        yield made(note=[{"text": "x", "extension": held}])
    inner = {"url": INNER, "valueString": "x"}
    yield made(extension=[inner])
    yield made(extension=[{"url": OUTER, "extension": [inner]}])
    yield made(extension=[{"url": OUTER, "extension": [inner, {**inner, "valueString": " x"}]}])
    yield made(extension=[{"url": "http://hl7.org/fhir/StructureDefinition/patient-nationality", "extension": [inner]}])
    yield made(extension=[{"url": OTHER, "extension": [inner]}])
    bare = {k: SEED_ODD[k] for k in ("resourceType", "meta", "status", "code", "performer", "valueQuantity", "effectiveDateTime")} | {"identifier": [one]}  # fmt: skip
    for code in (SEED_ODD["code"], {"text": "x"}, {"coding": [{"system": CS, "code": "x"}]}):
        yield {**bare, "component": [{"code": code, "valueInteger": 2}]}
    yield made(referenceRange=[{"text": "x", "low": {"value": 1, "system": UCUM, "code": "zz"}}])
    yield made(
        extension=[{"url": "https://w3id.org/fhir-bladder/StructureDefinition/filling-range", "extension": [inner]}]
    )
    yield made(code={**SEED_ODD["code"], "extension": [inner]})
    yield made(effectiveDateTime=None, effectivePeriod={"start": "2020"})
    yield made(effectiveDateTime=None)
    for code in ({"text": "x"}, {"coding": [{"system": CS, "code": "x"}]}, {"coding": [{"system": "http://snomed.info/sct", "code": "x"}]}, {"coding": [{"code": "x"}]}):  # fmt: skip
        yield made(method=code)
    for value in ({"value": 1, "system": UCUM, "code": "h"}, {"value": 1, "system": UCUM, "code": "mL"}, {"value": 1, "system": CS, "code": "h"}, {"value": 1}, {"value": 1, "unit": "h"}):  # fmt: skip
        yield made(referenceRange=[{"text": "x", "high": value}])
    for number in (0, 1, 5, 6, 1.0, 5.0, 0.5, 5.5):
        yield made(referenceRange=[{"text": "x", "low": {"value": number}}])
    for number in (0, 1, 3, 5, 6, -1, 1.0, 2.0, 5.0, "2", True, None, 2**31, [2]):
        for at in (0, 1):
            value = made()
            value["component"][at]["valueInteger"] = number
            yield value
    yield made(component=SEED_ODD["component"][:1] * 3)
    for performer in ([{"reference": "Practitioner/1"}], [], [{"reference": "Practitioner/1"}] * 3):
        yield made(performer=performer)
    yield made(focus=[{"reference": "Patient/1"}] * 2)
    for age in ({"low": {"value": 2}}, {"low": {"value": 1}, "high": {"value": 2}}, {"low": {"value": 1, "unit": "a"}}, {"high": {"value": 1}}, {"low": {"value": 1.0}}, {"low": {"value": "1"}}, {"low": {"value": True}}):  # fmt: skip
        yield made(referenceRange=[{"text": "x", "age": age}])


def _primitives() -> Iterator[dict[str, Any]]:
    long = "x" * (1024 * 1024)
    for text in (long, long + "x", "x\x00", "x\x1f", "x\ty", "x\ny", "x\x0b", "x\x7f", "x\u0085", "\u00a0", "\ufeffx"):
        yield _observation(valueString=text)
        yield _observation(code={"text": text})
        yield _observation(note=[{"text": text}])
        yield _observation(subject={"reference": "http://a.example/" + text, "display": "x"})
        yield {"resourceType": "Patient", "name": [{"text": text, "family": text, "given": [text]}]}
    for ident in ("x", "x" * 64, "x" * 65, "a_b", "", "a b", "x\n", "\u00e4"):
        yield _observation(id=ident)
        yield _observation(meta={"versionId": ident})
    for uri in ("x", "x y", "", "x\u00a0y", "x\n", "urn:oid:1.2", "urn:oid:1.02", "urn:oid:3.1", "urn:oid:1", "oid:1.2", "uuid:x", "urn:uuid:00000000-0000-0000-0000-00000000000a", "urn:uuid:00000000-0000-0000-0000-00000000000A", "urn:uuid:x", "urn:x"):  # fmt: skip
        yield _observation(implicitRules=uri)
        yield _observation(meta={"source": uri})
        yield {"resourceType": "Patient", "identifier": [{"system": uri, "value": "x"}]}
        yield {"resourceType": "Parameters", "parameter": [{"name": "x", "valueUrl": uri}, {"name": "x", "valueCanonical": uri}]}  # fmt: skip
        for kind in ("Uri", "Url", "Canonical", "Oid", "Uuid"):
            yield {"resourceType": "Parameters", "parameter": [{"name": "x", f"value{kind}": uri}]}
    for number in (0, 1, -1, 2147483647, 2147483648, -2147483648, -2147483649, 1.0, 1.5, 1e300, True, "1"):
        for kind in ("Integer", "PositiveInt", "UnsignedInt", "Decimal", "Boolean", "String"):
            yield {"resourceType": "Parameters", "parameter": [{"name": "x", f"value{kind}": number}]}
    yield _observation(meta={"security": [{"system": CS, "code": "x"}] * 2})
    yield _observation(meta={"security": [{"code": "x"}, {"code": "x"}]})
    yield _observation(meta={"security": [{"system": CS, "code": "x"}, {"system": CS, "code": "y"}, {"system": CS, "code": "x"}]})  # fmt: skip
    for profile in ("http://a.example/unknown", "http://hl7.org/fhir/StructureDefinition/Patient", "http://hl7.org/fhir/StructureDefinition/Observation", "x y", "", 1):  # fmt: skip
        yield _observation(meta={"profile": [profile]})
    for name in ("Medication", "Foo", "", 1, None, ["Observation"], "observation", "Element", "Coding", "Resource", "DomainResource"):  # fmt: skip
        yield {"resourceType": name, "status": "final", "code": {"text": "x"}}
        yield {"resourceType": name}
    yield {"status": "final", "code": {"text": "x"}}


def _walls() -> dict[str, Any]:
    """The full panel with its wall thickness by caliper as the thicknesses of the detrusor too."""
    made: dict[str, Any] = json.loads((VALID / "exam-full.json").read_bytes())
    for component in list(made["component"]):
        first = component["code"].get("coding", [{}])[0]
        if first.get("code") == "caliper-wall-thickness":
            for name in ("detrusor-thickness", "caliper-detrusor-thickness"):
                code = {"coding": [{"system": first["system"], "code": name}]}
                made["component"].append({**copy.deepcopy(component), "code": code})
    return made


def _exam(seed: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Rules between elements of our own profiles."""
    values = ({"valueQuantity": {"value": 1, "unit": "mL", "system": UCUM, "code": "mL"}}, {"dataAbsentReason": {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/data-absent-reason", "code": "unknown"}]}}, {"valueString": "x"}, {"valueBoolean": True}, {"valueInteger": 3}, {"valueInteger": -3}, {"valueQuantity": {"value": -1, "unit": "mL", "system": UCUM, "code": "mL"}}, {"valueQuantity": {"value": 0, "unit": "g", "system": UCUM, "code": "g"}}, {"valueQuantity": {"value": 101, "unit": "%", "system": UCUM, "code": "%"}}, {"valueCodeableConcept": {"text": "x"}})  # fmt: skip
    for number, component in enumerate(seed.get("component", ())):
        bare = {k: v for k, v in component.items() if not k.startswith(("value", "dataAbsent"))}
        for value in values:
            made = copy.deepcopy(seed)
            made["component"][number] = {**copy.deepcopy(bare), **value}
            yield made
            made = copy.deepcopy(seed)
            made["component"].append({**copy.deepcopy(bare), **value})
            yield made
        made = copy.deepcopy(seed)
        made["component"].append(copy.deepcopy(component))
        yield made
        for more in (
            *({"referenceRange": [part]} for part in RANGES),
            {"dataAbsentReason": {"text": "x"}},
            {"extension": []},
            {"modifierExtension": [DAR]},
            {"interpretation": [{"text": "x"}]},
        ):
            made = copy.deepcopy(seed)
            made["component"][number].update(more)
            yield made
        without = component.get("extension", [])
        for at in range(len(without)):
            made = copy.deepcopy(seed)
            del made["component"][number]["extension"][at]
            if not made["component"][number]["extension"]:
                del made["component"][number]["extension"]
            yield made
        coded = component["code"].get("coding", [])
        for at in range(len(coded)):
            made = copy.deepcopy(seed)
            del made["component"][number]["code"]["coding"][at]
            yield made
        for at in range(number):
            made = copy.deepcopy(seed)
            del made["component"][number], made["component"][at]
            yield made
    for part in RANGES:
        yield {**seed, "referenceRange": [part]}
    for key, value in (("value", values[0]), ("dataAbsentReason", values[1])):
        yield {**copy.deepcopy(seed), **value, "x": None} if key == "x" else {**copy.deepcopy(seed), **value}


CONCEPTS = (
    "volume", "scan-volume", "wall-thickness", "caliper-wall-thickness", "detrusor-thickness", "caliper-detrusor-thickness", "surface-area",
    "estimated-mass", "calculated-mass", "voided-volume", "earlier-void", "catheterised-volume", "voiding-efficiency", "time-since-void", "length",
    "width", "height", "probe-frequency", "void-state", "void-attempt", "uterus-assumed", "zz",
)  # fmt: skip
"""Codes of our own code system, and one that it does not have."""
UNITS = ("mL", "mm", "cm2", "g", "%", "min", "MHz", "cm", "zz", "")


def measurements(accepts: Callable[[Any], bool]) -> Iterator[bytes]:
    """The same with and without an unusual key, which sends an object to the general function."""
    for data in _measurements(accepts):
        yield data
        yield data[:-1] + b',"method":{"text":"x"}}'


def _measurements(accepts: Callable[[Any], bool]) -> Iterator[bytes]:
    """Every concept with every unit and sign, alone and as a component, where all else is right."""
    system = "https://w3id.org/fhir-bladder/CodeSystem/bladder-ultrasound"
    seed = json.loads((VALID / "measurement-volume.json").read_bytes())
    seed = minimal(seed, accepts)
    mapped = {f.stem: json.loads(f.read_bytes()) for f in sorted(VALID.glob("measurement-*.json"))}
    full = mapped["measurement-volume"]
    outer = [seed, *(minimal(m, accepts) for m in mapped.values()), *mapped.values()]
    panels = [
        minimal(json.loads((VALID / f"{n}.json").read_bytes()), accepts)
        for n in ("exam-not-seen", "exam-full", "group-full")
    ]
    reason = {
        "dataAbsentReason": {
            "coding": [{"system": "http://terminology.hl7.org/CodeSystem/data-absent-reason", "code": "unknown"}]
        }
    }
    for concept in CONCEPTS:
        code = {"coding": [{"system": system, "code": concept}]}
        values: list[dict[str, Any]] = [
            reason,
            {},
            {"valueInteger": 1},
            {"valueBoolean": True},
            {"valueString": "x"},
            {"valueCodeableConcept": {"coding": [{"system": system, "code": "voided"}]}},
        ]
        for unit in UNITS:
            for value in (1, 0, -1, 0.5, -0.5, 0.0, 101):
                values.append({"valueQuantity": {"value": value, "system": UCUM, "code": unit, "unit": "x"}})
            values.append({"valueQuantity": {"value": 1, "system": "http://a.example", "code": unit}})
            values.append({"valueQuantity": {"value": 1, "code": unit}})
            values.append({"valueQuantity": {"_value": {"extension": [DAR]}, "system": UCUM, "code": unit}})
        for value in values:
            for place in (
                outer if concept in ("earlier-void", "scan-volume", "calculated-mass", "zz") else (outer[0], full)
            ):
                bare = {k: v for k, v in place.items() if k.lstrip("_")[:5] != "value" and k != "dataAbsentReason"}
                yield orjson.dumps({**bare, "code": code, **value})
                yield orjson.dumps(
                    {**bare, "code": {"coding": [*place["code"].get("coding", []), *code["coding"]]}, **value}
                )
            for panel in panels:
                kept = [
                    c
                    for c in panel.get("component", ())
                    if not any(x.get("code") == concept for x in c["code"].get("coding", ()))
                ]
                yield orjson.dumps({**panel, "component": [*kept, {"code": code, **value}]})
    voided = [
        {
            "code": {"coding": [{"system": system, "code": "void-state"}]},
            "valueCodeableConcept": {"coding": [{"system": system, "code": c}]},
        }
        for c in ("voided", "unable", "not-attempted", "zz")
    ]
    dcm = {
        "code": {"coding": [{"system": "http://dicom.nema.org/resources/ontology/DCM", "code": "109135"}]},
        "valueQuantity": {"value": 1, "unit": "mL", "system": UCUM, "code": "mL"},
    }
    for panel in (*panels, *(json.loads((VALID / f"{n}.json").read_bytes()) for n in ("exam-full", "group-full"))):
        others = [
            c
            for c in panel.get("component", ())
            if not any(x.get("code") == "void-state" for x in c["code"].get("coding", ()))
        ]
        for pair in (
            ("http://loinc.org", "98856-8"),
            ("http://loinc.org", "69388-7"),
            ("http://loinc.org", "9197-5"),
            ("http://snomed.info/sct", "700387001"),
            ("http://loinc.org", "15309-8"),
            ("http://a.example", "98856-8"),
            ("http://snomed.info/sct", "x"),
            ("http://a.example", "700387001"),
        ):
            more = {"system": pair[0], "code": pair[1]}
            for held in ([], *([v] for v in voided), [dcm], [dcm, voided[0]], [voided[0], voided[1]]):
                yield orjson.dumps(
                    {
                        **panel,
                        "code": {"coding": [*panel["code"].get("coding", []), more]},
                        "component": [*others, *held],
                    }
                )
                marked = [
                    {**c, "code": {"coding": [*c["code"].get("coding", []), more]}} if n == 0 else c
                    for n, c in enumerate(others)
                ]
                yield orjson.dumps({**panel, "component": [*marked, *held]})
        for status in ("final", "amended", "corrected", "preliminary", "cancelled", "registered"):
            yield orjson.dumps({**panel, "status": status})
            yield orjson.dumps({k: v for k, v in {**panel, "status": status}.items() if k != "issued"})
    for panel in panels:
        for held in (
            {"_value": {"extension": [DAR]}, "unit": "x"},
            {"value": -1, "unit": "x"},
            {"value": 0.0, "unit": "x"},
            {"_value": {"extension": [DAR]}},
        ):
            component = {"code": {"text": "x"}, "valueQuantity": held}
            yield orjson.dumps({**panel, "component": [*panel.get("component", ()), component]})
    for place in (*outer, *panels):
        yield orjson.dumps({k: v for k, v in place.items() if k != "status"} | {"_status": {"extension": [DAR]}})
        for text in (orjson.dumps(place),):
            yield re.sub(rb'"value":-?[0-9.]+', b'"value":-1e-400', text)
            yield re.sub(rb'"value":-?[0-9.]+', b'"value":0.0', text)
            yield re.sub(rb'"value":-?[0-9.]+', b'"value":0', text)
            yield re.sub(
                rb'"value":-?[0-9.]+',
                b'"_value":{"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/data-absent-reason","valueCode":"unknown"}]}',
                text,
            )
    for place in outer:
        for at in range(len(place["code"].get("coding", []))):
            coding = place["code"].get("coding", [])
            yield orjson.dumps({**place, "code": {"coding": coding[:at] + coding[at + 1 :]}})
        for at in range(len(place.get("extension", ()))):
            yield orjson.dumps({**place, "extension": place["extension"][:at] + place["extension"][at + 1 :]})
        for pair in (
            ("http://loinc.org", "98856-8"),
            ("http://loinc.org", "69388-7"),
            ("http://loinc.org", "9197-5"),
            ("http://snomed.info/sct", "x"),
            ("http://loinc.org", "15309-8"),
            (system, "bladder-ultrasound-exam"),
        ):
            more = {"system": pair[0], "code": pair[1]}
            yield orjson.dumps({**place, "code": {"coding": [*place["code"].get("coding", []), more]}})
            for key in ("volume", "scan-volume"):
                yield orjson.dumps({**place, "code": {"coding": [{"system": system, "code": key}, more]}})
        for key in (
            "S1",
            "S1/1",
            "S1/1/volume",
            "S1/1/volume/2",
            "S 1/1",
            "S%201/1/scan-volume/1",
            "/1",
            "1/",
            "a/b/c/d/e",
            "é/1",
            "S1/1/zz",
        ):
            for number in (place["identifier"], [*place["identifier"], *place["identifier"]]):
                yield orjson.dumps({**place, "identifier": [{**i, "value": key} for i in number]})
            yield orjson.dumps(
                {
                    **place,
                    "identifier": [
                        {**place["identifier"][0], "value": key},
                        {"system": "http://a.example", "value": "S1/1"},
                    ],
                }
            )


def behind() -> Iterator[bytes]:
    """Documents in whose way several checks stand: each shows what stands behind the first."""
    for value in (*_behind_voiding(), *_behind_bundles(), *_behind_others()):
        yield orjson.dumps(value)
        yield orjson.dumps({**value, "method": {"text": "x"}})


def _behind_voiding() -> Iterator[dict[str, Any]]:
    dicom, own = "http://dicom.nema.org/resources/ontology/DCM", "https://w3id.org/fhir-bladder/CodeSystem/bladder-ultrasound"  # fmt: skip
    for name in ("exam-full", "exam-not-seen", "exam-example", "group-full"):
        full = json.loads((VALID / f"{name}.json").read_bytes())
        yield from _behind_one(full, dicom, own)
        yield from _behind_one(_usual(full), dicom, own)


def _usual(seed: dict[str, Any]) -> dict[str, Any]:
    """Without the keys that send it to the general function."""
    return {k: v for k, v in seed.items() if k in ("resourceType", *HOT["Observation"])}


def _behind_one(seed: dict[str, Any], dicom: str, own: str) -> Iterator[dict[str, Any]]:
    states = [c for c in seed["component"] if any(k.get("code") == "void-state" for k in c["code"].get("coding", ()))]  # fmt: skip
    others = [c for c in seed["component"] if c not in states]
    for system, code in (("http://loinc.org", "98856-8"), ("http://loinc.org", "69388-7"), ("http://loinc.org", "9197-5"), ("http://snomed.info/sct", "700387001")):  # fmt: skip
        more = {"system": system, "code": code}
        codes = [{**seed, "code": {**seed["code"], "coding": [*seed["code"]["coding"], more]}}]
        bare = {k: v for k, v in others[0].items() if k != "code"} if others else {"valueString": "x"}
        codes.append({**seed, "component": [*others, {**bare, "code": {"coding": [more], "text": "x"}}]})
        for made in codes:
            kept = [c for c in made["component"] if c not in states]
            yield {**made, "component": kept}
            for pair in ((own, "voided"), (dicom, "zz"), (own, "109135"), (dicom, "109136")):
                for state in states:
                    value = {"coding": [{"system": pair[0], "code": pair[1]}]}
                    yield {**made, "component": [*kept, {**state, "valueCodeableConcept": value}]}
    for number, component in enumerate(seed["component"]):
        yield {**seed, "component": seed["component"][:number] + seed["component"][number + 1 :]}
        for at in range(len(component.get("extension", ()))):
            made = copy.deepcopy(seed)
            del made["component"][number]["extension"][at]
            yield made
            for key, held in component["extension"][at].items():
                if held is True:
                    made = copy.deepcopy(seed)
                    made["component"][number]["extension"][at][key] = False
                    yield made
    for coding in ({"system": own, "code": "zz"}, {"system": "http://a.example", "code": "bladder-ultrasound-exam"}):  # fmt: skip
        yield {**seed, "code": {"coding": [coding], "text": "x"}}


def _behind_bundles() -> Iterator[dict[str, Any]]:
    for name in ("bundle-panel", "bundle-single"):
        seed = json.loads((VALID / f"{name}.json").read_bytes())
        for more in (
            {"response": {"status": " x"}}, {"response": {"status": "200", "lastModified": "x"}}, {"response": {"status": "200", "location": "x y"}}, {"response": {}}, {"response": "x"}, {"response": {"etag": "x"}},
            {"search": {"score": "1"}}, {"search": {"mode": "match", "score": "1"}}, {"search": {"extension": [{"url": "x"}], "mode": "match"}}, {"search": {"mode": "zz"}},
        ):  # fmt: skip
            yield {**seed, "entry": [{**seed["entry"][0], **more}, *seed["entry"][1:]]}
        for number, entry in enumerate(seed["entry"]):
            request = {k: v for k, v in entry["request"].items() if k != "method"} | {"_method": {"extension": [DAR]}}
            yield {**seed, "entry": [{**e, "request": request} if n == number else e for n, e in enumerate(seed["entry"])]}  # fmt: skip


def _behind_others() -> Iterator[dict[str, Any]]:
    for url in (OUTER, OTHER):
        yield {**SEED_ODD, "extension": [{"url": url, "valueString": "x", "valueBoolean": True}]}
        yield {**SEED_ODD, "extension": [{"url": url, "valueString": "x", "valueInteger": 1, "valueBoolean": True}]}
    yield {**SEED_ODD, "referenceRange": [{"text": "x", "low": {"value": 1, "system": UCUM, "code": "zz"}}]}
    for url in (OUTER, OTHER):
        for key, wrong in (("valueBoolean", "x"), ("valueString", " x"), *(("valueInteger", n) for n in (2147483648, 2147483649, -2147483649, -2147483650, "1", 1.5, True))):  # fmt: skip
            yield {**SEED_ODD, "extension": [{"url": url, key: wrong}]}
    yield {**SEED_ODD, "referenceRange": [{"text": "x", "low": {"id": "i", "value": 1, "system": UCUM, "code": "zz"}}]}
    full = json.loads((VALID / "exam-not-seen.json").read_bytes())
    for seed in (full, _usual(full)):
        for number, component in enumerate(seed["component"]):
            for name, value in (("origin", {"valueCode": "received"}), ("scan-number", {"valueInteger": 1})):
                extension = [{"url": f"https://w3id.org/fhir-bladder/StructureDefinition/{name}", **value}]
                made = copy.deepcopy(seed)
                made["component"][number] = {**component, "extension": extension}
                for status in ("final", "preliminary"):
                    yield {**made, "status": status}
    for file in sorted(VALID.glob("measurement-*.json")):
        full = json.loads(file.read_bytes())
        for seed in (full, _usual(full)):
            for at in range(len(seed.get("extension", ()))):
                yield {**seed, "extension": seed["extension"][:at] + seed["extension"][at + 1 :]}


def _texts() -> Iterator[bytes]:
    """Texts that no parsed value can show: keys that stand twice, depth, sizes, numbers."""
    limit = orjson.dumps({**SEED_ODD, "referenceRange": [{"text": "x", "low": {"value": 7777}}]})
    for number in (b"0.99999999999999999999", b"5.00000000000000000001"):
        yield limit.replace(b"7777", number)
    head = b'{"resourceType":"Observation","status":"final","code":{"text":"x"}'
    for more in (
        b',"status":"final"}', b',"code":{"text":"x"}}', b',"subject":{"display":"a","display":"a"}}', b',"stat\\u0075s":"final"}', b',"valueString":"\\u0022:"}', b',"valueString":"a","valueString":"b"}', b',"note":[{"text":"a:b","text":"c"}]}',
        b',"valueString":"\\u003a","valueString":"x"}', b',"valueString":"x","valueString":"\\u003a"}', b',"value\\u003aString":"x"}', b',"valueString":"x:y","valueString":"z"}', b',"valueString":"\\u003A\\u003A","code":{"text":"y"}}', b' ,"valueString" : "\\u003a" }', b',"valueDecimal":1}', b',"valueQuantity":{"value":1e400}}', b',"valueQuantity":{"value":NaN}}', b',"valueInteger":01}', b',}', b'}x',
    ):  # fmt: skip
        yield head + more
    for number in (b"-1e-400", b"0.0", b"0", b"5000.00000000000000001"):
        for key, unit in ((b"duration", b"h"), (b"period", b"d")):
            yield (
                b'{"resourceType":"ServiceRequest","status":"active","intent":"order","subject":{"reference":"Patient/1"},"occurrenceTiming":{"repeat":{"%s":%s,"%sUnit":"%s"}}}'
                % (key, number, key, unit)
            )
    for depth in (20, 24, 25, 26, 49, 50, 51, 52, 60, 98, 99, 100, 101, 120):
        part = b'{"name":"x","valueString":"' + b"x" * 10_000 + b'"}'
        for _ in range(depth):
            part = b'{"name":"x","part":[' + part + b"]}"
        yield b'{"resourceType":"Parameters","parameter":[' + part + b"]}"
    yield from (b"", b"[]", b"1", b"null", b'"x"', b"{}", b"\xef\xbb\xbf" + head + b"}", head, b"\xff" + head + b"}", head + b',"valueString":"\xff"}', head + b',"valueString":"\\ud800"}')  # fmt: skip
