"""Room `conformance`: the acceptor. Belongs here: whole resources, and what the explainer and the front tier ask.

A yes means that the explainer would find neither an error nor a warning. Whatever is unusual is left to the explainer:
an exception, a key outside the usual ones that cannot be judged here, a number that sits on a limit.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from fhir_bladder.conformance import invariants
from fhir_bladder.conformance.accept_general import General
from fhir_bladder.conformance.accept_names import REFUSALS, Accept, labelled_twice, never
from fhir_bladder.conformance.bundles import Index, entry_problems
from fhir_bladder.conformance.definitions import BASE
from fhir_bladder.conformance.explain import Explainer
from fhir_bladder.conformance.invariants import CONTENT, DEEP, Context
from fhir_bladder.conformance.limits import MAX_DEPTH, depth
from fhir_bladder.conformance.schema import Field, Table
from fhir_bladder.conformance.statement import JUDGED


class Acceptor(General):
    """Says yes where it is sure that nothing is to be found."""

    def __init__(self, explainer: Explainer) -> None:
        super().__init__(explainer)
        self.scope["RESOURCE"] = self._inner
        self._fields: dict[int, dict[str, Accept]] = {}
        self._rests: dict[int, Accept] = {}
        self._only: dict[tuple[str, tuple[str, ...]], Table | None] = {}
        self._picks: dict[int, Callable[[Any], int] | None] = {}

    def accepts(self, value: Any, wanted: tuple[str, ...] = (), bundle: Any = None) -> bool:
        """Whether a parsed resource is known to be without error and warning."""
        try:
            return bool(self._resource(value, wanted, None, index=bundle))
        except REFUSALS:
            return False

    def _resource(
        self, value: Any, wanted: tuple[str, ...], outer: Context | None, contained: bool = False, index: Any = None
    ) -> int:  # fmt: skip
        name = value["resourceType"]
        meta = value.get("meta")
        claimed = tuple(meta["profile"]) if meta is not None and "profile" in meta else ()
        key = (name, claimed + wanted)
        roots = self.roots.get(key)
        if roots is None:
            roots = self._roots_of(name, claimed + wanted)
            if len(self.roots) < 1000:
                self.roots[key] = roots
        inner = value.get("contained")
        if contained and outer is not None:
            if inner is not None or "id" not in value:
                return 0
            context = Context(value, outer.root, outer.bundle, outer.contained)
        elif inner is None:
            context = Context(value, value, outer.bundle if outer is not None else None)
        else:
            held = {r["id"]: r for r in inner}
            if len(held) != len(inner) or invariants.orphans(value):
                return 0
            context = Context(value, value, outer.bundle if outer is not None else None, held)
        if outer is not None:
            context.depth = outer.depth
            context.enter()
        if name == "Bundle":
            context.bundle = Index(value) if index is None else index
            if next(entry_problems(value), None) is not None:
                return 0
        for root in roots:
            if not root(value, context):
                return 0
        if context.asked & DEEP:
            if outer is not None:
                outer.asked |= DEEP
            elif depth(value) > MAX_DEPTH:
                return 0
        return 0 if meta is not None and labelled_twice(meta) else 1

    def _inner(self, value: Any, context: Context) -> int:
        context.asked |= CONTENT
        contained = context.root.get("contained")
        inside = contained is not None and any(value is r for r in contained)
        return self._resource(value, (), context, inside)

    def _roots_of(self, name: str, profiles: tuple[str, ...]) -> tuple[Accept, ...]:
        tables = self._tables_of(name, profiles)
        return (never,) if tables is None else tuple(self.scope[self.table_function(table)] for table in tables)

    def _tables_of(self, name: str, profiles: tuple[str, ...]) -> list[Table] | None:
        """The tables that together say all that is asked of a resource; None where it cannot be judged here."""
        base = self.schema.type_tree(name)
        if base is None or name not in JUDGED:
            return None
        urls = [u for u in dict.fromkeys(profiles) if u.partition("|")[0] != BASE + name]
        found: list[Table] = []
        covered = False
        for url in urls:
            tree = self.schema.tree(url)
            if tree is None or (tree.path != name and tree.path not in self.schema.ancestors(name)):
                return None
            covered = covered or (tree.path == name and self.schema.catalogue.generated(url))
            found.append(self.schema.table(tree, name))
        if not covered:
            found.append(self.schema.table(base, name))
        return found

    def only_table(self, name: str, profiles: tuple[str, ...]) -> Table | None:
        """The one table that judges resources of a type with these profiles; None where there are several or none."""
        key = (name, profiles)
        if key not in self._only:
            tables = self._tables_of(name, profiles)
            if len(self._only) >= 1000:
                self._only.clear()
            self._only[key] = tables[0] if tables is not None and len(tables) == 1 else None
        return self._only[key]

    # for the explainer

    def clean(self, value: dict[str, Any], table: Table, context: Context) -> bool:
        """The same for one object inside a resource, for the explainer to skip what is right."""
        context.depth = 0
        try:
            return bool(self.scope[self.table_function(table)](value, context))
        except REFUSALS:
            return False

    def right_keys(
        self, value: dict[str, Any], table: Table, context: Context, known: frozenset[str] = frozenset()
    ) -> frozenset[str]:
        """Keys of an object in whose values nothing is to be found, beside those `known`; none with a `_key`."""
        accepts = self._fields.get(id(table))
        if accepts is None:
            accepts = self._fields[id(table)] = {}
            self._keep.append(table)
        found = []
        for key, item in value.items():
            if item is None or key in known or "_" + key in value:
                continue
            accept = accepts.get(key)
            if accept is None:
                field = table.fields.get(key)
                accept = accepts[key] = never if field is None else self.whole(table, field)
            context.depth = 0
            try:
                if accept(item, context):
                    found.append(key)
            except REFUSALS:
                continue
        return frozenset(found)

    def rules_hold(self, value: dict[str, Any], table: Table, context: Context) -> bool:
        """Whether all invariants of an object are known to hold."""
        if "contained" in value or table.type == "Extension" or any(key[:1] == "_" for key in value):
            return False  # not what `rest` is for
        holds = self._rests.get(id(table))
        if holds is None:
            holds = self._rests[id(table)] = self.rest(table, frozenset())
        try:
            return bool(holds(value, context))
        except REFUSALS:
            return False

    def slice_of(self, value: Any, table: Table, field: Field) -> int | None:
        """The number of an item's slice, -1 for none; None where it is not known."""
        key = id(field.node)
        if key not in self._picks:
            picked = self.slicer(table, field)
            self._picks[key] = None if picked is None else self.scope[picked[0]]
            self._keep.append(field.node)
        pick = self._picks[key]
        try:
            return None if pick is None else pick(value)
        except REFUSALS:
            return None
