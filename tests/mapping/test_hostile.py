"""FHIR from outside in any state: a problem is told, never a traceback, and the exams beside it still come."""

from __future__ import annotations

import copy
import sys
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhir_bladder import exam, wire
from fhir_bladder.errors import RecordError
from fhir_bladder.mapping import MapOptions, from_fhir, to_fhir

make = sys.modules["fhir_bladder_test_strategies"]
JUNK = st.sampled_from([None, [], {}, 0, -1, True, "", "x", "1E+999999", [[]], [None], {"a": None}, ["x"], [{}]])
SAMPLE = wire.loads(b"""
{"record_version":"1","exam_number":"1","device":{"serial":"S"},"started_at":"2026-11-18T10:42:00Z","synthetic":true,
"void_state":"post-void","voided_volume":{"value":0.2600,"unit":"L"},"earlier_voids":[{"at":"2026-11-18T09:00Z"}],
"patient":{"identifiers":[{"system":"urn:x:mrn","value":"1","type":"MR"}],"given_names":["Demo"]},
"scans":[{"scan_number":1,"volume":{"value":1.10,"unit":"mL"}},{"scan_number":2,"absent_reason":"failed"}],
"wall":{"layer":"whole-wall","thickness":{"value":2.4,"unit":"mm"}},"verified":{"by":"x","at":"2026-11-18T10:44Z"},
"diameters":{"length":{"value":8,"unit":"cm"},"width":{"value":7,"unit":"cm"},"height":{"value":6,"unit":"cm"},
"coefficient":0.520},"action":{"what":"none"}}""")
BUNDLES = {
    shape: wire.loads(wire.dumps(to_fhir(exam.load(SAMPLE), options=MapOptions(shape, "bundles")).bundle))
    for shape in ("panel", "single")
}


def places(value: Any, path: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [path, *(one for step, item in items for one in places(item, (*path, step)))]


PLACES = {shape: places(bundle)[1:] for shape, bundle in BUNDLES.items()}


@pytest.mark.parametrize("shape", ["panel", "single"])
@given(data=st.data())
def test_altered_anywhere(shape: str, data: st.DataObject) -> None:
    bundle = copy.deepcopy(BUNDLES[shape])
    for _ in range(data.draw(st.integers(1, 2))):
        path = data.draw(st.sampled_from(PLACES[shape]))
        parent: Any = bundle
        try:
            for step in path[:-1]:
                parent = parent[step]
            if data.draw(st.booleans()):
                del parent[path[-1]]
            else:
                parent[path[-1]] = copy.deepcopy(data.draw(JUNK))
        except (KeyError, IndexError, TypeError):
            continue
    problems: list[RecordError] = []
    good = to_fhir(exam.load(SAMPLE | {"exam_number": "good"})).observations[0]
    records = list(from_fhir([bundle, good], on_problem=problems.append))
    assert records[-1]["exam_number"] == "good"
    for record in records:
        try:
            exam.load(wire.loads(wire.dumps(record)))
        except RecordError as error:
            assert error.what


@given(junk=st.one_of(JUNK, st.dictionaries(st.sampled_from(["resourceType", "entry", "code", "id"]), JUNK)))
def test_what_is_no_resource(junk: Any) -> None:
    list(from_fhir([junk], on_problem=lambda problem: None))


def test_every_place_gone_or_null_once() -> None:
    """Not left to chance: each single place of both shapes, taken away and set to null."""
    for shape, bundle in BUNDLES.items():
        for path in PLACES[shape]:
            for take_away in (True, False):
                parent = altered = copy.deepcopy(bundle)
                for step in path[:-1]:
                    parent = parent[step]
                if take_away:
                    del parent[path[-1]]
                else:
                    parent[path[-1]] = None
                list(from_fhir([altered], on_problem=lambda problem: None))
