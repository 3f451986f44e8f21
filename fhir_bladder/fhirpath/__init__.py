"""Room `fhirpath`: FHIRPath over plain FHIR JSON, compiled once and run many times. May import errors and wire.

    program = compile("value.ofType(Quantity).value > 0", "Observation")
    program.evaluate(resource)         list of JSON values
    program.truth(resource)            True, False, or None where the result is empty

What the room cannot judge it refuses by name (`UnsupportedError`), an expression that breaks the grammar with
`ExpressionError`, data on which an expression has no answer by the standard with `EvaluationError`.
"""

from __future__ import annotations

from fhir_bladder.fhirpath.nodes import Node, typed
from fhir_bladder.fhirpath.problems import EvaluationError, ExpressionError
from fhir_bladder.fhirpath.program import Program, compile

__all__ = ["EvaluationError", "ExpressionError", "Node", "Program", "compile", "typed"]
