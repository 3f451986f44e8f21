"""Room `measurement`: findings across the exams of a stream, in time order, with bounded memory. May import exam.

A stream is expected in time order; exams that come a little late are still compared with their neighbours.
Retracted exams are forgotten, a newer version takes the place of the older one.
"""

from __future__ import annotations

import datetime as dt
import re
from collections import OrderedDict, deque
from collections.abc import Iterable, Iterator
from itertools import pairwise
from typing import NamedTuple

from fhir_bladder.errors import Finding
from fhir_bladder.exam import ExamRecord
from fhir_bladder.measurement import plausible
from fhir_bladder.measurement.facts import NOTHING, Facts, Kind
from fhir_bladder.measurement.patients import (
    RETRACTED,
    Course,
    Courses,
    Entry,
    Identity,
    any_within,
    entry_of,
    identity_of,
    key_of,
    surely_different,
)
from fhir_bladder.measurement.settings import DEFAULT, OURS, PRACTICE, Settings

POST_ABOVE_PRE = Kind("post-void-above-pre-void", "warn", "more after the void than before it", OURS)
TWO_PATIENTS = Kind("two-patients-within-seconds", "warn", "one device, two patients, seconds apart", OURS)
NUMBER_GAP = Kind("exam-number-gap", "note", "exam numbers of a device are missing", PRACTICE)
KINDS = (POST_ABOVE_PRE, TWO_PATIENTS, NUMBER_GAP)

_NUMBER = re.compile(r"(.*?)(\d{1,18})\Z", re.ASCII | re.DOTALL)
_DEVICES, _NEIGHBOURS, _PREFIXES, _PATIENCE = 1_000, 8, 8, 64


class Stream:
    """Findings across exams: `add` each record, `close` at the end. Memory is bounded by the limits given."""

    def __init__(self, settings: Settings = DEFAULT, *, patients: int = 20_000) -> None:
        self.settings = settings
        self.courses = Courses(patients)
        self._devices: OrderedDict[str, _Device] = OrderedDict()

    def add(self, facts: Facts) -> tuple[list[Finding], Course | None]:
        """Findings of this exam with those before it, and the patient's course (None without identifier)."""
        record = facts.record
        device, found = self._device(record)
        retracted = record.status in RETRACTED
        found += device.gaps(record, self.settings)
        if not retracted:
            found += device.neighbours(facts)
        course = self.courses.of(record)
        if course is not None:
            course.remove(key_of(record))
            if record.supersedes is not None:
                course.remove((record.device.serial, record.supersedes))
            if not retracted:
                entry = entry_of(facts)
                found += _with_course(facts, entry, course)
                course.add(entry)
        return found, course

    def close(self) -> list[Finding]:
        """Gaps in exam numbers that were never filled."""
        return [finding for device in self._devices.values() for finding in device.close()]

    def _device(self, record: ExamRecord) -> tuple[_Device, list[Finding]]:
        """The device of an exam, and the gaps of one that is forgotten for it."""
        serial = record.device.serial
        device = self._devices.pop(serial, None) or _Device()
        self._devices[serial] = device
        if len(self._devices) <= _DEVICES:
            return device, []
        return device, list(self._devices.popitem(last=False)[1].close())


def _with_course(facts: Facts, entry: Entry, course: Course) -> Iterator[Finding]:
    """The exam against the patient's other exams nearby."""
    settings = facts.settings
    earlier = [other for other in course.entries if other.moment <= entry.moment]
    later = [other for other in course.entries if other.moment > entry.moment]
    for other in course.entries:
        yield from _tenfold(facts, entry, other, settings)
    if earlier:
        yield from _filling(facts, earlier[-1], entry)
    if later:
        yield from _filling(facts, entry, later[0])
    for pre, post in pairwise([*earlier[-1:], entry, *later[:1]]):
        yield from _post_above_pre(facts, pre, post, settings)


def _tenfold(facts: Facts, entry: Entry, other: Entry, settings: Settings) -> tuple[Finding, ...]:
    if entry.value is None or other.value is None or entry.comparator or other.comparator:
        return NOTHING
    start, end = sorted((entry.moment, other.moment))
    if (
        entry.state != other.state
        or end - start > dt.timedelta(minutes=settings.repeat_minutes)
        or any_within((*entry.voids, *other.voids), start, end)
        or not plausible.tenfold(entry.value, other.value, settings.tenfold_volume, settings.tenfold_percent)
    ):
        return NOTHING
    return plausible.TENFOLD.found(
        facts.record,
        field="scans",
        expected=f"not ten times (±{settings.tenfold_percent} %) exam {other.exam_number}",
        found=f"{entry.value} and {other.value} mL, {_minutes(start, end):.0f} min apart",
        hint="compare with the scanner's own readings",
    )


def _filling(facts: Facts, before: Entry, after: Entry) -> tuple[Finding, ...]:
    if before.value is None or after.value is None or before.comparator == ">" or after.comparator == "<":
        return NOTHING
    if after.state == "post-void" and not after.voids and after.attempt not in ("unable", "not-attempted"):
        return NOTHING  # a void in between, its time unknown
    drained = [time for time in (before.drained, after.drained) if time is not None]
    if any_within((*before.voids, *after.voids, *drained), before.moment, after.moment):
        return NOTHING
    minutes = _minutes(before.moment, after.moment)
    slack = max(before.slack, after.slack).total_seconds() / 60
    if not plausible.fills_too_fast(float(before.value), float(after.value), minutes, facts, slack):
        return NOTHING
    return plausible.FILLING_RATE.found(
        facts.record,
        field="scans",
        expected=f"at most {facts.settings.filling_rate} mL/min",
        found=f"{before.value} mL in exam {before.exam_number}, {after.comparator or ''}{after.value} mL in exam "
        f"{after.exam_number}, {minutes:.0f} min later",
        hint="check the times, and that both exams are of one patient",
    )


def _post_above_pre(facts: Facts, pre: Entry, post: Entry, settings: Settings) -> tuple[Finding, ...]:
    """A post-void volume above the pre-void one before it, by more than the scatter of repeats (25 mL or 20 %)."""
    if pre.state != "pre-void" or post.state != "post-void" or post.attempt in ("unable", "not-attempted"):
        return NOTHING
    if post.moment - pre.moment > dt.timedelta(minutes=settings.pair_minutes):
        return NOTHING
    if post.voids and not any_within(post.voids, pre.moment, post.moment):
        return NOTHING
    pre_span, post_span = pre.bounds, post.bounds
    if pre_span is None or post_span is None:
        return NOTHING
    high, low = pre_span[1], post_span[0]  # without an upper end nothing is above it
    allowed = max(settings.spread_volume, (high + low) / 2 * settings.spread_percent / 100)
    if low - high <= allowed:
        return NOTHING
    return POST_ABOVE_PRE.found(
        facts.record,
        field="void_state",
        expected=f"at most {high + allowed:.0f} mL after the void (exam {post.exam_number})",
        found=f"{pre.comparator or ''}{pre.value} mL before (exam {pre.exam_number}), "
        f"{post.comparator or ''}{post.value} mL after",
        hint="the two exams may be swapped, or of two patients",
    )


def _minutes(start: dt.datetime, end: dt.datetime) -> float:
    return (end - start).total_seconds() / 60


class _Neighbour:
    __slots__ = ("end", "identity", "key", "start")

    def __init__(self, key: tuple[str, str], start: dt.datetime, end: dt.datetime, identity: Identity) -> None:
        self.key, self.start, self.end, self.identity = key, start, end, identity


class _Device:
    """What is kept of a device: its latest exams, and the runs of its exam numbers by what stands before them."""

    def __init__(self) -> None:
        self._recent: deque[_Neighbour] = deque(maxlen=_NEIGHBOURS)
        self._runs: OrderedDict[str, _Run] = OrderedDict()

    def neighbours(self, facts: Facts) -> Iterator[Finding]:
        """Another patient's exam on this device within seconds of this one, from its start to its last scan."""
        record = facts.record
        identity = identity_of(record)
        if identity is None:
            return
        key, start = key_of(record), record.started_at.moment
        taken = [scan.taken_at.moment for scan in record.scans if scan.taken_at is not None]
        end = max([start, *taken])
        for other in self._recent:
            gap = max((start - other.end).total_seconds(), (other.start - end).total_seconds(), 0.0)
            if other.key != key and gap <= facts.settings.swap_seconds and surely_different(identity, other.identity):
                yield from TWO_PATIENTS.found(
                    record,
                    field="patient",
                    expected=f"more than {facts.settings.swap_seconds} s between two patients",
                    found=f"exam {other.key[1]} of another patient {gap:.0f} s apart",
                    hint="make sure that the right patient was selected for both exams",
                )
        self._recent = deque((one for one in self._recent if one.key != key), _NEIGHBOURS)
        self._recent.append(_Neighbour(key, start, end, identity))

    def gaps(self, record: ExamRecord, settings: Settings) -> Iterable[Finding]:
        """Gaps in the numbers that nobody filled while 64 more exams came."""
        match = _NUMBER.match(record.exam_number)
        if match is None:
            return ()
        prefix, number = match[1], int(match[2])
        run = self._runs.pop(prefix, None)
        lost: tuple[Finding, ...] = ()
        if run is None:
            run = _Run(number, prefix, record.device.serial)
            if len(self._runs) >= _PREFIXES:
                lost = tuple(self._runs.popitem(last=False)[1].close())
        self._runs[prefix] = run
        return (*lost, *run.add(number, record, settings.gap_greatest))

    def close(self) -> Iterator[Finding]:
        for run in self._runs.values():
            yield from run.close()


class _Missing(NamedTuple):
    """Numbers that are missing: first and last, when the gap was seen, at which exam."""

    low: int
    high: int
    seen: int
    after: str


class _Run:
    """Numbers of one device with one prefix: the highest so far, and gaps below it that may still be filled."""

    __slots__ = ("_count", "_highest", "_pending", "_prefix", "_serial")

    def __init__(self, first: int, prefix: str, serial: str) -> None:
        self._highest = first
        self._prefix = prefix
        self._serial = serial
        self._count = 0
        self._pending: list[_Missing] = []

    def add(self, number: int, record: ExamRecord, greatest: int) -> Iterator[Finding]:
        self._count += 1
        step = number - self._highest
        if step > greatest + 1 or -step > greatest:
            self._highest = number  # not counted one by one, or a counter set anew
        elif step > 0:
            if step > 1:
                self._pending.append(_Missing(self._highest + 1, number - 1, self._count, record.exam_number))
            self._highest = number
        elif self._pending:
            self._fill(number)
        while self._pending and self._count - self._pending[0].seen >= _PATIENCE:
            yield from self._told(self._pending.pop(0))

    def _fill(self, number: int) -> None:
        pending = []
        for gap in self._pending:
            if gap.low <= number <= gap.high:
                parts = (gap._replace(high=number - 1), gap._replace(low=number + 1))
                pending += [part for part in parts if part.low <= part.high]
            else:
                pending.append(gap)
        self._pending = pending

    def close(self) -> Iterator[Finding]:
        while self._pending:
            yield from self._told(self._pending.pop(0))

    def _told(self, gap: _Missing) -> tuple[Finding, ...]:
        digits = gap.after[len(self._prefix) :]
        width = len(digits) if digits.startswith("0") else 0
        first, last = (f"{self._prefix}{number:0{width}}" for number in (gap.low, gap.high))
        count = gap.high - gap.low + 1
        numbers = f"{first} missing" if count == 1 else f"{first} to {last} missing ({count} exams)"
        return NUMBER_GAP.found(
            gap.after,
            field="exam_number",
            expected="numbers of a device without a gap",
            found=f"{numbers} on device {self._serial}",
            hint="exams that were never sent, or not part of this input",
        )
