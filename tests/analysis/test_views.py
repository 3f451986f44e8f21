"""Our own tests of the view compiler: each rule of the standard, and the borders of the generated subset."""

# ruff: noqa: E501 - a case a line
from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhir_bladder import fhirpath
from fhir_bladder.analysis import views
from fhir_bladder.errors import BladderError, ConfigError, RecordError, UnsupportedError

Json = dict[str, Any]


def view(*columns: str, **more: Any) -> views.CompiledView:
    made: Json = {
        "resource": "Observation",
        "select": [{"column": [{"name": f"c{n}", "path": p} for n, p in enumerate(columns)]}],
    }
    made.update(more)
    return views.compile(made)


OBSERVATION: Json = {
    "resourceType": "Observation",
    "id": "o1",
    "status": "final",
    "_status": {"extension": [{"url": "urn:why", "valueString": "because"}]},
    "code": {"coding": [{"system": "s", "code": "a"}, {"system": "t", "code": "b"}]},
    "component": [
        {"code": {"coding": [{"system": "s", "code": "x"}]}, "valueQuantity": {"value": Decimal("2.40"), "unit": "mm"}},
        {"code": {"coding": [{"system": "s", "code": "y"}, {"system": "t", "code": "x"}]}, "valueString": "text"},
        {"code": {"coding": [{"system": "s", "code": "x"}]}, "valueInteger": 7},
        {"code": {"text": "no coding"}},
        "not an object",
        {"code": "odd"},
    ],
}


@pytest.mark.parametrize(
    ("path", "expected"),
    [
        ("status", "final"),
        ("Observation.status", "final"),
        ("status.extension('urn:why').value.ofType(string)", "because"),
        ("component.value.ofType(Quantity).value", Decimal("2.40")),
        ("component.value.ofType(Quantity).unit & '!'", "mm!"),
        ("component.where(code.coding.exists(system = 's' and code = 'y')).value", "text"),
        ("component.where(code.coding.where(system = 's' and code = 'y').exists()).value.ofType(string)", "text"),
        ("component.where(code.coding.exists(code = 'x')).count() = 3", True),
        ("component.where(code.coding.exists(system = 't' and code = 'x')).value.ofType(string)", "text"),
        ("component.where(code.coding.exists(system = 'u' and code = 'x')).exists()", False),
        ("component.where(code.coding.exists(code = 'x')).last().value.ofType(integer)", 7),  # the third of three
        ("component.value.ofType(integer) + 1", 8),
        ("component.value.ofType(integer) / 2", Decimal("3.5")),
        ("component.value.ofType(integer) div 2", 3),
        ("component.value.ofType(integer) mod 2", 1),
        ("component.value.ofType(integer) / 0", None),
        ("-component.value.ofType(integer)", -7),
        ("component[1].value.ofType(string)", "text"),
        ("component[99].value.ofType(string)", None),
        ("status = 'final' and id = 'o1'", True),
        ("status = 'final' and nothing = 'o1'", None),
        ("status = 'draft' and nothing = 'o1'", False),
        ("status = 'final' or nothing = 'o1'", True),
        ("status = 'draft' or nothing = 'o1'", None),
        ("status != 'draft'", True),
        ("nothing != 'draft'", None),
        ("(status = 'final').not()", False),
        ("code.coding.code = 'a'", False),  # two items against one (FHIRPath N1, 6.1)
        ("iif(status = 'final', 'yes', 'no')", "yes"),
        ("iif(nothing, 'yes')", None),
        ("{}", None),
        ("'x\\'y'", "x'y"),
        ("status.upper()", "FINAL"),  # the general engine
        ("component.select(value.ofType(string)).first()", "text"),
        ("code.coding.last().code", "b"),
        ("status.replaceMatches('f(.)', '$1$1')", "iinal"),
        ("2.40.toString()", "2.40"),
    ],
)
def test_one_value(path: str, expected: Any) -> None:
    compiled = view(path)
    assert compiled.rows(OBSERVATION) == [(expected,)]
    assert [type(cell) for (cell,) in compiled.rows(OBSERVATION)] == [type(expected)]


def test_decimals_keep_their_digits_through_the_pruned_parser() -> None:
    compiled = view("component.value.ofType(Quantity).value")
    line = b'{"resourceType":"Observation","text":{"div":"x"},"component":[{"valueQuantity":{"value":1.10}}]}'
    reader = compiled.reader()
    [(cell,)] = reader.rows(reader.parse(line))
    assert str(cell) == "1.10"


def test_the_pruned_parser_leaves_the_rest_undecoded() -> None:
    parsed = view("status").reader().parse(b'{"resourceType":"Observation","status":"final","note":[{"text":"long"}]}')
    assert {name: getattr(parsed, name) for name in parsed.__struct_fields__} == {
        "k_resourceType": "Observation",
        "k_status": "final",
    }


def test_other_resources_give_no_row() -> None:
    assert view("status").rows({"resourceType": "Patient", "id": "p"}) == []


@pytest.mark.parametrize(
    ("broken", "words"),
    [
        ({}, "resource"),
        ({"resource": "Observation"}, "select"),
        ({"resource": "Observation", "select": [{}]}, "no column"),
        ({"resource": "Observation", "select": [{"column": [{"name": "1a", "path": "id"}]}]}, "cannot be used"),
        ({"resource": "Observation", "select": [{"column": [{"name": "a"}]}]}, "no path"),
        ({"resource": "Observation", "select": [{"column": [{"name": "a", "path": "id"}, {"name": "a", "path": "id"}]}]}, "twice"),
        ({"resource": "Observation", "select": [{"forEach": "a", "repeat": ["b"], "column": []}]}, "together"),
        ({"resource": "Observation", "select": [{"forEach": 1, "column": [{"name": "a", "path": "id"}]}]}, "not a text"),
        ({"resource": "Observation", "select": [{"repeat": "item", "column": [{"name": "a", "path": "id"}]}]}, "not a list"),
        ({"resource": "Observation", "select": [{"unionAll": []}]}, "unionAll"),
        ({"resource": "Observation", "select": [{"column": [{"name": "a", "path": "id +"}]}]}, "ends too early"),
        ({"resource": "Observation", "select": [{"column": [{"name": "a", "path": "%x"}]}]}, "not defined"),
        ({"resource": "Observation", "select": [{"column": [{"name": "a", "path": "id"}]}], "where": [{}]}, "no path"),
        ({"resource": "Observation", "constant": [{"name": "a", "valueString": "x", "valueCode": "y"}], "select": [{"column": [{"name": "a", "path": "id"}]}]}, "2 values"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_said_with_its_place(broken: Json, words: str) -> None:
    with pytest.raises(ConfigError, match=words) as caught:
        views.compile(broken)
    assert caught.value.remedy or caught.value.where


def test_an_unknown_key_is_refused_by_name() -> None:
    with pytest.raises(UnsupportedError, match="forEech"):
        views.compile({"resource": "Patient", "select": [{"forEech": "name", "column": [{"name": "a", "path": "id"}]}]})


def test_the_place_of_a_bad_path_is_named() -> None:
    with pytest.raises(ConfigError) as caught:
        views.compile({"resource": "Patient", "select": [{"column": [{"name": "a", "path": "id"}]}, {"select": [{"column": [{"name": "b", "path": "@@"}]}]}]})  # fmt: skip
    assert caught.value.where == "select[1].select[0].column[0].path, column 1 of '@@'"


def test_several_values_for_one_column_refuse_the_resource() -> None:
    with pytest.raises(RecordError, match="column c0 has 2 values"):
        view("code.coding.code").rows(OBSERVATION)


def test_a_condition_that_is_not_boolean_refuses_the_resource() -> None:
    with pytest.raises(RecordError, match="not a boolean"):
        view("id", where=[{"path": "status"}]).rows(OBSERVATION)


def test_for_each_or_null_makes_a_blank_row_even_where_its_parts_would_make_none() -> None:
    compiled = views.compile(
        {
            "resource": "Patient",
            "select": [
                {"column": [{"name": "id", "path": "id"}]},
                {
                    "forEachOrNull": "contact",
                    "column": [{"name": "at", "path": "%rowIndex"}, {"name": "family", "path": "name.family"}],
                    "select": [{"forEach": "telecom", "column": [{"name": "phone", "path": "value"}]}],
                },
            ],
        }
    )
    assert compiled.rows({"resourceType": "Patient", "id": "p"}) == [("p", 0, None, None)]
    # a contact without telecom is a contact: it makes no row, and no blank one either
    assert compiled.rows({"resourceType": "Patient", "id": "p", "contact": [{"name": {"family": "F"}}]}) == [
        ("p", 0, None, None)
    ]


def test_generated_code_holds_no_text_of_the_view_but_quoted() -> None:
    evil = "x'] + __import__('os').system('true') + ['"
    compiled = view(f"'{evil.replace(chr(39), chr(92) + chr(39))}'")
    assert compiled.rows(OBSERVATION) == [(evil,)]
    assert "__import__" not in compiled._rows.__globals__["__builtins__"]


def test_deep_nesting_is_refused_not_crashed() -> None:
    with pytest.raises(BladderError):
        view("(" * 3000 + "id" + ")" * 3000)


SUBSET = st.sampled_from(
    [
        "status", "id", "code.coding.code", "component.value.ofType(Quantity).value", "component.value.ofType(string)",
        "component.where(code.coding.exists(system = 's' and code = 'x')).value.ofType(Quantity).value",
        "component.where(value.ofType(Quantity).value > 1).code.coding.code", "component.first().code.coding.first().code",
        "code.coding.exists()", "component.value.ofType(Quantity).empty()", "status = 'final'",
        "extension('u').value.ofType(integer)", "component.value.ofType(Quantity).value.first() + 1",
    ]
)  # fmt: skip
CODING = st.fixed_dictionaries({}, optional={"system": st.sampled_from("st"), "code": st.sampled_from("xyz")})
COMPONENT = st.fixed_dictionaries(
    {},
    optional={
        "code": st.fixed_dictionaries({}, optional={"coding": st.lists(CODING, min_size=1, max_size=3)}),
        "valueQuantity": st.fixed_dictionaries({}, optional={"value": st.integers(0, 3) | st.decimals(0, 3, places=1)}),
        "valueString": st.sampled_from(["a", "b"]),
    },
)
RESOURCE = st.fixed_dictionaries(
    {"resourceType": st.just("Observation")},
    optional={
        "id": st.just("o"),
        "status": st.sampled_from(["final", "amended"]),
        "code": st.fixed_dictionaries({}, optional={"coding": st.lists(CODING, min_size=1, max_size=2)}),
        "component": st.lists(COMPONENT, min_size=1, max_size=4),
        "extension": st.lists(
            st.fixed_dictionaries({"url": st.sampled_from(["u", "v"]), "valueInteger": st.integers(0, 9)}), min_size=1, max_size=2
        ),
    },
)  # fmt: skip


@given(SUBSET, RESOURCE)
def test_the_generated_code_agrees_with_the_general_engine(path: str, resource: Json) -> None:
    """Two engines of different build (code generation here, closures there) as each other's judge."""
    compiled = views.compile(
        {"resource": "Observation", "select": [{"column": [{"name": "c", "path": path, "collection": True}]}]}
    )
    program = fhirpath.compile(path, "Observation")
    try:
        expected = program.evaluate(resource)
    except BladderError:
        with pytest.raises(BladderError):
            compiled.rows(resource)
        return
    [(cell,)] = compiled.rows(resource)
    assert cell == expected


@given(st.text(max_size=40))
def test_any_text_is_a_path_or_refused_in_words(text: str) -> None:
    try:
        views.compile({"resource": "Observation", "select": [{"column": [{"name": "c", "path": text}]}]})
    except BladderError as error:
        assert error.what
