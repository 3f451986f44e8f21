"""Room `analysis`: which resources count. Imports nothing of ours but headers.

The rules: of one key only the newest version; an exam in both shapes once; entered-in-error, superseded, preliminary
and synthetic left out unless asked for. A `Census` sees every resource once, in order, and says what it thinks so far;
a later version can overturn that, and then the caller goes through the input a second time (`overturned`).
"""

from __future__ import annotations

import sqlite3
import tempfile
from array import array
from pathlib import Path
from types import TracebackType
from typing import NamedTuple

from fhir_bladder.analysis.headers import GROUP, MEMBER, OTHER, PANEL, Header
from fhir_bladder.analysis.headers import header as header

KEEP, OLDER, OTHER_SHAPE, RETRACTED, SUPERSEDED, SYNTHETIC, PRELIMINARY, DELETED = range(8)
REASONS = (
    "kept", "older-version", "other-shape", "entered-in-error", "superseded", "synthetic", "preliminary",
    "deleted",
)  # fmt: skip
"""Why a resource is left out, by code; each is counted in the exclusion table."""
INCLUDABLE = frozenset(REASONS[3:7]) | {"older-version"}
"""What `--include` may name."""

IN_MEMORY = 150_000
"""Keys kept in memory; more go to a temporary file, so that memory stays flat."""

_new = tuple.__new__  # half the time of calling the class


class _Entry(NamedTuple):
    rank: int
    ordinal: int
    flags: int


_HAS_PANEL, _HAS_GROUP, _HAS_MEMBER, _REPLACED = 1, 2, 4, 8
_SHAPES = {PANEL: _HAS_PANEL, GROUP: _HAS_GROUP, MEMBER: 0, OTHER: 0}


class Census:
    """Counts resources. Use as a context manager: a large census keeps a temporary file."""

    def __init__(self, include: frozenset[str] = frozenset(), key_system: str = "") -> None:
        self.include = include
        self.key_system = key_system
        self._left_out = {
            status: reason for status, reason in (("entered-in-error", RETRACTED), ("preliminary", PRELIMINARY))
            if status not in include
        }  # fmt: skip
        self.reasons = bytearray()
        self.overturned = False
        self._memory: dict[str, _Entry] = {}
        self._disk: sqlite3.Connection | None = None
        self._folder: tempfile.TemporaryDirectory[str] | None = None

    def __enter__(self) -> Census:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        if self._disk is not None:
            self._disk.close()
        if self._folder is not None:
            self._folder.cleanup()

    # ------------------------------------------------------------------ the store of keys

    def _get(self, key: str) -> _Entry | None:
        found = self._memory.get(key)
        if found is None and self._disk is not None:
            row = self._disk.execute("SELECT rank, ordinal, flags FROM entry WHERE key = ?", (key,)).fetchone()
            found = _Entry(*row) if row else None
        return found

    def _put(self, key: str, entry: _Entry) -> None:
        self._memory[key] = entry
        if len(self._memory) > IN_MEMORY:
            self._spill()

    def _spill(self) -> None:
        if self._disk is None:
            self._folder = tempfile.TemporaryDirectory(prefix="fhir-bladder-")
            self._disk = sqlite3.connect(Path(self._folder.name) / "census.sqlite")
            self._disk.executescript(
                "PRAGMA journal_mode=OFF; PRAGMA synchronous=OFF; PRAGMA cache_size=-8000;"
                "CREATE TABLE entry (key TEXT PRIMARY KEY, rank INTEGER, ordinal INTEGER, flags INTEGER) WITHOUT ROWID"
            )
        rows = ((key, *entry) for key, entry in self._memory.items())
        self._disk.executemany("INSERT OR REPLACE INTO entry VALUES (?, ?, ?, ?)", rows)
        self._memory.clear()

    # ------------------------------------------------------------------ the rules

    def see(self, head: Header) -> int:
        """Count the next resource; the reason it is left out for, as far as can be said now (KEEP: none)."""
        _, kind, key, _, rank, status, synthetic, replaces = head
        reasons, memory = self.reasons, self._memory
        reason = self._own_reason(head) if synthetic else self._left_out.get(status, KEEP)
        ordinal = len(reasons)
        reasons.append(reason)
        if kind == MEMBER:
            reasons[ordinal] = reason = self._see_member(head, ordinal, reason)
        elif key:
            if self._disk is None and key not in memory and len(memory) < IN_MEMORY:  # nearly always
                memory[key] = _new(_Entry, (rank, ordinal, _SHAPES[kind]))
            else:
                reasons[ordinal] = reason = self._see_key(head, ordinal, reason)
        if replaces:
            self._mark_replaced(replaces)
        return reason

    def skip(self, reason: int) -> int:
        """Count the next resource as left out, whatever it is."""
        self.reasons.append(reason)
        return reason

    def _own_reason(self, head: Header) -> int:
        reason = self._left_out.get(head.status, KEEP)
        if head.synthetic and reason != RETRACTED and "synthetic" not in self.include:
            return SYNTHETIC
        return reason

    def _lose(self, ordinal: int, reason: int) -> None:
        if self.reasons[ordinal] == KEEP:
            self.overturned = True
        self.reasons[ordinal] = reason

    def _see_key(self, head: Header, ordinal: int, reason: int) -> int:
        shape = _SHAPES[head.kind]
        there = self._get(head.key)
        if there is None or there.rank < 0:
            flags = (there.flags if there else 0) | shape
            self._put(head.key, _new(_Entry, (head.rank, ordinal, flags)))
        else:
            was = there.flags & (_HAS_PANEL | _HAS_GROUP)
            other = bool(shape and was and was != shape)
            wins = head.rank > there.rank or (head.rank == there.rank and (not other or shape == _HAS_PANEL))
            if not wins:
                return OTHER_SHAPE if other else self._older(reason)
            if other or "older-version" not in self.include:
                self._lose(there.ordinal, OTHER_SHAPE if other else OLDER)
            flags = (there.flags & ~(_HAS_PANEL | _HAS_GROUP)) | shape
            if flags & _HAS_MEMBER and other:
                self.overturned = True
            self._put(head.key, _Entry(head.rank, ordinal, flags))
        if flags & _HAS_MEMBER and shape == _HAS_PANEL:
            self.overturned = True
        if flags & _REPLACED and reason == KEEP and "superseded" not in self.include:
            return SUPERSEDED
        return reason

    def _older(self, reason: int) -> int:
        return reason if "older-version" in self.include else OLDER

    def _see_member(self, head: Header, ordinal: int, reason: int) -> int:
        exam = self._get("exam " + head.exam)
        if exam is None:
            self._put("exam " + head.exam, _Entry(-1, -1, _HAS_MEMBER))
        elif not exam.flags & _HAS_MEMBER:
            self._put("exam " + head.exam, exam._replace(flags=exam.flags | _HAS_MEMBER))
        there = self._get(head.key)
        if there is not None:
            if head.rank < there.rank:
                return self._older(reason)
            if "older-version" not in self.include:
                self._lose(there.ordinal, OLDER)
        self._put(head.key, _Entry(head.rank, ordinal, 0))
        return self._with_exam(exam, reason) if exam is not None else reason

    def _with_exam(self, exam: _Entry, reason: int) -> int:
        if exam.flags & _HAS_PANEL:
            return OTHER_SHAPE
        if exam.flags & _REPLACED and reason == KEEP and "superseded" not in self.include:
            return SUPERSEDED
        return reason

    def _mark_replaced(self, exam: str) -> None:
        key = "exam " + exam
        there = self._get(key)
        if there is None:
            self._put(key, _Entry(-1, -1, _REPLACED))
            return
        self._put(key, there._replace(flags=there.flags | _REPLACED))
        if there.ordinal >= 0 and self.reasons[there.ordinal] == KEEP and "superseded" not in self.include:
            self._lose(there.ordinal, SUPERSEDED)
        if there.flags & _HAS_MEMBER:
            self.overturned = True

    def final(self, ordinal: int, head: Header) -> int:
        """The reason once everything has been seen."""
        reason = self.reasons[ordinal]
        if head.kind == MEMBER and reason not in (OLDER, DELETED):
            exam = self._get("exam " + head.exam)
            reason = self._with_exam(exam, self._own_reason(head)) if exam is not None else reason
            self.reasons[ordinal] = reason
        return reason

    def counts(self) -> dict[str, int]:
        """Resources by reason, kept ones first."""
        tally = array("q", [0] * len(REASONS))
        for code in range(len(REASONS)):
            tally[code] = self.reasons.count(code)
        return dict(zip(REASONS, tally, strict=True))
