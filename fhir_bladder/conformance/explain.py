"""Room `conformance`: the explainer. Walks a resource against a table and finds everything that is wrong.

Belongs here: resources and the walk through objects. What stands under a key is judged in `items.py`, one value in
`contents.py` and `values.py`, extensions in `extended.py`; findings are made in `report.py`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol

from fhir_bladder.conformance import invariants, items, values
from fhir_bladder.conformance.bundles import Index, entry_problems
from fhir_bladder.conformance.invariants import Context
from fhir_bladder.conformance.report import Path, Report, near
from fhir_bladder.conformance.schema import Constraint, Field, Node, Schema, Table
from fhir_bladder.conformance.slicing import Match, matchers
from fhir_bladder.conformance.statement import JUDGED
from fhir_bladder.conformance.values import show
from fhir_bladder.errors import BladderError, UnsupportedError

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
        claimed = values.claimed_profiles(value)
        for url in (*profiles, *claimed, *wanted):
            if url.partition("|")[0] not in [u.partition("|")[0] for u in urls]:
                urls.append(url)
        helper = self.helper
        whole = helper.only_table(name, tuple(urls[1:])) if helper is not None else None
        right = helper.right_keys(value, whole, context) if helper is not None and whole is not None else None
        for url in urls:
            self._against(value, name, url, path, report, context, claimed, whole, right)
        self._own_rules(value, name, path, report, context, contained)

    def _against(
        self,
        value: dict[str, Any],
        name: str,
        url: str,
        path: Path,
        report: Report,
        context: Context,
        claimed: list[str],
        whole: Table | None,
        right: frozenset[str] | None,
    ) -> None:
        where = path
        if url in claimed:
            where = path.down("meta", ".meta").down("profile", ".profile").at(claimed.index(url))
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
                right |= self.helper.right_keys(value, table, context, right)
            self.walk(value, table, path, report, context, tried=path.parent is None, right=right)
        except UnsupportedError as error:
            report.add("profile-unsupported", where, f"profile {url} cannot be judged: {error.what}", found=error.where)
        finally:
            report.profile = ""

    def _own_rules(
        self, value: dict[str, Any], name: str, path: Path, report: Report, context: Context, contained: bool
    ) -> None:
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
        values.labels(value, path, report)
        if name == "Bundle":
            for number, ident, message, expected, found in entry_problems(value):
                place = path.down("entry", ".entry").at(number)
                report.add(ident, place, message, expected=expected, found=found)

    def walk(
        self, value: dict[str, Any], table: Table, path: Path, report: Report, context: Context, *,
        filled: bool = False, tried: bool = False, right: frozenset[str] | None = None,
    ) -> None:  # fmt: skip
        """Judge one JSON object.

        filled: the primitive beside it has a value; tried: the acceptor said no; right: keys known to be right.
        """
        helper = self.helper
        if helper is not None and not tried and helper.clean(value, table, context):
            return
        if right is None:
            right = helper.right_keys(value, table, context) if helper is not None else frozenset()
        fields = table.fields
        others = filled and bool(value)
        chosen: dict[str, str] | None = None
        for key, item in value.items():
            found = fields.get(key)
            if found is None:
                if key == "resourceType" and table.resource:
                    continue
                found = fields.get(key[1:]) if key[:1] == "_" else None
                if found is None or not found.primitive:
                    report.add(
                        "element-unknown", path.down(key, f".{key}"), f"unknown element {key}", found=key,
                        hint=near(key, fields), node=table.node,
                    )  # fmt: skip
                    continue
            if key != "id":
                others = True
            node = found.node
            if node.choice:
                chosen = {} if chosen is None else chosen
                if chosen.setdefault(node.name, found.key) != found.key:
                    report.add(
                        "choice-twice", path.down(key, f".{node.name}"), f"more than one {node.name}[x]",
                        expected="one of them", found=f"{chosen[node.name]}, {found.key}", node=node,
                    )  # fmt: skip
            if key in right:
                continue
            if key[:1] == "_" and key not in fields:
                if item is None:
                    report.add(
                        "json-null", path.down(key, f".{found.node.name}"), "null", expected="an object", node=node
                    )
                    continue
                if found.key not in value:
                    items.field(self, None, item, found, path, report, context, table)
                continue
            items.field(
                self, item, value.get("_" + key) if found.primitive else None, found, path, report, context, table
            )
        if not others and not table.resource:
            report.add(
                "ele-1" if value else "json-empty", path, "element without content" if value else "empty object",
                expected="a value or children", hint="leave the element out", node=table.node,
            )  # fmt: skip
        self._missing(value, table, path, report)
        if helper is None or not helper.rules_hold(value, table, context):
            held = not table.resource or "contained" in value
            for constraint in table.constraints:
                if not held and constraint.expression.startswith("contained."):
                    continue  # dom-2, dom-4, dom-5 ask about contained resources only
                self.invariant(constraint, value, None, table.focus, path, report, context, table.node)
        values.typed(value, table, path, report, self.schema)

    def _missing(self, value: dict[str, Any], table: Table, path: Path, report: Report) -> None:
        for node in table.required:
            if node.choice:
                keys = table.choices[node.name][1]
                if any(k in value or "_" + k in value for k in keys):
                    continue
                name = f"{node.name}[x]"
            else:
                name = node.name
                if name in value or "_" + name in value:
                    continue
            must = sum(piece.min for _, piece in node.slices)
            if must:
                self.absent_slices(node, path.down(node.name, f".{node.name}"), report)
                if node.min <= must:
                    continue
            report.add(
                "cardinality-min", path.down(node.name, ""), f"{name} is missing",
                expected=f"at least {node.min} {name}", found="none", node=node,
            )  # fmt: skip

    def absent_slices(self, node: Node, path: Path, report: Report) -> None:
        """Tell the mandatory slices of an element that is not there."""
        for name, piece in node.slices:
            if piece.min:
                report.add(
                    "slice-min", path, f"{node.name} lacks {name}", expected=f"at least {piece.min}", found="none",
                    node=piece, hint=values.slice_hint(piece),
                )  # fmt: skip

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
        return values.hooks(self.schema)

    def invariant(
        self, constraint: Constraint, value: Any, sibling: Any, type_name: str, path: Path, report: Report,
        context: Context, node: Node,
    ) -> None:  # fmt: skip
        """Judge one invariant of a value."""
        if constraint.key in invariants.SKIPPED:
            return
        try:
            holds = self.rule(constraint, type_name)(value, sibling, context)
        except UnsupportedError as error:
            report.add(
                "invariant-unsupported",
                path,
                f"invariant {constraint.key} cannot be evaluated: {error.what}",
                node=node,
            )
            return
        except BladderError as error:
            holds, report.note = False, error.what
        except (ValueError, TypeError, AttributeError, KeyError, IndexError, ArithmeticError, RecursionError):
            holds, report.note = False, "the data do not let it be evaluated"
        if not holds:
            report.add(
                constraint.key, path, f"{constraint.key}: {constraint.human}",
                severity="warning" if constraint.severity == "warning" else "error",
                expected=constraint.expression, node=node,
            )  # fmt: skip
