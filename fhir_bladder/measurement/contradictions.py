"""Room `measurement`: findings of one exam whose parts contradict each other (`warn`). May import exam.

Arithmetic and the order of events decide; what is slack or a limit of ours says so.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from math import inf

from fhir_bladder.errors import Finding
from fhir_bladder.exam import Timestamp
from fhir_bladder.measurement.ages import age_range
from fhir_bladder.measurement.calculated import scan_by_number
from fhir_bladder.measurement.facts import NOTHING, Check, Facts, Kind, written_slack
from fhir_bladder.measurement.settings import OURS, PRACTICE
from fhir_bladder.measurement.written import span, span_of

TIME_ORDER = Kind("time-order", "warn", "times of the exam contradict each other", f"order of events; slack: {OURS}")
DIAMETERS = Kind(
    "diameters-mismatch", "warn", "the volume does not follow from its diameters and coefficient",
    "V = k · L · W · H within the digits written",
)  # fmt: skip
AGE = Kind("age-implausible", "warn", "an implausible age", OURS)
PREGNANCY = Kind("pregnancy-mismatch", "warn", "a pregnancy where the record speaks against it", PRACTICE)


def time_order(facts: Facts) -> tuple[Finding, ...]:
    """Times that are the wrong way round, by more than clocks may differ (`settings.future_minutes`).

    A scan before the start of its exam or long after it; verified, drained or acted upon before what it follows; a
    catheter removed after an exam that does not have it in place; an earlier void after the last one. The calibration
    counts by its date, and a day more.
    """
    found: tuple[Finding, ...] = NOTHING
    for field, text, expected in _disordered(facts):
        found += TIME_ORDER.found(
            facts.record,
            field=field,
            expected=expected,
            found=text,
            hint="compare the clocks of scanner and record, and look for a slip in date or time zone",
        )
    return found


def _disordered(facts: Facts) -> Iterator[tuple[str, str, str]]:
    """Field, text as written, and what was expected of it."""
    record, slack = facts.record, facts.settings.future
    start, result = record.started_at, facts.result_time
    longest = dt.timedelta(minutes=facts.settings.exam_minutes)
    for index, scan in enumerate(record.scans):
        time = scan.taken_at
        if time is not None and not start.moment - slack <= time.moment <= start.moment + longest:
            within = f"within {facts.settings.exam_minutes} min from the start of the exam, {start.text}"
            yield f"scans.{index}.taken_at", time.text, within
    after: list[tuple[str, Timestamp | None, Timestamp]] = [
        ("verified.at", record.verified.at if record.verified is not None else None, start),
        ("action.at", record.action.at if record.action is not None else None, start),
        ("catheterised_at", record.catheterised_at, result),
    ]
    for field, time, reference in after:
        if time is not None and time.moment < reference.moment - slack:
            yield field, time.text, f"at or after {reference.text}"
    removed, voided = record.catheter_removed_at, record.voided_at
    if removed is not None and removed.moment > start.moment + slack and not record.catheter_in_place:
        yield "catheter_removed_at", removed.text, f"at or before {start.text}"
    for index, void in enumerate(record.earlier_voids or ()):
        # of one hand and one clock: only what is not written is taken off
        if voided is not None and void.at.moment > voided.moment + max(written_slack(void.at), written_slack(voided)):
            yield f"earlier_voids.{index}.at", void.at.text, f"at or before the last void, {voided.text}"
    calibrated = record.device.calibrated_on
    latest = (start.moment.date() + dt.timedelta(days=1)).isoformat()  # the scanner's zone may be another
    if calibrated is not None and calibrated > latest[: len(calibrated)]:
        yield "device.calibrated_on", calibrated, f"at or before {latest}"


def diameters_mismatch(facts: Facts) -> tuple[Finding, ...]:
    """A volume that its own diameters and coefficient do not give, by more than the written digits explain."""
    diameters = facts.record.diameters
    if diameters is None:
        return NOTHING
    number = diameters.scan_number
    scan = facts.choice.scan if number is None else scan_by_number(facts.record, number)
    if scan is None or scan.volume is None:
        return NOTHING
    low, high = span_of(diameters.coefficient)
    for diameter in (diameters.length, diameters.width, diameters.height):
        least, greatest = span(diameter)
        if greatest <= 0:
            return NOTHING
        low, high = low * max(least, 0.0) / 10, high * greatest / 10
    volume_low, volume_high = span(scan.volume)
    if scan.volume.comparator is not None:
        volume_low, volume_high = (volume_low, inf) if scan.volume.comparator == ">" else (0.0, volume_high)
    if volume_low <= high and low <= volume_high:
        return NOTHING
    return DIAMETERS.found(
        facts.record,
        field="diameters",
        expected=f"a volume of {low:.0f} to {high:.0f} mL",
        found=f"{scan.volume.comparator or ''}{scan.volume.value} {scan.volume.unit}",
        hint="check the diameters, their units and the coefficient on the scanner",
    )


def age_implausible(facts: Facts) -> tuple[Finding, ...]:
    """An age above `settings.greatest_age` years: often a date put in for an unknown one."""
    patient, greatest = facts.record.patient, facts.settings.greatest_age
    ages = age_range(patient.birth_date if patient is not None else None, facts.record.started_at.moment.date())
    if ages is None or ages[0] <= greatest:
        return NOTHING
    return AGE.found(
        facts.record,
        field="patient.birth_date",
        expected=f"at most {greatest} years",
        found=f"{ages[0]} years",
        hint="correct the birth date, or leave it out where it is unknown",
    )


def pregnancy_mismatch(facts: Facts) -> tuple[Finding, ...]:
    """A pregnancy against recorded hysterectomy or male gender: one of them, or the patient, is the wrong one."""
    record = facts.record
    male = record.patient is not None and record.patient.administrative_gender == "male"
    if not record.pregnant or not (record.hysterectomy or male):
        return NOTHING
    against = "hysterectomy recorded" if record.hysterectomy else "administrative gender male"
    return PREGNANCY.found(
        record,
        field="pregnant",
        expected="no pregnancy",
        found=f"pregnant, {against}",
        hint="correct what is wrong; make sure it is the right patient",
    )


CHECKS: tuple[Check, ...] = (time_order, diameters_mismatch, age_implausible, pregnancy_mismatch)
KINDS = (TIME_ORDER, DIAMETERS, AGE, PREGNANCY)
