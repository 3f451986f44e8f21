"""Room `readers`: exam records as JSON (one object or an array) and NDJSON. May import exam, wire."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from typing import IO
from zoneinfo import ZoneInfo

import msgspec

from fhir_bladder import wire
from fhir_bladder.errors import BladderError, InputError, RecordError
from fhir_bladder.readers.items import ReadItem, record_item, refused_item
from fhir_bladder.wire.files import Chained

_BOM = b"\xef\xbb\xbf"
_SLICES = msgspec.json.Decoder(list[msgspec.Raw])


def read_ndjson(file: str, stream: IO[bytes], zone: ZoneInfo | None) -> Iterator[ReadItem]:
    """One record a line."""
    for line in wire.iter_lines(stream):
        if line.too_long:
            error = RecordError(f"a line above {wire.MAX_LINE:,} bytes", "", "write one record a line")
            yield refused_item(file, line.number, line.data, error, id="line-too-long")
        else:
            yield _of_bytes(file, line.number, line.data, zone)


def read_json(file: str, stream: IO[bytes], zone: ZoneInfo | None, *, auto: bool) -> Iterator[ReadItem]:
    """One object, or an array of them. With `auto`, a text whose lines are objects of their own is NDJSON."""
    data = stream.read(wire.MAX_BYTES + 1)
    if auto and _is_ndjson(data):
        yield from read_ndjson(file, io.BufferedReader(Chained(data, stream)), zone)
        return
    if len(data) > wire.MAX_BYTES:
        raise InputError(f"more than {wire.MAX_BYTES:,} bytes of JSON in one piece", file, "write one record a line")
    body = data.removeprefix(_BOM).strip(b" \t\r\n")
    offset = data.find(body[:1]) if body else 0
    first = data.count(b"\n", 0, offset) + 1
    if body.startswith(b"["):
        yield from _of_array(file, first, body, zone)
    elif body:
        item = _of_bytes(file, first, body, zone)
        if item.data is None and item.record is None and item.findings[0].id == "not-json":
            finding = item.findings[0]
            item.error = InputError(finding.message, f"{file} line {finding.line}", finding.hint)
        yield item


def _of_bytes(file: str, line: int, raw: bytes, zone: ZoneInfo | None) -> ReadItem:
    try:
        data = wire.loads(raw)
    except BladderError as error:
        return refused_item(file, line, raw, error, id="not-json")
    return record_item(file, line, raw, data, zone=zone)


def _of_array(file: str, first: int, body: bytes, zone: ZoneInfo | None) -> Iterator[ReadItem]:
    """Each element by its own bytes, so that one bad element does not lose the others."""
    end, line, broken = 0, first, None
    try:
        slices: Iterator[bytes] = iter([bytes(raw) for raw in _SLICES.decode(body)])
    except (msgspec.DecodeError, RecursionError):
        slices = _slices(body)
    while True:
        try:
            raw = next(slices)
        except StopIteration:
            return
        except InputError as error:
            broken = error
            break
        start = body.find(raw, end)
        line += body.count(b"\n", end, start)
        yield _of_bytes(file, line, raw, zone)
        line += raw.count(b"\n")
        end = start + len(raw)
    item = refused_item(file, first, body[end:], broken, id="not-json")
    item.error = InputError(broken.what, f"{file} {broken.where}", broken.remedy)
    yield item


def _slices(body: bytes) -> Iterator[bytes]:
    """Elements of an array that is not wholly JSON (NaN, or broken further on). Raises InputError where it breaks."""
    try:
        text = body.decode("utf-8")
    except UnicodeDecodeError as error:
        raise InputError("not UTF-8", f"byte {error.start + 1}", "save it as UTF-8") from None
    decoder, position = json.JSONDecoder(), 1
    while True:
        while text[position : position + 1] in tuple(" \t\r\n,"):
            position += 1
        if text[position:] == "]":
            return
        try:
            _, end = decoder.raw_decode(text, position)
        except (json.JSONDecodeError, RecursionError) as error:
            where = f"line {text.count(chr(10), 0, position) + 1} column 1"
            if isinstance(error, json.JSONDecodeError):
                where = f"line {error.lineno} column {error.colno}"
            raise InputError("not JSON", where, "write it with a JSON library") from None
        yield text[position:end].encode()
        position = end


def _is_ndjson(data: bytes) -> bool:
    """Whether lines are objects of their own: the first is one and not all, or the whole is none and some line is."""
    lines = data.removeprefix(_BOM).strip().split(b"\n", 1000)
    if len(lines) == 1:
        return False
    if _is_object(lines[0]):
        return True
    if lines[0].startswith(b"[") or _is_value(data):
        return False
    return any(_is_object(line) for line in lines[1:])


def _is_value(data: bytes) -> bool:
    try:
        msgspec.json.decode(data.removeprefix(_BOM), type=msgspec.Raw)
    except (msgspec.DecodeError, RecursionError):
        return False
    return True


def _is_object(line: bytes) -> bool:
    return line.strip().startswith(b"{") and line.strip().endswith(b"}") and _is_value(line.strip())
