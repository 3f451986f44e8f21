"""fhir-bladder: bladder-ultrasound exam records to checked HL7 FHIR R4 and back. The public library functions."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

if TYPE_CHECKING:
    from fhir_bladder.api import check, load, map, push, unmap, validate

__all__ = ["__version__", "check", "load", "map", "push", "unmap", "validate"]


def __getattr__(name: str) -> Any:
    if name in __all__:
        from fhir_bladder import api

        return getattr(api, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
