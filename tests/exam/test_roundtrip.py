"""Any valid record comes back as written: dump(load(x)) equals x, digits, units and times as text."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from types import UnionType
from typing import Any, Literal, Union, get_args, get_origin

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel

from fhir_bladder import wire
from fhir_bladder.exam import RefusedRecord, dump, load, notes, same
from fhir_bladder.exam.model import ExamRecord, Identifier, Quantity
from fhir_bladder.exam.problems import part_of
from fhir_bladder.terminology import units

DIGITS = st.from_regex(r"(0|[1-9][0-9]{0,3})(\.[0-9]{1,4})?", fullmatch=True)
NUMBERS = DIGITS.map(lambda text: wire.loads(text.encode()))
TEXTS = st.text(st.characters(min_codepoint=32, exclude_categories=("Cs", "Cc")), max_size=12).map(
    lambda text: text if text.strip() else "–"
)
TIMES = st.builds(
    "{:%Y-%m-%dT%H:%M}{}{}".format,
    st.datetimes(dt.datetime(1900, 1, 1), dt.datetime(2199, 12, 31)),
    st.sampled_from(["", ":00", ":59", ":07.5", ":07.250"]),
    st.sampled_from(["Z", "+00:00", "-03:30", "+14:00"]),
)


def leaf(annotation: Any, name: str) -> st.SearchStrategy[Any]:
    if get_origin(annotation) is Literal:
        return st.sampled_from(get_args(annotation))
    if name in ("birth_date", "calibrated_on"):
        return st.sampled_from(["1951", "1951-03", "1951-03-09"])
    if name == "system":
        return TEXTS.map(lambda text: "urn:x:" + "".join(text.split()) + "1")
    return {str: TEXTS, bool: st.booleans(), int: st.integers(1, 99), Decimal: NUMBERS}.get(annotation, TIMES)


def value_of(annotation: Any, name: str) -> st.SearchStrategy[Any]:
    if get_origin(annotation) in (Union, UnionType):
        annotation = next(option for option in get_args(annotation) if option is not type(None))
    annotation = getattr(annotation, "__origin__", annotation) if hasattr(annotation, "__metadata__") else annotation
    part = part_of(annotation)
    if get_origin(annotation) is tuple:
        inner = get_args(annotation)[0]
        inner = inner if get_origin(inner) is Literal else getattr(inner, "__origin__", inner)
        return st.lists(part_strategy(part) if part else leaf(inner, name), max_size=3)
    return part_strategy(part) if part else leaf(annotation, name)


@st.composite
def part_strategy(draw: st.DrawFn, model: type[BaseModel]) -> dict[str, Any]:
    if issubclass(model, Quantity):
        codes = units.units_of(model.kind)
        unit = st.sampled_from(codes + [alias for alias, code in units.ALIASES.items() if code in codes])
        return {"value": draw(NUMBERS), "unit": draw(unit)}
    result = {}
    for name, field in model.model_fields.items():
        if field.is_required() or issubclass(model, Identifier) or draw(st.booleans()):
            result[name] = draw(value_of(field.annotation, name))
    return result


@st.composite
def records(draw: st.DrawFn) -> dict[str, Any]:
    data = draw(part_strategy(ExamRecord))
    data["record_version"] = "1"
    data["scans"] = data.get("scans") or [{}]
    for number, scan in enumerate(data["scans"], 1):
        scan["scan_number"] = number
        scan.pop("absent_reason", None)
        scan.setdefault("volume", {"value": 1, "unit": "mL"})
        if draw(st.booleans()):
            scan["volume"]["comparator"] = draw(st.sampled_from("<>"))
        elif draw(st.booleans()):
            del scan["volume"]
            scan["absent_reason"] = draw(st.sampled_from(["not-seen", "failed", "refused"]))
    if data.get("supersedes") == data["exam_number"]:
        del data["supersedes"]  # refused: an exam does not supersede itself
    data.pop("choice_rule", None)
    data["reported_scan"] = draw(st.sampled_from([None, *range(1, len(data["scans"]) + 1)]))
    return data


def without_nothing(value: Any) -> Any:
    """The record without null, empty lists and objects that say nothing."""
    if isinstance(value, dict):
        return {key: kept for key, item in value.items() if (kept := without_nothing(item)) not in (None, [], {})}
    return [without_nothing(item) for item in value] if isinstance(value, list) else value


@given(records())
def test_what_is_loaded_is_dumped_as_written(data: dict[str, Any]) -> None:
    record = load(data)
    written = wire.loads(wire.dumps(dump(record)))
    assert written == without_nothing(data)
    assert wire.dumps(dump(load(written))) == wire.dumps(dump(record))
    assert same(load(written), record)
    notes(record)


SCALARS = st.none() | st.booleans() | st.integers() | st.text() | st.floats()
KEYS = st.sampled_from([*ExamRecord.model_fields, "value", "unit", "serial", "scan_number", "x"])


@given(st.recursive(SCALARS, lambda inner: st.lists(inner) | st.dictionaries(KEYS, inner)))
def test_nothing_crashes_the_reader(data: Any) -> None:
    with pytest.raises(RefusedRecord) as caught:
        load(data)
    assert str(caught.value)
    assert caught.value.problems


@given(records(), st.data())
def test_a_record_spoilt_anywhere_is_refused_with_a_place(data: dict[str, Any], choose: st.DataObject) -> None:
    places = [(data, key) for key in data] + [(scan, key) for scan in data["scans"] for key in scan]
    holder, key = choose.draw(st.sampled_from(places))
    holder[key] = choose.draw(st.sampled_from([[[]], {"odd": 1}, "\x01", Decimal("NaN")]))
    with pytest.raises(RefusedRecord) as caught:
        load(data)
    assert all(problem.field for problem in caught.value.problems)
