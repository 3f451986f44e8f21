"""Room `conformance`: R4 definitions, snapshots, profile compiler, validator, writers of findings.

May import terminology, fhirpath, errors, wire. Everything here is imported when first used.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from fhir_bladder.conformance.baseline import Baseline
    from fhir_bladder.conformance.packages import Package, read_package
    from fhir_bladder.conformance.packing import check_artefacts, pack, snapshot_of
    from fhir_bladder.conformance.statement import scope
    from fhir_bladder.conformance.stream import Judged, Options, at_level, validate_files
    from fhir_bladder.conformance.validator import Validator

_WHERE = {
    "Baseline": "baseline",
    "Judged": "stream",
    "Options": "stream",
    "Package": "packages",
    "Validator": "validator",
    "at_level": "stream",
    "check_artefacts": "packing",
    "pack": "packing",
    "read_package": "packages",
    "scope": "statement",
    "snapshot_of": "packing",
    "validate_files": "stream",
}
__all__ = [
    "Baseline", "Judged", "Options", "Package", "Validator", "at_level", "check_artefacts", "pack", "read_package",
    "scope", "snapshot_of", "validate_files",
]  # fmt: skip


def __getattr__(name: str) -> Any:
    if name not in _WHERE:
        raise AttributeError(name)
    from importlib import import_module

    return getattr(import_module(f"fhir_bladder.conformance.{_WHERE[name]}"), name)
