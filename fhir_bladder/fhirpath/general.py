"""Room `fhirpath`: the engine behind ours: fhirpathpy with its R4 model, for functions only it has (sum, coalesce …).

It is asked only where every function of the expression is one of its own, and every failure of it becomes an
EvaluationError: it raises bare exceptions on ill-typed data. trace() would print; it is silenced. It writes into its
input, so it gets a copy.
"""

from __future__ import annotations

import copy
from collections.abc import Mapping
from functools import cache
from typing import Any

from fhir_bladder.errors import UnsupportedError
from fhir_bladder.fhirpath import ast
from fhir_bladder.fhirpath.problems import EvaluationError

NOT_TRUSTED = frozenset({"hasValue", "memberOf", "htmlChecks", "conformsTo", "resolve", "lowBoundary", "highBoundary"})
"""Never left to it: absent there, or answered without what it takes to answer them."""


@cache
def names() -> frozenset[str]:
    """Functions fhirpathpy has."""
    from fhirpathpy.engine.invocations import invocation_registry

    return frozenset(name for name in invocation_registry if name.isalpha()) - NOT_TRUSTED


def calls(tree: ast.Expr) -> set[str]:
    """Names of all functions an expression calls."""
    found: set[str] = {tree.name} if isinstance(tree, ast.Call) else set()
    for name in tree.__slots__:
        value = getattr(tree, name)
        for part in value if isinstance(value, tuple) else (value,):
            if isinstance(part, ast.Expr):
                found |= calls(part)
    return found


class General:
    """One expression compiled by fhirpathpy."""

    def __init__(self, expression: str, tree: ast.Expr, refused: UnsupportedError) -> None:
        if calls(tree) - names():
            raise refused
        import fhirpathpy
        from fhirpathpy.models import models

        try:
            self._run = fhirpathpy.compile(expression, models["r4"], {"traceFn": lambda *_: None})
        except Exception as error:  # noqa: BLE001 - it raises bare exceptions
            raise UnsupportedError(f"{refused.what}: {error}", refused.where, refused.remedy) from None

    def evaluate(self, node: Any, resource: Any, root: Any, env: Mapping[str, Any]) -> list[Any]:
        """Result as JSON values."""
        try:
            found = self._run(copy.deepcopy(node), {"resource": resource, "rootResource": root, **env})
        except Exception as error:  # noqa: BLE001 - it raises bare exceptions
            raise EvaluationError(f"not evaluable by fhirpathpy: {error}") from None
        return found if isinstance(found, list) else [found]
