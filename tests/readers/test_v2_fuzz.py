"""Messages spoilt anywhere: read or refused with words, never a crash, never a hang. Longer with `-m long`."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fhir_bladder.readers import v2_map
from fhir_bladder.readers.v2_parse import messages
from fhir_bladder.readers.v2_records import header_of, read_message

EXAMPLES = Path(__file__).parents[2] / "examples" / "hl7v2"
SEEDS = [framed.data for path in sorted(EXAMPLES.glob("*.hl7")) for framed in messages(path.read_bytes())]
MAPS = v2_map.load(EXAMPLES / "map.toml")
PIECES = [
    b"|",
    b"^",
    b"~",
    b"\\",
    b"&",
    b"\r",
    b"\n",
    b"\x00",
    b"\x0b",
    b"\x1c",
    b'""',
    b"\xff",
    b"-1",
    b"1e999",
    b"NM",
    b"SN",
    b"CWE",
    b"\\X",
    b"\\E\\",
    b"OBX|",
    b"MSH|^~\\&|",
    b"OBR|",
    b"PRT|",
    b"2026",
    b"+0000",
    b"9" * 80,
]


@st.composite
def spoilt(draw: st.DrawFn) -> bytes:
    data = bytearray(draw(st.sampled_from(SEEDS)))
    for _ in range(draw(st.integers(1, 6))):
        start = draw(st.integers(0, len(data)))
        end = draw(st.integers(start, min(len(data), start + draw(st.sampled_from([0, 1, 5, 400])))))
        data[start:end] = draw(st.sampled_from(PIECES) | st.binary(max_size=4))
    return bytes(data)


def check(data: bytes) -> None:
    started = time.process_time()
    header_of(data)
    items = read_message(data, MAPS)
    assert items
    for item in items:
        assert item.raw == data
        errors = [finding for finding in item.findings if finding.severity in ("error", "fatal")]
        assert bool(errors) == (item.record is None)
        for finding in item.findings:
            assert finding.id and finding.message and finding.hint
            assert "Input should" not in finding.message and "pydantic" not in finding.message
    assert time.process_time() - started < 5


@given(spoilt())
def test_spoilt_messages(data: bytes) -> None:
    check(data)


@pytest.mark.long
@settings(max_examples=20_000)
@given(spoilt())
def test_many_spoilt_messages(data: bytes) -> None:
    check(data)


@pytest.mark.parametrize("seed", range(len(SEEDS)))
def test_truncated_messages(seed: int) -> None:
    for length in range(len(SEEDS[seed])):
        check(SEEDS[seed][:length])


def test_escapes_and_repetitions_cannot_take_long() -> None:
    head = b"MSH|^~\\&|A|B|||20261118104500+0000||ORU^R01|7|P|2.5.1\r"
    check(head + b"OBX|1|ST|" + b"\\" * 300_000)
    check(head + b"OBX|1|ST|" + b"\\X" * 100_000 + b"||" + b"~^&" * 100_000)
    check(head + b"OBR|1||E-1\r" + b"OBX|1|NM|volume^^99FHBLAD||1|mL|||||F|||||||L\r" * 15_000)
