"""Room `analysis`: a FHIRPath syntax tree to Python statements. May import errors and the room `fhirpath`.

Straight code for what views are made of (paths, where, first, exists, extension, ofType, comparisons, constants);
anything else raises `NotInSubsetError`, and the view compiler hands that expression to the general engine.
Generated code calls `runtime` for whatever is not the common case, under the names in `GLOBALS`.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import Any

from fhir_bladder.analysis import runtime
from fhir_bladder.analysis.columns import TIMES
from fhir_bladder.analysis.decoding import UNREADABLE, Remembered, Shapes, everything
from fhir_bladder.analysis.keys import FIELD, Keys
from fhir_bladder.errors import ConfigError, RecordError
from fhir_bladder.fhirpath.ast import Binary, Call, Expr, External, Index, Literal, Member, This, TypeTest, Unary
from fhir_bladder.fhirpath.quantity import Quantity
from fhir_bladder.fhirpath.temporal import Temporal

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

_CODING = Member(0, Member(0, This(0, ""), "code", True), "coding", False)
_LITERALS = {str: "string", bool: "boolean", int: "integer", Decimal: "decimal", type(None): "empty"}
_TEMPORALS = {"Date": "date", "DateTime": "dateTime", "Time": "time"}
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

    def expression(self, node: Expr, context: Context) -> Value:
        """Emit code for an expression; the variable that holds its collection. Equal ones are computed once."""
        key = (node, context.this.name, context.row_index)
        known = self.recall(key)
        if known is None:
            known = self._build(node, context)
            self.memo[-1][key] = known
        return known

    def _build(self, node: Expr, context: Context) -> Value:
        match node:
            case This(name="" | "this"):
                return context.this
            case Literal(value=value):
                return self._literal(value)
            case External(name=name):
                return self._constant(name, context)
            case Member():
                return self._member(node, context)
            case Index(base=of, index=Literal(value=0)):
                source = self.expression(of, context)
                return self._assign(f"_first({source.name})", source)
            case Index(base=of, index=place):
                source, index = self.expression(of, context), self.expression(place, context)
                return self._assign(f"_at({source.name}, {index.name})", source)
            case Unary(operator="+", operand=operand):
                return self.expression(operand, context)
            case Unary(operand=operand):
                return self._assign(f"_math('-', 0, {self._whole(operand, context).name})")
            case Binary(operator=operator, left=left, right=right):
                return self._binary(operator, left, right, context)
            case TypeTest(operator="as" | "ofType", operand=operand, type=name):
                return self._of_type(operand, name.rpartition(".")[2], context)
            case Call():
                return self._call(node, context)
        raise NotInSubsetError(type(node).__name__)

    def _assign(self, code: str, like: Value | None = None, **changes: Any) -> Value:
        name = self.fresh()
        self.emit(f"{name} = {code}")
        keys = changes.get("keys", like.keys if like else Keys())
        return Value(name, keys, like.type if like else "", False, like.key if like else "")

    def _literal(self, value: Any) -> Value:
        if isinstance(value, Quantity):
            raise NotInSubsetError("quantity literal")
        if isinstance(value, Temporal):
            return self._fixed(_TEMPORALS[value.kind], value.text.removesuffix("T"))
        return self._fixed(_LITERALS[type(value)], value)

    def _fixed(self, kind: str, value: Any) -> Value:
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
        return self._fixed(kind, value)

    def _member(self, node: Member, context: Context) -> Value:
        name = node.name
        if node.head and name == context.resource and context.this is context.root:
            return context.root
        source = self.expression(node.base, context)
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

    def _of_type(self, base: Expr, name: str, context: Context) -> Value:
        if isinstance(base, Member) and base.name in runtime.CHOICES:
            typed = self._member(replace(base, name=base.name + name[0].upper() + name[1:]), context)
            return Value(typed.name, typed.keys, name, False, typed.key)
        source = self._whole(base, context)
        result = self._assign(f"_of_type({source.name}, {name!r})", source)
        return Value(result.name, result.keys, name)

    # ------------------------------------------------------------------ functions

    def _call(self, node: Call, context: Context) -> Value:
        method = getattr(self, "_fn_" + node.name, None)
        if method is None:
            raise NotInSubsetError(node.name)
        result = method(node.base, node.args, context)
        assert isinstance(result, Value)
        return result

    def _fn_first(self, base: Expr, arguments: tuple[Expr, ...], context: Context) -> Value:
        source = self.expression(base, context)
        s = source.name
        return self._assign(f"{s} if {s}.__class__ is not list else ({s}[0] if {s} else None)", source)

    def _fn_last(self, base: Expr, arguments: tuple[Expr, ...], context: Context) -> Value:
        source = self.expression(base, context)
        return self._assign(f"_last({source.name})", source)

    def _fn_exists(self, base: Expr, arguments: tuple[Expr, ...], context: Context) -> Value:
        source = self._fn_where(base, arguments, context) if arguments else self.expression(base, context)
        source.keys.whole = True
        s = source.name
        return self._assign(f"{s} is not None if {s}.__class__ is not list else bool({s})".replace("bool", "_exists"))

    def _fn_empty(self, base: Expr, arguments: tuple[Expr, ...], context: Context) -> Value:
        source = self.expression(base, context)
        source.keys.whole = True
        return self._assign(f"not _exists({source.name})")

    def _fn_not(self, base: Expr, arguments: tuple[Expr, ...], context: Context) -> Value:
        source = self.expression(base, context)
        name = self.fresh()
        self.emit(f"{name} = _truth({source.name})")
        self.emit(f"{name} = None if {name} is None else not {name}")
        return Value(name, Keys(), "boolean")

    def _fn_where(self, base: Expr, arguments: tuple[Expr, ...], context: Context) -> Value:
        if len(arguments) != 1:
            raise NotInSubsetError("where")
        source = self.expression(base, context)
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

    def _by_code(self, source: Value, test: Expr) -> Value | None:
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

    def _fn_select(self, base: Expr, arguments: tuple[Expr, ...], context: Context) -> Value:
        source = self.expression(base, context)
        out, item = self.fresh(), self.fresh()
        self.emit(f"{out} = []")
        with self.block(f"for {item} in _items({source.name}):"):
            inner = _inside(context, Value(item, source.keys, source.type, False, source.key))
            value = self.expression(arguments[0], inner)
            self.emit(f"{out}.extend(_items({value.name}))")
        self.emit(f"{out} = _pack({out})")
        return Value(out, value.keys, value.type)

    def _fn_extension(self, base: Expr, arguments: tuple[Expr, ...], context: Context) -> Value:
        if len(arguments) != 1:
            raise NotInSubsetError("extension")
        url = self.expression(arguments[0], context)
        source = self.expression(base, context)
        if isinstance(base, Member):
            # the extensions of a primitive stand under its name with an underscore
            shadow = self._member(replace(base, name="_" + base.name), context)
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

    def _fn_join(self, base: Expr, arguments: tuple[Expr, ...], context: Context) -> Value:
        separator = self.expression(arguments[0], context).name if arguments else "''"
        return self._assign(f"_join({self._whole(base, context).name}, {separator})")

    def _whole(self, base: Expr, context: Context) -> Value:
        """A base whose values are looked at as they are, not through their keys."""
        source = self.expression(base, context)
        source.keys.whole = True
        return source

    def _fn_toString(self, base: Expr, arguments: tuple[Expr, ...], context: Context) -> Value:
        return self._assign(f"_text({self._whole(base, context).name})")

    def _fn_replaceMatches(self, base: Expr, arguments: tuple[Expr, ...], context: Context) -> Value:
        source = self._whole(base, context)
        pattern, replacement = (self.expression(a, context).name for a in arguments)
        return self._assign(f"_sub({pattern}, {source.name}, {replacement})")

    def _fn_iif(self, base: Expr, arguments: tuple[Expr, ...], context: Context) -> Value:
        if base != This(0, ""):
            raise NotInSubsetError("iif on a collection")
        test = self.expression(arguments[0], context)
        out = self.fresh()
        with self.block(f"if _truth({test.name}):"):
            self.emit(f"{out} = {self._leaf(arguments[1], context)}")
        with self.block("else:"):
            self.emit(f"{out} = {self._leaf(arguments[2], context) if len(arguments) > 2 else None}")
        return Value(out, Keys(whole=True))

    def _leaf(self, node: Expr, context: Context) -> str:
        value = self.expression(node, context)
        value.keys.whole = True
        return value.name

    def _fn_getResourceKey(self, base: Expr, arguments: tuple[Expr, ...], context: Context) -> Value:
        return self._member(Member(0, base, "id", False), context)

    def _fn_getReferenceKey(self, base: Expr, arguments: tuple[Expr, ...], context: Context) -> Value:
        source = self.expression(base, context)
        source.keys.child("reference").whole = True
        wanted = arguments[0].name if arguments and isinstance(arguments[0], Member) else None
        return self._assign(f"_reference({source.name}, {wanted!r})")

    def _fn_lowBoundary(self, base: Expr, arguments: tuple[Expr, ...], context: Context) -> Value:
        return self._bound(base, arguments, context, high=False)

    def _fn_highBoundary(self, base: Expr, arguments: tuple[Expr, ...], context: Context) -> Value:
        return self._bound(base, arguments, context, high=True)

    def _bound(self, base: Expr, arguments: tuple[Expr, ...], context: Context, *, high: bool) -> Value:
        if arguments:
            raise NotInSubsetError("boundary with a precision")
        source = self._whole(base, context)
        function = "_moment_boundary" if source.type in ("dateTime", "instant") else "_boundary"
        return self._assign(f"{function}({source.name}, {high})")

    # ------------------------------------------------------------------ operators

    def _binary(self, operator: str, left: Expr, right: Expr, context: Context) -> Value:
        if operator in ("and", "or"):
            return self._logic(operator, left, right, context)
        if operator not in ("=", "!=", "<", ">", "<=", ">=", "+", "-", "*", "/", "div", "mod", "&"):
            raise NotInSubsetError(operator)
        a, b = self.expression(left, context), self.expression(right, context)
        a.keys.whole = b.keys.whole = True
        if operator == "&":
            return self._assign(f"(_text(_one({a.name}, '&')) or '') + (_text(_one({b.name}, '&')) or '')")
        if operator in ("+", "-", "*", "/", "div", "mod"):
            if {a.type, b.type} & TIMES:
                raise NotInSubsetError("time arithmetic")
            return self._assign(f"_math({operator!r}, {a.name}, {b.name})")
        timed = bool({a.type, b.type} & TIMES)
        if operator in ("=", "!="):
            return self._equality(operator, a, b, right, timed=timed)
        order = self.fresh()
        self.emit(f"{order} = {'_times' if timed else '_compare'}({a.name}, {b.name})")
        return self._assign(f"None if {order} is None else {order} {operator} 0")

    def _equality(self, operator: str, a: Value, b: Value, right: Expr, *, timed: bool) -> Value:
        same = self.fresh()
        if timed:
            self.emit(f"{same} = _times({a.name}, {b.name})")
            return self._assign(f"None if {same} is None else {same} {'==' if operator == '=' else '!='} 0")
        if isinstance(right, Literal) and isinstance(right.value, str):
            self.emit(
                f"{same} = {a.name} == {b.name} if {a.name}.__class__ is str else "
                f"(None if {a.name} is None else _equal({a.name}, {b.name}))"
            )
        else:
            self.emit(f"{same} = _equal({a.name}, {b.name})")
        if operator == "!=":
            return self._assign(f"None if {same} is None else not {same}")
        return Value(same, Keys(), "boolean")

    def _logic(self, operator: str, left: Expr, right: Expr, context: Context) -> Value:
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


def _code_test(test: Expr) -> tuple[str | None, str] | None:
    """System and code of a test on `code.coding`, if that is all it is."""
    match test:
        case Call(base=Call(base=base, name="where", args=(criteria,)), name="exists", args=()):
            pass
        case Call(base=base, name="exists", args=(criteria,)):
            pass
        case _:
            return None
    if base != _CODING:
        return None
    wanted: dict[str, str] = {}
    parts = [criteria]
    while parts:
        match parts.pop():
            case Binary(operator="and", left=left, right=right):
                parts += (left, right)
            case Binary(operator="=", left=Member(name=name, head=True), right=Literal(value=str(value))):
                if name in wanted:
                    return None
                wanted[name] = value
            case _:
                return None
    if "code" not in wanted or not set(wanted) <= {"code", "system"}:
        return None
    return wanted.get("system"), wanted["code"]


def decimal_constant(value: Any) -> Any:
    """A JSON number of a view's constant, exact."""
    return Decimal(repr(value)) if isinstance(value, float) else value
