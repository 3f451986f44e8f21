"""Room `conformance`: compiled judgement of unusual objects. Belongs here: any key a table knows, `_key` included."""

from __future__ import annotations

from typing import Any

from fhir_bladder.conformance import emit, invariants
from fhir_bladder.conformance.accept_extensions import Extensions
from fhir_bladder.conformance.accept_names import Accept, never
from fhir_bladder.conformance.invariants import Context
from fhir_bladder.conformance.schema import MISSING, Field, Table


class General(Extensions):
    """Functions for objects with other keys than the usual ones."""

    def general(self, table: Table, name: str, inline: tuple[str, ...]) -> str:
        """Name of the function for objects with keys beyond the inline ones."""
        known = frozenset(inline)
        made: dict[str, Accept] = {}
        beside: dict[str, Accept] = {}
        rules: list[Accept] | None = None
        fields = table.fields
        choices = [c for c in table.choices.values() if len(c[1]) > 1]
        content = not table.resource
        required = [table.choices[n.name][1] for n in table.required if n.choice]
        plain = [n.name for n in table.required if not n.choice and n.name not in known]
        typed = self._typed(table)

        def judge(o: dict[str, Any], context: Context) -> int:
            nonlocal rules
            others = False
            for key, value in o.items():
                if key in known:
                    if value is None:
                        return 0
                    others = True
                    continue
                field = fields.get(key)
                if field is None:
                    if key == "resourceType" and table.resource:
                        continue
                    field = fields.get(key[1:]) if key[0] == "_" else None
                    if field is None or not field.primitive or field.node.many:
                        return 0
                    accept = beside.get(key)
                    if accept is None:
                        accept = beside[key] = self._beside(field)
                    if not accept(value, context) or (
                        field.key not in o
                        and (field.node.binding or field.node.slices or (len(value) < 2 and "id" in value))
                    ):
                        return 0
                    others = True
                    continue
                accept = made.get(key)
                if accept is None:
                    accept = made[key] = self.whole(table, field)
                if value is None or not accept(value, context):
                    return 0
                if key != "id":
                    others = True
            if content and not others:
                return 0
            for _, keys in choices:
                count = 0
                for key in keys:
                    if key in o or "_" + key in o:
                        count += 1
                if count > 1:
                    return 0
            for name in plain:
                if name not in o:
                    return 0
            for keys in required:
                if not any(key in o for key in keys):
                    return 0
            if rules is None:
                rules = [self.scope[r] for r in emit.rules(table, self)]
            for rule in rules:
                if not rule(o, context):
                    return 0
            return 1 if typed is None or typed(o, context) else 0

        return self.constant(judge)

    def _typed(self, table: Table) -> Accept | None:
        lines = list(emit.typed(table))
        return self.written(lines, table, table.name, "o, C") if lines else None

    def _beside(self, field: Field) -> Accept:
        """The object beside a primitive: `id` and `extension` only."""
        node = field.node
        if any(c.key not in invariants.SKIPPED for c in node.constraints) or node.max == 0:
            return never
        if node.fixed is not MISSING:
            return never
        table = self.explainer.sibling_table(self.schema.table(node, field.type.code))
        self._keep.append(table)
        return self._later(table)

    def beside(self, field: Field) -> str:
        """Name of the function for the object beside a primitive."""
        return self.constant(self._beside(field))

    def _later(self, table: Table) -> Accept:
        name = self.table_function(table)
        return lambda value, context: int(type(value) is dict and self.scope[name](value, context))
