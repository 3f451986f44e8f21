# ruff: noqa: E501 - tables of cases read better in one line
"""Verdicts of the validator, case by case. The verdicts stated were seen in the HAPI validator 8.8.0 (R4, extensions
closed, references assumed valid) unless a line says by which rule of the standard we differ."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import pytest

INSTANCES = Path(__file__).parent.parent / "profiles"
DIV = '<div xmlns="http://www.w3.org/1999/xhtml">'
UCUM = "http://unitsofmeasure.org"
URN = "urn:uuid:0c3151bd-1cbf-4d64-b04d-cd9187a4c6e0"
URN2 = "urn:uuid:0c3151bd-1cbf-4d64-b04d-cd9187a4c6e1"

FIELDS: list[tuple[str, dict[str, Any], str]] = [
    # what, fields to set, id of the error ("" for none)
    ("plain", {}, ""),
    ("status", {"status": "finished"}, "binding-required"),
    ("unknown element", {"foo": 1}, "element-unknown"),
    ("unknown code, known system", {"category": [{"coding": [{"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "zzz"}]}]}, "code-unknown"),
    ("unknown code, unknown system", {"category": [{"coding": [{"system": "http://a.example/x", "code": "zzz"}]}]}, ""),
    ("unknown extension", {"extension": [{"url": "http://a.example/x", "valueString": "a"}]}, "extension-unknown"),
    ("unknown modifier", {"modifierExtension": [{"url": "http://a.example/x", "valueString": "a"}]}, "extension-unknown"),
    ("known extension", {"extension": [{"url": "http://hl7.org/fhir/StructureDefinition/observation-bodyPosition", "valueCodeableConcept": {"text": "a"}}]}, ""),
    ("its wrong type", {"extension": [{"url": "http://hl7.org/fhir/StructureDefinition/observation-bodyPosition", "valueString": "a"}]}, "element-unknown"),
    ("its wrong place", {"extension": [{"url": "http://hl7.org/fhir/StructureDefinition/patient-birthPlace", "valueAddress": {"text": "a"}}]}, "extension-context"),
    ("as a modifier", {"modifierExtension": [{"url": "http://hl7.org/fhir/StructureDefinition/observation-bodyPosition", "valueCodeableConcept": {"text": "a"}}]}, "extension-modifier"),
    ("without value", {"extension": [{"url": "http://hl7.org/fhir/StructureDefinition/observation-bodyPosition"}]}, "ext-1"),
    ("relative url", {"extension": [{"url": "foo", "valueString": "a"}]}, "extension-relative"),
    ("unit", {"valueQuantity": {"value": 1, "system": UCUM, "code": "bogus"}}, "code-unknown"),
    ("annotation", {"valueQuantity": {"value": 1, "system": UCUM, "code": "{score}"}}, ""),
    ("unit without system", {"valueQuantity": {"value": 1, "code": "mL"}}, "qty-3"),
    ("wrong target", {"subject": {"reference": "Medication/1"}}, "reference-target"),
    ("wrong target, absolute", {"subject": {"reference": "http://a.example/fhir/Medication/1"}}, "reference-target"),
    ("type differs", {"subject": {"type": "Patient", "reference": "Group/1"}}, "reference-type"),
    ("other URL", {"subject": {"reference": "http://a.example/foo"}}, ""),
    ("no contained", {"subject": {"reference": "#x"}}, "ref-1"),
    ("hash alone", {"subject": {"reference": "#"}}, "ref-1"),
    ("version", {"subject": {"reference": "Patient/1/_history/2"}}, ""),
    ("blank in reference", {"subject": {"reference": "Patient/1\n"}}, "reference-blank"),
    ("contained", {"contained": [{"resourceType": "Patient", "id": "p", "active": True}], "subject": {"reference": "#p"}}, ""),
    ("contained of wrong type", {"contained": [{"resourceType": "Medication", "id": "p"}], "subject": {"reference": "#p"}}, "reference-target"),
    ("orphan", {"contained": [{"resourceType": "Patient", "id": "p"}]}, "dom-3"),
    ("contained twice", {"contained": [{"resourceType": "Patient", "id": "p"}, {"resourceType": "Patient", "id": "p"}], "subject": {"reference": "#p"}}, "contained-id-twice"),
    ("contained in contained", {"contained": [{"resourceType": "Patient", "id": "p", "contained": [{"resourceType": "Patient", "id": "q"}]}], "subject": {"reference": "#p"}}, "dom-2"),
    ("contained version", {"contained": [{"resourceType": "Patient", "id": "p", "meta": {"versionId": "1"}}], "subject": {"reference": "#p"}}, "dom-4"),
    ("contained security", {"contained": [{"resourceType": "Patient", "id": "p", "meta": {"security": [{"system": "http://a.example", "code": "x"}]}}], "subject": {"reference": "#p"}}, "dom-5"),
    ("unknown profile", {"meta": {"profile": ["http://a.example/p"]}}, "profile-unknown"),
    ("profile of another type", {"meta": {"profile": ["http://hl7.org/fhir/StructureDefinition/Patient"]}}, "profile-wrong-type"),
    ("label twice", {"meta": {"security": [{"system": "http://terminology.hl7.org/CodeSystem/v3-ActReason", "code": "HTEST"}] * 2}}, "security-twice"),
    ("no such day", {"effectiveDateTime": "2023-02-30"}, "primitive-form"),
    ("leap second", {"effectiveDateTime": "2023-02-03T10:00:60Z"}, ""),
    ("no seconds", {"effectiveDateTime": "2023-02-03T10:00Z"}, "primitive-form"),
    ("no zone", {"effectiveDateTime": "2023-02-03T10:00:00"}, "primitive-form"),
    ("zone", {"effectiveDateTime": "2023-02-03T10:00:00+14:30"}, "primitive-form"),
    ("hour 24", {"effectiveDateTime": "2023-02-03T24:00:00Z"}, "primitive-form"),
    ("instant", {"issued": "2023-02-03"}, "primitive-form"),
    ("id", {"id": "a_b"}, "primitive-form"),
    ("long id", {"id": "a" * 65}, "primitive-form"),
    ("id of 64", {"id": "a" * 64}, ""),
    ("blank in code", {"language": " en"}, "primitive-form"),
    ("language tag", {"language": "1234"}, "language-form"),
    ("URI with blank", {"code": {"coding": [{"system": "http://a b", "code": "x"}]}}, "primitive-form"),
    ("OID", {"code": {"coding": [{"system": "urn:oid:3.2", "code": "x"}]}}, "primitive-form"),
    ("UUID in capitals", {"code": {"coding": [{"system": URN.upper().replace("URN:UUID", "urn:uuid"), "code": "x"}]}}, "primitive-form"),
    ("narrative", {"text": {"status": "generated", "div": DIV + "x</div>"}}, ""),
    ("empty narrative", {"text": {"status": "generated", "div": DIV + " </div>"}}, "narrative"),
    ("image alone", {"text": {"status": "generated", "div": DIV + "<img src='x'/></div>"}}, ""),
    ("no namespace", {"text": {"status": "generated", "div": "<div>x</div>"}}, "narrative"),
    ("script", {"text": {"status": "generated", "div": DIV + "<script>x</script></div>"}}, "narrative"),
    ("handler", {"text": {"status": "generated", "div": DIV + "<p onclick='x'>x</p></div>"}}, "narrative"),
    ("active link", {"text": {"status": "generated", "div": DIV + "<a href='javascript:x'>x</a></div>"}}, "narrative"),
    ("entity", {"text": {"status": "generated", "div": DIV + "&nbsp;x</div>"}}, "narrative"),
    ("paragraph in paragraph", {"text": {"status": "generated", "div": DIV + "<p>a<p>b</p></p></div>"}}, "narrative"),
    # XHTML is XML: an open element and a document type are errors here, HAPI lets both pass (R4 2.4.0)
    ("open element", {"text": {"status": "generated", "div": DIV + "a"}}, "narrative"),
    ("document type", {"text": {"status": "generated", "div": "<!DOCTYPE html>" + DIV + "a</div>"}}, "narrative"),
    ("absent and value", {"dataAbsentReason": {"text": "x"}}, "obs-6"),
    ("two values", {"valueBoolean": True}, "choice-twice"),
    ("period backwards", {"effectiveDateTime": None, "effectivePeriod": {"start": "2023-02", "end": "2022"}}, "per-1"),
    ("period not comparable", {"effectiveDateTime": None, "effectivePeriod": {"start": "2023-02", "end": "2023"}}, "per-1"),
    ("range backwards", {"valueQuantity": None, "valueRange": {"low": {"value": 2}, "high": {"value": 1}}}, "rng-2"),
    ("component repeats the code", {"component": [{"code": {"coding": [{"system": "http://loinc.org", "code": "15309-8"}]}, "valueString": "x"}]}, "obs-7"),
    ("reference range", {"referenceRange": [{"type": {"text": "x"}}]}, "obs-3"),
    ("empty object", {"code": {}}, "json-empty"),
    ("empty array", {"category": []}, "json-empty"),
    ("empty text", {"code": {"text": ""}}, "primitive-form"),
    # ele-1 asks for children beyond the id; HAPI lets an object with only an id pass
    ("only an id", {"code": {"id": "x"}}, "ele-1"),
    ("array for one", {"code": [{"text": "x"}]}, "json-array"),
    ("one for array", {"category": {"text": "x"}}, "json-no-array"),
    ("number in quotes", {"valueQuantity": {"value": "1"}}, "json-type"),
    ("text without quotes", {"code": {"text": 1}}, "json-type"),
    ("extension beside", {"_status": {"extension": [{"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "unknown"}]}}, ""),
    ("nothing beside", {"_status": {}}, "json-empty"),
    ("id beside", {"_status": {"id": "x"}}, ""),
    ("beside a complex", {"_code": {"id": "x"}}, "element-unknown"),
]  # fmt: skip


@pytest.mark.parametrize(("fields", "ident"), [pytest.param(f, i, id=n) for n, f, i in FIELDS])
def test_observation(base: Any, errors: Any, observation: dict[str, Any], fields: dict[str, Any], ident: str) -> None:
    for key, value in fields.items():
        if value is None:
            del observation[key]
        else:
            observation[key] = value
    found = errors(base, observation)
    assert (ident in found) if ident else not found, found


RESOURCES: list[tuple[str, str, str]] = [
    ("given null beside extension", '{"resourceType":"Patient","name":[{"given":[null,"a"],"_given":[{"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/data-absent-reason","valueCode":"unknown"}]},null]}]}', ""),
    ("given null", '{"resourceType":"Patient","name":[{"given":[null,"a"]}]}', "json-null"),
    # the arrays stand side by side, so their lengths agree (R4 JSON 2.6.2.3); HAPI lets this pass
    ("arrays of two lengths", '{"resourceType":"Patient","name":[{"given":["a","b"],"_given":[{"id":"x"}]}]}', "json-sibling-length"),
    ("null beside", '{"resourceType":"Patient","_birthDate":null}', "json-null"),
    ("contact", '{"resourceType":"Patient","contact":[{"gender":"male"}]}', "pat-1"),
    ("telecom", '{"resourceType":"Patient","telecom":[{"value":"x"}]}', "cpt-2"),
    ("rank", '{"resourceType":"Patient","telecom":[{"rank":0}]}', "primitive-form"),
    ("whole number", '{"resourceType":"Patient","multipleBirthInteger":1.0}', "json-type|primitive-form"),
    ("base64", '{"resourceType":"Patient","photo":[{"contentType":"image/png","data":"QUJ"}]}', "primitive-form"),
    ("attachment size", '{"resourceType":"Patient","photo":[{"contentType":"image/png","data":"QUJD","size":9}]}', "attachment"),
    ("attachment kind", '{"resourceType":"Patient","photo":[{"data":"QUJD"}]}', "att-1"),
    ("identifier system", '{"resourceType":"Patient","identifier":[{"system":"foo","value":"a"}]}', "identifier-uri"),
    ("identifier URI", '{"resourceType":"Patient","identifier":[{"system":"urn:ietf:rfc:3986","value":"a"}]}', "identifier-uri"),
    ("currency", '{"resourceType":"Parameters","parameter":[{"name":"a","valueMoney":{"value":1,"currency":"XXQ"}}]}', "binding-required"),
    ("money", '{"resourceType":"Parameters","parameter":[{"name":"a","valueMoney":{"value":1,"currency":"EUR"}}]}', ""),
    ("parameter", '{"resourceType":"Parameters","parameter":[{"name":"a"}]}', "inv-1"),
    ("organization", '{"resourceType":"Organization","active":true}', "org-1"),
    ("at home", '{"resourceType":"Organization","name":"x","telecom":[{"system":"phone","use":"home","value":"1"}]}', "org-3"),
    ("order detail", '{"resourceType":"ServiceRequest","status":"active","intent":"order","subject":{"reference":"Patient/1"},"orderDetail":[{"text":"x"}]}', "prr-1"),
    ("timing", '{"resourceType":"DeviceMetric","type":{"text":"x"},"category":"measurement","measurementPeriod":{"repeat":{"period":-1,"periodUnit":"s"}}}', "tim-5"),
    ("instant", '{"resourceType":"Provenance","target":[{"reference":"Observation/1"}],"recorded":"2020-01-01","agent":[{"who":{"display":"x"}}]}', "primitive-form"),
    ("time", '{"resourceType":"Location","hoursOfOperation":[{"daysOfWeek":["mon"],"openingTime":"08:00"}]}', "primitive-form"),
    ("count", '{"resourceType":"Parameters","parameter":[{"name":"a","valueCount":{"value":1.5,"system":"http://unitsofmeasure.org","code":"1"}}]}', "cnt-3"),
    ("ratio", '{"resourceType":"Parameters","parameter":[{"name":"a","valueRatio":{"numerator":{"value":1}}}]}', "rat-1"),
    ("simple quantity", '{"resourceType":"Observation","status":"final","code":{"text":"x"},"valueRange":{"low":{"value":1,"comparator":"<"}}}', "cardinality-max"),
    ("no type", '{"status":"final"}', "resource-type-missing"),
    ("unknown type", '{"resourceType":"Obsevation"}', "resource-type-unknown"),
    ("type in an array", '{"resourceType":["Observation"]}', "resource-type-missing"),
    ("an array", "[]", "json-type"),
    ("key twice", '{"resourceType":"Observation","status":"final","status":"final","code":{"text":"x"}}', "json-duplicate"),
    ("key twice, escaped", '{"resourceType":"Observation","status":"final","\\u0073tatus":"final","code":{"text":"x\\u003a"}}', "json-duplicate"),
    ("long number", '{"resourceType":"Observation","status":"final","code":{"text":"x"},"valueQuantity":{"value":1.' + "0" * 80 + "1}}", ""),
    ("exponent", '{"resourceType":"Observation","status":"final","code":{"text":"x"},"valueQuantity":{"value":1e400}}', ""),
    ("NaN", '{"resourceType":"Observation","status":"final","code":{"text":"x"},"valueQuantity":{"value":NaN}}', "json-number"),
    ("comma", '{"resourceType":"Observation",}', "json-syntax"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "ident"), [pytest.param(t, i, id=n) for n, t, i in RESOURCES])
def test_resource(base: Any, errors: Any, text: str, ident: str) -> None:
    found = errors(base, text.encode())
    assert (set(ident.split("|")) & set(found)) if ident else not found, found


def _entry(resource: dict[str, Any] | None, url: str | None = None, method: str | None = None) -> dict[str, Any]:
    made: dict[str, Any] = {}
    if url:
        made["fullUrl"] = url
    if resource is not None:
        made["resource"] = resource
    if method:
        made["request"] = {"method": method, "url": "Patient"}
    return made


P = {"resourceType": "Patient", "id": "p", "active": True}
N = {"resourceType": "Patient", "active": True}
OBS: dict[str, Any] = {"resourceType": "Observation", "status": "final", "code": {"text": "x"}}
BUNDLES: list[tuple[str, str, list[dict[str, Any]], dict[str, Any], str]] = [
    ("no fullUrl", "collection", [_entry(P)], {}, "bundle-fullurl-missing"),
    ("plain", "collection", [_entry(P, "http://a.example/Patient/p")], {}, ""),
    ("other id", "collection", [_entry(P, "http://a.example/Patient/q")], {}, "bundle-fullurl-differs"),
    ("no id", "collection", [_entry(N, "http://a.example/Patient/q")], {}, "bundle-fullurl-no-id"),
    ("urn", "collection", [_entry(P, URN)], {}, ""),
    ("relative", "collection", [_entry(P, "Patient/p")], {}, "bundle-fullurl-relative"),
    ("twice", "collection", [_entry(P, URN), _entry(P, URN)], {}, "bdl-7"),
    ("version", "collection", [_entry(P, "http://a.example/Patient/p/_history/1")], {}, "bdl-8"),
    ("resolves", "collection", [_entry(N, URN), _entry({**OBS, "subject": {"reference": URN}}, URN2)], {}, ""),
    ("to the wrong type", "collection", [_entry({**OBS}, URN), _entry({**OBS, "subject": {"reference": URN}}, URN2)], {}, "reference-target"),
    ("transaction", "transaction", [_entry(N, URN, "POST")], {}, ""),
    ("without request", "transaction", [_entry(N, URN)], {}, "bdl-3"),
    ("method", "transaction", [_entry(N, URN, "FOO")], {}, "binding-required"),
    ("total", "transaction", [_entry(N, URN, "POST")], {"total": 1}, "bdl-1"),
    ("inside", "transaction", [_entry({"resourceType": "Patient", "gender": "x"}, URN, "POST")], {}, "binding-required"),
    ("empty entry", "collection", [_entry(None, URN)], {}, "bdl-5"),
    ("response", "transaction-response", [{"response": {"status": "201 Created"}}], {}, ""),
    ("no response", "transaction-response", [_entry(N, URN)], {}, "bdl-4"),
    ("search mode", "collection", [{**_entry(P, URN), "search": {"mode": "match"}}], {}, "bdl-2"),
    ("document", "document", [_entry(N, URN)], {"timestamp": "2020-01-01T00:00:00Z", "identifier": {"system": "urn:x:y", "value": "a"}}, "bdl-11"),
    ("document without date", "document", [_entry(N, URN)], {"identifier": {"system": "urn:x:y", "value": "a"}}, "bdl-10"),
    ("document without identifier", "document", [_entry(N, URN)], {"timestamp": "2020-01-01T00:00:00Z"}, "bdl-9"),
    ("message", "message", [_entry(N, URN)], {}, "bdl-12"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("kind", "entries", "more", "ident"), [pytest.param(k, e, m, i, id=n) for n, k, e, m, i in BUNDLES]
)
def test_bundle(base: Any, errors: Any, kind: str, entries: list[Any], more: dict[str, Any], ident: str) -> None:
    found = errors(base, {"resourceType": "Bundle", "type": kind, **more, "entry": entries})
    assert (ident in found) if ident else not found, found


@pytest.mark.parametrize("path", sorted((INSTANCES / "valid").glob("*.json")), ids=lambda p: p.stem)
def test_valid_instances(local: Any, errors: Any, path: Path) -> None:
    assert errors(local, path.read_bytes()) == []


@pytest.mark.parametrize("path", sorted((INSTANCES / "invalid").glob("*.json")), ids=lambda p: p.stem)
def test_invalid_instances(local: Any, errors: Any, path: Path) -> None:
    """The file name begins with the invariant, or with `binding`, `cardinality`, … that must be found."""
    kind = path.stem.partition("--")[0]
    found = errors(local, path.read_bytes())
    assert found
    if kind.startswith("bu-"):
        assert kind in found, found


def test_finding_in_words(local: Any, exam: dict[str, Any]) -> None:
    """Place, expectation and hint of a finding; line and column are those of the key in the text."""
    changed = copy.deepcopy(exam)
    number = next(i for i, c in enumerate(changed["component"]) if "valueQuantity" in c)
    changed["component"][number]["valueQuantity"]["code"] = "ml"
    text = json.dumps(changed, indent=2)
    findings = [f for f in local.validate(text.encode(), file="a.json") if f.severity == "error"]
    finding = findings[0]
    assert finding.path == f"Observation.component[{number}].value.ofType(Quantity).code"
    line = text.splitlines()[finding.line - 1]
    assert line[finding.column - 1 :].startswith('"code": "ml"')
    assert "mL" in finding.hint and finding.profile.endswith("bladder-ultrasound-exam") and finding.element
    assert finding.file == "a.json" and finding.resource.startswith("Observation")


@pytest.mark.parametrize(
    ("data", "ident"),
    [
        (b"\xef\xbb\xbf" + b'{"resourceType":"Patient","active":true}', ""),
        ('{"resourceType":"Patient"}'.encode("utf-16"), "json-encoding"),
        (b'{"resourceType":"Patient","id":"\xff"}', "json-encoding"),
        (b'{"resourceType":"Patient"', "json-syntax"),
        (b"", "json-syntax"),
        (b"[" * 1000 + b"]" * 1000, "too-deep"),
        (b"[" * 100_000, "too-deep"),
        (b'{"resourceType":"Patient","contact":' + b"[" * 500 + b"]" * 500 + b"}", "too-deep"),
    ],
    ids=["bom", "utf-16", "not utf-8", "truncated", "empty", "1000 arrays", "open arrays", "500 arrays inside"],
)
def test_bad_input(base: Any, data: bytes, ident: str) -> None:
    findings = base.validate(data)
    assert [f.id for f in findings] == ([ident] if ident else [])
    if ident:
        assert findings[0].severity == "fatal" and "\n" not in findings[0].message
