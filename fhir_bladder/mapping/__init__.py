"""Room `mapping`: exam to FHIR and back, keys, transaction bundles. May import exam, measurement, terminology."""

from __future__ import annotations

from fhir_bladder.mapping.back import from_fhir
from fhir_bladder.mapping.forward import MappedExam, to_fhir
from fhir_bladder.mapping.keys import ExamKey, exam_key, is_key, parse_key, split_key, token, uuid_of
from fhir_bladder.mapping.options import MapOptions

__all__ = [
    "ExamKey",
    "MapOptions",
    "MappedExam",
    "exam_key",
    "from_fhir",
    "is_key",
    "parse_key",
    "split_key",
    "to_fhir",
    "token",
    "uuid_of",
]
