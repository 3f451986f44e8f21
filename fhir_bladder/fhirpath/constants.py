"""Room `fhirpath`: `%name`: the fixed ones of FHIRPath and FHIR, then what the caller brings."""

from __future__ import annotations

from typing import Any

from fhir_bladder.fhirpath.context import Context, Items
from fhir_bladder.fhirpath.nodes import Node, decimal_of, typed
from fhir_bladder.fhirpath.problems import EvaluationError
from fhir_bladder.fhirpath.quantity import Quantity
from fhir_bladder.fhirpath.temporal import Temporal

_FIXED = {
    "sct": "http://snomed.info/sct",
    "loinc": "http://loinc.org",
    "ucum": "http://unitsofmeasure.org",
}


def constant(context: Context, name: str) -> Items:
    """Value of an external constant. Raises EvaluationError for one that nobody defined."""
    if name in context.constants:
        return from_caller(context.constants[name])
    if name == "resource":
        return [context.resource]
    if name == "rootResource":
        return [context.root]
    if name == "context":
        return [context.focus]
    if name in _FIXED:
        return [_FIXED[name]]
    if name.startswith("vs-"):
        return ["http://hl7.org/fhir/ValueSet/" + name[3:]]
    if name.startswith("ext-"):
        return ["http://hl7.org/fhir/StructureDefinition/" + name[4:]]
    raise EvaluationError(f"no constant %{name}", "", "define it or correct the name")


def from_caller(value: Any) -> Items:
    """JSON values, `Node`s, `Temporal`s and `Quantity`s, or a list of them → a collection."""
    if value is None:
        return []
    if isinstance(value, list | tuple):
        return [item for one in value for item in from_caller(one)]
    if isinstance(value, dict):
        return [typed(value)]
    if isinstance(value, str | bool | int | Node | Temporal | Quantity):
        # text has no type here: as a Node of unknown type it also compares with dates
        return [Node(value, "")] if type(value) is str else [value]
    return [decimal_of(value)]
