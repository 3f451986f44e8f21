"""Room `measurement`: repeatability and agreement. The only module here that imports numpy and scipy (extra `stats`).

Methods: Bland and Altman 1986 (Lancet 327:307) and 1996 (BMJ 312:1654), within patients 2007 (J Biopharm Stat
17:571); confidence of limits of agreement by Zou 2013 (Stat Methods Med Res 22:630). Citations from memory, high.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass
from math import hypot, sqrt
from typing import TYPE_CHECKING, NamedTuple

from fhir_bladder.errors import ConfigError
from fhir_bladder.exam import ExamRecord
from fhir_bladder.measurement.calculated import filling_of
from fhir_bladder.measurement.choice import Choice, choose
from fhir_bladder.measurement.mass import thickness_at
from fhir_bladder.measurement.patients import RETRACTED, key_of
from fhir_bladder.measurement.settings import DEFAULT, Settings
from fhir_bladder.measurement.voiding import minutes_between

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


class Interval(NamedTuple):
    """A confidence interval, in the unit of what it belongs to."""

    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Repeatability:
    """Scatter of repeats on one subject, in the unit of the values.

    subjects, readings: counted, subjects with two readings or more only. within_sd: within-subject standard
    deviation Sw. coefficient: 1.96 · √2 · Sw, what two repeats differ by in 95 of 100 cases at most; with interval.
    """

    subjects: int
    readings: int
    within_sd: float
    within_sd_interval: Interval
    coefficient: float
    coefficient_interval: Interval


@dataclass(frozen=True, slots=True)
class Agreement:
    """Bland–Altman agreement of two methods, first minus second, in the unit of the values.

    pairs, subjects: counted. bias: mean difference of the subjects' means. sd: of single differences, between and
    within subjects together. lower, upper: limits of agreement, bias ∓ z · sd. Each with its confidence interval.
    """

    pairs: int
    subjects: int
    bias: float
    bias_interval: Interval
    sd: float
    lower: float
    lower_interval: Interval
    upper: float
    upper_interval: Interval


class Compared(NamedTuple):
    """A scan and the volume drained by catheter after it, mL, the delay in whole minutes, and whose they are."""

    key: tuple[str, str]
    patient: tuple[str, str]
    scan: float
    drained: float
    minutes: int


class Thicknesses(NamedTuple):
    """Automatic and caliper thickness of one wall, mm, with the volume of its scan in mL where known."""

    key: tuple[str, str]
    patient: tuple[str, str]
    automatic: float
    caliper: float
    filling: float | None


class Excluded(NamedTuple):
    """An exam left out of a comparison, and why."""

    key: tuple[str, str]
    reason: str


class Referred(NamedTuple):
    """A thickness referred to a standard filling: a model's output, never a measured value.

    thickness: mm at `filling` mL by the model. measured: mm at `measured_filling` mL, by `method` (`automatic`,
    `caliper`), of `layer` (`whole-wall`, or `unknown` and taken as such).
    """

    key: tuple[str, str]
    thickness: float
    filling: float
    measured: float
    measured_filling: float
    method: str
    layer: str
    model: str


REFERRED_MODEL = "model: constant wall volume, sphere"
NO_THICKNESS = "no wall thickness was received"


def _libraries() -> None:
    try:
        import numpy  # noqa: F401
        import scipy  # noqa: F401
    except ImportError:
        raise ConfigError("numpy and scipy are not installed", "", "pip install '.[stats]' in the clone") from None


def repeatability(groups: Iterable[Sequence[float]], *, confidence: float = 0.95) -> Repeatability:
    """Within-subject SD by one-way analysis of variance, and the repeatability coefficient (Bland and Altman 1996).

    groups: the repeats of one subject each; groups of one say nothing and are left out. For pairs Sw is
    √(Σd² / 2n). Interval by χ². Raises ValueError without a group of two.
    """
    _libraries()
    import numpy as np
    from scipy import stats

    arrays = [np.asarray(group, dtype=float) for group in groups if len(group) > 1]
    if not arrays:
        raise ValueError("repeatability needs at least one subject with two readings")
    squares = sum(float(((array - array.mean()) ** 2).sum()) for array in arrays)
    freedom = sum(len(array) - 1 for array in arrays)
    within = sqrt(squares / freedom)
    tail = (1 - confidence) / 2
    low = sqrt(squares / float(stats.chi2.ppf(1 - tail, freedom)))
    high = sqrt(squares / float(stats.chi2.ppf(tail, freedom)))
    factor = float(stats.norm.ppf(0.975)) * sqrt(2)
    return Repeatability(
        subjects=len(arrays),
        readings=sum(len(array) for array in arrays),
        within_sd=within,
        within_sd_interval=Interval(low, high),
        coefficient=factor * within,
        coefficient_interval=Interval(factor * low, factor * high),
    )


def bland_altman(
    first: Sequence[float],
    second: Sequence[float],
    subjects: Sequence[Hashable] | None = None,
    *,
    confidence: float = 0.95,
) -> Agreement:
    """Bland–Altman agreement, first minus second; with `subjects`, several pairs of one subject are taken as such.

    Without repeats bias and limits are the classical ones (mean and SD of the differences). With repeats the variance
    is s²(subject means) + (1 − 1/mₕ) · s²(within), mₕ the harmonic mean of pairs a subject; intervals of the limits by
    the MOVER of Zou 2013. Raises ValueError for fewer than two subjects or unequal lengths.
    """
    _libraries()
    import numpy as np
    from scipy import stats

    if len(first) != len(second) or (subjects is not None and len(subjects) != len(first)):
        raise ValueError("the values and subjects must be equally many")
    differences = np.asarray(first, dtype=float) - np.asarray(second, dtype=float)
    groups = _grouped(differences, subjects)
    count, pairs = len(groups), len(differences)
    if count < 2:
        raise ValueError("agreement needs at least two subjects")
    means = np.array([group.mean() for group in groups])
    between = float(means.var(ddof=1))
    components = [(between, count - 1)]  # of the variance, with their degrees of freedom
    if pairs > count:
        within = sum(float(((group - group.mean()) ** 2).sum()) for group in groups) / (pairs - count)
        harmonic = count / sum(1 / len(group) for group in groups)
        components.append(((1 - 1 / harmonic) * within, pairs - count))
    total = sum(variance for variance, _ in components)
    tail = (1 - confidence) / 2

    def deviation(quantile: float) -> float:
        return hypot(*(part * (free / float(stats.chi2.ppf(quantile, free)) - 1) for part, free in components))

    variance_low = max(total - deviation(1 - tail), 0.0)
    variance_high = total + deviation(tail)
    bias, sd = float(means.mean()), sqrt(total)
    z = float(stats.norm.ppf(0.975))
    z_interval = float(stats.norm.ppf(1 - tail))
    half = float(stats.t.ppf(1 - tail, count - 1)) * sqrt(between / count)
    error = z_interval * sqrt(between / count)
    inner = hypot(error, z * (sd - sqrt(variance_low)))
    outer = hypot(error, z * (sqrt(variance_high) - sd))
    lower, upper = bias - z * sd, bias + z * sd
    return Agreement(
        pairs=pairs,
        subjects=count,
        bias=bias,
        bias_interval=Interval(bias - half, bias + half),
        sd=sd,
        lower=lower,
        lower_interval=Interval(lower - outer, lower + inner),
        upper=upper,
        upper_interval=Interval(upper - inner, upper + outer),
    )


def _grouped(values: Floats, subjects: Sequence[Hashable] | None) -> list[Floats]:
    if subjects is None:
        return [values[n : n + 1] for n in range(len(values))]
    places: dict[Hashable, list[int]] = {}
    for n, subject in enumerate(subjects):
        places.setdefault(subject, []).append(n)
    return [values[found] for found in places.values()]


def scans_against_catheter(
    records: Iterable[ExamRecord], *, longest_delay: int | None = None
) -> tuple[list[Compared], list[Excluded]]:
    """Scanned and then drained volumes, the scan being the result of the exam, with the delay; and what was left out.

    The delay runs from the reported scan (else the start) to the drainage; urine keeps coming meanwhile. Without a
    time of drainage the delay is unknown and the exam is left out. `longest_delay`: minutes.
    """
    compared: list[Compared] = []
    excluded: list[Excluded] = []
    for record in records:
        drained = record.catheterised_volume
        if drained is None:
            continue
        key, choice = key_of(record), choose(record)
        patient = _patient(record)
        scan = choice.scan
        time = scan.taken_at if scan is not None and scan.taken_at is not None else record.started_at
        at = record.catheterised_at
        minutes = None if at is None else minutes_between(time.moment, at.moment)
        if record.status in RETRACTED:
            excluded.append(Excluded(key, f"the exam is {record.status}"))
        elif patient is None:
            excluded.append(Excluded(key, "the patient is not identified"))
        elif choice.value is None or choice.comparator is not None:
            excluded.append(Excluded(key, "the scan's volume is absent or carries a comparator"))
        elif minutes is None:
            excluded.append(Excluded(key, "the time of drainage is unknown or before the scan"))
        elif longest_delay is not None and minutes > longest_delay:
            excluded.append(Excluded(key, f"drained {minutes} min after the scan, more than {longest_delay}"))
        else:
            compared.append(Compared(key, patient, float(choice.value), float(drained.canonical), minutes))
    return compared, excluded


def catheter_agreement(compared: Sequence[Compared], *, confidence: float = 0.95) -> Agreement:
    """Bland–Altman of scan minus drained volume, mL, several exams of one patient taken as such."""
    return bland_altman(
        [one.scan for one in compared],
        [one.drained for one in compared],
        [one.patient for one in compared],
        confidence=confidence,
    )


def thicknesses(records: Iterable[ExamRecord], *, layer: str = "whole-wall") -> list[Thicknesses]:
    """Walls of one layer with an automatic and a caliper thickness, from exams that stand; layers are never mixed."""
    found = []
    for record in records:
        wall, patient = record.wall, _patient(record)
        if wall is None or wall.layer != layer or patient is None or record.status in RETRACTED:
            continue
        automatic, caliper = wall.thickness, wall.caliper_thickness
        if automatic is None or caliper is None:
            continue
        filling = filling_of(record, wall, choose(record))
        volume = None if filling.volume is None or filling.comparator else float(filling.volume)
        found.append(Thicknesses(key_of(record), patient, float(automatic.canonical), float(caliper.canonical), volume))
    return found


def thickness_agreement(found: Sequence[Thicknesses], *, confidence: float = 0.95) -> Agreement:
    """Bland–Altman of automatic minus caliper thickness, mm, several exams of one patient taken as such."""
    return bland_altman(
        [one.automatic for one in found],
        [one.caliper for one in found],
        [one.patient for one in found],
        confidence=confidence,
    )


def at_standard_filling(
    record: ExamRecord, filling: float, settings: Settings = DEFAULT, *, choice: Choice | None = None
) -> Referred | Excluded:
    """The exam's wall thickness referred to a standard filling in mL by the constant-wall-volume model, opt-in.

    A model's output, labelled as one (F5 of `mass.thickness_at`); never for a detrusor alone, never without a known
    volume, never from a child. Where it does not apply, the reason. ValueError unless the filling is above 0.
    """
    if not 0 < filling < float("inf"):
        raise ValueError(f"filling must be above 0 and finite, not {filling}")
    key, wall = key_of(record), record.wall
    if wall is None:
        return Excluded(key, NO_THICKNESS)
    thickness, method = wall.thickness, "automatic"
    if thickness is None:
        thickness, method = wall.caliper_thickness, "caliper"
    if thickness is None:
        return Excluded(key, NO_THICKNESS)
    if wall.layer == "detrusor":
        return Excluded(key, "the thickness is of the detrusor alone")
    if thickness.value <= 0:
        return Excluded(key, "the thickness is not above 0")
    of = filling_of(record, wall, choice or choose(record), settings)
    if of.child:
        return Excluded(key, "the patient is a child")
    if of.volume is None or of.comparator or of.volume <= 0:
        return Excluded(key, "the volume of the wall's scan is unknown or not above 0")
    volume, measured = float(of.volume), float(thickness.canonical)
    referred = thickness_at(volume, measured, filling)
    return Referred(key, referred, filling, measured, volume, method, wall.layer or "unknown", REFERRED_MODEL)


def _patient(record: ExamRecord) -> tuple[str, str] | None:
    identifiers = record.patient.identifiers if record.patient is not None else None
    return (identifiers[0].system, identifiers[0].value) if identifiers else None
