"""Room `exchange`: NDJSON lines on their way to disk: counted, typed, checked, never held longer than the limit."""

from __future__ import annotations

from collections import Counter

import msgspec

from fhir_bladder.exchange.export.ledger import AtomicFile


class _Head(msgspec.Struct):
    resourceType: str | None = None


_DECODER = msgspec.json.Decoder(_Head)


class LineWriter:
    """Writes chunks to a file and looks at each line. Blank lines are not counted.

    lines: lines with content. broken: of these, no JSON object or longer than `longest` bytes; `first_broken` is the
    number of the first. types: resource type → lines.
    """

    def __init__(self, file: AtomicFile, longest: int) -> None:
        self.file = file
        self.longest = longest
        self.lines = 0
        self.broken = 0
        self.first_broken = 0
        self.types: Counter[str] = Counter()
        self._rest: list[bytes] = []
        self._length = 0
        self._too_long = False

    def write(self, chunk: bytes) -> None:
        """Append a chunk that may begin and end anywhere."""
        self.file.write(chunk)
        *whole, rest = chunk.split(b"\n")
        for piece in whole:
            self._add(piece)
            self._end()
        if rest:
            self._add(rest)

    def finish(self) -> bool:
        """End the last line; False where the text stopped in the middle of one (no line end and not JSON)."""
        if not self._length:
            return True
        broken = self.broken
        self.file.write(b"\n")
        self._end()
        return self.broken == broken

    def _add(self, piece: bytes) -> None:
        self._length += len(piece)
        if self._length > self.longest:
            self._too_long = True
            self._rest.clear()
        elif piece:
            self._rest.append(piece)

    def _end(self) -> None:
        line = b"".join(self._rest).strip(b" \t\r")
        too_long = self._too_long
        self._rest.clear()
        self._length, self._too_long = 0, False
        if not line and not too_long:
            return
        self.lines += 1
        name = None
        if not too_long:
            try:
                name = _DECODER.decode(line).resourceType
            except (msgspec.MsgspecError, RecursionError, UnicodeDecodeError):
                name = None
        if name is None:
            self.broken += 1
            self.first_broken = self.first_broken or self.lines
        else:
            self.types[name if name.isascii() and name.isalpha() and len(name) < 65 else "unreadable"] += 1
