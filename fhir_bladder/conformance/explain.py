"""Room `conformance`: the explainer. Finds everything that is wrong in a resource.

Belongs here: which definitions a resource is judged against, and what is made once for all of them. The walk through
its objects is in `walk.py`; findings are made in `report.py`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol

from fhir_bladder.conformance import coded, invariants
from fhir_bladder.conformance.bundles import Index, entry_problems
from fhir_bladder.conformance.invariants import Context
from fhir_bladder.conformance.report import Path, Report, near, show
from fhir_bladder.conformance.schema import Constraint, Field, Node, Schema, Table
from fhir_bladder.conformance.slicing import Match, matchers
from fhir_bladder.conformance.statement import JUDGED
from fhir_bladder.conformance.walk import Walk
from fhir_bladder.errors import UnsupportedError

Rule = Callable[[Any, Any, Context], bool]
_RECORD = {"device", "started_at"}
"""Keys that tell an exam record from a FHIR resource."""


class Helper(Protocol):
    """What the acceptor tells the explainer, so that it walks no further than it must."""

    def clean(self, value: dict[str, Any], table: Table, context: Context) -> bool:
        """Whether nothing is to be found in an object."""

    def right_keys(
        self, value: dict[str, Any], table: Table, context: Context, known: frozenset[str] = frozenset()
    ) -> frozenset[str]:
        """Keys of an object in whose values nothing is to be found, beside those `known`; none with a `_key`."""

    def only_table(self, name: str, profiles: tuple[str, ...]) -> Table | None:
        """The one table that says all that is asked of a resource with these profiles, its type's rules included."""

    def rules_hold(self, value: dict[str, Any], table: Table, context: Context) -> bool:
        """Whether all invariants of an object are known to hold."""

    def slice_of(self, value: Any, table: Table, field: Field) -> int | None:
        """The number of an item's slice, -1 for none; None where it is not known."""


class Explainer:
    """Finds everything wrong in a resource. Compiled parts are kept, so one object serves many resources."""

    def __init__(self, schema: Schema) -> None:
        self.schema = schema
        self._matchers: dict[int, list[tuple[str, Node, Match]]] = {}
        self._siblings: dict[int, Table] = {}
        self._rules: dict[tuple[str, str], Rule] = {}
        self.helper: Helper | None = None
        self.names = frozenset(schema.catalogue.base.resource_types())

    def resource(
        self, value: Any, path: Path, report: Report, profiles: tuple[str, ...] = (), outer: Context | None = None,
        contained: bool = False, wanted: tuple[str, ...] = (), index: Index | None = None,
    ) -> None:  # fmt: skip
        """Judge one resource: its base type, the profiles it claims, those asked for; `wanted` come from its place."""
        if not isinstance(value, dict):
            report.add("json-type", path, "not an object", expected="a resource", found=show(value))
            return
        name = value.get("resourceType")
        if path.parent is None and name is None and value.keys() >= _RECORD:
            report.add(
                "exam-record", path, "an exam record, not FHIR", expected="a FHIR resource",
                hint="map it first: fhir-bladder map FILE | fhir-bladder validate -",
            )  # fmt: skip
            return
        if not isinstance(name, str) or not name:
            report.add(
                "resource-type-missing", path, "no resourceType", expected="a resource type", hint='add "resourceType"'
            )
            return
        if name not in self.names:
            report.add(
                "resource-type-unknown", path, f"unknown resource type {name}", found=name, hint=near(name, self.names)
            )
            return
        path = path.named(name)
        if name not in JUDGED:
            report.add(
                "type-structure-only", path, f"{name} is judged by R4's own definition only", severity="information",
                expected="one of the types judged in full, see --scope",
            )  # fmt: skip
        if outer is not None and contained:
            context = Context(value, outer.root, outer.bundle, outer.contained)
        else:
            inside = {r["id"]: r for r in invariants.objects(value.get("contained")) if isinstance(r.get("id"), str)}
            context = Context(value, value, outer.bundle if outer is not None else None, inside)
        if name == "Bundle":
            context.bundle = Index(value) if index is None else index
        base = self.schema.type_tree(name)
        assert base is not None
        urls = [base.profile]
        claimed = _claimed_profiles(value)
        for url in (*profiles, *claimed, *wanted):
            if url.partition("|")[0] not in [u.partition("|")[0] for u in urls]:
                urls.append(url)
        helper = self.helper
        whole = helper.only_table(name, tuple(urls[1:])) if helper is not None else None
        right = helper.right_keys(value, whole, context) if helper is not None and whole is not None else None
        walk = Walk(self, context, report)
        for url in urls:
            where = path
            if url in claimed:
                where = path.down("meta", ".meta").down("profile", ".profile").at(claimed.index(url))
            self._against(walk, value, url, path, where, whole, right)
        self._own_rules(value, path, report, contained)

    def _against(
        self, walk: Walk, value: dict[str, Any], url: str, path: Path, where: Path, whole: Table | None,
        right: frozenset[str] | None,
    ) -> None:  # fmt: skip
        """The resource against one definition.

        where: the place that names it; right: keys known to be right by the table `whole`.
        """
        report, name = walk.report, value["resourceType"]
        try:
            tree = self.schema.tree(url)
            if tree is None:
                report.add(
                    "profile-unknown", where, f"profile {url} is not known", found=url,
                    hint="add the package that holds it with --package",
                )  # fmt: skip
                return
            if tree.path != name and tree.path not in self.schema.ancestors(name):
                report.add(
                    "profile-wrong-type", where, f"profile {url} is for {tree.path}", expected=tree.path, found=name
                )
                return
            report.profile = url.partition("|")[0] if tree.profile != url else url
            table = self.schema.table(tree, name)
            if right is not None and table is not whole and self.helper is not None:
                right |= self.helper.right_keys(value, table, walk.context, right)
            walk.judge(value, table, path, tried=path.parent is None, right=right)
        except UnsupportedError as error:
            report.add("profile-unsupported", where, f"profile {url} cannot be judged: {error.what}", found=error.where)
        finally:
            report.profile = ""

    def _own_rules(self, value: dict[str, Any], path: Path, report: Report, contained: bool) -> None:
        if contained and "id" not in value:
            report.add("contained-id-missing", path, "contained resource without id", expected="an id")
        for number in invariants.orphans(value):
            report.add(
                "dom-3", path.down("contained", ".contained").at(number),
                "contained resource that nothing refers to",
                expected=f'a reference "#{value["contained"][number].get("id")}" from the resource around it',
            )  # fmt: skip
        seen: set[str] = set()
        for number, inner in enumerate(invariants.many(value.get("contained"))):
            ident = inner.get("id") if isinstance(inner, dict) else None
            if isinstance(ident, str):
                if ident in seen:
                    place = path.down("contained", ".contained").at(number)
                    report.add("contained-id-twice", place, "two contained resources with one id", found=ident)
                seen.add(ident)
        _labels(value, path, report)
        if value["resourceType"] == "Bundle":
            for number, ident, message, expected, found in entry_problems(value):
                place = path.down("entry", ".entry").at(number)
                report.add(ident, place, message, expected=expected, found=found)

    def pieces(self, node: Node) -> list[tuple[str, Node, Match]]:
        """Slices of a node with their predicates, made once."""
        found = self._matchers.get(id(node))
        if found is None:
            found = self._matchers[id(node)] = matchers(self.schema, node) if node.slices else []
        return found

    def sibling_table(self, table: Table) -> Table:
        """Only `id` and `extension` stand in the object beside a primitive."""
        found = self._siblings.get(id(table))
        if found is not None:
            return found
        fields = {k: f for k, f in table.fields.items() if k in ("id", "extension")}
        required = tuple(n for n in table.required if n.name in fields)
        found = self._siblings[id(table)] = Table(
            table.name, table.node, table.type, fields, {}, required, (), False, table.contexts, table.kids
        )
        return found

    def rule(self, constraint: Constraint, type_name: str) -> Rule:
        """The evaluator of an invariant on values of a type, made once."""
        key = (constraint.expression, type_name)
        found = self._rules.get(key)
        if found is None:
            found = self._rules[key] = invariants.compiled(constraint, type_name, self._hooks())
        return found

    def _hooks(self) -> dict[str, Callable[..., Any]]:
        return coded.hooks(self.schema)


def _claimed_profiles(resource: dict[str, Any]) -> list[str]:
    """The profiles a resource claims in `meta.profile`."""
    meta = resource.get("meta")
    found = meta.get("profile") if isinstance(meta, dict) else None
    return [url for url in found if isinstance(url, str)] if isinstance(found, list) else []


def _labels(resource: dict[str, Any], path: Path, report: Report) -> None:
    """Security labels may not repeat."""
    meta = resource.get("meta")
    found = meta.get("security") if isinstance(meta, dict) else None
    seen: set[tuple[Any, Any]] = set()
    for number, label in enumerate(found if isinstance(found, list) else ()):
        if not isinstance(label, dict) or not isinstance(label.get("code"), str):
            continue
        key = (str(label.get("system")), label["code"])
        if key in seen:
            place = path.down("meta", ".meta").down("security", ".security").at(number)
            report.add("security-twice", place, "security label stands twice", found=label["code"])
        seen.add(key)
