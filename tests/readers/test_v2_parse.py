"""The HL7 v2 parser: separators, escapes, character sets, framing; agrees with the public `hl7` parser."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhir_bladder.readers import v2_parse
from fhir_bladder.readers.v2_parse import MessageError, messages, parse, subcomponents

MSH = r"MSH|^~\&|APP|FAC|||20261118104500+0000||ORU^R01|7|P|2.5.1"


def field(text: str, msh: str = MSH, charset: str = "ascii") -> Any:
    """Components of OBX-5 of a message."""
    return parse(f"{msh}\rOBX|1|ST|||{text}".encode(charset)).segments[1].components(5)


# Escapes of HL7 v2.5.1 chapter 2.7
@pytest.mark.parametrize(
    ("escaped", "text"),
    [
        (r"a\F\b", "a|b"), (r"a\S\b", "a^b"), (r"a\T\b", "a&b"), (r"a\R\b", "a~b"), (r"a\E\b", "a\\b"),
        (r"a\.br\b", "a\nb"), (r"a\.sp3\b", "a\n\n\nb"), (r"a\.sp\b", "a\nb"), (r"\H\loud\N\ ", "loud "),
        (r"\X0D0A\ ", "\r\n "), (r"\X41\\X42\ ", "AB "), (r"\.in+4\text", "text"),
        (r"\Zlocal\ ", r"\Zlocal\ "), (r"C:\temp", r"C:\temp"), (r"end\ ", "end\\ "), (r"\X4\x", r"\X4\x"),
        (r"\E\F\E\ ", "\\F\\ "), ("a\\", "a\\"),
    ],
)  # fmt: skip
def test_escapes(escaped: str, text: str) -> None:
    assert field(escaped) == [text]


def test_escapes_do_not_split() -> None:
    assert field(r"a\S\b^c\T\d&e") == ["a^b", f"c&d{v2_parse.SUB}e"]
    assert subcomponents(field(r"a\S\b^c\T\d&e")[1]) == ["c&d", "e"]


def test_custom_separators() -> None:
    message = parse(b"MSH$*!?@$APP$FAC$$$2026$$ORU*R01$7$P$2.5.1\rOBX$1$ST$c*t*s$$a|b^c?S?d*e!f@g")
    assert message.segments[1].repetitions(5) == [["a|b^c*d", "e"], [f"f{v2_parse.SUB}g"]]


@pytest.mark.parametrize(
    ("name", "charset", "text"),
    [
        ("UNICODE UTF-8", "utf-8", "Ärger ☺"), ("8859/1", "latin-1", "Ärger"), ("8859/15", "iso8859-15", "€"),
        ("8859/5", "iso8859-5", "Ж"), ("", "utf-8", "Ärger"), ("ASCII", "ascii", "plain"),
    ],
)  # fmt: skip
def test_character_sets(name: str, charset: str, text: str) -> None:
    assert field(text, f"{MSH}||||||{name}", charset) == [text]


@pytest.mark.parametrize("end", ["\r", "\n", "\r\n", "\r\r", "\r\n\r\n"])
def test_segment_ends(end: str) -> None:
    assert [s.name for s in parse(end.join([MSH, "PID|1", "OBX|1", ""]).encode()).segments] == ["MSH", "PID", "OBX"]


BROKEN = [
    (b"", "v2-no-header", 0, ""),
    (b"PID|1\r" + MSH.encode(), "v2-no-header", 1, ""),
    (b"MSH", "v2-no-header", 1, ""),
    (b"MSH|^~", "v2-no-header", 1, ""),
    (b"MSH|^^\\&|A", "v2-separators", 1, "MSH-2"),
    (b"MSH|^~\\|A|B", "v2-separators", 1, "MSH-2"),
    (b"MSHA^~\\&A", "v2-separators", 1, "MSH-2"),
    (MSH.encode() + b"\robx|1", "v2-segment", 2, ""),
    (MSH.encode() + b"\rOBX^1^NM", "v2-segment", 2, ""),
    (MSH.encode() + b"\rOBX|1|ST|||a\x00b", "v2-nul", 2, "OBX-5"),
    (MSH.encode() + b"||||||UNICODE UTF-8\rPID|||1||M\xfcller", "v2-charset", 2, "PID-5"),
    (MSH.encode() + b"\rPID|||1||M\xfcller", "v2-charset", 2, "PID-5"),
    (MSH.encode() + b"||||||8859/12", "v2-charset", 1, "MSH-18"),
    (MSH.encode() + b"\rOBX|1|ST|||" + b"x" * (50 << 20), "v2-too-large", 2, "OBX-5"),
    (MSH.encode() + b"\rZZZ|1" * 20_001, "v2-too-large", 0, ""),
]


@pytest.mark.parametrize(("data", "id", "segment", "place"), BROKEN, ids=[f"{i}-{b[1]}" for i, b in enumerate(BROKEN)])
def test_broken_messages_name_segment_and_field(data: bytes, id: str, segment: int, place: str) -> None:
    with pytest.raises(MessageError) as caught:
        parse(data)
    assert (caught.value.id, caught.value.segment, caught.value.place) == (id, segment, place)
    assert caught.value.remedy and len(str(caught.value)) < 300


def test_files_of_messages() -> None:
    one = MSH.encode() + b"\rOBX|1"
    assert [f.data for f in messages(one)] == [one]
    assert [(f.data, f.line) for f in messages(one + b"\r" + one + b"\r\n")] == [(one, 1), (one, 3)]
    mllp = b"\x0b" + one + b"\r\x1c\r"
    assert [f.data for f in messages(mllp + mllp)] == [one, one]
    batch = b"FHS|^~\\&\rBHS|^~\\&\r" + one + b"\r" + one + b"\rBTS|2\rFTS|1\r"
    assert [f.data for f in messages(batch)] == [one, one]
    assert v2_parse.batch_counts(batch) == [2]
    assert [f.data for f in messages(b"rubbish\n" + one)] == [b"rubbish", one]
    assert list(messages(b"")) == []
    assert [f.data for f in messages(b"\xef\xbb\xbf" + one)] == [one]


# -- the public parser `hl7` as an independent judge

PLAIN = st.text("abcXYZ 019.-_äÖ", max_size=8)
COMPONENTS = st.lists(PLAIN, min_size=1, max_size=4).map("^".join)
FIELDS = st.lists(COMPONENTS, min_size=1, max_size=2).map("~".join)
SEGMENTS = st.tuples(st.sampled_from(["PID", "PV1", "OBR", "OBX", "ZKX"]), st.lists(FIELDS, min_size=1, max_size=8))


@given(st.lists(SEGMENTS, min_size=1, max_size=5))
def test_agrees_with_the_public_parser(segments: list[tuple[str, list[str]]]) -> None:
    hl7 = pytest.importorskip("hl7", reason="the public HL7 parser is not installed")
    text = "\r".join([MSH, *("|".join([name, *fields]) for name, fields in segments)]) + "\r"
    theirs, ours = hl7.parse(text), parse(text.encode())
    assert len(theirs) == len(ours.segments)
    for their, our in zip(theirs, ours.segments, strict=True):
        assert str(their[0]) == our.name
        assert len(their) == len(our.fields)
        for number in range(3, len(our.fields)):
            mine = [[part.strip() for part in repetition] for repetition in our.repetitions(number)]
            every = [r if isinstance(r, hl7.Repetition) else [r] for r in their[number]]
            theirs_read = [[str(part).strip() for part in repetition] for repetition in every]  # it strips the message
            assert (mine or [[""]]) == theirs_read


@given(st.text(st.characters(codec="ascii", exclude_characters="\x00"), max_size=30))
def test_escaping_agrees_with_the_public_parser(text: str) -> None:
    hl7 = pytest.importorskip("hl7", reason="the public HL7 parser is not installed")
    message = hl7.parse(MSH + "\r")
    if set(text) & set("\r\n\x0b\x1c\x1f") or any(ord(c) < 32 for c in text):
        return
    escaped = message.escape(text)
    assert field(escaped) == ([text] if text else [])


@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused(data: bytes) -> None:
    for candidate in (data, MSH.encode() + b"\r" + data, b"MSH" + data):
        for framed in messages(candidate):
            try:
                parse(framed.data)
            except MessageError as error:
                assert str(error)


@pytest.mark.parametrize(
    ("escaped", "text"),
    [(r"M\XC3\\XBC\ller", "Müller"), (r"M\XC3BC\\X41\ ", "MüA "), (r"M\XC3\ ", r"M\XC3\ "), (r"\X41\\E\X", "A\\X")],
)
def test_a_character_spread_over_hexadecimal_escapes(escaped: str, text: str) -> None:
    """HL7 v2.5.1, 2.7: such an escape carries bytes; some senders escape each byte of a character by itself."""
    assert field(escaped, MSH + "||||||UNICODE UTF-8", "utf-8") == [text]
