"""Room `analysis`: `report --text`, a paste-ready line an exam for the letter. May import mapping, measurement."""

from __future__ import annotations

from collections.abc import Iterator

from fhir_bladder.analysis.report.display import visible
from fhir_bladder.analysis.report.gather import Exam, Material
from fhir_bladder.mapping import words

_LOUD = ("block", "warn")


def sentence(exam: Exam) -> str:
    """What the exam says, in one sentence, with whether it is in the record where that is known."""
    line = words.text_line(exam.record, exam.choice, exam.calculated, exam.status)
    if exam.in_record is None:
        return line
    return f"{line}, {'in the record' if exam.in_record else 'not in the record'}"


def line(exam: Exam) -> str:
    """The line for the letter: value, method, time since void, caution; one line, nothing hidden, whatever it holds."""
    cautions = [found.message for found in exam.findings if found.severity in _LOUD]
    method = "three-diameter ultrasound" if exam.record.diameters is not None else "ultrasound"
    text = f"{sentence(exam)}; by {method}"
    if exam.status == "preliminary":
        cautions.insert(0, "preliminary")
    if cautions:
        text += "; caution: " + "; ".join(dict.fromkeys(cautions))
    return visible(" ".join(text.split()))


def lines(material: Material) -> Iterator[str]:
    """A line for every exam that counts, in time order."""
    for exam in material.exams:
        yield line(exam)
