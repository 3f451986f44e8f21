"""Room `analysis`: expressions the view compiler does not write itself, run by the engine of the room `fhirpath`."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from fhir_bladder import fhirpath
from fhir_bladder.analysis.runtime import pack
from fhir_bladder.errors import BladderError


def function(path: str, constants: dict[str, tuple[str, Any]], where: str) -> Callable[[Any, Any, int], Any]:
    """A function of node, resource and row index for one expression. Raises the engine's errors for a bad one."""
    try:
        program = fhirpath.compile(path)
    except BladderError as error:
        raise type(error)(error.what, where, error.remedy) from None
    fixed = {name: value for name, (_, value) in constants.items()}

    def run(node: Any, resource: Any, row_index: int) -> Any:
        out: list[Any] = []
        for item in node if node.__class__ is list else [node]:
            out += program.evaluate(item, resource=resource, env={**fixed, "rowIndex": row_index})
        return pack(out)

    return run
