"""Exact JSON: digits kept, malformed text refused with its place. Oracle: Python's own json with Decimal floats."""

from __future__ import annotations

import json
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhir_bladder import wire
from fhir_bladder.errors import InputError

NUMBERS = st.decimals(allow_nan=False, allow_infinity=False, min_value=-(10**12), max_value=10**12, places=4)
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**63), 2**64 - 1) | NUMBERS | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=20,
)


@given(VALUES)
def test_what_is_written_is_read_back_digit_for_digit(value: object) -> None:
    text = wire.dumps(value)
    assert wire.dumps(wire.loads(text)) == text


@given(VALUES, st.sampled_from([None, 1, 4]))
def test_reads_as_the_standard_parser_does(value: object, indent: int | None) -> None:
    text = json.dumps(json.loads(wire.dumps(value), parse_float=str), indent=indent).encode()
    assert wire.loads(text) == json.loads(text, parse_float=Decimal)


def test_trailing_zeros_are_kept() -> None:
    assert wire.dumps(wire.loads(b'{"value": 1.10}')) == b'{"value":1.10}'


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b'{"a":1,"a":2}', "'a' stands twice"),
        (b'{"a":' + b"9" * 5000 + b"}", "number of 5000 characters"),
        (b'{"x":{"a":1,"b":{"c":1,"c":1}}}', "'c' stands twice"),
        (b'{"a":NaN}', "NaN"),
        (b'{"a":-Infinity}', "Infinity"),
        (b'{"a":1e400}', "out of range"),
        (b'{"a":1e-400}', "out of range"),
        (b'{"a":0.' + b"1" * 100 + b"}", "number of 102 characters"),
        (b'{"a":', "line 1 column 6"),
        (b'{"a":1}\n{"b":2}', "line 2 column 1"),
        (b'{"a":"\xff"}', "not UTF-8"),
        ('{"a":1}'.encode("utf-16"), "UTF-16"),
        (b"[" * 1000 + b"]" * 1000, "nested"),
        (b"[" * 150 + b"]" * 150, "150 levels"),
        (b"[" * 100_000, "nested|line 1"),
        (b"", "line 1 column 1"),
        (b"{'a':1}", "line 1 column 2"),
        (b'{"a":01}', "line 1 column 7"),
        (b'{"a":"x\x00"}', "control character"),
    ],
)
def test_refused_with_place(data: bytes, says: str) -> None:
    with pytest.raises(InputError, match=says):
        wire.loads(data)


def test_a_byte_order_mark_is_dropped() -> None:
    assert wire.loads(b'\xef\xbb\xbf{"a":1}') == {"a": 1}


def test_a_text_above_the_limit_is_refused() -> None:
    with pytest.raises(InputError, match="split it"):
        wire.loads(b'"' + b"x" * 100 + b'"', max_bytes=50)
