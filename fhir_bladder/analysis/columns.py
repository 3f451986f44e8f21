"""Room `analysis`: a column of a table, and which FHIR types are numbers and times. Imports nothing of ours."""

from __future__ import annotations

from dataclasses import dataclass

NUMBERS = frozenset({"decimal", "integer", "integer64", "positiveInt", "unsignedInt"})
TIMES = frozenset({"date", "dateTime", "instant", "time"})


@dataclass(frozen=True, slots=True)
class Column:
    """A column of the result: FHIR type (empty where the view does not say), several values or one, description."""

    name: str
    type: str = ""
    collection: bool = False
    description: str = ""
