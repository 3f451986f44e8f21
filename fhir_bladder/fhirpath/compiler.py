"""Room `fhirpath`: syntax tree → closures over typed nodes: the general engine, complete rather than fastest."""

from __future__ import annotations

from collections.abc import Collection

from fhir_bladder.errors import UnsupportedError
from fhir_bladder.fhirpath import (
    ast,
    functions_collection,
    functions_convert,
    functions_fhir,
    functions_number,
    functions_text,
    model,
)
from fhir_bladder.fhirpath.constants import constant
from fhir_bladder.fhirpath.context import Context, Fn, Items, boolean, integer, truth
from fhir_bladder.fhirpath.macros import MACROS, sort
from fhir_bladder.fhirpath.nodes import Item, Node, child, type_of
from fhir_bladder.fhirpath.operators import OPERATORS, logic, negate, positive
from fhir_bladder.fhirpath.problems import EvaluationError, ExpressionError
from fhir_bladder.fhirpath.registry import FUNCTIONS

_LOADED = (functions_collection, functions_convert, functions_number, functions_text)
LOGIC = frozenset({"and", "or", "xor", "implies"})
HOOKS = {"memberOf": 1, "htmlChecks": 0, "subsumes": 1, "subsumedBy": 1, "conformsTo": 1}
"""Functions only the caller can answer → number of arguments. Without a hook they are refused by name."""


class Compiler:
    """Turns a tree into closures. `hooks` names the functions the caller will bring."""

    def __init__(self, hooks: Collection[str] = ()) -> None:
        self.hooks = frozenset(hooks)

    def build(self, tree: ast.Expr) -> Fn:
        """The closure of one node of the tree."""
        if isinstance(tree, ast.Literal):
            value: Items = [] if tree.value is None else [tree.value]
            return lambda _: value
        if isinstance(tree, ast.This):
            return _THIS[tree.name]
        if isinstance(tree, ast.External):
            name = tree.name
            return lambda context: constant(context, name)
        if isinstance(tree, ast.Member):
            return _head(tree.name) if tree.head else _member(self.build(tree.base), tree.name)
        if isinstance(tree, ast.Call):
            return self.call(tree)
        if isinstance(tree, ast.Index):
            return _index(self.build(tree.base), self.build(tree.index))
        if isinstance(tree, ast.Unary):
            operand, change = self.build(tree.operand), negate if tree.operator == "-" else positive
            return lambda context: change(operand(context))
        if isinstance(tree, ast.TypeTest):
            return _type_test(tree.operator, self.build(tree.operand), tree.type)
        assert isinstance(tree, ast.Binary)
        left, right = self.build(tree.left), self.build(tree.right)
        if tree.operator in LOGIC:
            return _logic(tree.operator, left, right)
        operate = OPERATORS[tree.operator]
        return lambda context: operate(left(context), right(context))

    def call(self, tree: ast.Call) -> Fn:
        """A function call: macro, hook or plain function."""
        name, base = tree.name, self.build(tree.base)
        if name in MACROS:
            least, most, make = MACROS[name]
            _check_count(tree, least, most)
            return make(base, [self.build(arg) for arg in tree.args])
        if name == "sort":
            return sort(base, [self.sort_key(arg) for arg in tree.args])
        args = [self.build(arg) for arg in tree.args]
        if name in HOOKS and name in self.hooks:
            _check_count(tree, HOOKS[name], HOOKS[name])
            run = functions_fhir.hook(name)
        elif name in FUNCTIONS:
            found = FUNCTIONS[name]
            _check_count(tree, found.least, found.most)
            run = found.run
            if name == "getReferenceKey" and args:
                args = [_type_argument(tree.args[0])]
        else:
            raise UnsupportedError(f"function {name}()", f"column {tree.at + 1}", "write it with other functions")
        if not args:
            return lambda context: run(context, base(context))
        if len(args) == 1:
            only = args[0]
            return lambda context: run(context, base(context), only(context))
        return lambda context: run(context, base(context), *[arg(context) for arg in args])

    def sort_key(self, tree: ast.Expr) -> tuple[Fn, bool]:
        """A key of sort() and whether it goes downwards: `-key`, for text too."""
        if isinstance(tree, ast.Unary) and tree.operator == "-":
            return self.build(tree.operand), True
        return self.build(tree), False


def _check_count(tree: ast.Call, least: int, most: int) -> None:
    if not least <= len(tree.args) <= most:
        wanted = str(least) if least == most else f"{least} to {most}"
        raise ExpressionError(f"{tree.name}() takes {wanted} arguments, not {len(tree.args)}", f"column {tree.at + 1}")


def _type_argument(tree: ast.Expr) -> Fn:
    """`Patient` as an argument is a type, not a path."""
    if isinstance(tree, ast.Member) and tree.head:
        return lambda _: [tree.name]
    if isinstance(tree, ast.Literal) and isinstance(tree.value, str):
        return lambda _: [tree.value]
    raise ExpressionError("getReferenceKey() takes a resource type", f"column {tree.at + 1}")


_THIS: dict[str, Fn] = {
    "": lambda context: context.this,
    "this": lambda context: context.this,
    "index": lambda context: [context.index],
    "total": lambda context: context.total,
}


def _head(name: str) -> Fn:
    """First identifier of a path: the type of the focus, or an element of it."""
    if name[:1].isupper() and model.known(name):

        def typed(context: Context) -> Items:
            return [item for item in context.this if isinstance(item, Node) and model.isa(item.type, name)]

        return typed
    return _member(_THIS[""], name)


def _member(base: Fn, name: str) -> Fn:
    def run(context: Context) -> Items:
        out: list[Item] = []
        for item in base(context):
            if isinstance(item, Node):
                child(item, name, out)
        return out

    return run


def _index(base: Fn, index: Fn) -> Fn:
    def run(context: Context) -> Items:
        items = base(context)
        at = integer(index(context), "[ ]")
        return [] if at is None or not 0 <= at < len(items) else [items[at]]

    return run


def _logic(operator: str, left: Fn, right: Fn) -> Fn:
    return lambda context: boolean(logic(operator, truth(left(context)), lambda: right(context)))


def _type_test(operator: str, operand: Fn, name: str) -> Fn:
    test = type_matcher(name, exact=operator != "is")
    if operator == "ofType":
        return lambda context: [item for item in operand(context) if test(item)]

    def run(context: Context) -> Items:
        items = operand(context)
        if len(items) > 1:
            raise EvaluationError(f"{len(items)} items where {operator} asks one", "", "use ofType()")
        if operator == "is":
            return [test(items[0])] if items else []
        return [item for item in items if test(item)]

    return run


def type_matcher(name: str, *, exact: bool) -> TypeMatcher:
    """Test of one item. A bare name may be of FHIR or System; a name of neither raises EvaluationError when used.

    `exact`: primitive types match themselves only (`ofType(string)` leaves a code out, as the R4 suite has it).
    """
    return TypeMatcher(name, exact)


class TypeMatcher:
    """Callable: Item → bool."""

    __slots__ = ("exact", "fhir", "name", "primitive", "system", "unknown")

    def __init__(self, name: str, exact: bool) -> None:
        namespace, _, bare = name.rpartition(".")
        self.name = bare
        self.system = namespace in ("", "System") and bare in model.SYSTEM_TYPES
        self.fhir = namespace in ("", "FHIR") and model.known(bare)
        self.exact = exact
        self.primitive = model.is_primitive(bare)
        self.unknown = not self.system and not self.fhir and namespace != "System"

    def __call__(self, item: Item) -> bool:
        """Whether the item is of the type."""
        if self.unknown:
            raise EvaluationError(f"no type {self.name!r} in R4", "", "write the type as the specification does")
        if not isinstance(item, Node):
            return self.system and type_of(item)[1] == self.name
        if not self.fhir:
            return False
        if item.type == self.name:
            return True
        return not (self.exact and self.primitive) and model.isa(item.type, self.name)
