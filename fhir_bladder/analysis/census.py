"""Room `analysis`: which resources count. May import errors, terminology and mapping.

The rules: of one key only the newest version; an exam in both shapes once; entered-in-error, superseded, preliminary
and synthetic left out unless asked for. A `Census` sees every resource once, in order, and says what it thinks so far;
a later version can overturn that, and then the caller goes through the input a second time (`overturned`).
"""

from __future__ import annotations

import datetime as dt
import sqlite3
import tempfile
from array import array
from functools import lru_cache
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple

from fhir_bladder.analysis.codegen import Keys
from fhir_bladder.analysis.runtime import items, step
from fhir_bladder.errors import RecordError
from fhir_bladder.mapping import keys as exam_keys
from fhir_bladder.terminology import names as N

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

_PANEL, _GROUP, _MEMBER, _OTHER = range(4)


def header_keys() -> Keys:
    """The keys of a resource that `header` reads."""
    top = Keys()
    for name in ("resourceType", "id", "status", "hasMember", "effectiveDateTime", "birthDate", "gender"):
        top.child(name).whole = True
    for name in ("versionId", "lastUpdated", "profile", "security"):
        top.child("meta").child(name).whole = True
    for path in (("identifier",), ("subject", "identifier")):
        keys = top
        for name in path:
            keys = keys.child(name)
        keys.child("system").whole = keys.child("value").whole = True
    top.child("subject").child("reference").whole = True
    coding = top.child("code").child("coding")
    coding.child("system").whole = coding.child("code").whole = True
    extension = top.child("extension")
    extension.child("url").whole = True
    extension.child("valueReference").child("identifier").whole = True
    return top


class Header(NamedTuple):
    """What the counting rules need of a resource.

    key: what is counted once; empty where the resource has no identity. exam: the exam key of exams and their
    measurements. rank: newer is larger. replaces: exam key this one supersedes.
    """

    type: str
    kind: int
    key: str
    exam: str
    rank: int
    status: str
    synthetic: bool
    replaces: str


def header(resource: dict[str, Any], key_system: str = "") -> Header:
    """Read the header; whatever has an odd shape counts as not there."""
    kind_name = resource.get("resourceType")
    meta = resource.get("meta")
    rank, synthetic = 0, False
    if meta.__class__ is dict:
        rank = _rank(meta.get("lastUpdated"), meta.get("versionId"))
        security = meta.get("security")
        if security is not None:
            synthetic = any(coding.__class__ is dict and coding.get("code") == "HTEST" for coding in items(security))
    status = resource.get("status")
    if status.__class__ is not str:
        status = ""
    identity = resource.get("id")
    key = f"{kind_name}/{identity}" if identity.__class__ is str else ""
    kind, exam, replaces = _OTHER, "", ""
    if kind_name == "Observation" and (code := _local_code(resource)) is not None:
        value = exam_identifier(resource, key_system)
        if value:
            exam = value if value.count("/") < 2 else exam_of(value)
            if code == N.EXAM_CODE:
                kind = _PANEL
                if resource.get("hasMember") or _is_group(meta.get("profile") if meta.__class__ is dict else None):
                    kind = _GROUP
                key = "exam " + exam
                if resource.get("extension") is not None:
                    replaces = _replaced(resource)
            else:
                kind = _MEMBER
                key = "member " + value
    return _new(Header, (str(kind_name), kind, key, exam, rank, status, synthetic, replaces))


def _is_group(profile: Any) -> bool:
    return N.GROUP_PROFILE in profile if profile.__class__ is list else profile == N.GROUP_PROFILE


def _local_code(resource: dict[str, Any]) -> str | None:
    code = resource.get("code")
    codings = code.get("coding") if code.__class__ is dict else None
    for coding in codings if codings.__class__ is list else items(codings):
        if coding.__class__ is dict and coding.get("system") == N.LOCAL:
            found = coding.get("code")
            return found if found.__class__ is str else None
    return None


def exam_identifier(resource: dict[str, Any], key_system: str = "") -> str:
    """The identifier that holds the exam key: the site's system, else the default one, else the first that fits."""
    first, wanted = "", key_system or N.EXAM_KEY_SYSTEM
    identifiers = resource.get("identifier")
    for identifier in identifiers if identifiers.__class__ is list else items(identifiers):
        if identifier.__class__ is dict:
            value = identifier.get("value")
            if value.__class__ is str:
                if identifier.get("system") == wanted:
                    return str(value)
                if not first and exam_keys.is_key(value):
                    first = value
    return first


def exam_of(value: str) -> str:
    """The exam's key from the key of an exam or of a measurement; a foreign key stands for itself."""
    if value.count("/") < 2:
        return value
    try:
        return exam_keys.parse_key(value).exam
    except RecordError:
        return value


def _replaced(resource: dict[str, Any]) -> str:
    for extension in items(resource.get("extension")):
        if extension.__class__ is dict and extension.get("url") == N.REPLACES:
            value = step(step(extension.get("valueReference"), "identifier"), "value")
            return exam_of(value) if value.__class__ is str else ""
    return ""


@lru_cache(maxsize=4096)
def _rank(updated: Any, version: Any) -> int:
    """Newest last: the time in milliseconds, then the version id where it is a number."""
    moment = 0
    if updated.__class__ is str:
        try:
            moment = int(dt.datetime.fromisoformat(updated).timestamp() * 1000)
        except (ValueError, OverflowError):
            moment = 0
    number = int(version) if version.__class__ is str and version.isdigit() and len(version) < 9 else 0
    # 63 bits, so that SQLite takes it: milliseconds until the year 2248, a million versions
    return (min(max(moment, 0), (1 << 43) - 1) << 20) + min(number, (1 << 20) - 1)


_new = tuple.__new__  # half the time of calling the class


class _Entry(NamedTuple):
    rank: int
    ordinal: int
    flags: int


_HAS_PANEL, _HAS_GROUP, _HAS_MEMBER, _REPLACED = 1, 2, 4, 8


class Census:
    """Counts resources. Use as a context manager: a large census keeps a temporary file."""

    def __init__(self, include: frozenset[str] = frozenset(), key_system: str = "") -> None:
        self.include = include
        self.key_system = key_system
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
        ordinal = len(self.reasons)
        reason = self._own_reason(head)
        self.reasons.append(reason)
        if head.kind == _MEMBER:
            reason = self._see_member(head, ordinal, reason)
        elif head.key:
            reason = self._see_key(head, ordinal, reason)
        self.reasons[ordinal] = reason
        if head.replaces:
            self._mark_replaced(head.replaces)
        return reason

    def skip(self, reason: int) -> int:
        """Count the next resource as left out, whatever it is."""
        self.reasons.append(reason)
        return reason

    def _own_reason(self, head: Header) -> int:
        include = self.include
        if head.status == "entered-in-error" and "entered-in-error" not in include:
            return RETRACTED
        if head.synthetic and "synthetic" not in include:
            return SYNTHETIC
        if head.status == "preliminary" and "preliminary" not in include:
            return PRELIMINARY
        return KEEP

    def _lose(self, ordinal: int, reason: int) -> None:
        if self.reasons[ordinal] == KEEP:
            self.overturned = True
        self.reasons[ordinal] = reason

    def _see_key(self, head: Header, ordinal: int, reason: int) -> int:
        shape = _HAS_PANEL if head.kind == _PANEL else _HAS_GROUP if head.kind == _GROUP else 0
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
        if head.kind == _MEMBER and reason not in (OLDER, DELETED):
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
