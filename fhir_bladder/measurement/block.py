"""Room `measurement`: findings that hold an exam back (`block`). May import exam.

Sources: identity and time checks are what safe filing asks for (common practice); the greatest volume is ours.
"""

from __future__ import annotations

import datetime as dt

from fhir_bladder.errors import Finding
from fhir_bladder.exam import Timestamp
from fhir_bladder.measurement.ages import age_range
from fhir_bladder.measurement.facts import NOTHING, Check, Facts, Kind, written_slack
from fhir_bladder.measurement.settings import OURS, PRACTICE

IDENTITY_MISSING = Kind("identity-missing", "block", "the exam names no patient identifier", PRACTICE)
IDENTITY_CONTRADICTS = Kind(
    "identity-contradicts", "block", "two different identifiers of one system contradict each other", PRACTICE
)
VALUE_IMPOSSIBLE = Kind("value-impossible", "block", "a value no bladder has", f"below 0: physics; above: {OURS}")
VOID_AFTER_SCAN = Kind("void-after-scan", "block", "the void is later than the post-void scan", "order of events")
VOID_BETWEEN_SCANS = Kind(
    "void-between-scans", "block", "a void lies between the scans of one exam, pre- and post-void are mixed",
    "order of events",
)  # fmt: skip
TIME_IN_FUTURE = Kind("time-in-future", "block", "a time lies in the future", f"order of events; slack: {OURS}")
BEFORE_BIRTH = Kind("before-birth", "block", "a time lies before the patient's birth", "order of events")


def identity(facts: Facts) -> tuple[Finding, ...]:
    """No patient identifier, or two of one system and type with different values."""
    record = facts.record
    identifiers = record.patient.identifiers if record.patient is not None else None
    if not identifiers:
        return IDENTITY_MISSING.found(
            record,
            field="patient.identifiers",
            expected="at least one patient identifier",
            found="none",
            hint="identify the patient from the order or the scanner's log, then give the record again",
        )
    if len(identifiers) == 1:
        return NOTHING
    seen: dict[tuple[str, str | None], str] = {}
    for index, one in enumerate(identifiers):
        if seen.setdefault((one.system, one.type), one.value) != one.value:
            return IDENTITY_CONTRADICTS.found(
                record,
                field=f"patient.identifiers.{index}",
                expected="one value in a system",
                found=f"two values in {one.system}",
                hint="find out whose exam it is; keep the right identifier only",
            )
    return NOTHING


def value_impossible(facts: Facts) -> tuple[Finding, ...]:
    """A value below 0, or a volume above the greatest one (default 5,000 mL, inclusive).

    What is not finite never comes here: the model of the record refuses it.
    """
    greatest = facts.settings.impossible_volume
    record = facts.record
    if _surely_possible(facts):
        return NOTHING
    found: tuple[Finding, ...] = NOTHING
    for field, quantity in facts.quantities():
        limited = quantity.kind == "volume"
        if quantity.value < 0 or (limited and quantity.canonical > greatest):
            found += VALUE_IMPOSSIBLE.found(
                record,
                field=field,
                expected=f"0 to {greatest} mL" if limited else "0 or above",
                found=f"{quantity.comparator or ''}{quantity.value} {quantity.unit}",
                hint="read the value again on the scanner; correct the number or its unit",
            )
    return found


def _surely_possible(facts: Facts) -> bool:
    """The common case in few steps; where it is not sure, every quantity is looked at by name."""
    record, greatest = facts.record, facts.settings.impossible_volume
    for _, _, value, _ in facts.volumes:
        if not 0 <= value <= greatest:
            return False
    if record.diameters is not None or record.earlier_voids is not None or record.catheterised_volume is not None:
        return False
    if record.voided_volume is not None and not 0 <= record.voided_volume.canonical <= greatest:
        return False
    wall = record.wall
    if wall is not None:
        for one in (wall.thickness, wall.surface_area, wall.caliper_thickness, wall.mass, wall.probe_frequency):
            if one is not None and not one.value >= 0:
                return False
    return True


def void_order(facts: Facts) -> tuple[Finding, ...]:
    """A void after the post-void scan, or between the scans of one exam.

    A time written without seconds may lie a minute off; times are compared only as exactly as they are written.
    """
    record = facts.record
    if record.voided_at is None and not record.earlier_voids:
        return NOTHING
    result_time = facts.result_time
    found: tuple[Finding, ...] = NOTHING
    taken = [scan.taken_at for scan in record.scans if scan.taken_at is not None]
    ends = (min(taken, key=_moment), max(taken, key=_moment)) if len(taken) > 1 else None
    for field, void in facts.voids():
        if (
            record.void_state == "post-void"
            and void.moment > result_time.moment
            and void.moment > result_time.moment + max(written_slack(void), written_slack(result_time))
        ):
            found += VOID_AFTER_SCAN.found(
                record,
                field=field,
                expected=f"at or before {result_time.text}",
                found=void.text,
                hint="correct the time of the void, or the void state of the exam",
            )
        if ends is not None and _between(void, *ends):
            first, last = ends
            found += VOID_BETWEEN_SCANS.found(
                record,
                field=field,
                expected="all scans of an exam on one side of a void",
                found=f"void at {void.text}, scans from {first.text} to {last.text}",
                hint="send the scans before and after the void as two exams",
            )
    return found


def _between(void: Timestamp, first: Timestamp, last: Timestamp) -> bool:
    """Whether a time lies between two others however they were rounded when written."""
    after = first.moment + max(written_slack(first), written_slack(void)) < void.moment
    return after and void.moment + max(written_slack(last), written_slack(void)) < last.moment


def _moment(time: Timestamp) -> dt.datetime:
    return time.moment


def time_order(facts: Facts) -> tuple[Finding, ...]:
    """A time later than now (clocks may differ by `settings.future_minutes`), or before the patient's birth."""
    record = facts.record
    limit = facts.now + facts.settings.future
    birth = record.patient.birth_date if record.patient is not None else None
    moments = facts.moments
    if max(moments) <= limit and (birth is None or min(moments).year > int(birth[:4])):
        return NOTHING
    found: tuple[Finding, ...] = NOTHING
    for field, time in facts.times():
        moment = time.moment
        if moment > limit:
            found += TIME_IN_FUTURE.found(
                record,
                field=field,
                expected=f"at or before {limit.isoformat(timespec='seconds')}",
                found=time.text,
                hint="set the scanner's clock or its time zone, then correct the time",
            )
        if birth is not None:
            ages = age_range(birth, moment.date())
            assert ages is not None
            if ages[1] < 0:
                found += BEFORE_BIRTH.found(
                    record,
                    field=field,
                    expected=f"on or after {birth}",
                    found=time.text,
                    hint="correct the birth date or the time; make sure it is the right patient",
                )
    return found


CHECKS: tuple[Check, ...] = (identity, value_impossible, void_order, time_order)
KINDS = (
    IDENTITY_MISSING, IDENTITY_CONTRADICTS, VALUE_IMPOSSIBLE, VOID_AFTER_SCAN, VOID_BETWEEN_SCANS, TIME_IN_FUTURE,
    BEFORE_BIRTH,
)  # fmt: skip
