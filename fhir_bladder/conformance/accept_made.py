"""Room `conformance`: functions made from tables. Belongs here: compiling, naming and keeping what `emit` writes."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from typing import Any

from fhir_bladder.conformance import emit, emit_values, invariants
from fhir_bladder.conformance.accept_names import MEMO, Accept, asking, names
from fhir_bladder.conformance.explain import Explainer
from fhir_bladder.conformance.invariants import AROUND, CONTENT, Context
from fhir_bladder.conformance.memory import remembered
from fhir_bladder.conformance.schema import Field, Node, Table, TypeRef
from fhir_bladder.errors import BladderError


class Made(emit_values.Names):
    """Functions for the tables of an explainer's schema, made when first called.

    quick and slow: the invariants that run as Python text, and those that run through the room `fhirpath`.
    """

    def __init__(self, explainer: Explainer) -> None:
        self.explainer = explainer
        self.schema = explainer.schema
        self.quick: dict[str, str] = {}
        self.slow: dict[str, str] = {}
        self._names: dict[tuple[int, str], str] = {}
        self._keep: list[Any] = []
        self._picked: set[int] = set()
        self._pending: dict[str, Callable[[], None]] = {}
        self.roots: dict[tuple[str, tuple[str, ...]], tuple[Accept, ...]] = {}
        self.scope: dict[str, Any] = names(self.schema)

    def written(self, statements: Iterable[str], kept: Any, where: str, arguments: str = "v, C") -> Accept:
        """A function of the statements. kept: what they were made of, told by its identity; held as long as this."""
        name = f"g{len(self._keep)}"
        self._keep.append(kept)
        lines = [f"def {name}({arguments}):", *("    " + line for line in statements), "    return 1"]
        exec(compile("\n".join(lines), f"<acceptor {where}>", "exec"), self.scope)  # noqa: S102 - our own text
        made: Accept = self.scope[name]
        return made

    def table_function(self, table: Table) -> str:
        """Name of the function for a table; the function is made when it is first called."""
        key = (id(table), "")
        name = self._names.get(key)
        if name is None:
            name = self._names[key] = f"f{len(self._names)}_" + re.sub(r"\W", "_", table.name)
            self._keep.append(table)

            def build() -> None:
                text = emit.source(table, name, self)
                if table.type in MEMO and self.schema.type_tree(table.type) is table.node:
                    text = MEMO[table.type].replace("NAME", name) + text.replace(f"def {name}(", f"def {name}_full(", 1)
                exec(compile(text, f"<acceptor {table.name}>", "exec"), self.scope)  # noqa: S102 - our own text
                if f"{name}_kept" in text:
                    self.scope[f"{name}_kept"] = remembered(self.scope[f"{name}_full"])
                elif table.type == "CodeableConcept":
                    self.scope[name] = remembered(self.scope[name])
                self._pending.pop(name, None)
                self.roots.clear()  # roots kept by value must see the made function, not its maker

            def make(o: Any, context: Context) -> int:
                build()
                return int(self.scope[name](o, context))

            self._pending[name] = build
            self.scope[name] = make
        return name

    def now(self, table: Table) -> Accept:
        """The function for a table itself, made at once. It expects an object."""
        name = self.table_function(table)
        build = self._pending.get(name)
        if build is not None:
            build()
        made: Accept = self.scope[name]
        return made

    def function(self, node: Node, code: str) -> str:
        """Name of the function for a node's value."""
        return self.table_function(self.table_of(node, code))

    def table_of(self, node: Node, code: str) -> Table:
        """The table for a node's value; nodes that add nothing share their type's."""
        definition = self.schema.type_tree(code)
        if definition is not None and not node.kids:
            known = {(c.key, c.expression) for c in definition.constraints}
            if all((c.key, c.expression) in known or c.key in invariants.SKIPPED for c in node.constraints):
                return self.schema.table(definition, code)
        return self.schema.table(node, code)

    def resource(self, code: str) -> bool:
        """Whether a type is a resource's."""
        return code in self.explainer.names

    def profile(self, url: str, code: str) -> str:
        """Name of the function for a profile on a datatype."""
        tree = self.schema.tree(url)
        return "NEVER" if tree is None else self.table_function(self.schema.table(tree, code))

    def constant(self, value: Any) -> str:
        """A name for a constant or a helper."""
        name = f"K{len(self._keep)}"
        self._keep.append(value)
        self.scope[name] = value
        return name

    def rule_text(self, table: Table, expression: str) -> str | None:
        """An invariant as an expression on `o` and `C`; None where it is a function of its own."""
        if invariants.hand(expression) is not None:
            return None
        from fhir_bladder.conformance import quick  # brings FHIRPath in: only where needed

        try:
            text = quick.text(expression, table.focus, table.resource, self.scope)
        except (quick.Beyond, BladderError):
            return None
        self.quick[expression] = table.focus
        return text

    def rule(self, table: Table, expression: str) -> str:
        """Name of a function (object, context) → whether the invariant holds."""
        key = (id(table), expression)
        name = self._names.get(key)
        if name is None:
            constraint = next(c for c in table.constraints if c.expression == expression)
            hand = invariants.hand(expression)
            if hand is None:
                from fhir_bladder.conformance.quick import Beyond, write  # brings FHIRPath in: only where needed

                try:
                    quick = write(expression, table.focus, table.resource)
                except (Beyond, BladderError):
                    quick = None
                made = self.explainer.rule(constraint, table.focus)
                if quick is not None:
                    name = self._names[key] = self.constant(quick)
                    self.quick[expression] = table.focus
                    return name
                self.slow[expression] = table.focus

                far = CONTENT if "%" in expression or "resolve" in expression else AROUND

                def run(o: Any, context: Context) -> bool:
                    context.asked |= far
                    return made(o, None, context)

                hand = run
            elif "%" in expression or "resolve" in expression:
                hand = asking(hand)
            name = self._names[key] = self.constant(hand)
        return name

    def single(self, table: Table, field: Field, node: Node, ref: TypeRef) -> Accept:
        """A function for one value of a node, made from the same statements as inline ones."""
        return self.written(emit_values.item(node, ref, "v", self), node, f"{table.name}.{field.key}")

    def whole(self, table: Table, field: Field) -> Accept:
        """A function for the value of a key as it stands in JSON, array or not."""
        return self.written(emit_values.body(table, field, "v", self), field, f"{table.name}.{field.key}")

    def rest(self, table: Table, without: frozenset[str]) -> Accept:
        """What is asked of an object beyond its keys and their values, except the expressions `without`.

        No object with `contained`.
        """
        lines = [*emit.beyond(table, self, without), *emit.typed(table)]
        return self.written(lines, table, table.name, "o, C")
