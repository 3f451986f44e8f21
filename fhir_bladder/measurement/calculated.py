"""Room `measurement`: what we calculate of one exam, with model, constants and the words for what is absent.

May import exam. What is calculated never overwrites what was received; each value is rounded once, at the end.
"""

from __future__ import annotations

from decimal import Decimal
from typing import NamedTuple

from fhir_bladder.exam import ExamRecord
from fhir_bladder.exam.model import Scan, Wall
from fhir_bladder.measurement import mass, voiding
from fhir_bladder.measurement.ages import is_child
from fhir_bladder.measurement.choice import Choice, bounds, choose
from fhir_bladder.measurement.settings import AGE_UNKNOWN_TEXT, CHILD_TEXT, DEFAULT, Settings

AREA_THICKNESS, SPHERE_SHELL = "area-thickness", "sphere-shell"
_GREATEST = 1_000_000  # mm, cm2, mL: nothing beyond is worth a calculation
NOT_FROM_DETRUSOR = "not calculated from the thickness of the detrusor alone"


class Filling(NamedTuple):
    """Volume of the wall's scan in mL and what the filling range says of it; fields as in Calculated."""

    volume: Decimal | None
    comparator: str | None
    scan: int | None
    inside: bool | None
    mark: str
    age_note: str
    child: bool | None


class Calculated(NamedTuple):
    """What we calculate of an exam; None or empty where it does not apply.

    mass: g, one decimal. model: AREA_THICKNESS or SPHERE_SHELL. density: g/mL. thickness: mm, the one used, with
    thickness_source `automatic` or `caliper`. mass_text: words that go with the mass. mass_absent: why there is no
    mass though a thickness was received (`not-performed`); empty where no thickness was received.
    filling_volume: mL, of the wall's scan, with filling_comparator and filling_scan. inside: whether it lies in the
    filling range; None where that cannot be told or does not apply. wall_mark: words that mark received wall values
    (outside or unknown, children), empty inside the range. age_note: said where the age is unknown.
    efficiency: %, one decimal. efficiency_absent: why a voiding efficiency with a measured void has no value.
    minutes: whole minutes since the last void; minutes_basis: up to when. filling: all of the filling range at once.
    """

    mass: Decimal | None = None
    model: str = ""
    density: Decimal | None = None
    thickness: Decimal | None = None
    thickness_source: str = ""
    mass_text: str = ""
    mass_absent: str = ""
    filling_volume: Decimal | None = None
    filling_comparator: str | None = None
    filling_scan: int | None = None
    inside: bool | None = None
    wall_mark: str = ""
    age_note: str = ""
    efficiency: Decimal | None = None
    efficiency_absent: str = ""
    minutes: int | None = None
    minutes_basis: str = ""
    filling: Filling | None = None


class _Mass(NamedTuple):
    value: Decimal | None = None
    model: str = ""
    density: Decimal | None = None
    thickness: Decimal | None = None
    source: str = ""
    text: str = ""
    absent: str = ""


def calculate(record: ExamRecord, settings: Settings = DEFAULT, *, choice: Choice | None = None) -> Calculated:
    """Calculated mass, voiding efficiency, minutes since void and the filling range of one exam.

    `choice` saves choosing again. Never raises on a record that the model accepts.
    """
    choice = choice or choose(record)
    minutes, basis = since_void(record, choice)
    efficiency, efficiency_absent = voiding_efficiency(record, choice, minutes, settings)
    wall = record.wall
    if wall is None:
        return Calculated(
            efficiency=efficiency, efficiency_absent=efficiency_absent, minutes=minutes, minutes_basis=basis
        )
    filling = filling_of(record, wall, choice, settings)
    value, model, density, thickness, source, text, absent = _mass(wall, filling, settings)
    return Calculated(
        value, model, density, thickness, source, text, absent,
        filling.volume, filling.comparator, filling.scan, filling.inside, filling.mark, filling.age_note,
        efficiency, efficiency_absent, minutes, basis, filling,
    )  # fmt: skip


def scan_by_number(record: ExamRecord, number: int) -> Scan | None:
    """The scan of that number, None where there is none."""
    return next((scan for scan in record.scans if scan.scan_number == number), None)


def filling_of(record: ExamRecord, wall: Wall, choice: Choice, settings: Settings = DEFAULT) -> Filling:
    """The volume of the wall's scan against the filling range (inclusive, before any rounding).

    The wall's scan is `wall.scan_number`; where that is not stated, the scan that is the result. Without either (a
    median, a mean, none chosen) the volume is unknown.
    """
    scan = choice.scan
    if wall.scan_number is not None:
        scan = scan_by_number(record, wall.scan_number)
    number, volume, comparator = None, None, None
    if scan is not None:
        number = scan.scan_number
        if scan.volume is not None:
            received = scan.volume
            volume = received.value if received.unit == "mL" else received.canonical
            comparator = received.comparator
    birth = record.patient.birth_date if record.patient is not None else None
    child = None if birth is None else is_child(birth, record.started_at.moment.date(), settings.adult_age)
    if child:
        return Filling(volume, comparator, number, None, CHILD_TEXT, "", child)
    inside = None
    if volume is not None:
        inside = settings.filling_low <= volume <= settings.filling_high
        if comparator is not None:  # the bound itself does not belong to what it bounds
            low, high = bounds(volume, comparator)
            inside = False if high <= settings.filling_low or low >= settings.filling_high else None
    if inside:
        mark = ""
    elif inside is None:
        mark = f"volume unknown, filling range {settings.filling_text}"
    else:
        mark = settings.outside_text
    return Filling(volume, comparator, number, inside, mark, "" if child is False else AGE_UNKNOWN_TEXT, child)


def _mass(wall: Wall, filling: Filling, settings: Settings) -> _Mass:
    received, source = wall.thickness, "automatic"
    if received is None:
        received, source = wall.caliper_thickness, "caliper"
    if received is None:
        return _Mass()
    if filling.child:
        return _Mass(absent=CHILD_TEXT)
    if not filling.inside:
        return _Mass(absent=settings.outside_text)
    assert filling.volume is not None
    if wall.layer == "detrusor":
        return _Mass(absent=NOT_FROM_DETRUSOR)
    area = wall.surface_area
    thickness = received.canonical
    if not 0 < thickness <= _GREATEST or (area is not None and not 0 < area.canonical <= _GREATEST):
        return _Mass(absent="not calculated, thickness or area is not above 0 or beyond any bladder")
    by_hand = ", thickness by caliper" if source == "caliper" else ""
    layer = "" if wall.layer == "whole-wall" else ", layer not stated, taken as whole wall"
    density = settings.density
    if area is not None:
        model = AREA_THICKNESS
        exact: Decimal | float = mass.area_thickness_mass(area.canonical, thickness, density)
        text = f"calculated, area × thickness × {density} g/mL{by_hand}{layer}"
    else:
        model = SPHERE_SHELL
        exact = mass.shell_mass(float(filling.volume), float(thickness), float(density))
        text = f"calculated, sphere shell × {density} g/mL{by_hand}{layer}"
    return _Mass(voiding.one_decimal(exact), model, density, thickness, source, text)


def since_void(record: ExamRecord, choice: Choice) -> tuple[int | None, str]:
    """Whole minutes from the last void to the reported scan, else to the start of the exam, and the words for which.

    None without a time of the void, and where the void is later (a `block` finding of a post-void exam).
    """
    voided = record.voided_at
    if voided is None:
        return None, ""
    scan = choice.scan
    if scan is not None and scan.taken_at is not None:
        end, basis = scan.taken_at, f"from the void to scan {scan.scan_number}"
    else:
        end, basis = record.started_at, "from the void to the start of the exam"
    minutes = voiding.minutes_between(voided.moment, end.moment)
    return minutes, basis if minutes is not None else ""


def voiding_efficiency(
    record: ExamRecord, choice: Choice, minutes: int | None, settings: Settings = DEFAULT
) -> tuple[Decimal | None, str]:
    """Voiding efficiency in % to one decimal, or the words why a measured void gives none.

    Only of a verified post-void result without catheter and comparator, with a measured void right before: not later
    than the scan and, where the time is known, at most `settings.efficiency_minutes` before it (our suggestion).
    """
    voided = record.voided_volume
    if (
        voided is None
        or record.void_state != "post-void"
        or record.verified is None
        or not record.void_measured
        or record.catheter_in_place
        or record.void_attempt == "not-attempted"
        or choice.value is None
        or choice.comparator is not None
    ):
        return None, ""
    if record.voided_at is not None and (minutes is None or minutes > settings.efficiency_minutes):
        return None, ""
    volume, residual = voided.canonical, choice.value
    if not (0 <= volume <= _GREATEST and 0 <= residual <= _GREATEST):
        return None, ""
    exact = voiding.efficiency(volume, residual)
    if exact is None:
        return None, "voided volume and residual are both 0 mL"
    return voiding.one_decimal(exact), ""
