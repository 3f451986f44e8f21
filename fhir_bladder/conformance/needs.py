"""Room `conformance`: what an invariant depends on. Belongs here: which keys a rule reads, and when it can be left out.

The front tier judges the parts of a resource once and the whole each time. A rule that reads one key is judged with
that key, one that asks the same of every item of an array with each item; of `A implies B` the whole needs to be judged
only where some part does not rule `A` out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, is_dataclass
from typing import Any

from fhir_bladder.conformance.quick import Beyond, Writer, made
from fhir_bladder.fhirpath import ast
from fhir_bladder.fhirpath.parser import parse

Test = Callable[[Any, Any], Any]
KEYS, ONE, ITEMS, WHOLE = "keys", "one", "items", "whole"
"""What a rule depends on: the list of keys, the value of one key, each item of one array, or more."""


@dataclass(frozen=True, slots=True)
class Guard:
    """Part of a rule's condition.

    out: true for an object with only `key` (or with one item of it) where that part is ruled out.
    """

    key: str
    out: Test


@dataclass(frozen=True, slots=True)
class Need:
    """A rule: `holds` (object, context) → true only where it holds.

    guards: left out where all of them are `out`.
    """

    kind: str
    key: str
    holds: Test
    guards: tuple[Guard, ...] = ()


def need(expression: str, type_name: str, arrays: frozenset[str]) -> Need:
    """What an invariant on a resource depends on; `arrays` are the keys judged item by item. Raises Beyond."""
    tree = parse(expression)
    holds, reads, asks = _written(tree, type_name, True)
    if not reads:
        return Need(KEYS, "", holds)
    if len(reads) == 1 and not asks:
        (key,) = reads
        if key not in arrays:
            return Need(ONE, key, holds)
        if isinstance(tree, ast.Call) and tree.name == "all" and _from(tree.base, key) and not _outside(tree):
            return Need(ITEMS, key, holds)
    guards = None
    if isinstance(tree, ast.Binary) and tree.operator == "implies":
        guards = _guards(tree.left, type_name)
    return Need(WHOLE, "", holds, tuple(guards or ()))


def _written(expr: ast.Expr, type_name: str, want: bool) -> tuple[Test, set[str], set[str]]:
    scope: dict[str, Any] = {}
    writer = Writer(type_name, True, scope)
    text = writer.true(expr, writer.top) if want else writer.false(expr, writer.top)
    return made(text, scope), writer.reads, writer.asks


def _guards(expr: ast.Expr, type_name: str) -> list[Guard] | None:
    """Parts of a condition, which is false where all of them are ruled out; None where there are none to be had."""
    if isinstance(expr, ast.Binary) and expr.operator in ("and", "or"):
        left, right = (_guards(side, type_name) for side in (expr.left, expr.right))
        if expr.operator == "and":
            return left if left is not None else right
        return None if left is None or right is None else left + right
    if not (isinstance(expr, ast.Call) and expr.name == "exists") or _outside(expr):
        return None
    try:
        out, reads, asks = _written(expr, type_name, False)
    except Beyond:
        return None
    if len(reads) != 1 or asks:
        return None
    (key,) = reads
    return [Guard(key, out)] if _from(expr.base, key) else None


def _from(expr: ast.Expr, key: str) -> bool:
    """Whether a path starts at `key` and tells of each of its items apart from the others."""
    if isinstance(expr, ast.Member):
        if isinstance(expr.base, ast.This):
            return expr.base.name == "" and expr.name == key
        return _from(expr.base, key)
    if isinstance(expr, ast.TypeTest):
        return expr.operator == "ofType" and _from(expr.operand, key)
    return isinstance(expr, ast.Call) and expr.name == "where" and _from(expr.base, key)


def _outside(expr: Any) -> bool:
    """Whether an expression names anything but its focus."""
    if isinstance(expr, ast.External) or (isinstance(expr, ast.This) and expr.name not in ("", "this")):
        return True
    if isinstance(expr, tuple):
        return any(map(_outside, expr))
    return is_dataclass(expr) and any(_outside(getattr(expr, f.name)) for f in fields(expr))
