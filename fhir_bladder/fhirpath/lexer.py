"""Room `fhirpath`: text → tokens."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from fhir_bladder.fhirpath import temporal
from fhir_bladder.fhirpath.problems import ExpressionError

_TOKEN = re.compile(
    r"""
      (?P<space>\s+|//[^\n\r]*|/\*.*?\*/)
    | (?P<time>@T\d{2}(?::\d{2}(?::\d{2}(?:\.\d+)?)?)?)
    | (?P<date>@\d{4}(?:-\d{2}(?:-\d{2})?)?
        (?P<clock>T(?:\d{2}(?::\d{2}(?::\d{2}(?:\.\d+)?)?)?(?:Z|[+-]\d{2}:\d{2})?)?)?)
    | (?P<number>\d+(?:\.\d+)?)
    | (?P<string>'(?:[^'\\]|\\.)*')
    | (?P<quoted>`(?:[^`\\]|\\.)*`)
    | (?P<name>[A-Za-z_][A-Za-z0-9_]*)
    | (?P<variable>\$(?:this|index|total)\b)
    | (?P<external>%(?:[A-Za-z_][A-Za-z0-9_]*|`(?:[^`\\]|\\.)*`|'(?:[^'\\]|\\.)*'))
    | (?P<operator><=|>=|!=|!~|[-+*/&|<>=~.,()\[\]{}])
    """,
    re.VERBOSE | re.DOTALL | re.ASCII,
)
_ESCAPE = re.compile(r"\\(?:u(?P<hex>[0-9A-Fa-f]{4})|(?P<char>.))", re.DOTALL)
_CHARS = {"f": "\f", "n": "\n", "r": "\r", "t": "\t", **{char: char for char in "\\/'\"`"}}


MAX_DIGITS = 64


@dataclass(frozen=True, slots=True)
class Token:
    """`kind`: name, quoted, string, number, temporal, variable, external, operator or end. `at`: 0-based place."""

    kind: str
    value: Any
    at: int


def tokens(text: str) -> list[Token]:
    """All tokens, an end token last. Raises ExpressionError with the place."""
    out: list[Token] = []
    at = 0
    while at < len(text):
        match = _TOKEN.match(text, at)
        if not match or (text.startswith("/*", at) and match.lastgroup == "operator"):
            raise ExpressionError(f"{text[at : at + 10]!r} is not FHIRPath", place(text, at))
        kind = "date" if match["date"] else str(match.lastgroup)
        if kind != "space":
            out.append(_token(kind, match, text))
        at = match.end()
    out.append(Token("end", "", len(text)))
    return out


def place(text: str, at: int) -> str:
    """Where in the expression, for a message."""
    shown = text if len(text) <= 120 else f"… {text[max(0, at - 50) : at + 50]} …"
    return f"column {at + 1} of {shown!r}"


def _token(kind: str, match: re.Match[str], text: str) -> Token:
    word, at = match[0], match.start()
    if kind in ("date", "time"):
        literal = word[1:]
        if kind == "time":
            value = temporal.parse_time(literal[1:])
        else:
            value = temporal.parse_datetime(literal) if match["clock"] else temporal.parse_date(literal)
        if value is None:
            raise ExpressionError(f"{word} is no date or time", place(text, at), "write it by the calendar")
        return Token("temporal", value, at)
    if kind == "number":
        if len(word) > MAX_DIGITS:
            raise ExpressionError(f"a number of {len(word)} digits", place(text[:60], at), f"at most {MAX_DIGITS}")
        return Token(kind, Decimal(word) if "." in word else int(word), at)
    if kind in ("string", "quoted"):
        return Token(kind, _unescaped(word[1:-1], text, at), at)
    if kind == "variable":
        return Token(kind, word[1:], at)
    if kind == "external":
        name = word[1:]
        return Token(kind, name if name[0] not in "`'" else _unescaped(name[1:-1], text, at), at)
    return Token(kind, word, at)


def _unescaped(text: str, whole: str, at: int) -> str:
    if "\\" not in text:
        return text

    def one(match: re.Match[str]) -> str:
        if match["hex"]:
            return chr(int(match["hex"], 16))
        if match["char"] not in _CHARS:
            raise ExpressionError(f"unknown escape \\{match['char']}", place(whole, at), "write \\\\ for a backslash")
        return _CHARS[match["char"]]

    return _ESCAPE.sub(one, text)
