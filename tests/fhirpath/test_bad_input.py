"""Whatever text and whatever data: a result, or one clear line. No other exception, no output."""

from __future__ import annotations

from types import ModuleType
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from fhir_bladder import fhirpath
from fhir_bladder.errors import BladderError

WORDS = """
name given . ( ) [ ] { } where exists ofType Quantity 'x' 1 1.5 @2013 @T10:00 @2013T day year = != < + - * / div mod & |
and or implies in contains is as $this $index $total %resource %x `div` iif select repeat 'a\\u0041' // /* */ , ~
true false toString() children() descendants() first() not() matches power log
"""
PIECES = st.sampled_from(WORDS.split())
JSON: st.SearchStrategy[Any] = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)


def one_line(run: Any) -> None:
    try:
        run()
    except BladderError as error:
        assert str(error)
        assert "\n" not in str(error)


@given(st.lists(PIECES, max_size=12).map(" ".join) | st.lists(PIECES, max_size=9).map("".join) | st.text(max_size=30))
@example("")
@example("\x00")
@example("((((")
@example("1" * 5000)
@example("'\\u00'")
@example("2.power(1000).power(1000).power(1000)")
@example("'a'.replaceMatches('(', '$9')")
@example("@2013-01-01 + 99999999999 years")
@example("1.round(1000)")
@example("'x'.matches('(a+)+$')")
@example("(-1).exp().exp().exp().exp().exp().exp()")
@example("100000.exp()")
@example("1.5.round(99999999)")
@example("9999999999.power(9999999999)")
def test_any_text(text: str) -> None:
    def run() -> None:
        program = fhirpath.compile(text, "Patient")
        program.evaluate({"resourceType": "Patient", "name": [{"given": ["A", "B"]}], "birthDate": "1970-01-01"})

    one_line(run)


@given(data=st.data(), seed=st.integers(0, 10**9))
def test_any_data(examples: dict[str, dict[str, Any]], expressions: ModuleType, data: st.DataObject, seed: int) -> None:
    """Expressions that fit a resource, over the same resource with some fields replaced by any JSON."""
    name = data.draw(st.sampled_from(["observation-example", "patient-example", "encounter-example"]))
    expression = expressions.Maker(examples[name], seed).expression()
    resource = dict(examples[name])
    for key in data.draw(st.lists(st.sampled_from(sorted(resource)), max_size=4)):
        if key != "resourceType":
            resource[key] = data.draw(JSON)
    one_line(lambda: fhirpath.compile(expression, resource["resourceType"]).evaluate(resource))
    one_line(lambda: fhirpath.compile(expression).evaluate(resource))
    one_line(lambda: fhirpath.compile(expression, resource["resourceType"]).truth(resource))


def test_trace_prints_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    resource = {"resourceType": "Patient", "name": [{"given": ["A"]}]}
    assert fhirpath.compile("name.given.trace('x')", "Patient").evaluate(resource) == ["A"]
    assert fhirpath.compile("name.given.trace('x').count().sum()", "Patient").evaluate(resource) == [1]
    assert capsys.readouterr().out == ""


def test_the_resource_is_not_changed(examples: dict[str, dict[str, Any]]) -> None:
    import copy

    before = copy.deepcopy(examples["patient-example"])
    for expression in ("descendants().count()", "name.given.sum()", "name.select(given | family)"):
        one_line(
            lambda expression=expression: fhirpath.compile(expression, "Patient").evaluate(examples["patient-example"])
        )
    assert examples["patient-example"] == before
