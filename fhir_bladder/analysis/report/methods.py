"""Room `analysis`: repeats, calipers and catheters in the report: how far two measurements of one thing lie apart.

May import exam, measurement. The computing is `measurement.statistics`, which needs the extra `stats`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from fhir_bladder.analysis.report.gather import Exam
from fhir_bladder.errors import ConfigError
from fhir_bladder.mapping import words
from fhir_bladder.measurement import statistics
from fhir_bladder.measurement.statistics import Agreement, Interval, Repeatability

LEAST = 3
"""Fewer exams or patients than this give no figure. Our suggestion; 30 are a start."""


@dataclass
class Comparison:
    """One comparison: title, what it says in words, the values it was made from; remark: what holds of all such."""

    title: str
    words: str
    heads: tuple[str, ...] = ()
    rows: Sequence[tuple[str, ...]] = ()
    remark: str = ""


def comparisons(exams: Sequence[Exam]) -> list[Comparison]:
    """Those of repeats, of callipers and of catheters that the exams have anything for."""
    found = [_repeats(exams), _caliper(exams, "whole-wall"), _caliper(exams, "detrusor"), _catheter(exams)]
    return [one for one in found if one is not None]


def _repeats(exams: Sequence[Exam]) -> Comparison | None:
    groups = []
    for exam in exams:
        volumes = [s.volume for s in exam.record.scans if s.volume is not None and s.volume.comparator is None]
        if len(volumes) > 1:
            groups.append([float(volume.canonical) for volume in volumes])
    if not groups:
        return None
    if len(groups) < LEAST:
        text = f"{len(groups)} of {len(exams)} exams have repeats: too few for a figure ({LEAST} are the least)."
    else:
        text = _computed(lambda: _repeatable(statistics.repeatability(groups), len(exams)))
    return Comparison("Repeats of one exam", text)


def _repeatable(found: Repeatability, total: int) -> str:
    return (
        f"Scatter within an exam (SD) {found.within_sd:.1f} mL{_between(found.within_sd_interval, 1)}; two repeats "
        f"differ by at most {found.coefficient:.0f} mL{_between(found.coefficient_interval, 0)} in 95 of 100 exams. "
        f"From {found.readings} scans of {found.subjects} of {total} exams (Bland and Altman 1996)."
    )


def _caliper(exams: Sequence[Exam], layer: str) -> Comparison | None:
    pairs = statistics.thicknesses((exam.record for exam in exams), layer=layer)
    if not pairs:
        return None
    name = "detrusor" if layer == "detrusor" else "whole wall"
    rows = [
        (one.key[1], f"{one.automatic:g}", f"{one.caliper:g}", f"{one.automatic - one.caliper:+.3g}",
         "unknown" if one.filling is None else f"{one.filling:g}")
        for one in pairs
    ]  # fmt: skip
    text = _few([one.patient for one in pairs]) or _computed(
        lambda: _agreeing(statistics.thickness_agreement(pairs), "automatic − caliper", "mm", 2)
    )
    heads = ("Exam", "Automatic, mm", "Caliper, mm", "Automatic − caliper, mm", "Volume, mL")
    return Comparison(f"Automatic against caliper thickness, {name}", text, heads, rows)


def _catheter(exams: Sequence[Exam]) -> Comparison | None:
    rows = []
    for exam in exams:
        drained = exam.record.catheterised_volume
        if drained is None:
            continue
        at, choice = exam.record.catheterised_at, exam.choice
        delay = f"{(at.moment - exam.moment).total_seconds() / 60:.0f} min" if at is not None else "not stated"
        scanned, difference = "absent", "no volume to compare"
        if choice.value is not None:
            scanned = f"{choice.comparator or ''}{choice.value:f}"
            exact = choice.comparator is None
            difference = f"{choice.value - drained.canonical:+f}" if exact else "only a limit is known"
        rows.append((exam.key, scanned, words.shown(drained), difference, delay))
    if not rows:
        return None
    pairs, excluded = statistics.scans_against_catheter(exam.record for exam in exams)
    text = _few([one.patient for one in pairs]) or _computed(
        lambda: _agreeing(statistics.catheter_agreement(pairs), "scan − catheter", "mL", 0)
    )
    if pairs:
        delays = sorted(one.minutes for one in pairs)
        text += f" Drained {delays[0]} to {delays[-1]} min after the scan; urine made meanwhile counts in."
    for reason, count in sorted(Counter(one.reason for one in excluded).items()):
        text += f" Left out, {count}: {reason}."
    heads = ("Exam", "Scan, mL", "Drained", "Scan − drained, mL", "Delay")
    return Comparison("Scan against catheter", text, heads, rows)


def _few(patients: Sequence[tuple[str, str]]) -> str:
    count = len(set(patients))
    if count >= LEAST:
        return ""
    return f"Too few patients for a bias and limits of agreement: {count} ({LEAST} are the least, 30 a start)."


def _agreeing(found: Agreement, sense: str, unit: str, places: int) -> str:
    return (
        f"Bias ({sense}) {found.bias:+.{places}f} {unit}{_between(found.bias_interval, places)}; 95 % limits of "
        f"agreement {found.lower:+.{places}f}{_between(found.lower_interval, places)} to "
        f"{found.upper:+.{places}f} {unit}{_between(found.upper_interval, places)}. {found.pairs} pairs of "
        f"{found.subjects} patients, several of one patient taken as such (Bland and Altman 2007)."
    )


def _between(interval: Interval, places: int) -> str:
    return f" (95 % CI {interval.low:.{places}f} to {interval.high:.{places}f})"


def _computed(make: Callable[[], str]) -> str:
    try:
        return make()
    except ConfigError as error:  # numpy and scipy are an extra
        return f"Not computed: {error.what}; {error.remedy}."
