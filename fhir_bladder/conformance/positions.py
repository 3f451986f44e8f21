"""Room `conformance`: line and column of a JSON path in the source text. Belongs here: finding places, no judging."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence

import msgspec

_BLANK = re.compile(r"[ \t\n\r]*").match
_WHITE = frozenset(" \t\n\r")
_DECODER = json.JSONDecoder(strict=False)
_SCAN = json.decoder.scanstring  # type: ignore[attr-defined] # the C scanner of the standard library
_PARTS = msgspec.json.Decoder(dict[str, msgspec.Raw]).decode
Step = str | int


class Places:
    """Places in one JSON text. Built only when there is something to report; children are scanned on demand."""

    def __init__(self, text: str) -> None:
        self.text = text
        self._lines: list[int] | None = None
        self._objects: dict[int, tuple[dict[str, tuple[int, int]], int]] = {}
        self._arrays: dict[int, list[int]] = {}
        self._top = _BLANK(text, 0).end()  # type: ignore[union-attr]

    def of(self, path: Sequence[Step]) -> tuple[int, int]:
        """1-based line and column of the key or array item a path leads to; of the nearest place above where absent."""
        shown = at = self._top
        try:
            for step in path:
                if isinstance(step, str):
                    found = self._member(at, step)
                    if found is None:
                        break
                    shown, at = found
                else:
                    items = self._array(at)
                    if step >= len(items):
                        break
                    shown = at = items[step]
        except (ValueError, RecursionError):
            pass
        return self.line_column(shown)

    def line_column(self, offset: int) -> tuple[int, int]:
        """1-based line and column of a character offset."""
        before = self.text.count("\n", 0, offset)
        return before + 1, offset - self.text.rfind("\n", 0, offset)

    def _skip(self, at: int) -> int:
        if self.text[at : at + 1] not in _WHITE:
            return at
        return _BLANK(self.text, at).end()  # type: ignore[union-attr]

    def _member(self, at: int, key: str) -> tuple[int, int] | None:
        """(place of the key, place of its value) in the object at `at`; scans no further than it must."""
        found, here = self._objects.get(at, ({}, -1))
        if key in found:
            return found[key]
        text = self.text
        if here == -1 and at == self._top and (top := self._split(at)) is not None:
            self._objects[at] = top, len(text)
            return top.get(key)
        if here < -1:
            here = self._next(-here - 2)
        elif here == -1:
            here = self._skip(at + 1) if text[at : at + 1] == "{" else len(text)
        while key not in found and text[here : here + 1] == '"':
            name, end = _SCAN(text, here + 1, False)
            value = self._skip(self._skip(end) + 1)
            found.setdefault(name, (here, value))
            if name == key:
                self._objects[at] = found, -value - 2  # go on after this value, if more is asked
                return found[key]
            here = self._next(value)
        self._objects[at] = found, here
        return found.get(key)

    def _split(self, at: int) -> dict[str, tuple[int, int]] | None:
        """All keys of the object that is the whole text, without parsing their values; None where that fails."""
        text = self.text
        try:
            parts = _PARTS(text)
        except (msgspec.DecodeError, RecursionError):
            return None
        plain = text.isascii()
        found: dict[str, tuple[int, int]] = {}
        here = self._skip(at + 1)
        sizes = [len(memoryview(raw)) if plain else len(str(raw, "utf-8")) for raw in parts.values()]
        tight = at + 1 + sum(sizes) + sum(map(len, parts)) + 4 * len(sizes) == len(text)  # no blanks, no lost key
        for key, size in zip(parts, sizes, strict=True):
            end = here + len(key) + 2
            if text[here:end] != f'"{key}"':
                return None  # written with escapes, or a key that stands twice
            value = end + 1 if tight else self._skip(self._skip(end) + 1)
            found[key] = here, value
            end = value + size
            here = end + 1 if tight else self._skip(self._skip(end) + 1)
        return found

    def _next(self, value: int) -> int:
        """Where the next key stands after the value at `value`; the end of the text where none follows."""
        here = self._skip(self._end(value))
        return self._skip(here + 1) if self.text[here : here + 1] == "," else len(self.text)

    def _array(self, at: int) -> list[int]:
        found = self._arrays.get(at)
        if found is not None:
            return found
        found = self._arrays[at] = []
        text = self.text
        if text[at : at + 1] != "[":
            return found
        here = self._skip(at + 1)
        while here < len(text) and text[here] != "]":
            found.append(here)
            here = self._skip(self._end(here))
            if text[here : here + 1] != ",":
                break
            here = self._skip(here + 1)
        return found

    def _end(self, at: int) -> int:
        return _DECODER.raw_decode(self.text, at)[1]


_TOKENS = re.compile(r'(?P<key>"(?:[^"\\]|\\.)*")(?P<colon>\s*:)?|[{}\[\]]', re.DOTALL).finditer


def duplicates(text: str) -> list[tuple[str, int]]:
    """Keys that stand twice in one object, each with the offset of its second place. `text` is well-formed JSON."""
    found: list[tuple[str, int]] = []
    stack: list[set[str] | None] = []
    for match in _TOKENS(text):
        mark = match.group()
        if mark in ("{", "["):
            stack.append(set() if mark == "{" else None)
        elif mark in ("}", "]"):
            stack.pop()
        elif match.group("colon") is not None and stack and (seen := stack[-1]) is not None:
            key = json.loads(match.group("key"), strict=False)
            if key in seen:
                found.append((key, match.start()))
            seen.add(key)
    return found
