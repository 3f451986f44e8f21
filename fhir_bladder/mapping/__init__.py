"""Room `mapping`: exam to FHIR and back, keys, transaction bundles. May import exam, measurement, terminology.

The functions are loaded when they are asked for: who needs only keys need not wait for the record model.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from fhir_bladder.mapping.keys import ExamKey, exam_key, is_key, parse_key, split_key, token, uuid_of

if TYPE_CHECKING:
    from fhir_bladder.mapping.back import from_fhir
    from fhir_bladder.mapping.forward import MappedExam, to_fhir
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

_LATER = {"from_fhir": "back", "MappedExam": "forward", "to_fhir": "forward", "MapOptions": "options"}


def __getattr__(name: str) -> Any:
    if name in _LATER:
        return getattr(import_module(f"{__name__}.{_LATER[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
