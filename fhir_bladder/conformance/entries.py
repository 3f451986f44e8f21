"""Room `conformance`: the entries of a Bundle in a file, a window at a time. Belongs here: where an entry ends.

A window ends before a place that looks like the start of an entry, and counts only where the parser takes everything
before that place as whole values; so a wrong guess costs time, never a wrong answer. What does not fit in windows
(`Unwindowed`) is to be read in one piece.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import msgspec

WINDOW = 2 * 1024 * 1024
_WIDEST = 64 * 1024 * 1024
_HEAD = 256 * 1024
_GUESSES = 50
_START = re.compile(rb'"entry"[ \t\n\r]*:[ \t\n\r]*\[').search
_FIRST = re.compile(rb'[ \t\n\r]*\{[ \t\n\r]*("[A-Za-z]+")').match
_BLANK = b" \t\n\r"
_raws = msgspec.json.Decoder(list[msgspec.Raw]).decode
_keys = msgspec.json.Decoder(dict[str, msgspec.Raw]).decode


class Unwindowed(Exception):
    """The file is not what windows can be made of."""


class Window:
    """Some entries, `text` of the file from `offset` on with all that stands between them; where it starts, from 1."""

    __slots__ = ("column", "entries", "line", "offset", "text")

    def __init__(self, text: bytes, offset: int, line: int, column: int, entries: list[msgspec.Raw]) -> None:
        self.text, self.offset, self.line, self.column, self.entries = text, offset, line, column, entries


class BundleFile:
    """A Bundle in a file. head: the raw values of its keys but `entry`; frame: its text with an empty `entry`."""

    def __init__(self, path: Path) -> None:
        self.path = path
        with path.open("rb") as stream:
            start = stream.read(_HEAD)
            found = _START(start)
            first = _FIRST(start, found.end()) if found is not None else None
            if found is None or first is None:
                raise Unwindowed
            self._offset = found.end()
            self._line = start.count(b"\n", 0, found.end()) + 1
            self._column = found.end() - start.rfind(b"\n", 0, found.end())
            self._key = first[1]
            self._before = start[: found.end()]
            if _whole(self._before + b"]}") is None:
                raise Unwindowed  # the `entry` of something inside the Bundle
            stream.seek(-min(_HEAD, path.stat().st_size - self._offset), 2)
            self.frame, self.head = self._framed(stream.read())

    def _framed(self, end: bytes) -> tuple[bytes, dict[str, bytes]]:
        at = len(end)
        for _ in range(_GUESSES):
            at = end.rfind(b"]", 0, at)
            if at < 0:
                break
            frame = self._before + end[at:]
            try:
                head = _keys(frame)
            except (msgspec.DecodeError, RecursionError):
                continue
            if bytes(head.get("entry", msgspec.Raw(b""))) == b"[]":
                self._after = len(end) - at  # bytes from the end of the array on
                return frame, {key: bytes(raw) for key, raw in head.items() if key != "entry"}
        raise Unwindowed

    def text(self, key: str) -> str:
        """The text of a key of the Bundle; empty where it has none."""
        value = msgspec.json.decode(self.head.get(key, b'""'))
        return value if isinstance(value, str) else ""

    def before(self, line: int, column: int) -> tuple[int, int]:
        """A place in `frame` as a place in the file; 1, 1 for what stands after the entries."""
        return (line, column) if (line, column) <= (self._line, self._column) else (1, 1)

    def windows(self) -> Iterator[Window]:
        """The windows in order. Raises Unwindowed, at the first window or never where the file is usual."""
        with self.path.open("rb") as stream:
            stop = self.path.stat().st_size - self._after
            stream.seek(self._offset)
            at, line, column, held = self._offset, self._line, self._column, b""
            while at < stop:
                more = stream.read(min(WINDOW, stop - at - len(held)))
                if not more:
                    raise Unwindowed  # the file became shorter
                held += more
                last = at + len(held) >= stop
                cut, entries = (len(held), _whole(held)) if last else self._cut(held)
                if entries is None and not last and len(held) <= _WIDEST:
                    continue
                if not entries:
                    raise Unwindowed
                yield Window(held[:cut], at, line, column, entries)
                if last:
                    return
                line += held.count(b"\n", 0, cut)
                column = cut + 1 - held.rfind(b"\n", 0, cut) if b"\n" in held[:cut] else column + cut + 1
                at += cut + 1
                held = held[cut + 1 :]
            raise Unwindowed

    def _cut(self, text: bytes) -> tuple[int, list[msgspec.Raw] | None]:
        """Where a window may end, before a comma, and the entries up to there."""
        at = len(text)
        for _ in range(_GUESSES):
            at = text.rfind(self._key, 0, at)
            if at <= 0:
                break
            before = text[max(0, at - 4096) : at].rstrip(_BLANK)
            if not before.endswith(b"{"):
                continue
            before = before[:-1].rstrip(_BLANK)
            if not before.endswith(b","):
                continue
            cut = max(0, at - 4096) + len(before) - 1
            entries = _whole(text[:cut])
            if entries is not None:
                return cut, entries
        return 0, None


def _whole(text: bytes) -> list[msgspec.Raw] | None:
    try:
        return _raws(b"[" + text + b"]")
    except (msgspec.DecodeError, RecursionError):
        return None
