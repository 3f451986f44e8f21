"""Room `errors`: the finding, one shape for validation, plausibility and reading. Imports nothing of ours."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

SEVERITIES = ("fatal", "error", "block", "warning", "warn", "information", "note")
"""Worst first. `fatal` to `information` judge FHIR; `block`, `warn` and `note` judge exam records."""


@dataclass(slots=True)
class Finding:
    """One thing found. Fields that do not apply stay empty and are left out when written.

    id: stable, kebab-case for ours, the standard's own for invariants (`obs-6`). path: FHIRPath of the element.
    field: path in the exam record. line, column: 1-based, in the source text. source: citation of an exam finding.
    """

    id: str
    severity: str
    message: str
    expected: str = ""
    found: str = ""
    hint: str = ""
    file: str = ""
    line: int = 0
    column: int = 0
    resource: str = ""
    path: str = ""
    profile: str = ""
    element: str = ""
    exam_number: str = ""
    field: str = ""
    source: str = ""

    def as_dict(self) -> dict[str, Any]:
        """The written form: keys in a fixed order, empty ones left out."""
        return {name: value for name in _ORDER if (value := getattr(self, name)) not in ("", 0)}


_ORDER = (
    "file", "line", "column", "resource", "exam_number", "id", "severity", "path", "field",
    "expected", "found", "profile", "element", "source", "message", "hint",
)  # fmt: skip
assert set(_ORDER) == {f.name for f in fields(Finding)}
