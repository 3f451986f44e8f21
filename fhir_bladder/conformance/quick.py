"""Room `conformance`: FHIRPath invariants as Python text, for the acceptor. Belongs here: the common subset.

The made function says True only where the expression is true; False means "not known", never "false". Every part of an
expression is written in two forms, "is true" and "is false", so that the three values of FHIRPath need no third one.
What is not in the subset raises `Beyond` and runs through the room `fhirpath`, which the explainer always uses.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from decimal import Decimal
from typing import Any

from fhir_bladder.conformance.lookups import NAMES
from fhir_bladder.fhirpath import ast, model
from fhir_bladder.fhirpath.functions_text import regex
from fhir_bladder.fhirpath.parser import parse

_TEXTS = frozenset({"string", "markdown", "code", "id", "uri", "url", "canonical", "oid", "uuid"})
_NUMBERS = frozenset({"integer", "positiveInt", "unsignedInt", "decimal"})
_GROUP = re.compile(r"(\\.|\[\^?\]?(?:\\.|[^\]\\])*\])|\((?!\?)", re.DOTALL)
"""What is no group: an escape, a class; and the start of a group."""
_REFERS = re.compile(r"\\[1-9]|\(\?(?:P=|\()").search
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
    """A collection as clauses of a comprehension; `focus` is one item; `single` where there is at most one.

    bare: the item is the focus itself, no loop needed. at: (variable, key) where the one item is a key of the focus.
    """

    __slots__ = ("at", "bare", "clauses", "focus", "keys", "single")

    def __init__(
        self, clauses: list[str], focus: _Focus, single: bool, keys: tuple[model.Key, ...] = (), bare: bool = False
    ) -> None:
        self.clauses, self.focus, self.single, self.keys, self.bare = clauses, focus, single, keys, bare
        self.at: tuple[str, str] | None = None


class Writer:
    """Writes one expression for objects of one type.

    reads: keys of the object whose values the text looks at; asks: keys of which it only asks whether they are there.
    """

    def __init__(self, type_name: str, resource: bool, scope: dict[str, Any]) -> None:
        self.top = _Focus("o", model.resolved(type_name))
        if model.info(self.top.type) is None:
            raise Beyond(type_name)
        self.resource = resource
        self.scope = scope
        self.reads: set[str] = set()
        self.asks: set[str] = set()
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
            if self._plain(left) and self._plain(right):
                word = "is not" if want else "is"
                return f"({self.true(left, focus)}) {word} ({self.true(right, focus)})"
            same = f"({self.true(left, focus)} and {self._either(right, focus, not want)})"
            return f"({same} or ({self.false(left, focus)} and {self._either(right, focus, want)}))"
        if op in ("=", "!="):
            return self._equal(left, right, focus, want == (op == "="))
        if op in _FLIP:
            return self._order(op if want else _FLIP[op], left, right, focus)
        raise Beyond(op)

    def _plain(self, expr: ast.Expr) -> bool:
        """Whether the text of an expression is a Python bool, true exactly where the expression is."""
        return isinstance(expr, ast.Call) and expr.name in ("exists", "empty") and not expr.args

    def _call(self, expr: ast.Call, focus: _Focus, want: bool) -> str:
        name = expr.name
        if name == "not" and not expr.args:
            return self._either(expr.base, focus, not want)
        if name in ("exists", "empty"):
            told = self._told(expr, focus)
            if told is not None:
                return told if want == (name == "exists") else f"not {told}"
            loop = self.loop(expr.base, focus)
            if expr.args:
                loop = self.where(loop, expr.args[0])
            some = self._any(loop)
            return some if want == (name == "exists") else f"not {some}"
        if name == "hasValue":
            loop = self.loop(expr.base, focus)
            if not loop.single or not loop.focus.primitive:
                raise Beyond(name)
            test = self._some(loop)
            return test if want else f"not {test}"
        if name == "all" and len(expr.args) == 1:
            loop = self.loop(expr.base, focus)
            holds = self.true(expr.args[0], loop.focus)
            if want:
                return f"all([{holds} {' '.join(loop.clauses)}])"
            return f"any([{self.false(expr.args[0], loop.focus)} {' '.join(loop.clauses)}])"
        if name == "matches" and len(expr.args) == 1 and isinstance(expr.args[0], ast.Literal):
            pattern = self.keep(search(expr.args[0].value))
            loop = self.loop(expr.base, focus)
            if not loop.single or loop.focus.type not in _TEXTS:
                raise Beyond(name)
            v = loop.focus.variable
            test = "is not None" if want else "is None"
            return self._some(loop, f"{pattern}({v}) {test}")
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
        if loop.single and loop.at is not None and type(value) is str:
            o, key = loop.at
            return f"{o}.get({key!r}) == {value!r}" if want else f"{o}.get({key!r}) not in (None, {value!r})"
        if loop.single:
            return self._some(loop, f"{v} {op} {value!r}")
        if want:
            return f"[{v} {' '.join(loop.clauses)}] == [{value!r}]"
        raise Beyond("!=")

    def _boolean_choice(self, loop: _Loop, value: bool, want: bool) -> str:
        """`value = false` where value is a choice: only the boolean one can be equal."""
        if not loop.keys or not want or not any(k.type == "boolean" for k in loop.keys):
            raise Beyond("=")
        v = loop.focus.variable
        return f"any([{v} is {value!r} {' '.join(loop.clauses)}])"

    def _size(self, call: ast.Call, focus: _Focus) -> str:
        return f"len([1 {' '.join(self.loop(call.base, focus).clauses)}])"

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
        return self._some(loop, test)

    def _some(self, loop: _Loop, test: str = "") -> str:
        """That the one item there may be has a value for which a test holds; without a loop where it is at hand."""
        v, more = loop.focus.variable, f" and {test}" if test else ""
        if loop.bare:
            return f"({v} is not None{more})"
        if loop.at is not None:
            o, key = loop.at
            return f"(({v} := {o}.get({key!r})) is not None{more})" if test else f"({o}.get({key!r}) is not None)"
        return f"any([{v} is not None{more} {' '.join(loop.clauses)}])"

    def _told(self, expr: ast.Call, focus: _Focus) -> str | None:
        """`exists` without a loop: one key of the object at hand, or a coding looked up in the index of codings."""
        if expr.args:
            return None
        found = self._indexed(expr.base, focus)
        if found is not None:
            index, pairs = found
            if len(pairs) == 1:
                return f"({pairs[0]!r} in {index})"
            return f"(not {self.keep(frozenset(pairs))}.isdisjoint({index}))"
        if not isinstance(expr.base, ast.Member):
            return None
        before = set(self.reads)
        loop = self.loop(expr.base, focus)
        if len(loop.clauses) != 1 or not loop.single or (not loop.keys and loop.at is None):
            return None
        self.asks |= self.reads - before
        self.reads = before
        if loop.keys:
            names = frozenset(n for k in loop.keys for n in (k.name, "_" + k.name))
            return f"(not {self.keep(names)}.isdisjoint({focus.variable}))"
        assert loop.at is not None
        o, key = loop.at
        return f"({key!r} in {o} or {'_' + key!r} in {o})" if loop.focus.primitive else f"({key!r} in {o})"

    # codings of an array of the resource, looked up instead of walked through

    def _indexed(self, expr: ast.Expr, focus: _Focus) -> tuple[str, list[tuple[str, str]]] | None:
        """`array.code.coding.where(system = … and code = …)` of the resource: its index and the pairs asked for."""
        if not (isinstance(expr, ast.Call) and expr.name == "where" and len(expr.args) == 1):
            return None
        concept = self._coding_of(expr.base)
        if concept is None or not isinstance(concept.base, ast.Member) or not self._at_hand(concept.base.base):
            return None
        pairs = _pairs(expr.args[0])
        if pairs is None or focus is not self.top or not self.resource:
            return None
        array = self.loop(concept.base, focus)
        if array.single or array.keys or array.focus.primitive or not self._is_concept(concept.name, array.focus):
            return None
        return f"INDEX(o, C, {concept.base.name!r}, {concept.name!r})", pairs

    def _items(self, expr: ast.Expr, criteria: ast.Expr, focus: _Focus) -> _Loop | None:
        """`array.where(code.coding.where(system = … and code = …).exists())` of the resource, from the index."""
        if (
            not (isinstance(expr, ast.Member) and self._at_hand(expr.base))
            or focus is not self.top
            or not self.resource
        ):
            return None
        if not (isinstance(criteria, ast.Call) and criteria.name == "exists" and not criteria.args):
            return None
        inner = criteria.base
        if not (isinstance(inner, ast.Call) and inner.name == "where" and len(inner.args) == 1):
            return None
        concept, pairs = self._coding_of(inner.base), _pairs(inner.args[0])
        if concept is None or not self._at_hand(concept.base) or pairs is None or len(pairs) != 1:
            return None
        array = self.loop(expr, focus)
        if array.single or array.keys or array.focus.primitive or not self._is_concept(concept.name, array.focus):
            return None
        clause = f"for {array.focus.variable} in INDEX(o, C, {expr.name!r}, {concept.name!r}).get({pairs[0]!r}, ())"
        return _Loop([clause], array.focus, False)

    def _at_hand(self, expr: ast.Expr) -> bool:
        return isinstance(expr, ast.This) and expr.name in ("", "this")

    def _coding_of(self, expr: ast.Expr) -> ast.Member | None:
        """The member before `.coding`."""
        if isinstance(expr, ast.Member) and expr.name == "coding" and isinstance(expr.base, ast.Member):
            return expr.base
        return None

    def _is_concept(self, name: str, focus: _Focus) -> bool:
        info = model.info(focus.type)
        keys = info.elements.get(name, ()) if info is not None else ()
        return len(keys) == 1 and keys[0].type == "CodeableConcept" and not keys[0].many

    def _any(self, loop: _Loop) -> str:
        return f"([1 {' '.join(loop.clauses)}] != [])"

    # collections

    def loop(self, expr: ast.Expr, focus: _Focus) -> _Loop:
        """A path as clauses."""
        if isinstance(expr, ast.This) and expr.name in ("", "this"):
            same = _Focus(focus.variable, focus.type)
            return _Loop([f"for _ in (0,) if {focus.variable} is not None"], same, True, bare=True)
        if isinstance(expr, ast.External) and expr.name == "resource" and self.resource:
            return _Loop(["for _ in (0,)"], self.top, True)
        if isinstance(expr, ast.Member):
            return self._member(expr, focus)
        if isinstance(expr, ast.TypeTest) and expr.operator == "ofType":
            return self._of_type(expr, focus)
        if isinstance(expr, ast.Call) and expr.name == "where" and len(expr.args) == 1:
            items = self._items(expr.base, expr.args[0], focus)
            return items if items is not None else self.where(self.loop(expr.base, focus), expr.args[0])
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
        if o == self.top.variable:
            self.reads.update(key.name for key in keys)
        if len(keys) > 1:
            pairs = self.keep(tuple(k.name for k in keys))
            clause = f"for {v} in PICK({o}, {pairs})"
            return _Loop([*base.clauses, clause], _Focus(v, "Element"), base.single, keys)
        key = keys[0]
        made = _Loop(
            [*base.clauses, self._clause(o, v, key)], _Focus(v, model.resolved(key.type)), base.single and not key.many
        )
        if made.single and not base.clauses:
            made.at = (o, key.name)
        return made

    def _clause(self, o: str, v: str, key: model.Key) -> str:
        if key.many:
            if key.primitive:
                return f"for {v} in MANY({o}, {key.name!r})"
            return f"for {v} in {o}.get({key.name!r}, ())"
        if key.primitive:
            return f"for {v} in ({o}.get({key.name!r}),) if {v} is not None or {'_' + key.name!r} in {o}"
        return f"for {v} in ({o}.get({key.name!r}),) if {v} is not None"

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
        if base.focus.variable == self.top.variable:
            self.reads.add(found[0].name)
        return _Loop(
            [*base.clauses, self._clause(base.focus.variable, v, found[0])],
            _Focus(v, found[0].type),
            base.single and not found[0].many,
        )


def _pairs(expr: ast.Expr) -> list[tuple[str, str]] | None:
    """The (system, code) pairs that criteria on a coding name, where they name nothing else."""
    found: list[tuple[str, str]] = []
    for part in _either(expr):
        if not (isinstance(part, ast.Binary) and part.operator == "and"):
            return None
        for left, right in ((part.left, part.right), (part.right, part.left)):
            system = _text_of(left, "system")
            codes = [_text_of(code, "code") for code in _either(right)]
            if system is not None and None not in codes:
                found += [(system, code) for code in codes if code is not None]
                break
        else:
            return None
    return found


def _either(expr: ast.Expr) -> list[ast.Expr]:
    if isinstance(expr, ast.Binary) and expr.operator == "or":
        return [*_either(expr.left), *_either(expr.right)]
    return [expr]


def _text_of(expr: ast.Expr, name: str) -> str | None:
    """The text of `name = 'text'`."""
    if not (isinstance(expr, ast.Binary) and expr.operator == "=" and isinstance(expr.right, ast.Literal)):
        return None
    left = expr.left
    if not (isinstance(left, ast.Member) and left.name == name and isinstance(left.base, ast.This)):
        return None
    if left.base.name not in ("", "this"):
        return None
    return expr.right.value if type(expr.right.value) is str else None


def search(pattern: str) -> Callable[[str], re.Match[str] | None]:
    """`search` of a pattern; what its groups hold is kept only where the pattern itself refers to it, which is slow."""
    made = regex(pattern)
    if _REFERS(made.pattern):
        return made.search
    return re.compile(_GROUP.sub(lambda found: found[1] or "(?:", made.pattern), made.flags).search


def write(expression: str, type_name: str, resource: bool) -> Callable[[Any, Any], Any]:
    """A function (object, context) → true only where the invariant holds. Raises Beyond."""
    scope: dict[str, Any] = {}
    return made(text(expression, type_name, resource, scope), scope)


def text(expression: str, type_name: str, resource: bool, scope: dict[str, Any]) -> str:
    """Text in `o` and `C` that is true only where the invariant holds; its names go to `scope`. Raises Beyond."""
    try:
        writer = Writer(type_name, resource, scope)
        found = writer.true(parse(expression), writer.top)
    except RecursionError:
        raise Beyond("too deep") from None
    scope |= NAMES
    return found


def made(text: str, scope: dict[str, Any]) -> Callable[[Any, Any], Any]:
    """The function (object, context) → value of the text."""
    scope |= NAMES
    exec(compile(f"def rule(o, C):\n    return {text}\n", "<invariant>", "exec"), scope)  # noqa: S102 - our own text
    rule: Callable[[Any, Any], Any] = scope["rule"]
    return rule
