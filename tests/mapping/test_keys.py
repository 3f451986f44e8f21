"""The exam key: any serial and number there and back, in searches without escapes; and the ids derived from it."""

from __future__ import annotations

import re
import sys
from urllib.parse import parse_qsl

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhir_bladder.errors import RecordError
from fhir_bladder.mapping import exam_key, is_key, parse_key, split_key, token

make = sys.modules["fhir_bladder_test_strategies"]
ANY = st.text(st.characters(exclude_categories=("Cs",)), min_size=1, max_size=20)


@given(serial=ANY, number=ANY, revision=st.integers(0, 12))
def test_any_serial_and_number_come_back(serial: str, number: str, revision: int) -> None:
    key = exam_key(serial, number, revision)
    assert split_key(key) == (serial, number)
    assert parse_key(key).revision == revision
    assert parse_key(key).exam == key
    assert re.fullmatch(r"[A-Za-z0-9._~%/-]+", key)
    assert parse_key(key + "/scan-volume/2")[3:] == ("scan-volume", 2)
    assert parse_key(key + "/scan-volume/2").exam == key


@given(one=st.tuples(ANY, ANY), other=st.tuples(ANY, ANY))
def test_two_exams_never_share_a_key(one: tuple[str, str], other: tuple[str, str]) -> None:
    assert (exam_key(*one) == exam_key(*other)) is (one == other)


@pytest.mark.parametrize(
    "value", ["", "a", "a/", "/b", "a b/c", "a/b/R1", "a/b/r0", "a/b/volume/0", "a/%zz", "a/b/c/d/e", "ä/b"]
)
def test_what_is_no_key_is_refused(value: str) -> None:
    assert not is_key(value)
    with pytest.raises(RecordError):
        parse_key(value)


def test_bytes_that_are_no_text_are_refused() -> None:
    with pytest.raises(RecordError, match="not an exam key"):
        split_key("a/%FF")


@given(system=make.SYSTEMS, value=ANY)
def test_a_search_by_identifier_says_what_was_meant(system: str, value: str) -> None:
    """Decoded as a server does: the query string first, then FHIR's escapes (R4 search 3.1.1.4)."""
    ((name, decoded),) = parse_qsl(token(system, value), keep_blank_values=True, strict_parsing=True)
    assert name == "identifier"
    parts = re.findall(r"(?:\\.|[^|\\])+|\|", decoded, re.DOTALL)
    bar = parts.index("|")
    left, right = "".join(parts[:bar]), "".join(parts[bar + 1 :])
    assert re.sub(r"\\(.)", r"\1", left, flags=re.DOTALL) == system
    assert re.sub(r"\\(.)", r"\1", right, flags=re.DOTALL) == value
    assert not re.search(r"(?<!\\)(?:\\\\)*[,$]", decoded), "a bare comma would mean: or"


def test_a_search_for_an_encoded_key_is_encoded_once_more() -> None:
    """The key's own per cent signs must reach the server: `%2F` in a key is not a slash."""
    key = exam_key("ward/é", "50 %")
    assert key == "ward%2F%C3%A9/50%20%25"
    ((_, decoded),) = parse_qsl(token("urn:x:keys", key), strict_parsing=True)
    assert decoded == f"urn:x:keys|{key}"
