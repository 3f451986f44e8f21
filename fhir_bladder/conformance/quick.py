"""Room `conformance`: FHIRPath invariants as Python text, for the acceptor. Belongs here: the common subset.

The made function says True only where the expression is true; False means "not known", never "false". Every part of an
expression is written in two forms, "is true" and "is false", so that the three values of FHIRPath need no third one.
What is not in the subset raises `Beyond` and runs through the room `fhirpath`, which the explainer always uses.
"""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Any

from fhir_bladder.fhirpath import ast, model
from fhir_bladder.fhirpath.functions_text import regex
from fhir_bladder.fhirpath.parser import parse

_TEXTS = frozenset({"string", "markdown", "code", "id", "uri", "url", "canonical", "oid", "uuid"})
_NUMBERS = frozenset({"integer", "positiveInt", "unsignedInt", "decimal"})
_FLIP = {"<": ">=", "<=": ">", ">": "<=", ">=": "<"}


class Beyond(Exception):
    """The expression is not in the subset."""


class _Focus:
    """What `$this` is: a Python variable and its FHIR type; `item` where it is one of a collection."""

    __slots__ = ("primitive", "type", "variable")

    def __init__(self, variable: str, type_name: str) -> None:
        self.variable, self.type = variable, type_name
        self.primitive = model.is_primitive(type_name)


class _Loop:
    """A collection as clauses of a comprehension; `focus` is one item; `single` where there is at most one."""

    __slots__ = ("clauses", "focus", "keys", "single")

    def __init__(self, clauses: list[str], focus: _Focus, single: bool, keys: tuple[model.Key, ...] = ()) -> None:
        self.clauses, self.focus, self.single, self.keys = clauses, focus, single, keys


class Writer:
    """Writes one expression for objects of one type."""

    def __init__(self, type_name: str, resource: bool, scope: dict[str, Any]) -> None:
        self.top = _Focus("o", model.resolved(type_name))
        if model.info(self.top.type) is None:
            raise Beyond(type_name)
        self.resource = resource
        self.scope = scope
        self._count = 0

    def name(self) -> str:
        """A new variable."""
        self._count += 1
        return f"a{self._count}"

    def keep(self, value: Any) -> str:
        """A name for a constant."""
        name = f"Q{len(self.scope)}"
        self.scope[name] = value
        return name

    # truth

    def true(self, expr: ast.Expr, focus: _Focus) -> str:
        """Python text that is true only where the expression is true."""
        return self._either(expr, focus, True)

    def false(self, expr: ast.Expr, focus: _Focus) -> str:
        """Python text that is true only where the expression is false."""
        return self._either(expr, focus, False)

    def _either(self, expr: ast.Expr, focus: _Focus, want: bool) -> str:
        if isinstance(expr, ast.Binary):
            return self._binary(expr, focus, want)
        if isinstance(expr, ast.Call):
            return self._call(expr, focus, want)
        raise Beyond(type(expr).__name__)

    def _binary(self, expr: ast.Binary, focus: _Focus, want: bool) -> str:
        op, left, right = expr.operator, expr.left, expr.right
        if op in ("and", "or"):
            word = op if want else {"and": "or", "or": "and"}[op]
            return f"({self._either(left, focus, want)} {word} {self._either(right, focus, want)})"
        if op == "implies":
            if want:
                return f"({self.false(left, focus)} or {self.true(right, focus)})"
            return f"({self.true(left, focus)} and {self.false(right, focus)})"
        if op == "xor":
            same = f"({self.true(left, focus)} and {self._either(right, focus, not want)})"
            return f"({same} or ({self.false(left, focus)} and {self._either(right, focus, want)}))"
        if op in ("=", "!="):
            return self._equal(left, right, focus, want == (op == "="))
        if op in _FLIP:
            return self._order(op if want else _FLIP[op], left, right, focus)
        raise Beyond(op)

    def _call(self, expr: ast.Call, focus: _Focus, want: bool) -> str:
        name = expr.name
        if name == "not" and not expr.args:
            return self._either(expr.base, focus, not want)
        if name in ("exists", "empty"):
            loop = self.loop(expr.base, focus)
            if expr.args:
                loop = self.where(loop, expr.args[0])
            some = self._any(loop)
            return some if want == (name == "exists") else f"not {some}"
        if name == "hasValue":
            loop = self.loop(expr.base, focus)
            if not loop.single or not loop.focus.primitive:
                raise Beyond(name)
            test = f"any({loop.focus.variable} is not None {' '.join(loop.clauses)})"
            return test if want else f"not {test}"
        if name == "all" and len(expr.args) == 1:
            loop = self.loop(expr.base, focus)
            holds = self.true(expr.args[0], loop.focus)
            if want:
                return f"all({holds} {' '.join(loop.clauses)})"
            return f"any({self.false(expr.args[0], loop.focus)} {' '.join(loop.clauses)})"
        if name == "matches" and len(expr.args) == 1 and isinstance(expr.args[0], ast.Literal):
            pattern = self.keep(regex(expr.args[0].value).search)
            loop = self.loop(expr.base, focus)
            if not loop.single or loop.focus.type not in _TEXTS:
                raise Beyond(name)
            v = loop.focus.variable
            test = "is not None" if want else "is None"
            return f"any({v} is not None and {pattern}({v}) {test} {' '.join(loop.clauses)})"
        raise Beyond(name)

    def _equal(self, left: ast.Expr, right: ast.Expr, focus: _Focus, want: bool) -> str:
        if not isinstance(right, ast.Literal):
            raise Beyond("=")
        value = right.value
        if isinstance(left, ast.Call) and left.name == "count" and not left.args and type(value) is int:
            return f"{self._size(left, focus)} {'==' if want else '!='} {value}"
        loop = self.loop(left, focus)
        v, kind = loop.focus.variable, loop.focus.type
        if type(value) is str:
            if kind not in _TEXTS:
                raise Beyond("=")
        elif type(value) is bool:
            if kind != "boolean":
                return self._boolean_choice(loop, value, want)
        else:
            raise Beyond("=")
        op = ("is" if type(value) is bool else "==") if want else ("is not" if type(value) is bool else "!=")
        if loop.single:
            return f"any({v} is not None and {v} {op} {value!r} {' '.join(loop.clauses)})"
        if want:
            return f"[{v} {' '.join(loop.clauses)}] == [{value!r}]"
        raise Beyond("!=")

    def _boolean_choice(self, loop: _Loop, value: bool, want: bool) -> str:
        """`value = false` where value is a choice: only the boolean one can be equal."""
        if not loop.keys or not want or not any(k.type == "boolean" for k in loop.keys):
            raise Beyond("=")
        v = loop.focus.variable
        return f"any({v} is {value!r} {' '.join(loop.clauses)})"

    def _size(self, call: ast.Call, focus: _Focus) -> str:
        return f"sum(1 {' '.join(self.loop(call.base, focus).clauses)})"

    def _order(self, op: str, left: ast.Expr, right: ast.Expr, focus: _Focus) -> str:
        if not isinstance(right, ast.Literal) or type(right.value) not in (int, Decimal):
            raise Beyond(op)
        limit = right.value
        if Decimal(float(limit)) != Decimal(limit):
            raise Beyond(op)  # the limit itself is not a float
        if isinstance(left, ast.Call) and left.name == "count" and not left.args and type(limit) is int:
            return f"{self._size(left, focus)} {op} {limit}"
        loop = self.loop(left, focus)
        if not loop.single or loop.focus.type not in _NUMBERS:
            raise Beyond(op)
        v = loop.focus.variable
        test = f"{v} {op[0]} {limit!r}" if type(limit) is int else f"{v} {op[0]} {float(limit)!r}"
        if op[1:] == "=":
            # a float on the limit may stand for a number beyond it
            test = f"({test} or ({v} == {limit if type(limit) is int else float(limit)!r} and type({v}) is not float))"
        return f"any({v} is not None and {test} {' '.join(loop.clauses)})"

    def _any(self, loop: _Loop) -> str:
        return f"any(True {' '.join(loop.clauses)})"

    # collections

    def loop(self, expr: ast.Expr, focus: _Focus) -> _Loop:
        """A path as clauses."""
        if isinstance(expr, ast.This) and expr.name in ("", "this"):
            same = _Focus(focus.variable, focus.type)
            return _Loop([f"for _ in (0,) if {focus.variable} is not None"], same, True)
        if isinstance(expr, ast.External) and expr.name == "resource" and self.resource:
            return _Loop(["for _ in (0,)"], self.top, True)
        if isinstance(expr, ast.Member):
            return self._member(expr, focus)
        if isinstance(expr, ast.TypeTest) and expr.operator == "ofType":
            return self._of_type(expr, focus)
        if isinstance(expr, ast.Call) and expr.name == "where" and len(expr.args) == 1:
            return self.where(self.loop(expr.base, focus), expr.args[0])
        raise Beyond(type(expr).__name__)

    def where(self, loop: _Loop, criteria: ast.Expr) -> _Loop:
        """The items for which the criteria are true; "not known" must not drop an item, so the form must be exact."""
        if loop.keys:
            raise Beyond("where on a choice")
        yes = self.true(criteria, loop.focus)
        if not self._exact(criteria, loop.focus):
            raise Beyond("where")
        return _Loop([*loop.clauses, f"if {yes}"], loop.focus, loop.single, loop.keys)

    def _exact(self, expr: ast.Expr, focus: _Focus) -> bool:
        """Whether the "is true" form is true exactly where the expression is, not only if."""
        if isinstance(expr, ast.Binary):
            if expr.operator in ("and", "or"):
                return self._exact(expr.left, focus) and self._exact(expr.right, focus)
            return expr.operator in ("=", "!=") and isinstance(expr.right, ast.Literal)
        if isinstance(expr, ast.Call):
            if expr.name == "not":
                return (
                    isinstance(expr.base, ast.Call)
                    and expr.base.name in ("exists", "empty")
                    and self._exact(expr.base, focus)
                )
            return expr.name in ("exists", "empty", "matches")
        return False

    def _base(self, base: ast.Expr, focus: _Focus) -> _Loop:
        if isinstance(base, ast.This) and base.name in ("", "this"):
            return _Loop([], focus, True)
        return self.loop(base, focus)

    def _member(self, expr: ast.Member, focus: _Focus) -> _Loop:
        base = self._base(expr.base, focus)
        if expr.head and expr.name[:1].isupper():
            raise Beyond("type name")
        if base.keys:
            raise Beyond("child of a choice")
        return self._step(base, expr.name)

    def _step(self, base: _Loop, name: str) -> _Loop:
        info = model.info(base.focus.type)
        keys = info.elements.get(name, ()) if info is not None and not base.focus.primitive else ()
        if not keys or any(k.type == "Resource" for k in keys):
            raise Beyond(name)
        o, v = base.focus.variable, self.name()
        if len(keys) > 1:
            pairs = self.keep(tuple(k.name for k in keys))
            clause = f"for {v} in PICK({o}, {pairs})"
            return _Loop([*base.clauses, clause], _Focus(v, "Element"), base.single, keys)
        key = keys[0]
        return _Loop(
            [*base.clauses, self._clause(o, v, key)], _Focus(v, model.resolved(key.type)), base.single and not key.many
        )

    def _clause(self, o: str, v: str, key: model.Key) -> str:
        if key.many:
            if key.primitive:
                return f"for {v} in MANY({o}, {key.name!r})"
            return f"for {v} in {o}.get({key.name!r}, ())"
        if key.primitive:
            beside = f"(None,) if {'_' + key.name!r} in {o} else ()"
            return f"for {v} in (({o}[{key.name!r}],) if {key.name!r} in {o} else {beside})"
        return f"for {v} in (({o}[{key.name!r}],) if {key.name!r} in {o} else ())"

    def _of_type(self, expr: ast.TypeTest, focus: _Focus) -> _Loop:
        if not isinstance(expr.operand, ast.Member):
            raise Beyond("ofType")
        base = self._base(expr.operand.base, focus)
        if base.keys:
            raise Beyond("ofType")
        info = model.info(base.focus.type)
        keys = info.elements.get(expr.operand.name, ()) if info is not None else ()
        name = expr.type.removeprefix("FHIR.")
        if any(k.type == "Resource" for k in keys):
            raise Beyond("ofType")
        found = [k for k in keys if k.type == name]
        if len(found) != 1 or any(k is not found[0] and model.isa(k.type, name) for k in keys):
            raise Beyond("ofType")
        v = self.name()
        return _Loop(
            [*base.clauses, self._clause(base.focus.variable, v, found[0])],
            _Focus(v, found[0].type),
            base.single and not found[0].many,
        )


def pick(o: dict[str, Any], keys: tuple[str, ...]) -> tuple[Any, ...]:
    """The value of the one key of a choice that is there; None where only its `_key` is."""
    for key in keys:
        if key in o:
            return (o[key],)
    for key in keys:
        if "_" + key in o:
            return (None,)
    return ()


def many(o: dict[str, Any], key: str) -> Any:
    """Items of an array of primitives, null where an item has only extensions."""
    return o[key] if key in o else o.get("_" + key, ()) and [None] * len(o["_" + key])


def write(expression: str, type_name: str, resource: bool) -> Callable[[Any, Any], Any]:
    """A function (object, context) → true only where the invariant holds. Raises Beyond."""
    scope: dict[str, Any] = {"PICK": pick, "MANY": many}
    try:
        writer = Writer(type_name, resource, scope)
        text = writer.true(parse(expression), writer.top)
    except RecursionError:
        raise Beyond("too deep") from None
    exec(compile(f"def rule(o, context):\n    return {text}\n", "<invariant>", "exec"), scope)  # noqa: S102 - our own text
    made: Callable[[Any, Any], Any] = scope["rule"]
    return made
