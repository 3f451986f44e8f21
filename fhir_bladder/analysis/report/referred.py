"""Room `analysis`: wall thickness at a standard filling, a model's output that is shown only where it is asked for.

May import exam, measurement. Nothing else of the report, no rule and no finding uses these values.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from fhir_bladder.analysis.report.gather import Exam
from fhir_bladder.analysis.report.methods import Comparison
from fhir_bladder.measurement import Settings, voiding
from fhir_bladder.measurement.statistics import Excluded, Referred, at_standard_filling

HEADS = ("Measured, mm", "At, mL", "By the model, mm", "What to know")
ASSUMPTION = (
    "A model's output, not a measurement: it assumes that the wall keeps its volume while the bladder fills, and that "
    "the lumen is a sphere, so that t2 = ∛(3(V2 + W) / 4π) − R2 (geometry). In one study thickness hardly fell with "
    "the volume (Hakenberg 2000, Neurourol Urodyn 19:585, r = −0.12). It takes no measured value's place, and no "
    "rule and no finding uses it."
)


def title(filling: int) -> str:
    """The heading, with the filling and that it is a model."""
    return f"Wall thickness at {filling} mL, by a model"


def rows(exams: Sequence[Exam], filling: int, settings: Settings) -> list[tuple[Exam, tuple[str, ...]]]:
    """The exams that the model applies to, with the cells under HEADS; the model's thickness to one decimal."""
    return _judged(exams, filling, settings)[0]


def comparison(exams: Sequence[Exam], filling: int, settings: Settings) -> Comparison | None:
    """The same of all exams with a wall, and how many were left out and why; None without any wall."""
    walls = [exam for exam in exams if exam.record.wall is not None]
    if not walls:
        return None
    found, reasons = _judged(walls, filling, settings)
    text = f"{len(found)} of {len(walls)} exams with a wall."
    for reason, count in sorted(reasons.items()):
        text += f" Left out, {count}: {reason}."
    cells = [(exam.key, *one) for exam, one in found]
    return Comparison(title(filling), text, ("Exam", *HEADS), cells, ASSUMPTION)


def _judged(
    exams: Sequence[Exam], filling: int, settings: Settings
) -> tuple[list[tuple[Exam, tuple[str, ...]]], Counter[str]]:
    found: list[tuple[Exam, tuple[str, ...]]] = []
    reasons: Counter[str] = Counter()
    for exam in exams:
        one = at_standard_filling(exam.record, filling, settings, choice=exam.choice)
        if isinstance(one, Excluded):
            reasons[one.reason] += 1
        else:
            shown = f"{voiding.one_decimal(one.thickness)}"
            found.append((exam, (f"{one.measured:g}", f"{one.measured_filling:g}", shown, _note(exam, one))))
    return found, reasons


def _note(exam: Exam, one: Referred) -> str:
    notes = [
        "thickness by caliper" if one.method == "caliper" else "",
        "layer not stated, taken as whole wall" if one.layer == "unknown" else "",
        exam.calculated.wall_mark,
        exam.calculated.age_note,
    ]
    return "; ".join(note for note in notes if note)
