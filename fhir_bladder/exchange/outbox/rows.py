"""Room `exchange`: what goes into the outbox and what comes out: items, rows, results, decisions. May import wire.

Plain values; every statement that reads or changes rows is in the modules that use them.
"""

from __future__ import annotations

import datetime as dt
import sqlite3
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

from fhir_bladder import wire

COLUMNS = (
    "id, target, key, content, sha256, map_sha256, replaces, file, line, synthetic, status, state, code, reason, "
    "attempts, failures, location, version, etag, issues, accepted_at, sent_at, delivered_at, held_since, updated_at"
)


def now_text() -> str:
    """The present moment, UTC, as stored."""
    return dt.datetime.now(dt.UTC).isoformat(timespec="milliseconds")


@dataclass(slots=True)
class Item:
    """One record on its way in. `state` is waiting, or held with `code` and `reason`.

    key: exam key, empty where the record does not say it. content: hash of what would be sent, or of the bytes of an
    unreadable record. source: record as received. bundle: transaction Bundle as JSON bytes, empty where there is none.
    """

    sha256: str
    key: str = ""
    content: str = ""
    state: str = "waiting"
    code: str = ""
    reason: str = ""
    status: str = ""
    replaces: str = ""
    synthetic: bool = False
    file: str = ""
    line: int = 0
    map_sha256: str = ""
    source: bytes = b""
    bundle: bytes = b""


@dataclass(slots=True)
class Row:
    """One row as it stands. Times are ISO 8601 in UTC; `reason` says in words why it is where it is.

    attempts: claims; failures: of these, how many the server failed on, busy answers not counted, since a person last
    had it tried again.
    """

    id: int
    target: str
    key: str
    content: str
    sha256: str
    map_sha256: str
    replaces: str
    file: str
    line: int
    synthetic: bool
    status: str
    state: str
    code: str
    reason: str
    attempts: int
    failures: int
    location: str
    version: str
    etag: str
    issues: list[dict[str, Any]]
    accepted_at: str
    sent_at: str
    delivered_at: str
    held_since: str
    updated_at: str

    @property
    def name(self) -> str:
        """What a person calls it: the exam key, or the number of a row without one."""
        return self.key or f"#{self.id}"

    def age(self, now: dt.datetime | None = None) -> dt.timedelta:
        """How long it has been held, else how long since it was accepted."""
        since = dt.datetime.fromisoformat(self.held_since or self.accepted_at)
        return (now or dt.datetime.now(dt.UTC)) - since


@dataclass(slots=True, frozen=True)
class Accepted:
    """What `accept` did with one item: the row, and whether it was new or is worked on again."""

    id: int
    state: str
    new: bool


@dataclass(slots=True)
class Result:
    """What became of a claimed row. `delay` (seconds) holds a waiting row back before it is tried again; `failed`
    counts as a failure of the server on this exam.
    """

    id: int
    state: str
    code: str = ""
    reason: str = ""
    location: str = ""
    version: str = ""
    etag: str = ""
    issues: list[dict[str, Any]] = field(default_factory=list)
    delay: float = 0.0
    failed: bool = False


@dataclass(slots=True, frozen=True)
class Decision:
    """A release or a drop: by whom, why, when. Never changed, never deleted."""

    exam: int
    key: str
    what: str
    code: str
    by: str
    reason: str
    at: str


def row_of(found: sqlite3.Row) -> Row:
    """A row as selected with COLUMNS."""
    values = dict(found)
    values["issues"] = wire.loads(values["issues"].encode()) if values["issues"] else []
    values["synthetic"] = bool(values["synthetic"])
    return Row(**values)


class Numbers:
    """A set of row numbers, one bit each: rows are numbered from 1 upwards, so that millions take little memory."""

    def __init__(self) -> None:
        self._bits = bytearray()

    def update(self, numbers: Iterable[int]) -> None:
        """Add row numbers (1 or more)."""
        for number in numbers:
            byte = number >> 3
            if byte >= len(self._bits):
                self._bits.extend(bytes(byte + 1 - len(self._bits) + 512))
            self._bits[byte] |= 1 << (number & 7)

    def __contains__(self, number: int) -> bool:
        byte = number >> 3
        return byte < len(self._bits) and bool(self._bits[byte] & (1 << (number & 7)))

    def __iter__(self) -> Iterator[int]:
        """In rising order."""
        for byte, bits in enumerate(self._bits):
            if bits:
                yield from (byte * 8 + bit for bit in range(8) if bits & (1 << bit))

    def __len__(self) -> int:
        return sum(bits.bit_count() for bits in self._bits)


def pack(data: bytes) -> bytes:
    """Bytes as a payload is kept: deflated, empty where there are none."""
    return zlib.compress(data, 1) if data else b""


def issues_text(issues: list[dict[str, Any]]) -> str:
    """Issues as they are kept: JSON, empty where there are none."""
    return wire.dumps(issues).decode() if issues else ""
