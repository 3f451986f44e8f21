"""The direct engine gives what the general engine gives: every R4 invariant on every element of the R4 examples.

Whole examples first, then examples broken at random: fields dropped, retyped, nulled, given `_field` siblings.
"""

from __future__ import annotations

import copy
import json
import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhir_bladder import fhirpath
from fhir_bladder.errors import BladderError
from fhir_bladder.fhirpath import direct
from fhir_bladder.fhirpath.context import truth
from fhir_bladder.fhirpath.nodes import Node, children, typed
from fhir_bladder.fhirpath.parser import parse

RULES: dict[str, dict[str, str]] = json.loads(Path(__file__).with_name("invariants.json").read_text())["types"]


def nodes(node: Node) -> Iterator[Node]:
    yield node
    for child in children(node):
        yield from nodes(child)


def asked(example: dict[str, Any]) -> Iterator[tuple[str, str, Node]]:
    """Key, expression and node of every rule that applies somewhere in the resource."""
    for node in nodes(typed(example)):
        for expression, key in RULES.get(node.type, {}).items():
            yield key, expression, node


def both(expression: str, node: Node, resource: Any) -> tuple[Any, Any]:
    program = fhirpath.compile(expression, node.type)
    about = node.value if isinstance(node.value, dict) and "resourceType" in node.value else resource
    quick = program.truth(node.value, about, resource, **({"sibling": node.sibling} if node.sibling else {}))
    slow = truth(program.items(node, resource=about, root=resource))
    return quick, slow


def test_examples(examples: dict[str, dict[str, Any]]) -> None:
    counted = 0
    for name, example in examples.items():
        for key, expression, node in asked(example):
            quick, slow = both(expression, node, example)
            assert quick == slow, (name, key, node)
            counted += 1
    assert counted > 9_000


def test_valid_examples_need_no_general_engine(
    examples: dict[str, dict[str, Any]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The code is really run: on data without `_field` siblings nothing falls back."""

    def refuse(self: fhirpath.Program, node: Any, **_: Any) -> list[Any]:
        raise AssertionError(f"{self.expression} of {self.type_name} left the direct engine")

    monkeypatch.setattr(fhirpath.Program, "items", refuse)
    for name in ("observation-example", "bundle-questionnaire", "encounter-example", "organization-1"):
        for key, expression, node in asked(examples[name]):
            program = fhirpath.compile(expression, node.type)
            if program.engine == "direct" and key not in ("per-1", "ref-1"):
                about = node.value if isinstance(node.value, dict) and "resourceType" in node.value else examples[name]
                program.truth(node.value, about, examples[name])


def broken(example: Any, seed: int) -> Any:
    """A few random faults, in place of a copy."""
    rng = random.Random(seed)
    made = copy.deepcopy(example)
    for _ in range(rng.randint(1, 4)):
        places = [node.value for node in nodes(typed(made)) if isinstance(node.value, dict) and node.value]
        place = rng.choice(places)
        key = rng.choice(sorted(place))
        fault = rng.randint(0, 6)
        if fault == 0:
            del place[key]
        elif fault == 1:
            place["_" + key.lstrip("_")] = {"extension": [{"url": "http://a", "valueCode": "unknown"}]}
        elif fault == 2:
            place["_" + key.lstrip("_")] = place.pop(key) if key.startswith("_") else {"id": "x"}
        elif fault == 3 and isinstance(place[key], list):
            place[key] = place[key][0] if place[key] else "x"
        elif fault == 4 and isinstance(place[key], str):
            place[key] = rng.choice([5, True, "", "#", "2013-04-02", {"a": 1}])
        elif fault == 5:
            other = rng.choice(places)
            word = rng.choice(sorted(other))
            place[word] = copy.deepcopy(other[word])
        else:
            place.setdefault("extension", []) if isinstance(place.get("extension", []), list) else None
    return made


@given(seed=st.integers(0, 10**9), data=st.data())
def test_broken_examples(examples: dict[str, dict[str, Any]], seed: int, data: st.DataObject) -> None:
    name = data.draw(
        st.sampled_from(
            [
                "observation-example",
                "patient-example",
                "encounter-example",
                "diagnosticreport-example",
                "bundle-questionnaire",
                "parameters-example",
                "practitionerrole-example",
                "devicemetric-example",
                "operationoutcome-example",
                "location-example",
            ]
        )
    )
    try:
        made = broken(examples[name], seed)
    except (AttributeError, TypeError):
        return  # a second fault met a first one
    for key, expression, node in asked(made):
        try:
            slow = truth(fhirpath.compile(expression, node.type).items(node, resource=made, root=made))
        except BladderError:
            continue  # not evaluable on these data, whatever the quick way says
        program = fhirpath.compile(expression, node.type)
        quick = program.truth(node.value, made, made, **({"sibling": node.sibling} if node.sibling else {}))
        assert quick == slow, (name, key, expression, node)


def test_a_wrong_direct_answer_is_noticed(examples: dict[str, dict[str, Any]]) -> None:
    """Positive control: the comparison above sees a difference."""
    tree = parse("dataAbsentReason.empty() or value.exists()")
    run, _, _ = direct.write(tree, "Observation")
    example = {**examples["observation-example"], "dataAbsentReason": {"text": "x"}}
    right = fhirpath.compile("dataAbsentReason.empty() or value.empty()", "Observation")
    assert run(example, example, example) is not truth(right.items(example))


def test_share_written_directly_is_what_the_page_says() -> None:
    pairs = [(kind, expression) for kind, rules in RULES.items() for expression in rules]
    written = sum(fhirpath.compile(expression, kind).engine == "direct" for kind, expression in pairs)
    page = (Path(__file__).parents[2] / "docs" / "fhirpath.md").read_text()
    assert f"{written:,} of the {len(pairs):,} pairs" in page
