"""Room `analysis`: ViewDefinition (SQL on FHIR v2) to one fast Python function. May import errors, wire, fhirpath.

`compile` reads a view once, checks it, and writes Python source for it (kept in `CompiledView.source`): forEach
becomes a loop, unionAll and forEachOrNull a list of partial rows, columns variables. Expressions outside the
generated subset go to the general engine of the room `fhirpath`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from fhir_bladder.analysis import csv_lines
from fhir_bladder.analysis.codegen import Context, Emitter, NotInSubsetError, Value, decimal_constant
from fhir_bladder.analysis.columns import Column as Column
from fhir_bladder.analysis.decoding import Parser, Shapes
from fhir_bladder.analysis.keys import FIELD, Keys, merged
from fhir_bladder.errors import BladderError, ConfigError, UnsupportedError
from fhir_bladder.fhirpath.parser import parse

_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_]*\Z")
_SELECT_KEYS = {
    "column",
    "select",
    "forEach",
    "forEachOrNull",
    "unionAll",
    "repeat",
    "id",
    "extension",
    "modifierExtension",
}


@dataclass(frozen=True, slots=True)
class Reader:
    """A view over JSON text. `parse` reads one resource (see `decoding`), `rows` gives its rows.

    The rows are those of `CompiledView.rows` for the whole resource; so is what `rows` raises.
    lines: the rows of many resources as lines of CSV, faster; raises one of `csv_lines.ODD` where rows have to be
    made; None: always.
    """

    parse: Parser
    rows: Callable[[Any], list[tuple[Any, ...]]]
    lines: Callable[[Iterable[Any]], list[str]] | None = None


class CompiledView:
    """A view ready to run. `rows` takes one resource as parsed JSON and gives its rows, values as in the JSON."""

    def __init__(
        self, view: dict[str, Any], columns: tuple[Column, ...], source: str, rows: Callable[[Any], Any], keys: Keys
    ) -> None:
        self.view = view
        self.name = str(view.get("name") or "view")
        self.resource: str = view["resource"]
        self.columns = columns
        self.source = source
        self.keys = keys
        self._rows = rows

    def rows(self, resource: dict[str, Any]) -> list[tuple[Any, ...]]:
        """The rows of one resource; none for another resource type.

        Raises RecordError where the resource does not fit the view (several values for one column, ill-typed data).
        """
        if resource.get("resourceType") != self.resource:
            return []
        result: list[tuple[Any, ...]] = self._rows(resource)
        return result

    def reader(self, more: Keys | None = None, *, lines: bool = False) -> Reader:
        """The view over JSON text: a parser that keeps only what the view, and `more`, can reach, decimals exact.

        lines: whether lines of CSV are wanted.
        """
        shapes = Shapes(merged(self.keys, more or self.keys))
        if shapes.top is None:
            return Reader(shapes.parser(), self.rows)
        liner = _Compiler(self.view, shapes, lines=True).function() if lines and self._plain() else None
        return Reader(shapes.parser(), _Compiler(self.view, shapes).function(self.rows), liner)

    def _plain(self) -> bool:
        return bool(csv_lines.line(self.columns, [column.name for column in self.columns]))


def compile(view: dict[str, Any]) -> CompiledView:
    """Compile a ViewDefinition. Raises ConfigError (what is wrong and where) or UnsupportedError."""
    if not isinstance(view, dict):
        raise ConfigError("a ViewDefinition is a JSON object")
    if not isinstance(view.get("resource"), str) or not view["resource"]:
        raise ConfigError("the view names no resource type", "resource", "add it, for example Observation")
    selects = view.get("select")
    if not isinstance(selects, list) or not selects:
        raise ConfigError("the view selects nothing", "select", "add at least one select with a column")
    return _Compiler(view).compile()


class _Compiler:
    def __init__(self, view: dict[str, Any], shapes: Shapes | None = None, *, lines: bool = False) -> None:
        self.lines = lines
        self.view = view
        self.shapes = shapes
        self.emitter = Emitter(shapes)
        self.keys = shapes.keys if shapes is not None else Keys()
        self.keys.child("resourceType").whole = True
        self.root = Value("r", self.keys, is_dict=True)
        self.context = Context(self.root, self.root, view["resource"], constants=self.constants())

    def constants(self) -> dict[str, tuple[str, Any]]:
        found: dict[str, tuple[str, Any]] = {}
        for position, constant in enumerate(_list(self.view, "constant", "")):
            where = f"constant[{position}]"
            name = constant.get("name") if isinstance(constant, dict) else None
            if not isinstance(name, str) or not _NAME.match(name):
                raise ConfigError("a constant has no usable name", where, "use letters, digits and _")
            values = [key for key in constant if key.startswith("value") and not key.startswith("_")]
            if len(values) != 1:
                raise ConfigError(f"constant {name} has {len(values)} values", where, "give exactly one value[x]")
            kind = values[0][5:]
            kind = kind[:1].lower() + kind[1:]
            value = decimal_constant(constant[values[0]])
            if kind not in ("date", "dateTime", "instant", "time", "boolean", "integer", "decimal"):
                kind = "integer" if isinstance(value, int) else "string"
            found[name] = (kind, value)
        return found

    def compile(self) -> CompiledView:
        rows = self.function()
        return CompiledView(self.view, self.columns, self.source, rows, self.keys)

    def function(self, otherwise: Callable[[Any], Any] | None = None) -> Callable[[Any], Any]:
        """The rows of a resource; with shapes, of one of that shape, and `otherwise` for any other.

        For lines, the lines of many resources; csv_lines.ODD where one has another shape.
        """
        emitter = self.emitter
        head, done = "def rows(r):\n    out = []\n", "return out"
        if self.lines:
            head, done = "def rows(resources):\n    out = []\n    for r in resources:\n", "continue"
            emitter.depth = 2
        if self.shapes is not None:
            emitter.globals |= {"_top": self.shapes.top, "_otherwise": otherwise}
            with emitter.block("if r.__class__ is not _top:"):
                emitter.emit("raise _Odd" if self.lines else "return _otherwise(r)")
            with emitter.block(f"if r.{FIELD}resourceType != {self.view['resource']!r}:"):
                emitter.emit(done)
        for position, item in enumerate(_list(self.view, "where", "")):
            path = item.get("path") if isinstance(item, dict) else None
            if not isinstance(path, str):
                raise ConfigError("a where has no path", f"where[{position}].path", "give a FHIRPath expression")
            value = self.expression(path, self.context, f"where[{position}].path")
            value.keys.whole = True
            with emitter.block(f"if {value.name} is not True and not _condition({value.name}, {path!r}):"):
                emitter.emit(done)
        columns: list[tuple[Column, str]] = []

        def append(found: list[tuple[Column, str]]) -> None:
            columns[:] = found
            names = [name for _, name in found]
            made = csv_lines.line([column for column, _ in found], names) if self.lines else _tuple(names)
            emitter.emit(f"out.append({made})")

        if self.lines:
            emitter.globals |= {**csv_lines.SCOPE, "_Odd": TypeError}
        self.selects(self.view["select"], 0, "select", self.context, [], append)
        names = [column.name for column, _ in columns]
        if not names:
            raise ConfigError("the view has no column", "select", "add one")
        if twice := {name for name in names if names.count(name) > 1}:
            raise ConfigError(f"column {sorted(twice)[0]!r} stands twice", "select", "give each column its own name")
        source = head + "\n".join(emitter.lines) + "\n    return out\n"
        emitter.globals["__builtins__"] = {"enumerate": enumerate, "list": list, "dict": dict, "str": str, "int": int}
        try:
            # the text is made of our own templates, names we number ourselves and repr() of the view's strings
            exec(source, emitter.globals)  # noqa: S102
        except (SyntaxError, RecursionError, MemoryError):
            raise UnsupportedError("the view is nested too deep", "select", "split it into several views") from None
        self.columns, self.source = tuple(column for column, _ in columns), source
        made: Callable[[Any], Any] = emitter.globals["rows"]
        return made

    def expression(self, path: str, context: Context, where: str) -> Value:
        try:
            tree = parse(path)
        except ConfigError as error:
            raise ConfigError(error.what, f"{where}, {error.where}", error.remedy) from None
        mark = len(self.emitter.lines), self.emitter.depth, len(self.emitter.memo)
        saved = [dict(layer) for layer in self.emitter.memo]
        try:
            return self.emitter.expression(tree, context)
        except NotInSubsetError:
            del self.emitter.lines[mark[0] :]
            self.emitter.depth = mark[1]
            self.emitter.memo = saved
            return self.general(path, context, where)
        except BladderError as error:
            raise type(error)(error.what, where, error.remedy) from None

    def general(self, path: str, context: Context, where: str) -> Value:
        """Hand one expression to the general engine, which is loaded only then."""
        from fhir_bladder.analysis import general

        emitter = self.emitter
        name = f"g{len(emitter.globals)}"
        emitter.globals[name] = general.function(path, context.constants, where)
        self.keys.whole = True
        result = emitter.fresh()
        emitter.emit(f"{result} = {name}({context.this.name}, r, {context.row_index})")
        return Value(result, Keys(whole=True))

    # ------------------------------------------------------------------ select

    def selects(
        self,
        selects: list[Any],
        position: int,
        where: str,
        context: Context,
        columns: list[tuple[Column, str]],
        then: Callable[[list[tuple[Column, str]]], None],
    ) -> None:
        """Emit the selects of one level, from a position on, one inside the other: their rows are multiplied."""
        if position == len(selects):
            then(columns)
            return
        self.select(
            selects[position], f"{where}[{position}]", context, columns,
            lambda found: self.selects(selects, position + 1, where, context, found, then),
        )  # fmt: skip

    def select(
        self,
        select: Any,
        where: str,
        context: Context,
        columns: list[tuple[Column, str]],
        then: Callable[[list[tuple[Column, str]]], None],
    ) -> None:
        if not isinstance(select, dict):
            raise ConfigError("a select is a JSON object", where)
        if unknown := set(select) - _SELECT_KEYS:
            raise UnsupportedError(f"select has {sorted(unknown)[0]!r}", where, "remove it or correct its name")
        loops = [key for key in ("forEach", "forEachOrNull", "repeat") if key in select]
        if len(loops) > 1:
            raise ConfigError(f"{loops[0]} and {loops[1]} stand together", where, "keep one")
        if not loops:
            self.body(select, where, context, columns, then)
            return
        loop = loops[0]
        nodes = self.nodes(select[loop], loop, f"{where}.{loop}", context)
        emitter = self.emitter
        item, row_index = emitter.fresh(), emitter.fresh()
        inner = Context(
            Value(item, nodes.keys, nodes.type), context.root, context.resource, row_index, context.constants
        )
        head = f"for {row_index}, {item} in enumerate(_items({nodes.name})):"
        if loop != "forEachOrNull":
            with emitter.block(head):
                self.body(select, where, inner, columns, then)
            return
        collected, found = emitter.fresh(), self.collect(select, where, inner, head)
        self.emitter.emit(f"{collected} = {found[0]}")
        blank = ["0" if index else "None" for index in found[2]]
        with emitter.block(f"if not {collected}:"):
            emitter.emit(f"{collected} = [{_tuple(blank)}]")
        self.expand(collected, found[1], columns, then)

    def nodes(self, path: Any, loop: str, where: str, context: Context) -> Value:
        if loop != "repeat":
            if not isinstance(path, str):
                raise ConfigError(f"{loop} is not a text", where, "give a FHIRPath expression")
            return self.expression(path, context, where)
        if not isinstance(path, list) or not path or not all(isinstance(p, str) for p in path):
            raise ConfigError("repeat is not a list of FHIRPath expressions", where, 'write it as ["item"]')
        emitter = self.emitter
        functions = []
        for position, text in enumerate(path):
            argument, name = emitter.fresh(), emitter.fresh()
            with emitter.block(f"def {name}({argument}):"):
                inner = Context(
                    Value(argument, Keys()), context.root, context.resource, context.row_index, context.constants
                )
                emitter.emit(f"return {self.expression(text, inner, f'{where}[{position}]').name}")
            functions.append(name)
        self.keys.whole = True  # how deep it goes is known only at run time
        nodes = emitter.fresh()
        emitter.emit(f"{nodes} = _repeat({context.this.name}, ({', '.join(functions)},))")
        return Value(nodes, Keys(whole=True))

    def body(
        self,
        select: dict[str, Any],
        where: str,
        context: Context,
        columns: list[tuple[Column, str]],
        then: Callable[[list[tuple[Column, str]]], None],
    ) -> None:
        """Columns, then nested selects, then the union: the column order of the standard."""
        here = list(columns)
        for position, column in enumerate(_list(select, "column", where)):
            here.append(self.column(column, f"{where}.column[{position}]", context))
        nested = _list(select, "select", where)
        union = _list(select, "unionAll", where)
        if "unionAll" in select and not union:
            raise ConfigError("unionAll is empty", f"{where}.unionAll", "give it two selects")

        def after_nested(found: list[tuple[Column, str]]) -> None:
            if not union:
                then(found)
                return
            collected, shape = self.union(union, f"{where}.unionAll", context)
            self.expand(collected, shape, found, then)

        self.selects(nested, 0, f"{where}.select", context, here, after_nested)

    def collect(
        self, select: dict[str, Any], where: str, context: Context, head: str
    ) -> tuple[str, list[Column], list[bool]]:
        """Run the body of a select into a list of partial rows: its variable, columns, and which are the row index."""
        rows = self.emitter.fresh()
        self.emitter.emit(f"{rows} = []")
        shape: list[tuple[Column, str]] = []

        def append(found: list[tuple[Column, str]]) -> None:
            shape[:] = found
            self.emitter.emit(f"{rows}.append({_tuple([name for _, name in found])})")

        if head:
            with self.emitter.block(head):
                self.body(select, where, context, [], append)
        else:
            self.select(select, where, context, [], append)
        return rows, [c for c, _ in shape], [name == context.row_index for _, name in shape]

    def union(self, branches: list[Any], where: str, context: Context) -> tuple[str, list[Column]]:
        shape: list[Column] = []
        parts: list[str] = []
        for position, branch in enumerate(branches):
            if not isinstance(branch, dict):
                raise ConfigError("a select is a JSON object", f"{where}[{position}]")
            rows, columns, _ = self.collect(branch, f"{where}[{position}]", context, "")
            if position and [(c.name, c.collection) for c in columns] != [(c.name, c.collection) for c in shape]:
                raise ConfigError(
                    f"the columns {[c.name for c in columns]} differ from {[c.name for c in shape]}",
                    f"{where}[{position}]", "a union needs the same columns in the same order",
                )  # fmt: skip
            shape = shape or columns
            parts.append(rows)
        return " + ".join(parts), shape

    def expand(
        self,
        rows: str,
        shape: list[Column],
        columns: list[tuple[Column, str]],
        then: Callable[[list[tuple[Column, str]]], None],
    ) -> None:
        names = [self.emitter.fresh() for _ in shape]
        with self.emitter.block(f"for {_tuple(names) if names else '_'} in {rows}:"):
            then([*columns, *zip(shape, names, strict=True)])

    def column(self, column: Any, where: str, context: Context) -> tuple[Column, str]:
        if not isinstance(column, dict) or not isinstance(column.get("path"), str):
            raise ConfigError("a column has no path", where, "give a FHIRPath expression")
        name = column.get("name")
        if not isinstance(name, str) or not _NAME.match(name):
            raise ConfigError(f"column name {name!r} cannot be used", where, "use letters, digits and _")
        collection = bool(column.get("collection", False))
        value = self.expression(column["path"], context, f"{where}.path")
        value.keys.whole = True
        emitter = self.emitter
        kept = value.name
        if collection:
            kept = emitter.fresh()
            emitter.emit(f"{kept} = {value.name} if {value.name}.__class__ is list else [*_items({value.name})]")
        elif self.lines:
            pass  # a list is no plain cell
        elif value.name[0] == "v" and value.name != context.row_index:
            kept = emitter.fresh()
            emitter.emit(
                f"{kept} = {value.name} if {value.name}.__class__ is not list else "
                f"_one({value.name}, {f'column {name}'!r})"
            )
        return Column(name, str(column.get("type", "")), collection, str(column.get("description", ""))), kept


def _list(holder: dict[str, Any], key: str, where: str) -> list[Any]:
    value = holder.get(key, [])
    if not isinstance(value, list):
        raise ConfigError(f"{key} is not a list", f"{where}.{key}".lstrip("."), "write it in brackets")
    return value


def _tuple(names: list[str]) -> str:
    return f"({', '.join(names)},)" if names else "()"
