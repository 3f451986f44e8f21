"""Room `measurement`: findings of one exam that a person should look at (`warn`). May import exam.

Limits marked as our suggestion are ours and no literature; a site sets them (`Settings`).
"""

from __future__ import annotations

from decimal import Decimal
from itertools import combinations, pairwise

from fhir_bladder.errors import Finding
from fhir_bladder.exam.model import Length, Scan
from fhir_bladder.measurement import geometry, mass
from fhir_bladder.measurement.calculated import scan_by_number
from fhir_bladder.measurement.facts import NOTHING, Check, Facts, Kind
from fhir_bladder.measurement.settings import OURS, PRACTICE
from fhir_bladder.measurement.written import span

VOLUME_LARGE = Kind("volume-large", "warn", "a very large volume", OURS)
TENFOLD = Kind("repeat-tenfold", "warn", "two repeats differ by a factor of ten, as after a slip of the point", OURS)
SPREAD = Kind("repeat-spread", "warn", "the repeats of one exam lie far apart", OURS)
FILLING_RATE = Kind("filling-rate", "warn", "the bladder would have filled too fast between two scans", OURS)
AREA_BELOW_SPHERE = Kind(
    "area-below-sphere", "warn", "the surface area is less than any closed surface around the volume has",
    "isoperimetric theorem; a partial surface or a slip of the unit explains it",
)  # fmt: skip
AREA_FAR_ABOVE = Kind(
    "area-far-above-sphere", "warn", "the surface area is far more than a bladder of the volume has",
    f"ellipsoids up to 3:1 stay below 1.3 times the sphere's (geometry); the factor: {OURS}",
)  # fmt: skip
MASS_IMPLAUSIBLE = Kind(
    "mass-implausible", "warn", "the received mass does not fit area and thickness",
    "Steiner's formula and Minkowski's inequality; densities 0.95 to 1.06 g/mL and 1 % for shape: " + OURS,
)  # fmt: skip
THICKNESS_IMPLAUSIBLE = Kind("thickness-implausible", "warn", "a wall of implausible thickness", OURS)
UTERUS = Kind(
    "uterus-mismatch", "warn", "the exam assumed a uterus where the record speaks against it",
    "J Urol 2007;177:595 (seen): the wrong mode misreads neighbouring organs; another study found no effect",
)  # fmt: skip
CATHETER = Kind("catheter-large-volume", "warn", "a large volume although a catheter is in place", OURS)
WITHOUT_VOID = Kind("post-void-without-void", "warn", "a post-void scan, but no void was attempted", PRACTICE)
BETTER_SCAN = Kind(
    "better-scan-exists", "warn", "the reported scan is off centre, shadowed or without a volume, a better one exists",
    PRACTICE,
)  # fmt: skip

_CENTRING: dict[str | None, int] = {
    name: rank for rank, name in enumerate(("centred", "partly-centred", "not-centred"))
}


def volume_large(facts: Facts) -> tuple[Finding, ...]:
    """A volume above `settings.large_volume`; with `>` where the bound itself reaches it. What blocks is told once."""
    limit, impossible = facts.settings.large_volume, facts.settings.impossible_volume
    found: tuple[Finding, ...] = NOTHING
    for field, value, comparator in facts.all_volumes():
        large = value > limit or (value == limit and comparator == ">")
        if large and comparator != "<" and value <= impossible:
            scanned = field.startswith("scans")
            found += VOLUME_LARGE.found(
                facts.record,
                field=field,
                expected=f"at most {limit} mL",
                found=f"{comparator or ''}{value} mL",
                hint="scan again; think of a cyst, ascites or a slip of the unit"
                if scanned
                else "check value and unit",
            )
    return found


def repeats(facts: Facts) -> tuple[Finding, ...]:
    """Repeats a factor of ten apart, or spread above the larger of 25 mL and 20 % of their mean (ours)."""
    exact = [(index, value) for index, _, value, comparator in facts.volumes if comparator is None]
    if len(exact) < 2:
        return NOTHING
    settings, record = facts.settings, facts.record
    values = [value for _, value in exact]
    low, high = min(values), max(values)
    found: tuple[Finding, ...] = NOTHING
    for (_, one), (index, other) in combinations(exact, 2):
        if tenfold(one, other, settings.tenfold_volume, settings.tenfold_percent):
            found += TENFOLD.found(
                record,
                field=f"scans.{index}.volume",
                expected=f"not ten times (±{settings.tenfold_percent} %) another repeat",
                found=f"{one} and {other} mL",
                hint="compare with the scanner's own reading",
            )
    allowed = max(settings.spread_volume, sum(values, Decimal(0)) / len(values) * settings.spread_percent / 100)
    if high - low > allowed:
        found += SPREAD.found(
            record,
            field="scans",
            expected=f"at most {allowed:.0f} mL apart (the larger of {settings.spread_volume} mL and "
            f"{settings.spread_percent} % of the mean)",
            found=f"{low} to {high} mL",
            hint="scan again and keep all repeats",
        )
    return found


def tenfold(one: Decimal, other: Decimal, least: Decimal, percent: Decimal) -> bool:
    """Whether the larger is at least `least` and ten times the smaller within `percent`, ends included."""
    low, high = sorted((one, other))
    return high >= least and 10 * low * (100 - percent) <= 100 * high <= 10 * low * (100 + percent)


def filling_rate(facts: Facts) -> tuple[Finding, ...]:
    """A rise between two scans of the exam, without a void between them, that no kidney makes."""
    timed = [
        (scan.taken_at, value, index)
        for index, scan, value, comparator in facts.volumes
        if comparator is None and scan.taken_at is not None
    ]
    timed.sort(key=lambda item: item[0].moment)
    found: tuple[Finding, ...] = NOTHING
    for (before, low, _), (after, high, index) in pairwise(timed):
        if any(before.moment <= void.moment <= after.moment for _, void in facts.voids()):
            continue
        minutes = (after.moment - before.moment).total_seconds() / 60
        if fills_too_fast(float(low), float(high), minutes, facts):
            found += FILLING_RATE.found(
                facts.record,
                field=f"scans.{index}.volume",
                expected=f"at most {facts.settings.filling_rate} mL/min",
                found=f"{low} to {high} mL in {minutes:.0f} min",
                hint="check the times, and that both scans are of one patient",
            )
    return found


def fills_too_fast(low: float, high: float, minutes: float, facts: Facts, slack_minutes: float = 0.0) -> bool:
    """Whether a rise is above `settings.filling_rate`.

    Below `settings.filling_minutes` the scatter of repeats (25 mL or 20 %, as in `repeats`) is taken off first.
    `slack_minutes` is what the times may be off as written.
    """
    settings = facts.settings
    rise = high - low
    if minutes < settings.filling_minutes:
        rise -= max(float(settings.spread_volume), (low + high) / 2 * float(settings.spread_percent) / 100)
    return rise > float(settings.filling_rate) * (minutes + slack_minutes)


def area_below_sphere(facts: Facts) -> tuple[Finding, ...]:
    """A received area below the sphere's of its volume, by more than the written digits explain."""
    wall = facts.record.wall
    if wall is None or wall.surface_area is None:
        return NOTHING
    scan = facts.choice.scan if wall.scan_number is None else scan_by_number(facts.record, wall.scan_number)
    if scan is None or scan.volume is None or scan.volume.comparator == "<":
        return NOTHING
    area, volume = wall.surface_area, scan.volume
    if volume.value <= 0 or area.value < 0:
        return NOTHING
    least_area = geometry.sphere_area(span(volume)[0])
    if span(area)[1] >= least_area:
        return NOTHING
    ratio = geometry.sphericity(float(volume.canonical), float(area.canonical)) if area.value else None
    return AREA_BELOW_SPHERE.found(
        facts.record,
        field="wall.surface_area",
        expected=f"at least {least_area:.1f} cm2 around {volume.canonical} mL",
        found=f"{area.value} {area.unit}" + (f", sphericity {ratio:.3f}" if ratio is not None else ""),
        hint="the area may leave out a part of the bladder, or stand in another unit",
    )


def area_far_above_sphere(facts: Facts) -> tuple[Finding, ...]:
    """A received area above `settings.area_times` the sphere's, from the least filling on: no bladder is so flat."""
    wall, settings = facts.record.wall, facts.settings
    if wall is None or wall.surface_area is None:
        return NOTHING
    scan = facts.choice.scan if wall.scan_number is None else scan_by_number(facts.record, wall.scan_number)
    if scan is None or scan.volume is None or scan.volume.comparator == ">":
        return NOTHING
    volume = scan.volume.canonical
    if volume < settings.filling_low:
        return NOTHING
    greatest = float(settings.area_times) * geometry.sphere_area(span(scan.volume)[1])
    if span(wall.surface_area)[0] <= greatest:
        return NOTHING
    return AREA_FAR_ABOVE.found(
        facts.record,
        field="wall.surface_area",
        expected=f"at most {greatest:.0f} cm2 around {volume} mL",
        found=f"{wall.surface_area.value} {wall.surface_area.unit}",
        hint="check the area and its unit on the scanner",
    )


def mass_implausible(facts: Facts) -> tuple[Finding, ...]:
    """A received mass outside [A·t·0.95 … Steiner bound·1.06 and 1 % for shape], beyond the written digits.

    Only where an area was received, and not from the thickness of the detrusor.
    """
    wall = facts.record.wall
    if wall is None or wall.mass is None or wall.surface_area is None or wall.layer == "detrusor":
        return NOTHING
    thickness: Length | None = wall.thickness or wall.caliper_thickness
    if thickness is None or thickness.value <= 0 or wall.surface_area.value <= 0:
        return NOTHING
    settings = facts.settings
    (area_low, area_high), (t_low, t_high) = span(wall.surface_area), span(thickness)
    mass_low, mass_high = span(wall.mass)
    low = area_low * t_low / 10 * float(settings.mass_low_factor)
    high = mass.steiner_volume(area_high, t_high) * float(settings.mass_high_factor)
    high *= 1 + float(settings.mass_shape_percent) / 100
    if mass_high >= low and mass_low <= high:
        return NOTHING
    product = float(wall.surface_area.canonical) * float(thickness.canonical) / 10
    return MASS_IMPLAUSIBLE.found(
        facts.record,
        field="wall.mass",
        expected=f"{low:.1f} to {high:.1f} g",
        found=f"{wall.mass.value} {wall.mass.unit}, implied density {float(wall.mass.canonical) / product:.3f} g/mL",
        hint="check mass, area, thickness and their units on the scanner",
    )


def thickness_implausible(facts: Facts) -> tuple[Finding, ...]:
    """A thickness below 0.5 mm or above 15 mm (both ends plausible)."""
    wall = facts.record.wall
    if wall is None:
        return NOTHING
    low, high = facts.settings.thickness_low, facts.settings.thickness_high
    found: tuple[Finding, ...] = NOTHING
    for name, thickness in (("thickness", wall.thickness), ("caliper_thickness", wall.caliper_thickness)):
        if thickness is not None and thickness.value >= 0 and not low <= thickness.canonical <= high:
            found += THICKNESS_IMPLAUSIBLE.found(
                facts.record,
                field=f"wall.{name}",
                expected=f"{low} to {high} mm",
                found=f"{thickness.value} {thickness.unit}",
                hint="check the unit and the callipers",
            )
    return found


def uterus_mismatch(facts: Facts) -> tuple[Finding, ...]:
    """A uterus assumed against recorded hysterectomy or male gender; never the other way round."""
    record = facts.record
    if not record.uterus_present:
        return NOTHING
    male = record.patient is not None and record.patient.administrative_gender == "male"
    if not (record.hysterectomy or male):
        return NOTHING
    against = "hysterectomy recorded" if record.hysterectomy else "administrative gender male"
    return UTERUS.found(
        record,
        field="uterus_present",
        expected="no uterus assumed",
        found=f"uterus assumed, {against}",
        hint="the mode changes the computation in the scanner; scan again in the other mode",
    )


def catheter_large_volume(facts: Facts) -> tuple[Finding, ...]:
    """A result above `settings.catheter_volume` with a catheter in place: blocked, or not the bladder."""
    choice = facts.choice
    if not facts.record.catheter_in_place or choice.value is None or choice.comparator == "<":
        return NOTHING
    limit = facts.settings.catheter_volume
    if not (choice.value > limit or (choice.comparator == ">" and choice.value == limit)):
        return NOTHING
    return CATHETER.found(
        facts.record,
        field="catheter_in_place",
        expected=f"at most {limit} mL",
        found=f"{choice.comparator or ''}{choice.value} mL",
        hint="look whether the catheter drains; think of a cyst or ascites",
    )


def post_void_without_void(facts: Facts) -> tuple[Finding, ...]:
    """Post-void, and the record says that no void was attempted."""
    record = facts.record
    if record.void_state != "post-void" or record.void_attempt != "not-attempted":
        return NOTHING
    return WITHOUT_VOID.found(
        record,
        field="void_state",
        expected="a void, or at least an attempt, before a post-void scan",
        found="void_attempt not-attempted",
        hint="correct the void state or the attempt; without a void it is no residual",
    )


def better_scan_exists(facts: Facts) -> tuple[Finding, ...]:
    """The reported scan has no volume where another has, or it is off centre or shadowed, and another with a volume
    is better in one and worse in neither.
    """
    reported = facts.choice.scan
    if reported is None:
        return NOTHING
    for scan in facts.record.scans:
        if scan.volume is not None and (reported.volume is None or _better(scan, reported)):
            return BETTER_SCAN.found(
                facts.record,
                field="reported_scan",
                expected="the best scan reported",
                found=f"scan {reported.scan_number} {_quality(reported)}, scan {scan.scan_number} {_quality(scan)}",
                hint="report the better scan, or say in the note why not",
            )
    return NOTHING


def _better(one: Scan, other: Scan) -> bool:
    ours, theirs = _CENTRING.get(one.centring), _CENTRING.get(other.centring)
    nearer = ours is not None and theirs is not None and ours < theirs
    clearer = one.pubic_shadow is False and other.pubic_shadow is True
    not_farther = nearer or ours == theirs
    not_darker = one.pubic_shadow is False or one.pubic_shadow == other.pubic_shadow
    return (nearer or clearer) and not_farther and not_darker


def _quality(scan: Scan) -> str:
    shadow = {True: ", shadowed", False: ", free of shadow", None: ""}[scan.pubic_shadow]
    absent = "" if scan.volume is not None else f", {scan.absent_reason}"
    return (scan.centring or "centring unknown") + shadow + absent


CHECKS: tuple[Check, ...] = (
    volume_large, repeats, filling_rate, area_below_sphere, area_far_above_sphere, mass_implausible,
    thickness_implausible, uterus_mismatch, catheter_large_volume, post_void_without_void, better_scan_exists,
)  # fmt: skip
KINDS = (
    VOLUME_LARGE, TENFOLD, SPREAD, FILLING_RATE, AREA_BELOW_SPHERE, AREA_FAR_ABOVE, MASS_IMPLAUSIBLE,
    THICKNESS_IMPLAUSIBLE, UTERUS, CATHETER, WITHOUT_VOID, BETTER_SCAN,
)  # fmt: skip
