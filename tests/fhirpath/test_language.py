"""The language, case by case, each beside the sentence of the standard it follows (FHIRPath N1 2.0.0 unless named)."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from fhir_bladder import fhirpath, wire
from fhir_bladder.errors import UnsupportedError

PATIENT: dict[str, Any] = {
    "resourceType": "Patient",
    "id": "htest-1",
    "active": True,
    "_gender": {"extension": [{"url": "http://a", "valueCode": "unknown"}]},
    "name": [{"use": "official", "given": ["A", "B"], "family": "Htest-One"}, {"use": "usual", "given": ["A"]}],
    "birthDate": "1970-06",
    "contained": [{"resourceType": "Organization", "id": "o", "name": "Ward"}],
    "managingOrganization": {"reference": "#o"},
    "generalPractitioner": [{"reference": "http://server/fhir/Practitioner/p-1/_history/2"}],
}
OBSERVATION: dict[str, Any] = wire.loads(
    b'{"resourceType":"Observation","status":"final","code":{"coding":[{"system":"s","code":"a"}]},'
    b'"valueQuantity":{"value":1.10,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"},'
    b'"component":[{"code":{"coding":[{"system":"s","code":"b"}]},"valueQuantity":{"value":0.2}},'
    b'{"code":{"coding":[{"system":"s","code":"c"}]},"valueString":"x"}]}'
)

CASES = [
    # 4.5 singleton evaluation, 6.5 boolean logic
    ("name.given.exists() and {}", PATIENT, []),
    ("{} and false", PATIENT, [False]),
    ("{} or true", PATIENT, [True]),
    ("{} implies true", PATIENT, [True]),
    ("true xor {}", PATIENT, []),
    ("active and name.first()", PATIENT, [True]),
    # 5.1 all() of nothing is true; an empty criterion is not true
    ("contact.all(name.exists())", PATIENT, [True]),
    ("name.all(period.start > @2000)", PATIENT, [False]),
    # 6.1 equality: empty where a side is empty, false for other counts, order counts, `~` ignores order and case
    ("name.given = name.given", PATIENT, [True]),
    ("name.given = 'A'", PATIENT, [False]),
    ("name.first().given ~ ('b' | 'a')", PATIENT, [True]),
    ("deceased = true", PATIENT, []),
    # 6.1 and 6.2 partial dates: empty where the precision leaves it open
    ("birthDate < @1970-07", PATIENT, [True]),
    ("birthDate < @1970-06-15", PATIENT, []),
    ("birthDate = @1970-06-15", PATIENT, []),
    ("birthDate = @1971-06-15", PATIENT, [False]),
    ("@2013-04-02T09:00:00Z = @2013-04-02T11:00:00+02:00", PATIENT, [True]),
    ("@2013-04-02T09:00:00 < @2013-04-02T11:00:00+02:00", PATIENT, []),
    ("@2013-04-02T09:00:00 < @2013-04-09T11:00:00+02:00", PATIENT, [True]),
    # 6.6 arithmetic is exact
    ("0.1 + 0.2 = 0.3", PATIENT, [True]),
    ("1.10 = 1.1", PATIENT, [True]),
    ("12345678901234567890.12 + 0.01", PATIENT, [Decimal("12345678901234567890.13")]),
    ("7 div 2 | 7 mod 2", PATIENT, [3, 1]),
    # the grammar wants keywords quoted as names; after a dot nothing else can be meant (R4 Narrative.div)
    ("text.div | text.`div` | text.div.where($this = 'x')", OBSERVATION | {"text": {"div": "x"}}, ["x"]),
    ("1 / 0", PATIENT, []),
    # 6.7 calendar sums
    ("@2024-01-31 + 1 month", PATIENT, ["2024-02-29"]),
    ("@2024-02-29 - 1 year", PATIENT, ["2023-02-28"]),
    ("@T23:30:00 + 1 hour", PATIENT, ["00:30:00"]),
    # R4 "Using FHIRPath": choices, primitive values with extensions only
    ("value.ofType(Quantity).value", OBSERVATION, [Decimal("1.10")]),
    ("value.ofType(string)", OBSERVATION, []),
    ("component.value.ofType(string)", OBSERVATION, ["x"]),
    ("value is Quantity", OBSERVATION, [True]),
    ("value as Period", OBSERVATION, []),
    ("gender.exists()", PATIENT, [True]),
    ("gender.hasValue()", PATIENT, [False]),
    ("gender.extension('http://a').value", PATIENT, ["unknown"]),
    ("gender = 'male'", PATIENT, [False]),
    ("managingOrganization.resolve().name", PATIENT, ["Ward"]),
    ("contained.id | id", PATIENT, ["o", "htest-1"]),
    ("%resource.id & %context.id", PATIENT, ["htest-1htest-1"]),
    ("%`vs-administrative-gender`", PATIENT, ["http://hl7.org/fhir/ValueSet/administrative-gender"]),
    ("Patient.name.use", PATIENT, ["official", "usual"]),
    ("Observation.status", PATIENT, []),
    # SQL on FHIR v2: keys, join, boundaries
    ("getResourceKey()", PATIENT, ["htest-1"]),
    ("generalPractitioner.getReferenceKey(Practitioner)", PATIENT, ["p-1"]),
    ("generalPractitioner.getReferenceKey(Patient)", PATIENT, []),
    ("name.given.join(',')", PATIENT, ["A,B,A"]),
    ("birthDate.lowBoundary() | birthDate.highBoundary()", PATIENT, ["1970-06-01", "1970-06-30"]),
    ("value.ofType(Quantity).value.lowBoundary()", OBSERVATION, [Decimal("1.095")]),
    # quantities with units
    ("value.ofType(Quantity) > 1 'mL'", OBSERVATION, [True]),
    ("value.ofType(Quantity) = 0.0011 'L'", OBSERVATION, [True]),
    ("value.ofType(Quantity) = 1.1 'mm'", OBSERVATION, []),
    ("1 year = 12 months", PATIENT, [True]),
    ("1 year = 1 'a'", PATIENT, []),
    # $index, $total, repeat, iif
    ("name.given.select($index)", PATIENT, [0, 1, 2]),
    ("name.given.aggregate($total & $this, '')", PATIENT, ["ABA"]),
    ("iif(name.count() > 1, 'many', 1 / 'x')", PATIENT, ["many"]),
    ("(1).repeat(iif($this < 5, $this + 1, {}))", PATIENT, [2, 3, 4, 5]),
    ("name.given.distinct()", PATIENT, ["A", "B"]),
    ("type().name", PATIENT, ["Patient"]),
    ("component.code.where(coding.intersect(%resource.code.coding).exists()).empty()", OBSERVATION, [True]),
]


@pytest.mark.parametrize(("expression", "resource", "expected"), CASES, ids=[case[0] for case in CASES])
def test_result(expression: str, resource: dict[str, Any], expected: list[Any]) -> None:
    typed = fhirpath.compile(expression, resource["resourceType"]).evaluate(resource)
    assert typed == expected
    assert [type(item) for item in typed] == [type(item) for item in expected]
    assert fhirpath.compile(expression).evaluate(resource) == expected


def test_obs_7_fires_on_a_repeated_code() -> None:
    rule = fhirpath.compile(
        "value.empty() or component.code.where(coding.intersect(%resource.code.coding).exists()).empty()", "Observation"
    )
    wrong = {
        **OBSERVATION,
        "component": [{"code": {"coding": [{"system": "s", "code": "x"}, {"system": "s", "code": "a"}]}}],
    }
    assert rule.truth(OBSERVATION) is True
    assert rule.truth(wrong) is False


def test_ref_1_looks_at_the_root() -> None:
    rule = fhirpath.compile(
        "reference.startsWith('#').not()"
        " or (reference.substring(1).trace('url') in %rootResource.contained.id.trace('ids'))",
        "Reference",
    )
    assert rule.truth({"reference": "#o"}, PATIENT, PATIENT) is True
    assert rule.truth({"reference": "#x"}, PATIENT, PATIENT) is False
    assert rule.truth({"reference": "#"}, PATIENT, PATIENT) is None  # substring(1) of '#' is empty
    assert rule.truth({"display": "x"}, PATIENT, PATIENT) is None
    inner = PATIENT["contained"][0]
    assert rule.truth({"reference": "#o"}, resource=inner, root=PATIENT) is True


@pytest.mark.parametrize(
    ("expression", "kind", "words"),
    [
        ("name.", fhirpath.ExpressionError, "ends too early"),
        ("name..given", fhirpath.ExpressionError, "column 6"),
        ("'abc", fhirpath.ExpressionError, "column 1"),
        ("name.where()", fhirpath.ExpressionError, "takes 1 arguments"),
        ("@2013-02-30", fhirpath.ExpressionError, "no date or time"),
        ("name.foo()", UnsupportedError, "foo()"),
        ("code.memberOf('http://x')", UnsupportedError, "memberOf()"),
        ("(" * 3000 + "1" + ")" * 3000, fhirpath.ExpressionError, "deep"),
        ("a" + ".a" * 9000, fhirpath.ExpressionError, "deep"),
        ("1" + "+1" * 20000, fhirpath.ExpressionError, "characters"),
    ],
)
def test_refused_when_compiled(expression: str, kind: type[Exception], words: str) -> None:
    with pytest.raises(kind) as caught:
        fhirpath.compile(expression)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    "expression",
    [
        "name.given.single()",
        "name.given < 'B'",
        "active < 5",
        "name.given + 'x'",
        "1 + 'x'",
        "%nobody",
        "name.given.as(string)",
        "gender.is(Nothing)",
        "(1).repeat($this + 1)",
        "value.ofType(Quantity) > 1 'furlong'",
    ],
)
def test_not_evaluable(expression: str) -> None:
    resource = OBSERVATION if expression.startswith("value") else PATIENT
    with pytest.raises((fhirpath.EvaluationError, UnsupportedError)):
        fhirpath.compile(expression).evaluate(resource)


def test_hooks_answer_member_of() -> None:
    asked = []

    def member(item: Any, url: str) -> bool:
        asked.append((item.value, url))
        return item.value == "usual"

    rule = fhirpath.compile("name.where(use.memberOf('http://v')).count()", "Patient", hooks={"memberOf": member})
    assert rule.evaluate(PATIENT) == [1]
    assert asked == [("official", "http://v"), ("usual", "http://v")]


@pytest.mark.parametrize(
    ("expression", "type_name"),
    [("subjekt.exists()", "Observation"), ("valueQuantity.exists()", "Observation"), ("component.kode", "Observation"),
     ("where(start > end)", "Quantity"), ("Patient.name", "Observation")],
)  # fmt: skip
def test_strict_finds_paths_that_never_match(expression: str, type_name: str) -> None:
    with pytest.raises(fhirpath.ExpressionError):
        fhirpath.compile(expression, type_name, strict=True)


def test_constants_of_the_caller() -> None:
    rule = fhirpath.compile("birthDate = %when and name.use.first() = %use", "Patient")
    assert rule.evaluate(PATIENT, env={"when": "1970-06", "use": "official"}) == [True]
    assert rule.evaluate(PATIENT, env={"when": fhirpath.typed("1970-06", "date"), "use": "usual"}) == [False]
    assert fhirpath.compile("%low < 0.3").evaluate({}, env={"low": Decimal("0.25")}) == [True]


def test_floats_count_as_written() -> None:
    """A resource read by a parser with floats gives the same answers."""
    resource = {"resourceType": "Observation", "valueQuantity": {"value": 0.1}}
    assert fhirpath.compile("value.ofType(Quantity).value = 0.1", "Observation").truth(resource) is True
    assert fhirpath.compile("value.ofType(Quantity).value + 0.2 = 0.3", "Observation").truth(resource) is True


def test_hooks_do_not_slow_other_rules() -> None:
    rule = fhirpath.compile("name.exists()", "Patient", hooks={"memberOf": lambda item, url: None})
    assert rule.engine == "direct"
    asks = fhirpath.compile(
        "name.exists() and gender.memberOf('http://v')", "Patient", hooks={"memberOf": lambda *_: True}
    )
    assert asks.engine == "nodes"
    assert asks.truth({"resourceType": "Patient", "gender": "male", "name": [{"text": "x"}]}) is True
    assert asks.truth({"resourceType": "Patient", "name": [{"text": "x"}]}) is None


def test_resources_of_a_bundle_by_type() -> None:
    bundle = {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [{"resource": PATIENT}, {"resource": OBSERVATION}, {"fullUrl": "urn:uuid:1"}],
    }
    for expression, expected in (
        ("entry.resource.ofType(Patient).id", ["htest-1"]),
        ("entry.resource.ofType(Device).count() = 0", [True]),
        ("entry.first().resource.ofType(Patient).name.given.count()", [3]),
        ("entry.first().resource is Patient", [True]),
        ("entry.resource.ofType(DomainResource).count()", [2]),
    ):
        assert fhirpath.compile(expression, "Bundle").evaluate(bundle) == expected
        assert fhirpath.compile(expression).evaluate(bundle) == expected
