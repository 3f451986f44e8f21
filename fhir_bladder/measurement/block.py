"""Room `measurement`: findings that hold an exam back (`block`). May import exam.

Sources: identity and time checks are what safe filing asks for (common practice); the greatest volume is ours.
"""

from __future__ import annotations

import datetime as dt

from fhir_bladder.errors import Finding
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
            hint="identify the patient from the order or the scanner's log, then release the exam",
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
    """A value below 0 or not finite, or a volume above the greatest one (default 5,000 mL, inclusive)."""
    greatest = facts.settings.impossible_volume
    record = facts.record
    if record.diameters is None and record.earlier_voids is None and record.catheterised_volume is None:
        wall, voided = record.wall, record.voided_volume
        if all(0 <= value <= greatest for _, value, _ in facts.volumes) and (
            voided is None or 0 <= voided.canonical <= greatest
        ):
            if wall is None:
                return NOTHING
            received = (wall.thickness, wall.caliper_thickness, wall.surface_area, wall.mass, wall.probe_frequency)
            if all(one is None or (one.value.is_finite() and one.value >= 0) for one in received):
                return NOTHING
    found: tuple[Finding, ...] = NOTHING
    for field, quantity in facts.quantities():
        limited = quantity.kind == "volume"
        if not quantity.value.is_finite() or quantity.value < 0 or (limited and quantity.canonical > greatest):
            found += VALUE_IMPOSSIBLE.found(
                record,
                field=field,
                expected=f"0 to {greatest} mL" if limited else "0 or above",
                found=f"{quantity.comparator or ''}{quantity.value} {quantity.unit}",
                hint="read the value again on the scanner; correct the number or its unit",
            )
    return found


def void_order(facts: Facts) -> tuple[Finding, ...]:
    """A void after the post-void scan, or between the scans of one exam.

    A time written without seconds may lie a minute off; times are compared only as exactly as they are written.
    """
    record = facts.record
    if record.voided_at is None and not record.earlier_voids:
        return NOTHING
    found: tuple[Finding, ...] = NOTHING
    result_time = facts.result_time
    taken = [scan.taken_at for scan in record.scans if scan.taken_at is not None]
    first = min(taken, key=lambda time: time.moment, default=None)
    last = max(taken, key=lambda time: time.moment, default=None)
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
        if (
            first is not None
            and last is not None
            and first.moment + max(written_slack(first), written_slack(void)) < void.moment
            and void.moment + max(written_slack(last), written_slack(void)) < last.moment
        ):
            found += VOID_BETWEEN_SCANS.found(
                record,
                field=field,
                expected="all scans of an exam on one side of a void",
                found=f"void at {void.text}, scans from {first.text} to {last.text}",
                hint="send the scans before and after the void as two exams",
            )
    return found


def time_order(facts: Facts) -> tuple[Finding, ...]:
    """A time later than now (clocks may differ by `settings.future_minutes`), or before the patient's birth."""
    record = facts.record
    limit = facts.now + dt.timedelta(minutes=facts.settings.future_minutes)
    birth = record.patient.birth_date if record.patient is not None else None
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
        # Ages come from dates as written; only a year that could be before birth is looked at closely.
        if birth is not None and moment.year <= int(birth[:4]):
            ages = age_range(birth, moment.date())
            if ages is not None and ages[1] < 0:
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
