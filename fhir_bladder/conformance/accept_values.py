"""Room `conformance`: compiled judgements of values. Belongs here: ranges, bindings, references."""

from __future__ import annotations

import re
from typing import Any

from fhir_bladder.conformance import coded, invariants, primitives, references
from fhir_bladder.conformance.accept_made import Made
from fhir_bladder.conformance.accept_names import ROOM
from fhir_bladder.conformance.bundles import restful
from fhir_bladder.conformance.invariants import AROUND, CONTENT, Context
from fhir_bladder.conformance.schema import Node, TypeRef
from fhir_bladder.conformance.slicing import codings


class Values(Made):
    """Functions that judge one value."""

    def primitive(self, node: Node, ref: TypeRef) -> str:
        """Name of the function for the invariants of a primitive."""
        made = [self.explainer.rule(c, ref.code) for c in node.constraints if c.key not in invariants.SKIPPED]

        def judge(value: Any, context: Context) -> int:
            context.asked |= CONTENT
            return int(all(rule(value, None, context) for rule in made))

        return self.constant(judge)

    def range(self, node: Node) -> str:
        """Name of the function for the least and the greatest value."""
        low, high = node.min_value, node.max_value

        def inside(value: Any) -> bool:
            # a float on the limit may stand for a number beyond it; only whole numbers are exact here
            exact = type(value) is not float
            if low is not None and not (value > low or (exact and value == low)):
                return False
            return high is None or value < high or (exact and bool(value == high))

        return self.constant(inside if not isinstance(low, dict) and not isinstance(high, dict) else lambda _: False)

    def binding(self, node: Node) -> str:
        """Name of a function value → whether its codes hold to the binding; answers are remembered."""
        bound = node.binding
        assert bound is not None and bound.value_set is not None
        value_set, required = bound.value_set, bound.strength == "required"
        quantity = any(t.code in coded.QUANTITIES for t in node.types)
        good: set[tuple[Any, Any]] = set()

        def holds(value: Any) -> bool:
            if quantity and not required:
                return True
            if type(value) is dict:
                for coding in value.get("coding", ()):
                    system = coding.get("system")
                    if system is not None and (system, coding.get("code")) in good:
                        return True
            pairs = list(codings(value))
            for pair in pairs:
                if pair in good:
                    return True
            for system, code in pairs:
                inside = value_set.has(system, code)
                if inside or (inside is None and not required):  # undecided is told where it matters
                    if len(good) < ROOM:
                        good.add((system, code))
                    return True
            return not pairs and not required

        return self.constant(holds)

    def known_code(self, system: Any, code: Any) -> bool:
        """Whether two fixed values are a system and a code of it, with nothing to be said about them."""
        if type(system) is not str or type(code) is not str or coded.local_system(system, code):
            return False
        return coded.known_code(self.schema, system, code)

    def target(self, node: Node, ref: TypeRef) -> str:
        """Name of a function (Reference, context) → whether it leads where it may, without a warning."""
        allowed = frozenset(references.target_types(self.schema, ref))
        names = allowed or self.explainer.names
        ident = primitives.ID
        kind_of = self.schema.catalogue.base.kind
        blank = re.compile(r"\s").search

        def leads(value: dict[str, Any], context: Context) -> int:
            link = value.get("reference")
            if "type" in value and kind_of(value["type"]) != "resource":
                return 0
            if link is None:
                return "_reference" not in value or 0
            context.asked |= AROUND
            if context.bundle is None:
                kind, _, rest = link.partition("/")
                if kind in names and ident(rest) is not None and value.get("type", kind) == kind:
                    return 1
            if blank(link):
                return 0
            target = references.resolve(link, context)
            if target is None:
                parts = restful(link)
                if parts is None:
                    if context.bundle is not None and link.startswith("urn:"):
                        return 0
                    if "type" in value and allowed and value["type"] not in allowed:
                        return 0
                    return 0 if link[0] == "#" or references.form(link) is None else 1
                found = parts[1]
                if kind_of(found) != "resource":
                    return 0
            else:
                found = target["resourceType"]
            return int((not allowed or found in allowed) and value.get("type", found) == found)

        return self.constant(leads)
