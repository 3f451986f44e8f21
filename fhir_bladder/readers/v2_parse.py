"""Room `readers`: HL7 v2 messages in their encoded form: separators, segments, fields, escapes, character sets.

Own parser, small: the field's libraries take LF messages as one segment or unescape before they split. HL7 v2.5.1
chapter 2 names the rules; nothing here knows what a field means.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from fhir_bladder.errors import RecordError

MAX_MESSAGE = 64 * 1024 * 1024
MAX_FIELD = 10 * 1024 * 1024
MAX_SEGMENTS = 20_000

# Table 0211, as far as Python decodes it without shift states. Without MSH-18 a message is ASCII.
CHARSETS = {
    "": "ascii",
    "ASCII": "ascii",
    "UNICODE UTF-8": "utf-8",
    "UTF-8": "utf-8",
    "GB 18030-2000": "gb18030",
    "BIG-5": "big5",
    "KS X 1001": "euc_kr",
} | {f"8859/{part}": f"iso8859-{part}" for part in (*range(1, 12), 13, 14, 15, 16)}

_SEGMENT_NAME = re.compile(r"[A-Z][A-Z0-9]{2}\Z", re.ASCII)
_HEX = re.compile(r"(?:[0-9A-Fa-f]{2})+\Z", re.ASCII)


class MessageError(RecordError):
    """A message that cannot be read. `segment` (1-based) and `place` (`OBX-5`) tell where."""

    def __init__(self, id: str, what: str, remedy: str, *, segment: int = 0, place: str = "") -> None:
        where = " ".join(part for part in (f"segment {segment}" if segment else "", place) if part)
        super().__init__(what, where, remedy)
        self.id, self.segment, self.place = id, segment, place


class UnsupportedMessage(MessageError):
    """A message type or version that is not taken at all."""


@dataclass(frozen=True, slots=True)
class Separators:
    """Delimiters of one message, from MSH-1 and MSH-2. `truncation` came with 2.7."""

    field: str = "|"
    component: str = "^"
    repetition: str = "~"
    escape: str = "\\"
    subcomponent: str = "&"
    truncation: str = "#"


@dataclass(slots=True)
class Segment:
    """One segment: `fields[n]` is field n as written, `fields[0]` the name. number: 1-based in the message."""

    name: str
    number: int
    fields: list[str]
    separators: Separators
    charset: str
    used: set[int] = field(default_factory=set)
    _read: dict[int, list[list[str]]] = field(default_factory=dict)

    def raw(self, number: int) -> str:
        """A field as written; empty where it is not there. Marks it as used."""
        self.used.add(number)
        return self.fields[number] if number < len(self.fields) else ""

    def repetitions(self, number: int) -> list[list[str]]:
        """A field as repetitions of components, each unescaped; subcomponents stay joined by `&`."""
        raw = self.raw(number)
        if raw in ("", '""'):
            return []
        found = self._read.get(number)
        if found is None:
            found = self._read[number] = [
                [self._component(part) for part in repetition.split(self.separators.component)]
                for repetition in raw.split(self.separators.repetition)
            ]
        return found

    def components(self, number: int) -> list[str]:
        """The first repetition of a field as components."""
        every = self.repetitions(number)
        return every[0] if every else []

    def text(self, number: int, component: int = 1) -> str:
        """One component of the first repetition, unescaped."""
        parts = self.components(number)
        return parts[component - 1] if component <= len(parts) else ""

    def _component(self, part: str) -> str:
        """One component; its subcomponents are kept apart by SUB, a character no text may hold."""
        if self.separators.subcomponent not in part:
            return self.unescape(part)
        return SUB.join(self.unescape(sub) for sub in part.split(self.separators.subcomponent))

    def unescape(self, text: str) -> str:
        """Escape sequences resolved; one that is not known is kept as written."""
        escape = self.separators.escape
        if escape not in text:
            return text
        if f"{escape}{escape}X" in text:  # one character may be spread over several escapes
            e = re.escape(escape)
            text = re.sub(rf"(?<={e}X)((?:[0-9A-Fa-f]{{2}})+){e}{e}X(?=(?:[0-9A-Fa-f]{{2}})+{e})", r"\1", text)
        parts = text.split(escape)
        result, position = [parts[0]], 1
        while position < len(parts):
            if position + 1 >= len(parts):  # an escape character that opens nothing
                result.append(escape + parts[position])
                break
            meaning = self._escaped(parts[position])
            if meaning is None:
                result.append(escape + parts[position])
                position += 1
                continue
            result += [meaning, parts[position + 1]]
            position += 2
        return "".join(result)

    def _escaped(self, name: str) -> str | None:
        s = self.separators
        simple = {"F": s.field, "S": s.component, "T": s.subcomponent, "R": s.repetition, "E": s.escape}
        simple |= {"P": s.truncation, "H": "", "N": "", ".br": "\n", ".nf": "", ".fi": ""}
        if name in simple:
            return simple[name]
        if name.startswith("X") and _HEX.match(name[1:]):
            try:
                return bytes.fromhex(name[1:]).decode(self.charset)
            except UnicodeDecodeError:
                return None  # of no character: kept as written
        if match := re.match(r"\.sp(\d{0,2})\Z", name, re.ASCII):
            return "\n" * int(match[1] or 1)
        return "" if re.match(r"\.(in|ti|sk|ce)[+-]?\d{0,3}\Z", name, re.ASCII) else None


SUB = "\x1f"
"""Keeps unescaped subcomponents apart inside a component."""


def subcomponents(component: str) -> list[str]:
    """Subcomponents of a component as `Segment.components` gives it."""
    return component.split(SUB)


@dataclass(slots=True)
class Message:
    """One message: its segments, the first being MSH."""

    segments: list[Segment]
    separators: Separators
    charset: str

    @property
    def header(self) -> Segment:
        """MSH."""
        return self.segments[0]


def split_segments(data: bytes) -> list[bytes]:
    """Segments of one message. The terminator is CR; LF and CRLF are taken too. Empty ones are left out."""
    return [part for part in data.replace(b"\r\n", b"\r").replace(b"\n", b"\r").split(b"\r") if part.strip(b" \t\x00")]


def separators_of(header: bytes) -> Separators:
    """Separators from the bytes of MSH. Raises MessageError where they are missing or doubled."""
    start = header[3:9].decode("latin-1")
    if not header.startswith(b"MSH") or len(start) < 5:
        raise MessageError("v2-no-header", "the message does not start with MSH", "send whole messages", segment=1)
    codes = header[4:].split(header[3:4], 1)[0].decode("latin-1")
    every = start[0] + codes
    if not 4 <= len(codes) <= 5 or len(set(every)) != len(every) or any(c.isalnum() or c.isspace() for c in every):
        raise MessageError(
            "v2-separators", f"the separators {every[:12]!r} will not do", "five or six different signs, as |^~\\&",
            segment=1, place="MSH-2",
        )  # fmt: skip
    return Separators(start[0], *codes)


def parse(data: bytes) -> Message:
    """Parse one message. Raises MessageError with segment and field; nothing is repaired in silence."""
    if len(data) > MAX_MESSAGE:
        raise MessageError("v2-too-large", f"the message has {len(data):,} bytes", f"at most {MAX_MESSAGE:,} are taken")
    parts = split_segments(data)
    if not parts:
        raise MessageError("v2-no-header", "the message is empty", "send whole messages")
    if len(parts) > MAX_SEGMENTS:
        raise MessageError("v2-too-large", f"the message has {len(parts):,} segments", f"at most {MAX_SEGMENTS:,}")
    separators = separators_of(parts[0])
    mark = separators.field.encode("latin-1")
    _check_bytes(parts, mark)
    header = parts[0].split(mark)
    name = header[17].split(separators.repetition.encode("latin-1"))[0] if len(header) > 17 else b""
    charset = _charset(name.decode("latin-1").strip(), data)
    segments = [_segment(part, number, separators, charset) for number, part in enumerate(parts, 1)]
    return Message(segments, separators, charset)


def _check_bytes(parts: list[bytes], mark: bytes) -> None:
    for number, part in enumerate(parts, 1):
        name = part[:3].decode("latin-1")
        if b"\x00" in part:
            place = f"{name}-{part[: part.index(0)].count(mark)}"
            raise MessageError("v2-nul", "holds a NUL byte", "correct the sender", segment=number, place=place)
        if len(part) > MAX_FIELD:
            for position, value in enumerate(part.split(mark)):
                if len(value) > MAX_FIELD:
                    raise MessageError(
                        "v2-too-large", f"the field has {len(value):,} bytes", f"at most {MAX_FIELD:,} are taken",
                        segment=number, place=f"{name}-{position}",
                    )  # fmt: skip


def _charset(name: str, data: bytes) -> str:
    charset = CHARSETS.get(name)
    if charset is None:
        known = ", ".join(key for key in CHARSETS if key)
        raise MessageError(
            "v2-charset", f"character set {name[:40]!r} is not known", f"use one of {known}", segment=1, place="MSH-18"
        )
    if charset == "ascii" and not data.isascii():
        return "utf-8"  # what most senders mean that say nothing; bytes that are not UTF-8 are refused below
    return charset


def _segment(part: bytes, number: int, separators: Separators, charset: str) -> Segment:
    try:
        text = part.decode(charset)
    except UnicodeDecodeError as error:
        mark = separators.field.encode("latin-1")
        name = part[:3].decode("latin-1")
        place = f"{name}-{part[: error.start].count(mark) + (name == 'MSH')}"
        raise MessageError(
            "v2-charset", f"byte 0x{part[error.start]:02X} is not {charset}", "say the true character set in MSH-18",
            segment=number, place=place,
        ) from None  # fmt: skip
    fields = text.lstrip(" ").split(separators.field)
    if not _SEGMENT_NAME.match(fields[0]):
        raise MessageError(
            "v2-segment", f"{fields[0][:12]!r} is no segment name", "end segments with CR, fields with MSH-1",
            segment=number,
        )  # fmt: skip
    if fields[0] == "MSH":
        fields.insert(1, separators.field)  # MSH-1 is the separator itself
    return Segment(fields[0], number, fields, separators, charset)


@dataclass(frozen=True, slots=True)
class Framed:
    """One message cut out of a file: its bytes, and the 1-based line it starts on; `open` where nothing ends it."""

    data: bytes
    line: int
    open: bool = False


_STARTS = re.compile(rb"(?:^|[\r\n\x0b])[ \t]*(?=(?:MSH|FHS|BHS|BTS|FTS)[^A-Za-z0-9])")


def messages(data: bytes) -> Iterator[Framed]:
    """Messages of a file: one, several, MLLP frames, batches (FHS, BHS and their trailers belong to no message).

    What stands before the first header is given as a piece of its own.
    """
    starts = [match.end() for match in _STARTS.finditer(data)]
    if not starts or data[: starts[0]].strip(b"\x0b\x1c\r\n \t\xef\xbb\xbf"):
        starts.insert(0, 0)
    line, counted = 1, 0
    for start, end in zip(starts, [*starts[1:], len(data)], strict=True):
        between = data[counted:start]
        line, counted = line + between.count(b"\n") + between.count(b"\r") - between.count(b"\r\n"), start
        piece = data[start:end].strip(b"\x0b\x1c\r\n \t")
        if start == 0:
            piece = piece.removeprefix(b"\xef\xbb\xbf")
        if piece and piece[:3] not in (b"FHS", b"BHS", b"BTS", b"FTS"):
            whole = data[start:end].rstrip(b"\x0b \t")  # a frame that follows is no part of it
            yield Framed(piece, line, open=whole[-1:] not in (b"\r", b"\n", b"\x1c"))


def refuse_cut(data: bytes) -> None:
    """Raise MessageError where a message that no CR ends breaks off before the end of a result.

    OBX-11 is required in every version (HL7 v2.3 to 2.8, chapter 7); a result ends with OBX or what belongs to one.
    """
    message = parse(data)
    last = message.segments[-1]
    if last.name in ("MSH", "PID", "PV1", "ORC", "OBR") or (last.name == "OBX" and not last.raw(11)):
        place = "OBX-11" if last.name == "OBX" else last.name
        raise MessageError(
            "v2-cut-off", "the message breaks off here", "send it whole; end every segment with CR",
            segment=last.number, place=place,
        )  # fmt: skip


def batch_counts(data: bytes) -> list[int]:
    """Message counts the trailers of batches state (BTS-1)."""
    return [int(match[1]) for match in re.finditer(rb"(?:^|[\r\n])BTS[^A-Za-z0-9](\d{1,9})", data)]
