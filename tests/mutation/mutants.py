"""Small changes to a module's syntax tree, each of which a test should notice.

Changed: comparisons, arithmetic, `and`, `or`, `not`, conditions, numbers, truth values, identifiers written as texts,
what is returned, and simple statements, which are left out. Not changed: prose (a text with a blank in it),
annotations, decorators, base classes, imports, `assert` (it only narrows types here) and `__all__`.
"""

from __future__ import annotations

import ast
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

_SWAPS: dict[type[ast.AST], type[ast.AST]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In, ast.Add: ast.Sub, ast.Sub: ast.Add,
    ast.Mult: ast.Div, ast.Div: ast.Mult, ast.FloorDiv: ast.Mod, ast.Mod: ast.FloorDiv, ast.Pow: ast.Mult,
    ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd, ast.And: ast.Or, ast.Or: ast.And,
}  # fmt: skip
_SIMPLE = (ast.Expr, ast.Assign, ast.AugAssign, ast.Return, ast.Raise, ast.Continue, ast.Break, ast.Delete)
_TELLING = (ast.Compare, ast.BinOp, ast.BoolOp, ast.Call, ast.Subscript, ast.IfExp, ast.keyword)
"""Expressions worth quoting, so that a changed number is seen with what it is compared to."""
_IDENTIFIER = re.compile(r"[A-Za-z0-9][A-Za-z0-9._/-]*\Z")
_NUMBER = re.compile(r"\d+(\.\d+)?\Z")


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change: a node put in the place of another. `name` says what and where, and tells it from all others.

    function: the outermost function or method whose body holds it, `Class.method`; with `()` at its end the defaults
    of that function, with `.` at its end the body of a class, empty elsewhere in the module.
    """

    name: str
    function: str
    line: int
    parent: ast.AST
    field: str
    index: int | None
    node: ast.AST

    @property
    def in_body(self) -> bool:
        """Whether exchanging the code of a function is enough to make the change."""
        return bool(self.function) and self.function[-1] not in ".)"

    def apply(self) -> None:
        """Put the change into the tree it was made from."""
        _put(self.parent, self.field, self.index, self.node)


def mutants(tree: ast.Module) -> list[Mutant]:
    """Every change of a module; none is applied. The names are unique within the module."""
    seen: Counter[str] = Counter()
    found = []
    for function, shown, parent, field, index, new in _walk(tree, "", tree):
        old = _get(parent, field, index)
        if isinstance(old, ast.expr | ast.stmt) and not isinstance(old, ast.Constant):
            before, after = ast.unparse(old), "left out" if isinstance(new, ast.Pass) else ast.unparse(new)
            if isinstance(parent, ast.Return):
                before, after = f"return {before}", f"return {after}"
        else:
            before = ast.unparse(shown)
            _put(parent, field, index, new)
            after = ast.unparse(shown)
            _put(parent, field, index, old)
        name = f"{function or 'module'}: {_short(before, after)}"
        seen[name] += 1
        if seen[name] > 1:
            name += f" #{seen[name]}"
        place = old if hasattr(old, "lineno") else shown
        found.append(Mutant(name, function, getattr(place, "lineno", 0), parent, field, index, new))
    return found


_Change = tuple[str, ast.AST, ast.AST, str, int | None, ast.AST]


def _walk(node: ast.AST, function: str, shown: ast.AST) -> Iterator[_Change]:
    """Changes of the children of a node: function, what a name quotes, the place of the child, the new node."""
    for field, index, child in _children(node):
        inner = function
        if isinstance(child, ast.FunctionDef | ast.ClassDef) and (not function or function.endswith(".")):
            inner = function + child.name + ("." if isinstance(child, ast.ClassDef) else "")
        elif isinstance(child, ast.arguments):
            inner = function + "()"
        telling = isinstance(child, (ast.stmt, *_TELLING))
        for new in _instead(child, node, field):
            yield inner, shown, node, field, index, new
        yield from _walk(child, inner, child if telling else shown)


def _children(node: ast.AST) -> Iterator[tuple[str, int | None, ast.AST]]:
    for field, value in ast.iter_fields(node):
        if field in ("annotation", "returns", "decorator_list", "bases", "format_spec", "type_params"):
            continue
        for index, child in enumerate(value) if isinstance(value, list) else [(None, value)]:
            if isinstance(child, ast.AST) and not _left_alone(child, node):
                yield field, index, child


def _left_alone(node: ast.AST, parent: ast.AST) -> bool:
    if isinstance(node, ast.Expr):
        return isinstance(node.value, ast.Constant)  # a docstring
    if isinstance(node, ast.If):
        return ast.unparse(node.test) == "TYPE_CHECKING"
    if isinstance(node, ast.Assign):
        return ast.unparse(node.targets[0]) == "__all__"
    if isinstance(parent, ast.JoinedStr):
        return isinstance(node, ast.Constant)
    return isinstance(node, ast.Assert | ast.Import | ast.ImportFrom | ast.expr_context)


def _instead(node: ast.AST, parent: ast.AST, field: str) -> Iterator[ast.AST]:
    """What may stand in the place of a node."""
    if type(node) in _SWAPS:
        yield _SWAPS[type(node)]()
    elif isinstance(node, ast.Constant):
        yield from (ast.Constant(value) for value in _other_values(node.value))
    elif isinstance(node, ast.BoolOp):
        for left_out in range(len(node.values)):
            rest = [value for place, value in enumerate(node.values) if place != left_out]
            yield rest[0] if len(rest) == 1 else ast.BoolOp(node.op, rest)
    elif isinstance(node, ast.UnaryOp):
        yield node.operand
    elif isinstance(node, _SIMPLE):
        yield ast.Pass()
    if field == "test" and isinstance(parent, ast.If | ast.IfExp | ast.While) and not isinstance(node, ast.UnaryOp):
        yield ast.UnaryOp(ast.Not(), node)  # type: ignore[arg-type]
    if field == "value" and isinstance(parent, ast.Return) and ast.unparse(node) != "None":
        yield ast.Constant(None)


def _other_values(value: Any) -> Iterator[Any]:
    if isinstance(value, bool):
        yield not value
    elif isinstance(value, int | float):
        yield from (value + 1, value - 1)
    elif isinstance(value, str) and _NUMBER.match(value):
        last = int(value[-1])
        yield from (value[:-1] + str(digit) for digit in (last + 1, last - 1) if 0 <= digit <= 9)
    elif isinstance(value, str) and _IDENTIFIER.match(value):
        yield value + "x"


def _short(before: str, after: str) -> str:
    """Both in one line, long ones around their difference only; of compound statements the first line."""
    if after == "left out" or before.split("\n")[0] != after.split("\n")[0]:
        before, after = before.split("\n")[0], after.split("\n")[0]
    before, after = " ".join(before.split()), " ".join(after.split())
    if after != "left out" and len(before) > 80:
        start = max(_common(before, after) - 30, 0)
        end = max(_common(before[::-1], after[::-1]) - 30, 0)
        end = min(end, len(before) - start, len(after) - start)
        before, after = (text[start : len(text) - end] for text in (before, after))
    return f"{before[:160]} → {after[:160]}"


def _common(one: str, other: str) -> int:
    """Length of what two texts start with alike."""
    shorter = min(len(one), len(other))
    return next((n for n in range(shorter) if one[n] != other[n]), shorter)


def _get(parent: ast.AST, field: str, index: int | None) -> Any:
    value = getattr(parent, field)
    return value if index is None else value[index]


def _put(parent: ast.AST, field: str, index: int | None, node: ast.AST) -> None:
    if index is None:
        setattr(parent, field, node)
    else:
        getattr(parent, field)[index] = node
