"""Room `fhirpath`: compiled expressions, the room's entrance."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import lru_cache
from typing import Any, TypedDict, Unpack

from fhir_bladder.errors import UnsupportedError
from fhir_bladder.fhirpath import ast, direct, model, templates
from fhir_bladder.fhirpath.check import check
from fhir_bladder.fhirpath.compiler import Compiler
from fhir_bladder.fhirpath.context import Context, Fn, Items, truth
from fhir_bladder.fhirpath.general import General
from fhir_bladder.fhirpath.nodes import Item, Node, plain, typed
from fhir_bladder.fhirpath.parser import parse
from fhir_bladder.fhirpath.problems import EvaluationError, ExpressionError

Hooks = Mapping[str, Callable[..., Any]]


_NOT_HERE = (direct.Slow, AttributeError, TypeError, KeyError, IndexError, ValueError)
"""What the direct code raises on data it was not written for, ill-typed JSON included."""


def _direct(tree: ast.Expr, expression: str, type_name: str) -> tuple[direct.Direct | None, str]:
    written = templates.TEMPLATES.get(" ".join(expression.split()))
    try:
        if written is not None:
            return written(type_name), "bool"
        run, kind, _ = direct.write(tree, type_name)
    except direct.NotDirect:
        return None, ""
    return run, kind


class Around(TypedDict, total=False):
    """What stands around the node that an expression is asked of: the keywords of every question to a Program.

    resource: %resource, the nearest resource around the node, by default the node itself. root: %rootResource, the
    resource that holds `resource` as contained, or the Bundle to look references up in. env: constants, name → JSON
    value or `typed(value, type)`. sibling: the `_field` object of a primitive node. resolver: reference text → resource
    JSON or None, after contained and the root Bundle were looked at.
    """

    resource: Any
    root: Any
    env: Mapping[str, Any] | None
    sibling: Any
    resolver: Callable[[str], Any] | None


class Program:
    """One compiled expression, made by `compile`; asked by `items`, `evaluate` or `truth`, with the same keywords."""

    def __init__(self, expression: str, type_name: str, hooks: Hooks) -> None:
        self.expression = expression
        self.type_name = type_name
        self._hooks = hooks
        try:
            tree = parse(expression)
            self._build(tree)
        except RecursionError:
            raise ExpressionError("nested too deep", expression[:60], "write it in several rules") from None

    def _build(self, tree: ast.Expr) -> None:
        self._general: General | None = None
        try:
            self._run: Fn = Compiler(self._hooks.keys()).build(tree)
        except UnsupportedError as refused:
            self._general = General(self.expression, tree, refused)
            self._run = self._ask_general
        self._direct: direct.Direct | None = None
        self._kind = ""
        if self.type_name:  # functions of the caller are never written directly, so hooks do not matter here
            self._direct, self._kind = _direct(tree, self.expression, self.type_name)
        self._truth = self._direct if self._kind in ("bool", "bool3", "one:boolean") else None

    def __repr__(self) -> str:
        return f"Program({self.expression!r}, {self.type_name!r})"

    def items(self, node: Any, **around: Unpack[Around]) -> list[Item]:
        """Typed result: `Node`s for FHIR values, system values otherwise."""
        resource, root = around.get("resource"), around.get("root")
        focus = node if isinstance(node, Node) else self._focus(node, around.get("sibling"))
        about = focus if resource is None else resource if isinstance(resource, Node) else typed(resource)
        whole = about if root is None else root if isinstance(root, Node) else typed(root)
        context = Context(focus, about, whole)
        if env := around.get("env"):
            context.constants = env
        context.hooks = self._hooks
        if (resolver := around.get("resolver")) is not None:
            context.resolver = _as_nodes(resolver)
        try:
            return self._run(context)
        except RecursionError:
            raise EvaluationError("nested too deep to evaluate", self.expression[:60]) from None
        except ArithmeticError:
            raise EvaluationError("a number is out of range", self.expression[:60]) from None

    def evaluate(self, node: Any, **around: Unpack[Around]) -> list[Any]:
        """Result as JSON values: dicts, text, numbers, booleans; dates as text."""
        if self._direct is not None and around.get("sibling") is None and not around.get("env"):
            resource, root = around.get("resource"), around.get("root")
            about = node if resource is None else resource
            try:
                value = self._direct(node, about, about if root is None else root)
                if self._kind != "many":
                    return [] if value is None else [value]
                if not any(type(item) is list for item in value):
                    return list(value)
            except _NOT_HERE:
                pass
        return [plain(item) for item in self.items(node, **around)]

    def truth(
        self,
        node: Any,
        resource: Any = None,
        root: Any = None,
        *,
        env: Mapping[str, Any] | None = None,
        sibling: Any = None,
        resolver: Callable[[str], Any] | None = None,
    ) -> bool | None:
        """Result as a truth value; None where it is empty. Raises EvaluationError for several items.

        Asked for every element of every resource, so the keywords of `Around` are named here, the first two by place.
        """
        if self._truth is not None and sibling is None and not env:
            about = node if resource is None else resource
            try:
                return self._truth(node, about, about if root is None else root)  # type: ignore[no-any-return]
            except _NOT_HERE:
                pass
        return truth(self.items(node, resource=resource, root=root, env=env, sibling=sibling, resolver=resolver))

    def _ask_general(self, context: Context) -> Items:
        assert self._general is not None
        values = self._general.evaluate(
            context.focus.value, context.resource.value, context.root.value, context.constants
        )
        return [typed(value) if isinstance(value, dict) else value for value in values]

    @property
    def engine(self) -> str:
        """What answers: "direct" (Python code written for it, the nodes behind it), "nodes" or "fhirpathpy"."""
        return "fhirpathpy" if self._general else "direct" if self._direct is not None else "nodes"

    def _focus(self, node: Any, sibling: Any) -> Node:
        made = typed(node, self.type_name, sibling)
        if made.type in model.RESOURCE_BASES and isinstance(node, dict) and "resourceType" in node:
            made.type = str(node["resourceType"])
        return made


def _as_nodes(resolver: Callable[[str], Any]) -> Callable[[str], Node | None]:
    def resolve(link: str) -> Node | None:
        found = resolver(link)
        return found if found is None or isinstance(found, Node) else typed(found)

    return resolve


def compile(
    expression: str, type_name: str | None = None, *, hooks: Hooks | None = None, strict: bool = False
) -> Program:
    """Compile an expression for nodes of a FHIR type ("Observation", "Quantity", "Observation.component").

    Without a type it is read from `resourceType`; other nodes are then navigated by their JSON keys alone. `hooks`
    brings functions that need a terminology or a validator: `{"memberOf": f}` with `f(item, value_set_url)`, where
    item is a `Node` or a system value and the answer True, False or None; `htmlChecks`, `conformsTo`, `subsumes` and
    `subsumedBy` alike. Equal calls without hooks give the same Program. `strict` (with a type) also refuses a path
    that R4 does not have.

    Raises ExpressionError for text that is not FHIRPath, UnsupportedError naming what cannot be judged here.
    """
    kind = model.resolved(type_name or "")
    if strict and kind:
        check(parse(expression), kind)
    return Program(expression, kind, hooks) if hooks else _without_hooks(expression, kind)


@lru_cache(maxsize=4096)
def _without_hooks(expression: str, type_name: str) -> Program:
    return Program(expression, type_name, {})


__all__ = ["Items", "Program", "compile"]
