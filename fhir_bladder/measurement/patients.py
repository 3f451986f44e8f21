"""Room `measurement`: who is who in a stream of exams, with bounded memory. May import exam."""

from __future__ import annotations

import datetime as dt
from bisect import insort
from collections import OrderedDict
from collections.abc import Iterable
from decimal import Decimal
from typing import Any, NamedTuple

from fhir_bladder.exam import ExamRecord
from fhir_bladder.measurement.choice import bounds
from fhir_bladder.measurement.facts import Facts, written_slack

RETRACTED = ("entered-in-error", "cancelled")
_KEPT = 16


class Entry(NamedTuple):
    """What is kept of an exam for the exams that follow: times are aware, volumes mL; voided: the measured volume."""

    moment: dt.datetime
    key: tuple[str, str]
    slack: dt.timedelta
    state: str
    attempt: str | None
    value: Decimal | None
    comparator: str | None
    voids: tuple[dt.datetime, ...]
    drained: dt.datetime | None
    voided: Decimal | None

    @property
    def exam_number(self) -> str:
        """The number of the exam within its device."""
        return self.key[1]

    @property
    def bounds(self) -> tuple[Decimal, Decimal] | None:
        """Least and greatest volume in mL; None without a volume."""
        return None if self.value is None else bounds(self.value, self.comparator)


def entry_of(facts: Facts) -> Entry:
    """What to keep of an exam."""
    record, time = facts.record, facts.result_time
    drained = record.catheterised_at
    if drained is None and record.action is not None and record.action.what == "catheterised":
        drained = record.action.at or time
    return Entry(
        time.moment,
        key_of(record),
        written_slack(time),
        record.void_state,
        record.void_attempt,
        facts.choice.value,
        facts.choice.comparator,
        tuple(void.moment for _, void in facts.voids()),
        None if drained is None else drained.moment,
        record.voided_volume.canonical if record.voided_volume is not None and record.void_measured else None,
    )


def key_of(record: ExamRecord) -> tuple[str, str]:
    """Device serial and exam number, the identity of an exam."""
    return record.device.serial, record.exam_number


class Course:
    """The latest exams of one patient in time order, and what rules remember of the patient."""

    __slots__ = ("entries", "memory")

    def __init__(self) -> None:
        self.entries: list[Entry] = []
        self.memory: dict[str, Any] = {}

    def remove(self, key: tuple[str, str]) -> None:
        """Forget an exam: retracted, superseded, or about to be replaced by its newer version."""
        self.entries = [entry for entry in self.entries if entry.key != key]

    def add(self, entry: Entry) -> None:
        """Keep an exam, at most the latest 16."""
        insort(self.entries, entry, key=_moment)
        del self.entries[:-_KEPT]


def _moment(entry: Entry) -> dt.datetime:
    return entry.moment


class Courses:
    """Courses by patient identifier; the ones not seen for longest are forgotten beyond `limit` identifiers."""

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._by_identifier: OrderedDict[tuple[str, str], Course] = OrderedDict()

    def __len__(self) -> int:
        return len(self._by_identifier)

    def of(self, record: ExamRecord) -> Course | None:
        """The course of the exam's patient, any shared identifier will do; None without an identifier."""
        identifiers = record.patient.identifiers if record.patient is not None else None
        if not identifiers:
            return None
        keys = [(one.system, one.value) for one in identifiers]
        known = self._by_identifier
        course = next((known[key] for key in keys if key in known), None) or Course()
        for key in keys:
            known[key] = course
            known.move_to_end(key)
        while len(known) > self._limit:
            known.popitem(last=False)
        return course


class Identity(NamedTuple):
    """What tells two patients apart: values by system, and the birth date if it is whole."""

    values: dict[str, frozenset[str]]
    birth_date: str | None


def identity_of(record: ExamRecord) -> Identity | None:
    """The patient's identity; None where nothing identifies the patient."""
    patient = record.patient
    if patient is None or not patient.identifiers:
        return None
    values: dict[str, set[str]] = {}
    for one in patient.identifiers:
        values.setdefault(one.system, set()).add(one.value)
    birth = patient.birth_date if patient.birth_date and len(patient.birth_date) == 10 else None
    return Identity({system: frozenset(found) for system, found in values.items()}, birth)


def surely_different(one: Identity, other: Identity) -> bool:
    """Two patients: no identifier shared, and a system or a whole birth date in which they differ."""
    common = one.values.keys() & other.values.keys()
    if any(one.values[system] & other.values[system] for system in common):
        return False
    differ = one.birth_date is not None and other.birth_date is not None and one.birth_date != other.birth_date
    return bool(common) or differ


def any_within(moments: Iterable[dt.datetime], start: dt.datetime, end: dt.datetime) -> bool:
    """Whether a moment lies from start to end, ends included."""
    return any(start <= moment <= end for moment in moments)
