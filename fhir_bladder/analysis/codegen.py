"""Room `analysis`: a FHIRPath syntax tree to Python statements. May import errors and the room `fhirpath`.

Straight code for what views are made of (paths, where, first, exists, extension, ofType, comparisons, constants);
anything else raises `NotInSubsetError`, and the view compiler hands that expression to the general engine.
Generated code calls `runtime` for whatever is not the common case, under the names in `GLOBALS`.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from fhir_bladder.analysis import runtime
from fhir_bladder.analysis.decoding import UNREADABLE, Remembered, Shapes, everything
from fhir_bladder.analysis.keys import FIELD, Keys
from fhir_bladder.analysis.paths import Node
from fhir_bladder.errors import ConfigError, RecordError

GLOBALS: dict[str, Any] = {
    "_step": runtime.step, "_choice": runtime.choice, "_codes": runtime.code_index, "_exts": runtime.extension_index,
    "_items": runtime.items, "_first": runtime.first, "_last": runtime.last, "_at": runtime.at, "_one": runtime.one,
    "_pack": runtime.pack, "_truth": runtime.truth, "_equal": runtime.equal, "_compare": runtime.compare,
    "_times": runtime.compare_times, "_math": runtime.arithmetic, "_text": runtime.text, "_join": runtime.join,
    "_of_type": runtime.of_type, "_reference": runtime.reference_key, "_sub": runtime.sub,
    "_boundary": runtime.boundary, "_moment_boundary": runtime.moment_boundary, "_repeat": runtime.repeat,
    "_condition": runtime.condition, "_exists": runtime.exists,
}  # fmt: skip
"""Names that generated code may use; of the builtins it has four harmless ones."""

TIME_TYPES = {"date", "dateTime", "instant", "time"}
_NEGATED = {"!=": "=", "!~": "~"}


class NotInSubsetError(Exception):
    """The expression needs the general engine."""


@dataclass(frozen=True)
class Value:
    """A Python variable that holds a collection. `type` is the FHIR type where the expression tells it."""

    name: str
    keys: Keys
    type: str = ""
    is_dict: bool = False
    key: str = ""


@dataclass(frozen=True)
class Context:
    """What `$this`, `%resource`, `%rowIndex` and the constants mean where an expression stands."""

    this: Value
    root: Value
    resource: str
    row_index: str = "0"
    constants: dict[str, tuple[str, Any]] = field(default_factory=dict, hash=False)


class Emitter:
    """Collects the lines of one Python function; with `shapes`, one that takes their Structs besides dicts."""

    def __init__(self, shapes: Shapes | None = None) -> None:
        self.shapes = shapes
        self.asked: set[str] = set()
        self.lines: list[str] = []
        self.depth = 1
        self.counter = 0
        self.memo: list[dict[Any, Value]] = [{}]
        self.globals: dict[str, Any] = dict(GLOBALS)

    def emit(self, line: str) -> None:
        """One line at the present depth."""
        self.lines.append("    " * self.depth + line)

    def fresh(self) -> str:
        """A new variable name."""
        self.counter += 1
        return f"v{self.counter}"

    @contextmanager
    def block(self, head: str) -> Iterator[None]:
        """An indented block; what is computed inside is not known to be computed after it."""
        self.emit(head)
        self.depth += 1
        self.memo.append({})
        start = len(self.lines)
        yield
        if len(self.lines) == start:
            self.emit("pass")
        self.memo.pop()
        self.depth -= 1

    def recall(self, key: Any) -> Value | None:
        """The variable that already holds this expression here."""
        for layer in reversed(self.memo):
            if key in layer:
                found: Value = layer[key]
                return found
        return None

    def constant(self, value: Any) -> str:
        """Python text of a constant; what has no literal becomes a global."""
        if value is None or value.__class__ in (str, int, bool):
            return repr(value)
        name = f"c{len(self.globals)}"
        self.globals[name] = value
        return name

    # ------------------------------------------------------------------ expressions

    def expression(self, node: Node, context: Context) -> Value:
        """Emit code for an expression; the variable that holds its collection."""
        key = (node, context.this.name, context.row_index)
        known = self.recall(key)
        if known is None:
            known = self._build(node, context)
            self.memo[-1][key] = known
        return known

    def _build(self, node: Node, context: Context) -> Value:
        kind = node[0]
        if kind == "this":
            return context.this
        if kind == "literal":
            return self._literal(node[1], node[2])
        if kind == "constant":
            return self._constant(node[1], context)
        if kind == "member":
            return self._member(node, context)
        if kind == "index":
            base, index = self.expression(node[1], context), self.expression(node[2], context)
            if node[2][0] == "literal" and node[2][2] == 0:
                return self._assign(f"_first({base.name})", base)
            return self._assign(f"_at({base.name}, {index.name})", base)
        if kind == "unary":
            operand = self.expression(node[2], context)
            operand.keys.whole = True
            return self._assign(f"_math('-', 0, {operand.name})")
        if kind == "binary":
            return self._binary(node[1], node[2], node[3], context)
        if kind == "call":
            return self._call(node, context)
        raise NotInSubsetError(kind)

    def _assign(self, code: str, like: Value | None = None, **changes: Any) -> Value:
        name = self.fresh()
        self.emit(f"{name} = {code}")
        keys = changes.get("keys", like.keys if like else Keys())
        return Value(name, keys, like.type if like else "", False, like.key if like else "")

    def _literal(self, kind: str, value: Any) -> Value:
        if kind == "quantity":
            raise NotInSubsetError("quantity literal")
        return Value(self.constant(value), Keys(), kind)

    def _constant(self, name: str, context: Context) -> Value:
        if name == "rowIndex":
            return Value(context.row_index, Keys(), "integer")
        if name in ("resource", "rootResource"):
            return context.root
        if name == "context":
            return context.root
        if name not in context.constants:
            raise ConfigError(f"constant %{name} is not defined", remedy="add it to the view's constant list")
        kind, value = context.constants[name]
        return self._literal(kind, value)

    def _base(self, node: Node | None, context: Context) -> Value:
        return context.this if node is None else self.expression(node, context)

    def _member(self, node: Node, context: Context) -> Value:
        _, base, name = node
        if base is None and name == context.resource and context.this is context.root:
            return context.root
        source = self._base(base, context)
        keys = source.keys.child(name)
        shape = self._shape(source.keys)
        s = source.name
        if source.is_dict:
            value = self._assign(f"{s}.{FIELD}{name}" if shape else f"{s}.get({name!r})", keys=keys)
        elif shape:
            value = self._assign(
                f"{s}.{FIELD}{name} if {s}.__class__ is {shape} else (None if {s} is None else _step({s}, {name!r}))",
                keys=keys,
            )
        else:
            value = self._assign(
                f"{s}.get({name!r}) if {s}.__class__ is dict else (None if {s} is None else _step({s}, {name!r}))",
                keys=keys,
            )
        if self._may_be_choice(name, source, context):
            for key in runtime.TYPES:
                source.keys.child(name + key).whole = True
            with self.block(f"if {value.name} is None and {source.name} is not None:"):
                self.emit(f"{value.name} = _choice({source.name}, {name!r})")
        return Value(value.name, value.keys, value.type, False, name)

    def _shape(self, keys: Keys) -> str:
        """The global name of the Struct that values with these keys are decoded to; empty where they are not."""
        made = self.shapes.of(keys) if self.shapes is not None else None
        if made is None:
            return ""
        name = f"S{id(keys)}"
        self.globals[name] = made
        return name

    @staticmethod
    def _may_be_choice(name: str, source: Value, context: Context) -> bool:
        """Whether the plain name can stand for typed keys; looking for those costs time, so what is known is used."""
        if name not in runtime.CHOICES:
            return False
        if source is context.root:
            return name in runtime.ROOT_CHOICES.get(context.resource, runtime.CHOICES)
        return not source.key.lower().endswith(runtime.WITHOUT_CHOICE)

    def _of_type(self, base: Node | None, wanted: Node, context: Context) -> Value:
        name = wanted[2] if wanted[0] == "member" else None
        if not isinstance(name, str):
            raise NotInSubsetError("ofType argument")
        if base is not None and base[0] == "member" and base[2] in runtime.CHOICES:
            typed = self._member(("member", base[1], base[2] + name[0].upper() + name[1:]), context)
            return Value(typed.name, typed.keys, name, False, typed.key)
        source = self._base(base, context)
        source.keys.whole = True
        result = self._assign(f"_of_type({source.name}, {name!r})", source)
        return Value(result.name, result.keys, name)

    # ------------------------------------------------------------------ functions

    def _call(self, node: Node, context: Context) -> Value:
        _, base, name, arguments = node
        method = getattr(self, "_fn_" + name, None)
        if method is None:
            raise NotInSubsetError(name)
        result = method(base, arguments, context)
        assert isinstance(result, Value)
        return result

    def _fn_ofType(self, base: Node | None, arguments: tuple[Node, ...], context: Context) -> Value:
        return self._of_type(base, arguments[0], context)

    def _fn_as(self, base: Node | None, arguments: tuple[Node, ...], context: Context) -> Value:
        return self._of_type(base, arguments[0], context)

    def _fn_first(self, base: Node | None, arguments: tuple[Node, ...], context: Context) -> Value:
        source = self._base(base, context)
        s = source.name
        return self._assign(f"{s} if {s}.__class__ is not list else ({s}[0] if {s} else None)", source)

    def _fn_last(self, base: Node | None, arguments: tuple[Node, ...], context: Context) -> Value:
        source = self._base(base, context)
        return self._assign(f"_last({source.name})", source)

    def _fn_exists(self, base: Node | None, arguments: tuple[Node, ...], context: Context) -> Value:
        source = self._fn_where(base, arguments, context) if arguments else self._base(base, context)
        source.keys.whole = True
        s = source.name
        return self._assign(f"{s} is not None if {s}.__class__ is not list else bool({s})".replace("bool", "_exists"))

    def _fn_empty(self, base: Node | None, arguments: tuple[Node, ...], context: Context) -> Value:
        source = self._base(base, context)
        source.keys.whole = True
        return self._assign(f"not _exists({source.name})")

    def _fn_not(self, base: Node | None, arguments: tuple[Node, ...], context: Context) -> Value:
        source = self._base(base, context)
        name = self.fresh()
        self.emit(f"{name} = _truth({source.name})")
        self.emit(f"{name} = None if {name} is None else not {name}")
        return Value(name, Keys(), "boolean")

    def _fn_where(self, base: Node | None, arguments: tuple[Node, ...], context: Context) -> Value:
        if len(arguments) != 1:
            raise NotInSubsetError("where")
        source = self._base(base, context)
        if shared := self._by_code(source, arguments[0]):
            return shared
        out, item = self.fresh(), self.fresh()
        self.emit(f"{out} = []")
        with self.block(f"for {item} in _items({source.name}):"):
            inner = _inside(context, Value(item, source.keys, source.type, False, source.key))
            test = self.expression(arguments[0], inner)
            with self.block(f"if {test.name} is True or ({test.name} is not None and _truth({test.name})):"):
                self.emit(f"{out}.append({item})")
        self.emit(f"{out} = _pack({out})")
        return Value(out, source.keys, source.type, False, source.key)

    def _by_code(self, source: Value, test: Node) -> Value | None:
        """`where(code.coding.exists(system = S and code = C))` and its spellings, through a shared index of codes."""
        found = _code_test(test)
        if found is None:
            return None
        system, code = found
        key = ("codes", source.name, system)
        index = self.recall(key)
        if index is None:
            source.keys.coded = True
            look = f"_codes({source.name}, {self.constant(system)})"
            if self.shapes is not None and self.shapes.coded(source.keys):
                look = f"{self._coded(system)}({source.name})"
            index = self._assign(f"{look} if {source.name} is not None else {{}}")
            self.memo[-1][key] = index
        self.asked.add(code)
        return self._assign(f"{index.name}.get({self.constant(code)})", source)

    def _coded(self, system: str | None) -> str:
        """The global name of a function that indexes Structs by those of their codes that the view asks for."""

        def codes_of(text: bytes) -> tuple[str, ...]:
            try:
                found = runtime.code_index({"code": everything(text) if text else None}, system)
            except UNREADABLE:
                raise RecordError("a code cannot be read as JSON", remedy="correct the source") from None
            return tuple(code for code in found if code in self.asked)

        name = f"i{len(self.globals)}"
        self.globals[name] = runtime.coded(system, Remembered(codes_of))
        return name

    def _fn_select(self, base: Node | None, arguments: tuple[Node, ...], context: Context) -> Value:
        source = self._base(base, context)
        out, item = self.fresh(), self.fresh()
        self.emit(f"{out} = []")
        with self.block(f"for {item} in _items({source.name}):"):
            inner = _inside(context, Value(item, source.keys, source.type, False, source.key))
            value = self.expression(arguments[0], inner)
            self.emit(f"{out}.extend(_items({value.name}))")
        self.emit(f"{out} = _pack({out})")
        return Value(out, value.keys, value.type)

    def _fn_extension(self, base: Node | None, arguments: tuple[Node, ...], context: Context) -> Value:
        if len(arguments) != 1:
            raise NotInSubsetError("extension")
        url = self.expression(arguments[0], context)
        source = self._base(base, context)
        if base is not None and base[0] == "member":
            # the extensions of a primitive stand under its name with an underscore
            shadow = self._member(("member", base[1], "_" + base[2]), context)
            name = self.fresh()
            self.emit(f"{name} = {source.name} if {shadow.name} is None else {shadow.name}")
            shadow.keys.child("extension").whole = True
            source = Value(name, source.keys)
        key = ("extensions", source.name)
        index = self.recall(key)
        keys = source.keys.child("extension")
        if index is None:
            keys.child("url").whole = True
            index = self._assign(f"_exts({source.name}) if {source.name} is not None else {{}}")
            self.memo[-1][key] = index
        return self._assign(f"{index.name}.get({url.name})", keys=keys)

    def _fn_join(self, base: Node | None, arguments: tuple[Node, ...], context: Context) -> Value:
        separator = self.expression(arguments[0], context).name if arguments else "''"
        return self._assign(f"_join({self._whole(base, context).name}, {separator})")

    def _whole(self, base: Node | None, context: Context) -> Value:
        """A base whose values are looked at as they are, not through their keys."""
        source = self._base(base, context)
        source.keys.whole = True
        return source

    def _fn_toString(self, base: Node | None, arguments: tuple[Node, ...], context: Context) -> Value:
        return self._assign(f"_text({self._whole(base, context).name})")

    def _fn_replaceMatches(self, base: Node | None, arguments: tuple[Node, ...], context: Context) -> Value:
        source = self._whole(base, context)
        pattern, replacement = (self.expression(a, context).name for a in arguments)
        return self._assign(f"_sub({pattern}, {source.name}, {replacement})")

    def _fn_iif(self, base: Node | None, arguments: tuple[Node, ...], context: Context) -> Value:
        if base is not None:
            raise NotInSubsetError("iif on a collection")
        test = self.expression(arguments[0], context)
        out = self.fresh()
        with self.block(f"if _truth({test.name}):"):
            self.emit(f"{out} = {self._leaf(arguments[1], context)}")
        with self.block("else:"):
            self.emit(f"{out} = {self._leaf(arguments[2], context) if len(arguments) > 2 else None}")
        return Value(out, Keys(whole=True))

    def _leaf(self, node: Node, context: Context) -> str:
        value = self.expression(node, context)
        value.keys.whole = True
        return value.name

    def _fn_getResourceKey(self, base: Node | None, arguments: tuple[Node, ...], context: Context) -> Value:
        return self._member(("member", base, "id"), context)

    def _fn_getReferenceKey(self, base: Node | None, arguments: tuple[Node, ...], context: Context) -> Value:
        source = self._base(base, context)
        source.keys.child("reference").whole = True
        wanted = arguments[0][2] if arguments else None
        return self._assign(f"_reference({source.name}, {wanted!r})")

    def _fn_lowBoundary(self, base: Node | None, arguments: tuple[Node, ...], context: Context) -> Value:
        return self._bound(base, arguments, context, high=False)

    def _fn_highBoundary(self, base: Node | None, arguments: tuple[Node, ...], context: Context) -> Value:
        return self._bound(base, arguments, context, high=True)

    def _bound(self, base: Node | None, arguments: tuple[Node, ...], context: Context, *, high: bool) -> Value:
        if arguments:
            raise NotInSubsetError("boundary with a precision")
        source = self._whole(base, context)
        function = "_moment_boundary" if source.type in ("dateTime", "instant") else "_boundary"
        return self._assign(f"{function}({source.name}, {high})")

    # ------------------------------------------------------------------ operators

    def _binary(self, operator: str, left: Node, right: Node, context: Context) -> Value:
        if operator in ("and", "or"):
            return self._logic(operator, left, right, context)
        if operator not in ("=", "!=", "<", ">", "<=", ">=", "+", "-", "*", "/", "div", "mod", "&"):
            raise NotInSubsetError(operator)
        a, b = self.expression(left, context), self.expression(right, context)
        a.keys.whole = b.keys.whole = True
        if operator == "&":
            return self._assign(f"(_text(_one({a.name}, '&')) or '') + (_text(_one({b.name}, '&')) or '')")
        if operator in ("+", "-", "*", "/", "div", "mod"):
            if {a.type, b.type} & TIME_TYPES:
                raise NotInSubsetError("time arithmetic")
            return self._assign(f"_math({operator!r}, {a.name}, {b.name})")
        timed = bool({a.type, b.type} & TIME_TYPES)
        if operator in ("=", "!="):
            return self._equality(operator, a, b, right, timed=timed)
        order = self.fresh()
        self.emit(f"{order} = {'_times' if timed else '_compare'}({a.name}, {b.name})")
        return self._assign(f"None if {order} is None else {order} {operator} 0")

    def _equality(self, operator: str, a: Value, b: Value, right: Node, *, timed: bool) -> Value:
        same = self.fresh()
        if timed:
            self.emit(f"{same} = _times({a.name}, {b.name})")
            return self._assign(f"None if {same} is None else {same} {'==' if operator == '=' else '!='} 0")
        if right[0] == "literal" and right[1] == "string":
            self.emit(
                f"{same} = {a.name} == {b.name} if {a.name}.__class__ is str else "
                f"(None if {a.name} is None else _equal({a.name}, {b.name}))"
            )
        else:
            self.emit(f"{same} = _equal({a.name}, {b.name})")
        if operator == "!=":
            return self._assign(f"None if {same} is None else not {same}")
        return Value(same, Keys(), "boolean")

    def _logic(self, operator: str, left: Node, right: Node, context: Context) -> Value:
        """Three-valued, the right side only where it matters."""
        a = self.expression(left, context)
        decided = "False" if operator == "and" else "True"
        out = self.fresh()
        self.emit(f"{out} = _truth({a.name})")
        a.keys.whole = True
        with self.block(f"if {out} is not {decided}:"):
            b = self.expression(right, context)
            b.keys.whole = True
            other = self.fresh()
            self.emit(f"{other} = _truth({b.name})")
            self.emit(f"{out} = {decided} if {other} is {decided} else (None if None in ({out}, {other}) else {other})")
        return Value(out, Keys(), "boolean")


def _inside(context: Context, this: Value) -> Context:
    """The context of an argument that is evaluated for each item."""
    return Context(this, context.root, context.resource, context.row_index, context.constants)


def _code_test(test: Node) -> tuple[str | None, str] | None:
    """System and code of a test on `code.coding`, if that is all it is."""
    if test[0] == "call" and test[2] == "exists" and not test[3] and test[1] is not None and test[1][0] == "call":
        inner = test[1]
        if inner[2] != "where":
            return None
        base, criteria = inner[1], inner[3]
    elif test[0] == "call" and test[2] == "exists" and len(test[3]) == 1:
        base, criteria = test[1], test[3]
    else:
        return None
    if base != ("member", ("member", None, "code"), "coding") or len(criteria) != 1:
        return None
    wanted: dict[str, str] = {}
    parts = [criteria[0]]
    while parts:
        part = parts.pop()
        if part[:2] == ("binary", "and"):
            parts += part[2:]
        elif part[:2] == ("binary", "=") and part[2][0] == "member" and part[3][:2] == ("literal", "string"):
            if part[2][1] is not None or part[2][2] in wanted:
                return None
            wanted[part[2][2]] = part[3][2]
        else:
            return None
    if "code" not in wanted or not set(wanted) <= {"code", "system"}:
        return None
    return wanted.get("system"), wanted["code"]


def decimal_constant(value: Any) -> Any:
    """A JSON number of a view's constant, exact."""
    return Decimal(repr(value)) if isinstance(value, float) else value
