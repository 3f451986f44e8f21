"""Room `exam`: the exam record model and its JSON Schema. May import terminology."""

from __future__ import annotations

from fhir_bladder.exam.model import ExamRecord
from fhir_bladder.exam.problems import Problem, RefusedRecord
from fhir_bladder.exam.record import dump, load, notes, same, status_of
from fhir_bladder.exam.times import Timestamp

__all__ = ["ExamRecord", "Problem", "RefusedRecord", "Timestamp", "dump", "load", "notes", "same", "status_of"]
