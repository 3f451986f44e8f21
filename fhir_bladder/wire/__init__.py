"""Room `wire`: JSON bytes to Python and back with every digit kept, and the limits on what comes from outside.

Like `errors`, every room may import it; it imports only `errors`. Numbers with a fraction or an exponent become
`Decimal` with the digits as written; integers become `int`. FHIR makes precision significant (R4, decimal datatype).
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import IO, Any

import msgspec

from fhir_bladder.errors import InputError

MAX_BYTES = 64 * 1024 * 1024
MAX_LINE = 16 * 1024 * 1024
MAX_DEPTH = 100
MAX_NUMBER_LENGTH = 64
"""Longest number text taken; FHIR asks for 18 digits, a longer run is an error or an attack."""

_MAX_INTEGER_LENGTH = 4_300  # what Python reads; rooms set narrower limits of their own
_BOM = b"\xef\xbb\xbf"


def decimal(text: str) -> Decimal:
    """A JSON number with a fraction or an exponent, digits as written. Raises ValueError for one out of range."""
    if len(text) > MAX_NUMBER_LENGTH:
        raise ValueError(f"number of {len(text)} characters")
    value = Decimal(text)
    if value and not -300 < value.adjusted() < 300:
        raise ValueError(f"number {text} is out of range")
    return value


def _integer(text: str) -> int:
    if len(text) > _MAX_INTEGER_LENGTH:
        raise ValueError(f"number of {len(text)} characters")
    return int(text)


_DECODER = msgspec.json.Decoder(float_hook=decimal)
_ENCODER = msgspec.json.Encoder(decimal_format="number")


def dumps(value: Any) -> bytes:
    """Compact JSON; `Decimal` is written digit for digit (`Decimal("1.10")` as `1.10`)."""
    return _ENCODER.encode(value)


def loads(data: bytes, *, max_bytes: int = MAX_BYTES, max_depth: int = MAX_DEPTH) -> Any:
    """Parse one JSON text, decimals exact. A leading UTF-8 byte order mark is dropped.

    Raises InputError with line and column for malformed JSON, duplicate keys, NaN or Infinity, numbers out of range,
    other encodings, nesting or size above the limits.
    """
    if len(data) > max_bytes:
        raise InputError(f"{len(data):,} bytes of JSON in one piece", "", f"split it: at most {max_bytes:,} are taken")
    if data.startswith(_BOM):
        data = data[3:]
    if data[:2] in (b"\xff\xfe", b"\xfe\xff") or data[1:2] == b"\x00":
        raise InputError("text is UTF-16 or UTF-32", "byte 1", "save it as UTF-8")
    try:
        value = _DECODER.decode(data)
    except RecursionError:
        raise InputError("nested too deep", "", f"at most {max_depth} levels are taken") from None
    except (msgspec.DecodeError, UnicodeDecodeError, ValueError, InvalidOperation) as error:
        raise _explained(data, error, max_depth) from None
    if data.count(b"[") + data.count(b"{") > max_depth and (depth := _depth(value)) > max_depth:
        raise InputError(f"nested {depth} levels deep", "", f"at most {max_depth} are taken")
    if dumps(value) != data:
        _check_slowly(data, max_depth)
    return value


def _depth(value: Any) -> int:
    """Nesting of parsed JSON, level by level, without recursion."""
    depth, level = 0, [value]
    while level := [item for item in level if isinstance(item, dict | list)]:
        depth += 1
        level = [child for item in level for child in (item.values() if isinstance(item, dict) else item)]
    return depth


def _explained(data: bytes, error: Exception, max_depth: int) -> InputError:
    """The same failure with line and column, from the standard parser."""
    try:
        _check_slowly(data, max_depth)
    except InputError as explained:
        return explained
    return InputError(f"not readable as JSON: {error}", "", "write it with a JSON library")


def _check_slowly(data: bytes, max_depth: int) -> None:
    """Find duplicate keys and NaN, with the place; only for text that is not byte for byte our own compact form."""
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise InputError("not UTF-8", f"byte {error.start + 1}", "save it as UTF-8") from None
    try:
        json.loads(
            text, object_pairs_hook=_unique, parse_constant=_refuse_constant, parse_float=decimal, parse_int=_integer
        )
    except json.JSONDecodeError as error:
        raise InputError(
            f"not JSON: {error.msg[:1].lower()}{error.msg[1:]}",
            f"line {error.lineno} column {error.colno}",
            "write it with a JSON library",
        ) from None
    except RecursionError:
        raise InputError("nested too deep", "", f"at most {max_depth} levels are taken") from None
    except ValueError as error:
        raise InputError(str(error), "", "correct the source of the file") from None


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    result = dict(pairs)
    if len(result) != len(pairs):
        seen: set[str] = set()
        for key, _ in pairs:
            if key in seen:
                raise ValueError(f"key {key[:80]!r} stands twice in one object")
            seen.add(key)
    return result


def _refuse_constant(name: str) -> Any:
    raise ValueError(f"{name} is not a number that JSON knows")


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a text stream: 1-based number, bytes without the line end; `too_long` where it passed the limit."""

    number: int
    data: bytes
    too_long: bool = False


def iter_lines(stream: IO[bytes], *, max_line: int = MAX_LINE) -> Iterator[Line]:
    """Lines of an NDJSON stream with bounded memory; blank lines are left out, a byte order mark is dropped.

    A line above `max_line` bytes is reported once, with its first 80 bytes, and skipped to its end.
    """
    number = 0
    while True:
        data = stream.readline(max_line + 2)
        if not data:
            return
        number += 1
        if number == 1 and data.startswith(_BOM):
            data = data[3:]
        if len(data.rstrip(b"\r\n")) > max_line:
            head = data[:80]
            while data and not data.endswith(b"\n"):
                data = stream.readline(max_line)
            yield Line(number, head, too_long=True)
            continue
        stripped = data.strip(b" \t\r\n")
        if stripped:
            yield Line(number, stripped)
