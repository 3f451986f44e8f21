"""The bounded gunzip and the waits, as laws: any cut of the stream gives the same bytes, no cut hides an early end."""

from __future__ import annotations

import email.utils
import gzip
import random
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhir_bladder.exchange.http.limits import BrokenBodyError, LimitError, decoded
from fhir_bladder.exchange.http.retry import Deadline, Retry, retry_after


def cut(data: bytes, seed: int) -> list[bytes]:
    """The data in random pieces, empty ones among them."""
    choice = random.Random(seed)
    pieces = []
    while data:
        size = choice.choice([0, 1, 2, 7, 100, 65536])
        pieces.append(data[:size])
        data = data[size:]
    return pieces


def undone(pieces, encoding="gzip", most=1 << 30, ratio=2000) -> bytes:
    return b"".join(decoded(pieces, encoding, most=most, ratio=ratio))


@given(st.binary(max_size=3000), st.integers(1, 400), st.integers(0, 10**6))
def test_gunzip_gives_what_the_standard_library_gives(data, times, seed):
    packed = gzip.compress(data * times)
    assert undone(cut(packed, seed)) == gzip.decompress(packed) == data * times


@given(st.binary(max_size=500), st.binary(max_size=500), st.integers(0, 10**6))
def test_members_one_after_the_other(one, two, seed):
    # RFC 1952 section 2.2: a gzip file is a series of members
    assert undone(cut(gzip.compress(one) + gzip.compress(two), seed)) == one + two


@given(st.binary(min_size=1, max_size=2000), st.integers(1, 50), st.data())
def test_no_early_end_passes(data, times, draw):
    packed = gzip.compress(data * times)
    end = draw.draw(st.integers(1, len(packed) - 1))
    with pytest.raises(BrokenBodyError):
        undone([packed[:end]])


@given(st.binary(min_size=20, max_size=2000), st.data())
def test_a_flipped_byte_is_seen(data, draw):
    packed = bytearray(gzip.compress(data))
    at = draw.draw(st.integers(10, len(packed) - 1))  # behind the header, whose fields carry no content
    packed[at] ^= 0xFF
    with pytest.raises(BrokenBodyError):
        undone([bytes(packed)])


@pytest.mark.parametrize("size", [100, 65536, 10**7])
def test_bombs_end_early_with_little_memory(size):
    bomb = gzip.compress(b"\0" * 100_000_000)
    taken = 0
    with pytest.raises(LimitError):
        for piece in decoded([bomb[i : i + size] for i in range(0, len(bomb), size)], "gzip", most=1 << 40, ratio=400):
            assert len(piece) <= 256 * 1024
            taken += len(piece)
    assert taken < 50_000_000


def test_limits_hold_for_plain_and_packed():
    with pytest.raises(LimitError):
        undone([b"x" * 600, b"x" * 600], "", most=1000)
    with pytest.raises(LimitError):
        undone([gzip.compress(random.Random(1).randbytes(1200))], most=1000)
    assert len(undone([b"x" * 1000], "", most=1000)) == 1000


@pytest.mark.parametrize("encoding", ["br", "deflate", "zstd", "gzip, gzip", "compress"])
def test_other_codings_are_refused(encoding):
    with pytest.raises(BrokenBodyError):
        undone([zlib.compress(b"x")], encoding)


NOW = 1_793_000_000.0


@pytest.mark.parametrize(
    ("headers", "seconds"),
    [
        ({}, None),
        ({"retry-after": "120"}, 120),
        ({"retry-after": " 0 "}, 0),
        ({"retry-after": "1.5"}, 1.5),
        ({"retry-after": "-5"}, None),
        ({"retry-after": "soon"}, None),
        ({"retry-after": "9" * 40}, None),
        ({"retry-after": "٣"}, None),
        ({"retry-after": email.utils.formatdate(NOW + 90, usegmt=True)}, 90),
        ({"retry-after": email.utils.formatdate(NOW - 90, usegmt=True)}, 0),
        (
            {"retry-after": email.utils.formatdate(990, usegmt=True), "date": email.utils.formatdate(900, usegmt=True)},
            90,
        ),
        # the three forms of RFC 9110 section 5.6.7: IMF-fixdate, RFC 850, asctime
        ({"retry-after": "Sun, 06 Nov 1994 08:49:37 GMT", "date": "Sun, 06 Nov 1994 08:49:07 GMT"}, 30),
        ({"retry-after": "Sunday, 06-Nov-94 08:49:37 GMT", "date": "Sun, 06 Nov 1994 08:49:07 GMT"}, 30),
        ({"retry-after": "Sun Nov  6 08:49:37 1994", "date": "Sun, 06 Nov 1994 08:49:07 GMT"}, 30),
    ],
)
def test_retry_after(headers, seconds):
    assert retry_after(headers, now=NOW) == seconds


@given(st.integers(1, 200), st.floats(0, 10_000), st.integers(0, 2**32))
def test_waits_are_bounded_and_never_shorter_than_asked(attempt, asked, seed):
    retry = Retry(first=0.5, longest=60, random=random.Random(seed))
    assert 0.25 <= retry.wait(attempt) <= 60
    assert retry.wait(attempt, asked) >= asked


def test_deadlines():
    assert Deadline(None).remaining == float("inf")
    assert Deadline(0).passed
    assert Deadline(10).sooner(5).remaining <= 5
    assert Deadline(5).sooner(None).remaining <= 5
