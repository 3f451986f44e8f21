"""Room `fhirpath`: FHIRPath over plain FHIR JSON, compiled once and run many times. May import errors and wire.

    program = compile("value.ofType(Quantity).value > 0", "Observation")
    program.evaluate(resource)         list of JSON values
    program.truth(resource)            True, False, or None where the result is empty

What the room cannot judge it refuses by name (`UnsupportedError`), an expression that breaks the grammar with
`ExpressionError`, data on which an expression has no answer by the standard with `EvaluationError`. Everything here is
imported when first used.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from fhir_bladder.fhirpath.nodes import Node, typed
    from fhir_bladder.fhirpath.problems import EvaluationError, ExpressionError
    from fhir_bladder.fhirpath.program import Program, compile

_WHERE = {
    "EvaluationError": "problems",
    "ExpressionError": "problems",
    "Node": "nodes",
    "Program": "program",
    "compile": "program",
    "typed": "nodes",
}
__all__ = ["EvaluationError", "ExpressionError", "Node", "Program", "compile", "typed"]


def __getattr__(name: str) -> Any:
    if name not in _WHERE:
        raise AttributeError(name)
    from importlib import import_module

    return getattr(import_module(f"fhir_bladder.fhirpath.{_WHERE[name]}"), name)
