"""Room `fhirpath`: reads a syntax tree against the R4 types without data and finds paths that can never match.

The standard leaves such a check to strict evaluation: at run time a path that does not exist is just empty, which hides
a misspelt element in a profile's rule.
"""

from __future__ import annotations

from fhir_bladder.fhirpath import ast, model
from fhir_bladder.fhirpath.problems import ExpressionError

Types = frozenset[str] | None
"""Possible FHIR types of the items; None where they cannot be told."""
_SAME = frozenset(
    {"where", "first", "last", "tail", "skip", "take", "single", "distinct", "trace", "exclude", "intersect", "sort"}
)
_ORDERED = frozenset({"first", "last", "tail", "skip", "take"})
_SYSTEM: frozenset[str] = frozenset()


def check(tree: ast.Expr, type_name: str) -> None:
    """Raise ExpressionError for an element the type does not have, or for order asked of children()."""
    _Checker(frozenset({type_name}) if model.known(type_name) else None).types(tree)


class _Checker:
    def __init__(self, this: Types) -> None:
        self.root = this
        self.this = this

    def types(self, tree: ast.Expr) -> Types:
        if isinstance(tree, ast.This):
            return self.this if tree.name in ("", "this") else None
        if isinstance(tree, ast.External):
            return self.root if tree.name in ("resource", "context") and _resources(self.root) else None
        if isinstance(tree, ast.Member):
            return self.member(tree)
        if isinstance(tree, ast.TypeTest):
            operand = self.types(tree.operand)
            if tree.operator == "is":
                return _SYSTEM
            name = tree.type.removeprefix("FHIR.")
            known = model.known(name)
            if known and operand is not None and not any(_may_be(one, name) for one in operand):
                raise ExpressionError(f"{tree.type} is none of the types here", f"column {tree.at + 1}")
            return frozenset({name}) if known else None
        if isinstance(tree, ast.Call):
            return self.call(tree)
        if isinstance(tree, ast.Index):
            self.types(tree.index)
            return self.types(tree.base)
        if isinstance(tree, ast.Unary):
            self.types(tree.operand)
            return _SYSTEM
        if isinstance(tree, ast.Binary):
            left, right = self.types(tree.left), self.types(tree.right)
            if tree.operator == "|":
                return None if left is None or right is None else left | right
            return _SYSTEM
        return None

    def member(self, tree: ast.Member) -> Types:
        base = self.types(tree.base)
        if base is None:
            return None
        if tree.head and tree.name[:1].isupper() and model.known(tree.name):
            fitting = frozenset(one for one in base if _may_be(one, tree.name))
            if not fitting:
                raise ExpressionError(f"{tree.name} is not what the rule is about", f"column {tree.at + 1}")
            return fitting if all(model.isa(one, tree.name) for one in fitting) else frozenset({tree.name})
        found: set[str] = set()
        known = False
        for one in base:
            if one in model.RESOURCE_BASES:
                return None
            info = model.info(one)
            keys = info.elements.get(tree.name) if info else None
            known = known or keys is not None
            found |= {key.type for key in keys or ()}
        if not known:
            kinds = " or ".join(sorted(base)) or "a plain value"
            raise ExpressionError(f"no element {tree.name!r} in {kinds}", f"column {tree.at + 1}", "correct the path")
        return frozenset(found)

    def call(self, tree: ast.Call) -> Types:
        base = self.types(tree.base)
        if tree.name in _ORDERED and isinstance(tree.base, ast.Call) and tree.base.name in ("children", "descendants"):
            raise ExpressionError(f"{tree.name}() of {tree.base.name}(), which have no order", f"column {tree.at + 1}")
        per_item = tree.name in ("where", "exists", "all", "select", "repeat", "iif")
        outer, self.this = self.this, base if per_item else self.this
        found = [self.types(arg) for arg in tree.args] if tree.name not in ("repeat", "getReferenceKey") else []
        self.this = outer
        if tree.name in _SAME:
            return base
        if tree.name == "extension":
            return frozenset({"Extension"})
        return found[0] if tree.name == "select" and found else None


def _may_be(one: str, name: str) -> bool:
    """Whether an item declared as `one` can be a `name`."""
    return model.isa(one, name) or model.isa(name, one)


def _resources(types: Types) -> bool:
    return types is not None and all(model.is_resource(one) for one in types)
