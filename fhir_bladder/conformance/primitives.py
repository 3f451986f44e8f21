"""Room `conformance`: the rules of each FHIR primitive. Belongs here: one value, its type, yes or no and why.

Source: FHIR R4 datatypes (2.24.0.1), the regular expressions given there; whitespace is ASCII whitespace, as the
reference validator takes it. Beyond the expressions: dates exist in the calendar, OIDs and UUIDs behind `urn:` are
well-formed, ids hold at most 64 characters.
"""

from __future__ import annotations

import base64
import binascii
import calendar
import re
from collections.abc import Callable
from decimal import Decimal
from typing import Any

_A = re.ASCII
_YEAR = r"([0-9]([0-9]([0-9][1-9]|[1-9]0)|[1-9]00)|[1-9]000)"
_CLOCK = r"([01][0-9]|2[0-3]):[0-5][0-9]:([0-5][0-9]|60)(\.[0-9]+)?"
_ZONE = r"(Z|[+-]((0[0-9]|1[0-3]):[0-5][0-9]|14:00))"
_MONTH = r"(0[1-9]|1[0-2])"
_DAY = r"(0[1-9]|[12][0-9]|3[01])"

DATE = re.compile(f"{_YEAR}(-{_MONTH}(-{_DAY})?)?", _A).fullmatch
DATETIME = re.compile(f"{_YEAR}(-{_MONTH}(-{_DAY}(T{_CLOCK}{_ZONE})?)?)?", _A).fullmatch
INSTANT = re.compile(f"{_YEAR}-{_MONTH}-{_DAY}T{_CLOCK}{_ZONE}", _A).fullmatch
TIME = re.compile(_CLOCK, _A).fullmatch
CODE = re.compile(r"[^\s]+(\s[^\s]+)*", _A).fullmatch
ID = re.compile(r"[A-Za-z0-9\-.]{1,64}", _A).fullmatch
URI = re.compile(r"\S+", _A).fullmatch
OID = re.compile(r"urn:oid:[0-2](\.(0|[1-9][0-9]*))+", _A).fullmatch
UUID = re.compile(r"urn:uuid:[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}", _A).fullmatch
BASE64 = re.compile(r"[0-9a-zA-Z+/=\s]+", _A).fullmatch
MAX_STRING = 1024 * 1024
_BLANK = " \t\r\n"

EXPECTED = {
    "boolean": "true or false",
    "integer": "a whole number from -2147483648 to 2147483647, without quotes",
    "unsignedInt": "a whole number from 0 to 2147483647, without quotes",
    "positiveInt": "a whole number from 1 to 2147483647, without quotes",
    "decimal": "a number, without quotes",
    "string": "a text with at least one character",
    "markdown": "a text with at least one character",
    "code": "a text without blanks at its ends and without double blanks",
    "id": "1 to 64 of A-Z a-z 0-9 - .",
    "uri": "a URI without blanks",
    "url": "a URL without blanks",
    "canonical": "a canonical URL without blanks",
    "oid": "urn:oid: and an OID",
    "uuid": "urn:uuid: and a lower-case UUID",
    "date": "YYYY, YYYY-MM or YYYY-MM-DD",
    "dateTime": "YYYY, YYYY-MM, YYYY-MM-DD or YYYY-MM-DDThh:mm:ss+zz:zz",
    "instant": "YYYY-MM-DDThh:mm:ss+zz:zz",
    "time": "hh:mm:ss",
    "base64Binary": "base64 text",
    "xhtml": "XHTML in one <div>",
}


def _text(value: str) -> bool:
    return 0 < len(value) <= MAX_STRING


def _uri(value: str) -> bool:
    if URI(value) is None:
        return False
    if value.startswith(("urn:oid:", "urn:uuid:", "oid:", "uuid:")):
        return OID(value) is not None or UUID(value) is not None
    return True


def in_calendar(value: str) -> bool:
    """Whether the day of a date or time that matches its form exists."""
    if len(value) < 10 or value[8:10] <= "28":
        return True
    return int(value[8:10]) <= calendar.monthrange(int(value[:4]), int(value[5:7]))[1]


def _base64(value: str) -> bool:
    if BASE64(value) is None:
        return False
    packed = re.sub(r"\s", "", value)
    if len(packed) % 4:
        return False
    try:
        base64.b64decode(packed, validate=True)
    except (binascii.Error, ValueError):
        return False
    return True


_STRINGS: dict[str, Callable[[str], bool]] = {
    "string": _text,
    "markdown": _text,
    "xhtml": _text,
    "code": lambda v: CODE(v) is not None,
    "id": lambda v: ID(v) is not None,
    "uri": _uri,
    "url": _uri,
    "canonical": _uri,
    "oid": lambda v: OID(v) is not None,
    "uuid": lambda v: UUID(v) is not None,
    "date": lambda v: DATE(v) is not None and in_calendar(v),
    "dateTime": lambda v: DATETIME(v) is not None and in_calendar(v),
    "instant": lambda v: INSTANT(v) is not None and in_calendar(v),
    "time": lambda v: TIME(v) is not None,
    "base64Binary": _base64,
}
_RANGES = {"integer": (-(2**31), 2**31), "unsignedInt": (0, 2**31), "positiveInt": (1, 2**31)}


def valid(type_name: str, value: Any) -> bool:
    """Whether a JSON value (from a parser that keeps int apart from Decimal or float) is a valid `type_name`."""
    check = _STRINGS.get(type_name)
    if check is not None:
        return type(value) is str and check(value)
    if type_name == "boolean":
        return type(value) is bool
    if type_name == "decimal":
        return type(value) in (int, Decimal, float)
    low, high = _RANGES[type_name]
    return type(value) is int and low <= value < high


def json_kind(type_name: str) -> str:
    """`string`, `number` or `boolean`: what JSON must hold for this primitive."""
    return "boolean" if type_name == "boolean" else "string" if type_name in _STRINGS else "number"


def untidy(value: str) -> bool:
    """Whether a text starts or ends with white space, or holds characters that XML cannot carry (a warning)."""
    return value != value.strip(_BLANK) or (not value.isprintable() and _CONTROL(value) is not None)


_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]").search


def odd_year(value: str) -> bool:
    """Whether a date lies outside 1900 to 2100 (a warning; the bounds are ours)."""
    return not "1900" <= value[:4] <= "2100"
