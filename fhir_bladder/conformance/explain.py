"""Room `conformance`: the explainer. Walks a resource against a table and finds everything that is wrong.

Belongs here: structure (keys, types, counts, slices). Values are judged in `values.py`, findings made in `report.py`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol

from fhir_bladder.conformance import invariants, values
from fhir_bladder.conformance.bundles import Index, entry_problems
from fhir_bladder.conformance.invariants import Context
from fhir_bladder.conformance.report import Path, Report, near
from fhir_bladder.conformance.schema import MISSING, PRIMITIVES, Constraint, Field, Node, Schema, Table, TypeRef
from fhir_bladder.conformance.slicing import Match, equal, extension_url, fits, matchers, undecided
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

    # resources

    def resource(
        self, value: Any, path: Path, report: Report, profiles: tuple[str, ...] = (), outer: Context | None = None,
        contained: bool = False, wanted: tuple[str, ...] = (), index: Index | None = None,
    ) -> None:  # fmt: skip
        """Judge one resource: its base type, the profiles it claims, those asked for; `wanted` come from its place."""
        if not isinstance(value, dict):
            report.add("json-type", path, "not an object", expected="a resource", found=show(value))
            return
        name = value.get("resourceType")
        if path.parent is None and name is None and _RECORD <= value.keys():
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

    # objects

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
                    self._field(None, item, found, path, report, context, table)
                continue
            self._field(item, value.get("_" + key) if found.primitive else None, found, path, report, context, table)
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
                self._invariant(constraint, value, None, table.focus, path, report, context, table.node)
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
                self._absent_slices(node, path.down(node.name, f".{node.name}"), report)
                if node.min <= must:
                    continue
            report.add(
                "cardinality-min", path.down(node.name, ""), f"{name} is missing",
                expected=f"at least {node.min} {name}", found="none", node=node,
            )  # fmt: skip

    def _absent_slices(self, node: Node, path: Path, report: Report) -> None:
        for name, piece in node.slices:
            if piece.min:
                report.add(
                    "slice-min", path, f"{node.name} lacks {name}", expected=f"at least {piece.min}", found="none",
                    node=piece, hint=values.slice_hint(piece),
                )  # fmt: skip

    def _field(
        self, item: Any, sibling: Any, found: Field, path: Path, report: Report, context: Context, table: Table
    ) -> None:
        node = found.node
        rendered = f".{node.name}.ofType({found.type.code})" if node.choice else f".{node.name}"
        has_item = item is not None or sibling is None
        place = path.down(found.key if has_item else "_" + found.key, rendered)
        if item is None and sibling is None:
            report.add("json-null", place, "null", expected="a value", hint="leave the element out", node=node)
            return
        if not node.many:
            if isinstance(item, list) or isinstance(sibling, list):
                what = item if isinstance(item, list) else sibling
                report.add(
                    "json-array", place, "an array", expected="one value, no array", found=show(what), node=node,
                    hint="remove the brackets" if len(what) == 1 else "",
                )  # fmt: skip
                return
            if node.max == 0:
                report.add(
                    "cardinality-max", place, f"{node.name} is not allowed here", expected="none", found="1", node=node
                )
                return
            if node.choice and node.slices:
                self._choice(item, sibling, found, place, report, context, table)
                return
            self._value(item, sibling, node, found.type, place, report, context, table)
            return
        self._many(item, sibling, found, place, report, context, table)

    def _choice(
        self, item: Any, sibling: Any, found: Field, place: Path, report: Report, context: Context, table: Table
    ) -> None:
        matched = [(n, p) for n, p, m in self.pieces(found.node) if m(item, found.type.code)]
        for name, piece in found.node.slices:
            if piece.min and name not in [n for n, _ in matched]:
                report.add(
                    "slice-min",
                    place,
                    f"{found.node.name}[x] is not {name}",
                    expected=name,
                    found=found.key,
                    node=piece,
                )
        if not matched and found.node.rules == "closed":
            report.add(
                "slice-closed", place, f"{found.key} fits no slice", expected="one of the slices", node=found.node
            )
        piece = matched[0][1] if matched else found.node
        ref = next((t for t in piece.types if t.code == found.type.code), found.type)
        self._value(item, sibling, piece, ref, place, report, context, table)

    def _many(
        self, item: Any, sibling: Any, found: Field, place: Path, report: Report, context: Context, table: Table
    ) -> None:
        node = found.node
        for part in (item, sibling):
            if part is not None and not isinstance(part, list):
                report.add(
                    "json-no-array", place, "not an array", expected="an array", found=show(part), node=node,
                    hint="put it in brackets",
                )  # fmt: skip
                return
        items: list[Any] = item if item is not None else [None] * len(sibling)
        siblings: list[Any] | None = sibling
        if not items:
            report.add("json-empty", place, "empty array", expected="at least one item", hint="leave it out", node=node)
            return
        if siblings is not None and item is not None and len(siblings) != len(items):
            report.add(
                "json-sibling-length", place, f"_{found.key} has {len(siblings)} items", expected=f"{len(items)} items",
                found=str(len(siblings)), hint="fill the gaps with null", node=node,
            )  # fmt: skip
            siblings = siblings[: len(items)] + [None] * (len(items) - len(siblings))
        self._count(node, len(items), place, report)
        pieces = self.pieces(node) if node.slices or node.rules == "closed" else None
        for name, url in undecided(self.schema, node) if node.slices else ():
            report.add(
                "slice-undecided", place, f"slice {name} is not checked: value set {url} cannot be listed here",
                severity="warning", hint="give a package with its expansion or its code systems", node=node,
            )  # fmt: skip
        counts: dict[str, int] = {}
        last = -1
        for number, part in enumerate(items):
            spot = place.at(number)
            beside = siblings[number] if siblings is not None else None
            if part is None and beside is None:
                report.add("json-null", spot, "null in an array", expected="a value", node=node)
                continue
            target = node
            if pieces is not None:
                known = self.helper.slice_of(part, table, found) if self.helper is not None else None
                position = (
                    next((i for i, (_, _, m) in enumerate(pieces) if m(part, found.type.code)), -1)
                    if known is None
                    else known
                )
                if position >= 0:
                    name, target, _ = pieces[position]
                    counts[name] = counts.get(name, 0) + 1
                    if node.ordered and position < last:
                        report.add("slice-order", spot, f"{name} stands after a later slice", node=target)
                    last = max(last, position)
                elif node.rules == "closed":
                    report.add(
                        "slice-closed", spot, f"{node.name} fits no slice", expected="one of the slices", node=node
                    )
            ref = target.types[0] if target.types else found.type
            if ref.code == "Extension" and isinstance(part, dict):
                self._extension(part, target, ref, found, spot, report, context, table)
            else:
                self._value(part, beside, target, ref, spot, report, context, table)
        for name, piece in node.slices:
            number = counts.get(name, 0)
            if number < piece.min:
                report.add(
                    "slice-min", place, f"{node.name} lacks {name}", expected=f"at least {piece.min}",
                    found=str(number),
                    node=piece, hint=values.slice_hint(piece),
                )  # fmt: skip
            if piece.max is not None and number > piece.max:
                report.add(
                    "slice-max",
                    place,
                    f"too many {name}",
                    expected=f"at most {piece.max}",
                    found=str(number),
                    node=piece,
                )

    def _count(self, node: Node, number: int, place: Path, report: Report) -> None:
        if number < node.min:
            report.add(
                "cardinality-min",
                place,
                f"too few {node.name}",
                expected=f"at least {node.min}",
                found=str(number),
                node=node,
            )
        if node.max is not None and number > node.max:
            report.add(
                "cardinality-max",
                place,
                f"too many {node.name}",
                expected=f"at most {node.max}",
                found=str(number),
                node=node,
            )

    def pieces(self, node: Node) -> list[tuple[str, Node, Match]]:
        """Slices of a node with their predicates, made once."""
        found = self._matchers.get(id(node))
        if found is None:
            found = self._matchers[id(node)] = matchers(self.schema, node) if node.slices else []
        return found

    # values

    def _value(
        self,
        item: Any,
        sibling: Any,
        node: Node,
        ref: TypeRef,
        path: Path,
        report: Report,
        context: Context,
        table: Table,
    ) -> None:
        if node.max == 0:
            report.add("cardinality-max", path, f"{node.name} is not allowed here", expected="none", node=node)
            return
        if ref.code in PRIMITIVES:
            self._primitive(item, sibling, node, ref, path, report, context)
            return
        if not isinstance(item, dict):
            report.add("json-type", path, f"not a {ref.code}", expected="an object", found=show(item), node=node)
            return
        if node.fixed is not MISSING and not equal(item, node.fixed):
            report.add(
                "fixed", path, "differs from the fixed value", expected=show(node.fixed), found=show(item), node=node
            )
        if node.pattern is not MISSING and not fits(item, node.pattern):
            values.pattern(item, node, path, report)
        if ref.code == "Resource" or ref.code in self.names:
            kind = item.get("resourceType")
            if ref.code != "Resource" and kind in self.names and ref.code not in self.schema.ancestors(kind):
                report.add(
                    "resource-type", path, f"a {kind} where a {ref.code} must stand", expected=ref.code, found=kind,
                    node=node,
                )  # fmt: skip
            contained = node.path.endswith(".contained")

            def inner(wanted: tuple[str, ...], into: Report) -> None:
                self.resource(item, path, into, outer=context, contained=contained, wanted=wanted)

            if len(ref.profiles) > 1:
                inner((), report)
                self._one_of(ref.profiles, lambda url, into: inner((url,), into), path, report, node)
            else:
                inner(ref.profiles, report)
            if node.kids and kind in self.names:
                self.walk(item, self.schema.table(node, kind), path, report, context)
            return
        values.bound(item, node, path, report)
        if ref.code == "Reference":
            values.reference(item, node, ref, path, report, context, self.schema)
        self.walk(item, self.schema.table(node, ref.code), path, report, context)
        profiles = ref.profiles if not node.kids else ()
        if len(profiles) > 1:
            self._one_of(
                profiles, lambda url, into: self._profiled(item, url, ref.code, path, into, context), path, report, node
            )  # fmt: skip
        elif profiles:
            self._profiled(item, profiles[0], ref.code, path, report, context)

    def _one_of(
        self, profiles: tuple[str, ...], judge: Callable[[str, Report], None], path: Path, report: Report, node: Node
    ) -> None:  # fmt: skip
        """A type with several profiles: the value holds to one of them (R4 ElementDefinition.type.profile)."""
        refused: UnsupportedError | None = None
        for url in profiles:
            alone = Report()
            try:
                judge(url, alone)
            except UnsupportedError as error:
                refused = refused or error
                continue
            if not alone.has_errors():
                return
        if refused is not None:
            raise refused
        report.add(
            "profile-none", path, "holds to none of the profiles that may stand here", expected=", ".join(profiles),
            node=node,
        )  # fmt: skip

    def _profiled(
        self, item: dict[str, Any], url: str, code: str, path: Path, report: Report, context: Context
    ) -> None:
        tree = self.schema.tree(url)
        if tree is None:
            report.add("profile-unknown", path, f"profile {url} is not known", found=url, hint="add its package")
            return
        before, report.profile = report.profile, url
        try:
            self.walk(item, self.schema.table(tree, code), path, report, context)
        finally:
            report.profile = before

    def _primitive(
        self, item: Any, sibling: Any, node: Node, ref: TypeRef, path: Path, report: Report, context: Context
    ) -> None:
        if item is not None:
            values.primitive(item, node, ref, path, report, context)
        elif node.binding is not None and node.binding.strength == "required":
            report.add("binding-required", path, "no code", expected="a code", node=node)
        if sibling is not None:
            if node.fixed is not MISSING and isinstance(sibling, dict) and "extension" in sibling:
                report.add("fixed", path.beside(), "extension beside a fixed value", expected="none", node=node)
            if not isinstance(sibling, dict):
                report.add(
                    "json-type",
                    path,
                    "not an object",
                    expected="an object with extensions",
                    found=show(sibling),
                    node=node,
                )
            else:
                table = self.schema.table(node, ref.code)
                self.walk(sibling, self.sibling_table(table), path.beside(), report, context, filled=item is not None)
        for constraint in node.constraints:
            self._invariant(constraint, item, sibling, ref.code, path, report, context, node)

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

    # extensions

    def _extension(
        self, item: dict[str, Any], node: Node, ref: TypeRef, found: Field, path: Path, report: Report,
        context: Context,
        table: Table,
    ) -> None:  # fmt: skip
        url = item.get("url")
        if node.max == 0:
            report.add(
                "cardinality-max",
                path,
                "this extension is not allowed here",
                expected="none",
                found=show(url),
                node=node,
            )
            return
        if not isinstance(url, str):
            self.walk(item, self.schema.table(found.node, "Extension"), path, report, context)
            return
        part = node is not found.node and bool(node.kids)
        if part:
            self.walk(item, self.schema.table(node, "Extension"), path, report, context)
        if part and not ref.profiles and extension_url(self.schema, node) == url:
            return  # a part of a complex extension, judged by its slice
        for profile in ref.profiles if len(ref.profiles) == 1 else (url,):
            tree = self._extension_tree(profile, url, path, report, table, node)
            if tree is None:
                if "extension" not in item:
                    self.walk(item, self.schema.table(found.node, "Extension"), path, report, context)
                continue
            values.placed(tree, self.schema, url, found.node.name, path, report, table)
            before, report.profile = report.profile, profile
            try:
                self.walk(item, self.schema.table(tree, "Extension"), path, report, context)
            finally:
                report.profile = before

    def _extension_tree(
        self, profile: str, url: str, path: Path, report: Report, table: Table, node: Node
    ) -> Node | None:
        if not values.absolute(url):
            inside = table.type == "Extension"
            options = [u for _, p in node.slices if (u := extension_url(self.schema, p))]
            report.add(
                "extension-unknown" if inside else "extension-relative", path,
                f"{url} is not a part of this extension" if inside else "extension url is not absolute",
                found=url, expected=", ".join(options) if inside else "an absolute URL", hint=near(url, options),
                node=node,
            )  # fmt: skip
            return None
        tree = self.schema.tree(profile)
        if tree is None or tree.path != "Extension":
            names = list(self.schema.catalogue.own["StructureDefinition"])
            report.add(
                "extension-unknown", path, f"extension {url} is not known", found=url, node=node,
                hint=near(url, names) or "add the package that defines it with --package",
            )  # fmt: skip
            return None
        return tree

    # invariants

    def rule(self, constraint: Constraint, type_name: str) -> Rule:
        """The evaluator of an invariant on values of a type, made once."""
        key = (constraint.expression, type_name)
        found = self._rules.get(key)
        if found is None:
            found = self._rules[key] = invariants.compiled(constraint, type_name, self._hooks())
        return found

    def _hooks(self) -> dict[str, Callable[..., Any]]:
        return values.hooks(self.schema)

    def _invariant(
        self, constraint: Constraint, value: Any, sibling: Any, type_name: str, path: Path, report: Report,
        context: Context, node: Node,
    ) -> None:  # fmt: skip
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
