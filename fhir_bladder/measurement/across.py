"""Room `measurement`: findings across the exams of a stream, in time order, with bounded memory. May import exam.

A stream is expected in time order; exams that come a little late are still compared with their neighbours.
Retracted exams are forgotten, a newer version takes the place of the older one.
"""

from __future__ import annotations

import datetime as dt
from collections import OrderedDict
from collections.abc import Iterator
from decimal import Decimal
from itertools import pairwise
from typing import NamedTuple

from fhir_bladder.errors import Finding
from fhir_bladder.exam import ExamRecord, status_of
from fhir_bladder.measurement import plausible
from fhir_bladder.measurement.devices import NUMBER_GAP, TWO_PATIENTS, Device
from fhir_bladder.measurement.facts import NOTHING, Facts, Kind, at_midnight
from fhir_bladder.measurement.patients import (
    RETRACTED,
    Course,
    Courses,
    Entry,
    any_within,
    entry_of,
    key_of,
)
from fhir_bladder.measurement.settings import DEFAULT, OURS, PRACTICE, Settings

POST_ABOVE_PRE = Kind("post-void-above-pre-void", "warn", "more after the void than before it", OURS)
VOID_NOT_SEEN = Kind(
    "void-not-seen", "warn", "a void was measured, but the scans hardly fell",
    f"a cyst read as bladder was catheterised again and again, Am J Case Rep 2022;23:e937318 (seen); limits: {OURS}",
)  # fmt: skip
EXAM_TWICE = Kind("exam-twice", "warn", "the same exam under two numbers", PRACTICE)
NUMBER_TWICE = Kind(
    "exam-number-twice", "block", "one exam number stands for two exams",
    "rule of the exam record: unique within the device; other content needs status amended or corrected",
)  # fmt: skip
KINDS = (NUMBER_TWICE, POST_ABOVE_PRE, VOID_NOT_SEEN, TWO_PATIENTS, EXAM_TWICE, NUMBER_GAP)

_DEVICES = 1_000


class Stream:
    """Findings across exams: `add` each record, `close` at the end. Memory is bounded by the limits given."""

    def __init__(self, settings: Settings = DEFAULT, *, patients: int = 20_000) -> None:
        self.settings = settings
        self.courses = Courses(patients)
        self._contents: OrderedDict[tuple[str, str], _Content] = OrderedDict()
        self._kept = patients
        self._devices: OrderedDict[str, Device] = OrderedDict()

    def add(self, facts: Facts) -> tuple[list[Finding], Course | None]:
        """Findings of this exam with those before it, and the patient's course (None without identifier)."""
        record = facts.record
        device, found = self._device(record)
        retracted = record.status in RETRACTED
        found += device.gaps(record, self.settings)
        if not retracted:
            found += self._number_twice(record)
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

    def _number_twice(self, record: ExamRecord) -> tuple[Finding, ...]:
        """Another exam under the number of an earlier one, as push would hold it.

        Neither is amended or corrected, nor was the earlier one preliminary: that may still grow, for the same patient.
        A patient is another one where both have identifiers and share none; an unknown one may be identified later.
        """
        key, content = key_of(record), _content_of(record)
        before = self._contents.pop(key, content)
        self._contents[key] = content
        if len(self._contents) > self._kept:
            self._contents.popitem(last=False)
        other = bool(before.patient and content.patient) and before.patient.isdisjoint(content.patient)
        differ = ["patient"] if other else []
        if not before.preliminary:
            differ += [name for name in ("time", "scans") if getattr(before, name) != getattr(content, name)]
        if not differ or before.changed or content.changed:
            return NOTHING
        return NUMBER_TWICE.found(
            record,
            field="exam_number",
            expected="one exam for a number, or status amended or corrected",
            found=f"an exam of this number that differs in {', '.join(differ)}",
            hint="find out which exam it is; give it its own number, or say that it was amended",
        )

    def close(self) -> list[Finding]:
        """Gaps in exam numbers that were never filled."""
        return [finding for device in self._devices.values() for finding in device.close()]

    def _device(self, record: ExamRecord) -> tuple[Device, list[Finding]]:
        """The device of an exam, and the gaps of one that is forgotten for it."""
        serial = record.device.serial
        device = self._devices.pop(serial, None) or Device()
        self._devices[serial] = device
        if len(self._devices) <= _DEVICES:
            return device, []
        return device, list(self._devices.popitem(last=False)[1].close())


def _with_course(facts: Facts, entry: Entry, course: Course) -> Iterator[Finding]:
    """The exam against the patient's other exams nearby; one of exactly midnight may be of the whole day: with none."""
    settings = facts.settings
    others = [] if at_midnight(entry.moment) else [one for one in course.entries if not at_midnight(one.moment)]
    earlier = [other for other in others if other.moment <= entry.moment]
    later = [other for other in others if other.moment > entry.moment]
    for other in others:
        yield from _tenfold(facts, entry, other, settings)
        yield from _exam_twice(facts, entry, other)
    if earlier:
        yield from _filling(facts, earlier[-1], entry)
    if later:
        yield from _filling(facts, entry, later[0])
    for pre, post in pairwise([*earlier[-1:], entry, *later[:1]]):
        yield from _post_above_pre(facts, pre, post, settings) or _void_not_seen(facts, pre, post, settings)


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
    if not _paired(pre, post, settings):
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


def _paired(pre: Entry, post: Entry, settings: Settings) -> bool:
    """Whether two exams are before and after one void, as far as they tell."""
    if pre.state != "pre-void" or post.state != "post-void" or post.attempt in ("unable", "not-attempted"):
        return False
    if post.moment - pre.moment > dt.timedelta(minutes=settings.pair_minutes):
        return False
    return not post.voids or any_within(post.voids, pre.moment, post.moment)


def _void_not_seen(facts: Facts, pre: Entry, post: Entry, settings: Settings) -> tuple[Finding, ...]:
    """A measured void that the scans before and after it do not show: what is seen there may not be the bladder.

    Taken off first: the scatter of repeats (25 mL or 20 % of the volume before) and what may have come between the
    scans, before the void and after it, at `settings.filling_rate`.
    """
    pre_span, post_span = pre.bounds, post.bounds
    if not _paired(pre, post, settings) or pre_span is None or post_span is None or post.voided is None:
        return NOTHING
    fell = pre_span[1] - post_span[0]
    minutes = Decimal(_minutes(pre.moment, post.moment) + max(pre.slack, post.slack).total_seconds() / 60)
    allowed = max(settings.spread_volume, pre_span[1] * settings.spread_percent / 100) + settings.filling_rate * minutes
    if post.voided - fell <= allowed:
        return NOTHING
    return VOID_NOT_SEEN.found(
        facts.record,
        field="scans",
        expected=f"at least {post.voided - allowed:.0f} mL less after a void of {post.voided} mL",
        found=f"{pre.comparator or ''}{pre.value} mL before (exam {pre.exam_number}), "
        f"{post.comparator or ''}{post.value} mL after (exam {post.exam_number})",
        hint="think of a cyst, ascites or another collection read as bladder; scan again, check the voided volume",
    )


def _exam_twice(facts: Facts, entry: Entry, other: Entry) -> tuple[Finding, ...]:
    """One patient, one moment, one void state, one volume, two exam numbers."""
    same = entry.moment == other.moment and entry.state == other.state
    if not same or entry.value is None or (entry.value, entry.comparator) != (other.value, other.comparator):
        return NOTHING
    return EXAM_TWICE.found(
        facts.record,
        field="exam_number",
        expected="one number for an exam",
        found=f"the time, void state and volume of exam {other.exam_number}",
        hint="retract one of the two, or correct the time",
    )


class _Content(NamedTuple):
    """What makes an exam another one, as hashes; whether it may still grow, and whether it says that it was changed."""

    patient: frozenset[int]
    time: int
    scans: int
    preliminary: bool
    changed: bool


def _content_of(record: ExamRecord) -> _Content:
    identifiers = record.patient.identifiers if record.patient is not None else None
    scans = [
        (scan.scan_number, scan.absent_reason, scan.volume and (scan.volume.canonical, scan.volume.comparator))
        for scan in record.scans
    ]
    return _Content(
        frozenset(hash((one.system, one.value)) for one in identifiers or ()),
        hash((record.started_at.moment, record.void_state)),
        hash((tuple(scans), record.reported_scan)),
        status_of(record) == "preliminary",
        record.status in ("amended", "corrected"),
    )


def _minutes(start: dt.datetime, end: dt.datetime) -> float:
    return (end - start).total_seconds() / 60
