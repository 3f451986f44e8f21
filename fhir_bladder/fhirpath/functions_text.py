"""Room `fhirpath`: functions on text. Source: FHIRPath N1 5.6; encode to join from the 2.1 draft the R4 suite names."""

from __future__ import annotations

import base64
import binascii
import html
import json
import re
from functools import lru_cache

from fhir_bladder.errors import UnsupportedError
from fhir_bladder.fhirpath.context import Context, Items, integer, text
from fhir_bladder.fhirpath.problems import EvaluationError
from fhir_bladder.fhirpath.registry import function


@lru_cache(maxsize=256)
def regex(pattern: str) -> re.Pattern[str]:
    """A pattern of the standard (PCRE) for Python's `re`; `.` matches line ends too, classes are ASCII.

    Raises UnsupportedError for what `re` does not read.
    """
    try:
        return re.compile(re.sub(r"\(\?<(?![=!])", "(?P<", pattern).replace(r"\z", r"\Z"), re.DOTALL | re.ASCII)
    except re.error as error:
        raise UnsupportedError(f"regular expression {pattern!r}: {error}", "", "write it in plain PCRE") from None


@function("indexOf", 1)
def _index_of(_: Context, items: Items, part: Items) -> Items:
    whole, wanted = text(items, "indexOf()"), text(part, "indexOf()")
    return [] if whole is None or wanted is None else [whole.find(wanted)]


@function("lastIndexOf", 1)
def _last_index_of(_: Context, items: Items, part: Items) -> Items:
    whole, wanted = text(items, "lastIndexOf()"), text(part, "lastIndexOf()")
    return [] if whole is None or wanted is None else [whole.rfind(wanted)]


@function("substring", 1, 2)
def _substring(_: Context, items: Items, start: Items, length: Items | None = None) -> Items:
    whole, first = text(items, "substring()"), integer(start, "substring()")
    if whole is None or first is None or not 0 <= first < len(whole):
        return []
    if length is None:
        return [whole[first:]]
    count = integer(length, "substring()")
    return [whole[first:]] if count is None else [whole[first : first + max(count, 0)]]


@function("startsWith", 1)
def _starts_with(_: Context, items: Items, part: Items) -> Items:
    whole, wanted = text(items, "startsWith()"), text(part, "startsWith()")
    return [] if whole is None or wanted is None else [whole.startswith(wanted)]


@function("endsWith", 1)
def _ends_with(_: Context, items: Items, part: Items) -> Items:
    whole, wanted = text(items, "endsWith()"), text(part, "endsWith()")
    return [] if whole is None or wanted is None else [whole.endswith(wanted)]


@function("contains", 1)
def _contains(_: Context, items: Items, part: Items) -> Items:
    whole, wanted = text(items, "contains()"), text(part, "contains()")
    return [] if whole is None or wanted is None else [wanted in whole]


@function("upper")
def _upper(_: Context, items: Items) -> Items:
    whole = text(items, "upper()")
    return [] if whole is None else [whole.upper()]


@function("lower")
def _lower(_: Context, items: Items) -> Items:
    whole = text(items, "lower()")
    return [] if whole is None else [whole.lower()]


@function("replace", 2)
def _replace(_: Context, items: Items, pattern: Items, substitution: Items) -> Items:
    whole, old, new = text(items, "replace()"), text(pattern, "replace()"), text(substitution, "replace()")
    return [] if whole is None or old is None or new is None else [whole.replace(old, new)]


@function("matches", 1)
def _matches(_: Context, items: Items, pattern: Items) -> Items:
    whole, wanted = text(items, "matches()"), text(pattern, "matches()")
    return [] if whole is None or wanted is None else [regex(wanted).search(whole) is not None]


@function("matchesFull", 1)
def _matches_full(_: Context, items: Items, pattern: Items) -> Items:
    whole, wanted = text(items, "matchesFull()"), text(pattern, "matchesFull()")
    return [] if whole is None or wanted is None else [regex(wanted).fullmatch(whole) is not None]


@function("replaceMatches", 2)
def _replace_matches(_: Context, items: Items, pattern: Items, substitution: Items) -> Items:
    whole, old = text(items, "replaceMatches()"), text(pattern, "replaceMatches()")
    new = text(substitution, "replaceMatches()")
    if whole is None or old is None or new is None:
        return []
    if old == "":
        return [whole]
    template = re.sub(r"\$\{?(\w+)\}?", r"\\g<\1>", new.replace("\\", r"\\"))
    try:
        return [regex(old).sub(template, whole)]
    except (re.error, IndexError) as error:
        raise EvaluationError(f"substitution {new!r}: {error}", "", "name groups that the pattern has") from None


@function("length")
def _length(_: Context, items: Items) -> Items:
    whole = text(items, "length()")
    return [] if whole is None else [len(whole)]


@function("toChars")
def _to_chars(_: Context, items: Items) -> Items:
    whole = text(items, "toChars()")
    return [] if whole is None else list(whole)


@function("trim")
def _trim(_: Context, items: Items) -> Items:
    whole = text(items, "trim()")
    return [] if whole is None else [whole.strip()]


@function("split", 1)
def _split(_: Context, items: Items, separator: Items) -> Items:
    whole, by = text(items, "split()"), text(separator, "split()")
    if whole is None or by is None:
        return []
    return list(whole) if by == "" else list(whole.split(by))


@function("join", 0, 1)
def _join(_: Context, items: Items, separator: Items | None = None) -> Items:
    by = "" if separator is None else text(separator, "join()") or ""
    words = [text([item], "join()") for item in items]
    return [by.join(word for word in words if word is not None)] if words else []


@function("encode", 1)
def _encode(_: Context, items: Items, form: Items) -> Items:
    whole, kind = text(items, "encode()"), text(form, "encode()")
    if whole is None or kind is None:
        return []
    data = whole.encode()
    if kind == "base64":
        return [base64.b64encode(data).decode()]
    if kind == "urlbase64":
        return [base64.urlsafe_b64encode(data).decode()]
    return [data.hex()] if kind == "hex" else []


@function("decode", 1)
def _decode(_: Context, items: Items, form: Items) -> Items:
    whole, kind = text(items, "decode()"), text(form, "decode()")
    if whole is None or kind not in ("base64", "urlbase64", "hex"):
        return []
    try:
        if kind == "hex":
            return [bytes.fromhex(whole).decode()]
        return [base64.b64decode(whole, b"-_" if kind == "urlbase64" else b"+/", validate=True).decode()]
    except (ValueError, binascii.Error):
        raise EvaluationError(f"text is not {kind}") from None


@function("escape", 1)
def _escape(_: Context, items: Items, form: Items) -> Items:
    whole, kind = text(items, "escape()"), text(form, "escape()")
    if whole is None:
        return []
    if kind == "html":
        return [html.escape(whole)]
    return [json.dumps(whole, ensure_ascii=False)[1:-1]] if kind == "json" else []


@function("unescape", 1)
def _unescape(_: Context, items: Items, form: Items) -> Items:
    whole, kind = text(items, "unescape()"), text(form, "unescape()")
    if whole is None:
        return []
    if kind == "html":
        return [html.unescape(whole)]
    if kind != "json":
        return []
    try:
        return [json.loads(f'"{whole}"', strict=False)]
    except json.JSONDecodeError:
        return [whole] if '"' in whole and "\\" not in whole else []
