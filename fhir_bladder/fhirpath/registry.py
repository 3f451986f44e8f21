"""Room `fhirpath`: the table of plain functions: name → implementation and number of arguments."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from fhir_bladder.fhirpath.context import Context, Items

Implementation = Callable[..., Items]


@dataclass(frozen=True, slots=True)
class Function:
    """`run(context, input, *arguments)`, each argument a collection evaluated with the outer `$this`."""

    name: str
    least: int
    most: int
    run: Implementation


FUNCTIONS: dict[str, Function] = {}


def function(name: str, least: int = 0, most: int | None = None) -> Callable[[Implementation], Implementation]:
    """Register an implementation under its FHIRPath name."""

    def register(run: Implementation) -> Implementation:
        FUNCTIONS[name] = Function(name, least, least if most is None else most, run)
        return run

    return register


__all__ = ["FUNCTIONS", "Context", "Function", "Implementation", "Items", "function"]
