"""Room `measurement`: findings of one exam that are only remarked (`note`). May import exam."""

from __future__ import annotations

from fhir_bladder.errors import Finding
from fhir_bladder.measurement.facts import NOTHING, Check, Facts, Kind, at_midnight
from fhir_bladder.measurement.settings import OURS, PRACTICE

OUTSIDE_RANGE = Kind("outside-filling-range", "note", "wall values outside the filling range", PRACTICE)
AGE_UNKNOWN = Kind("age-unknown", "note", "the age is unknown, the filling range of adults was applied", PRACTICE)
ZERO_VOLUME = Kind("zero-volume", "note", "0 mL without recorded centring: empty, or not found", PRACTICE)
TINY_VOLUME = Kind("volume-tiny", "note", "a volume above 0 and below 1 mL, as where litres were written as mL", OURS)
MIDNIGHT = Kind("midnight-time", "note", "a time of exactly midnight, as where only a date was known", PRACTICE)
NOT_STATED = Kind("result-not-stated", "note", "no scan was stated as the result", "rule of the exam record")
VOID_NOT_RECORDED = Kind("void-not-recorded", "note", "a post-void scan, and nothing tells of the void", PRACTICE)


def outside_range(facts: Facts) -> tuple[Finding, ...]:
    """Wall values received while the volume of their scan is outside the filling range, or unknown; age unknown."""
    record = facts.record
    wall = record.wall
    if wall is None:
        return NOTHING
    if wall.thickness is None and wall.caliper_thickness is None and wall.surface_area is None and wall.mass is None:
        return NOTHING
    filling = facts.filling
    assert filling is not None  # there is a wall
    if filling.child:
        return NOTHING
    found: tuple[Finding, ...] = NOTHING
    if not filling.inside:
        volume = "unknown" if filling.volume is None else f"{filling.comparator or ''}{filling.volume} mL"
        found = OUTSIDE_RANGE.found(
            record,
            field="wall",
            expected=f"volume of the wall's scan {facts.settings.filling_text}",
            found=volume,
            hint="the values are sent as received and marked; nothing is calculated from them",
        )
    if filling.age_note:
        found += AGE_UNKNOWN.found(
            record,
            field="patient.birth_date",
            expected="a birth date",
            found="none, or too vague",
            hint="below 18 years the filling range does not apply",
        )
    return found


def zero_volume(facts: Facts) -> tuple[Finding, ...]:
    """A volume of 0 mL whose scan does not say how it was centred."""
    found: tuple[Finding, ...] = NOTHING
    for index, scan, value, _ in facts.volumes:
        if not value and (scan.centring is None or scan.centring == "unknown"):
            found += ZERO_VOLUME.found(
                facts.record,
                field=f"scans.{index}.centring",
                expected="centring recorded with a volume of 0 mL",
                found=f"scan {scan.scan_number}: 0 mL, centring {scan.centring or 'not recorded'}",
                hint="an empty bladder is hard to see; say so, or report it as not-seen",
            )
    return found


def tiny_volume(facts: Facts) -> tuple[Finding, ...]:
    """A volume above 0 and below 1 mL, which no scanner tells from 0."""
    found: tuple[Finding, ...] = NOTHING
    for field, value, _ in facts.all_volumes():
        if 0 < value < 1:
            found += TINY_VOLUME.found(
                facts.record,
                field=field,
                expected="0 mL, or 1 mL and more",
                found=f"{value} mL",
                hint="check the unit; 0.186 L is 186 mL",
            )
    return found


def midnight(facts: Facts) -> tuple[Finding, ...]:
    """A time of the record on the stroke of midnight, local; one finding an exam."""
    for field, time in facts.times():
        if at_midnight(time.moment):
            return MIDNIGHT.found(
                facts.record,
                field=field,
                expected="a time of day",
                found=time.text,
                hint="enter the time if it is known; minutes since void and comparisons depend on it",
            )
    return NOTHING


def result_not_stated(facts: Facts) -> tuple[Finding, ...]:
    """The result was chosen by quality because nothing was stated, or none could be chosen."""
    choice = facts.choice
    if not choice.note:
        return NOTHING
    return NOT_STATED.found(
        facts.record,
        field="reported_scan",
        expected="the reported scan, or a rule that chooses it",
        found=choice.text,
        hint="state reported_scan" if choice.scan is None else "",
    )


def void_not_recorded(facts: Facts) -> tuple[Finding, ...]:
    """Post-void, without attempt, time or volume of a void."""
    record = facts.record
    if (
        record.void_state != "post-void"
        or record.void_attempt not in (None, "unknown")
        or record.voided_at is not None
        or record.voided_volume is not None
        or record.earlier_voids
    ):
        return NOTHING
    return VOID_NOT_RECORDED.found(
        record,
        field="voided_at",
        expected="time, volume or attempt of the void",
        found="none of them",
        hint="a residual without the time since the void is hard to judge",
    )


CHECKS: tuple[Check, ...] = (outside_range, zero_volume, tiny_volume, midnight, result_not_stated, void_not_recorded)
KINDS = (OUTSIDE_RANGE, AGE_UNKNOWN, ZERO_VOLUME, TINY_VOLUME, MIDNIGHT, NOT_STATED, VOID_NOT_RECORDED)
