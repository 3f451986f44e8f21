"""Room `conformance`: the explainer on one value. Belongs here: what a value of a type must be, and its profiles."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from fhir_bladder.conformance import coded, references, values
from fhir_bladder.conformance.report import Path, Report, show
from fhir_bladder.conformance.schema import MISSING, PRIMITIVES, Node, TypeRef
from fhir_bladder.conformance.slicing import equal, fits
from fhir_bladder.errors import UnsupportedError

if TYPE_CHECKING:
    from fhir_bladder.conformance.walk import Walk


def value(walk: Walk, item: Any, sibling: Any, node: Node, ref: TypeRef, path: Path) -> None:
    """One value: fixed, pattern, binding, target, children, profiles of its type."""
    report, schema, names = walk.report, walk.schema, walk.explainer.names
    if node.max == 0:
        report.add("cardinality-max", path, f"{node.name} is not allowed here", expected="none", node=node)
        return
    if ref.code in PRIMITIVES:
        primitive(walk, item, sibling, node, ref, path)
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
    if ref.code == "Resource" or ref.code in names:
        kind = item.get("resourceType")
        if ref.code != "Resource" and kind in names and ref.code not in schema.ancestors(kind):
            report.add(
                "resource-type", path, f"a {kind} where a {ref.code} must stand", expected=ref.code, found=kind,
                node=node,
            )  # fmt: skip
        contained = node.path.endswith(".contained")

        def inner(wanted: tuple[str, ...], into: Report) -> None:
            walk.explainer.resource(item, path, into, outer=walk.context, contained=contained, wanted=wanted)

        if len(ref.profiles) > 1:
            inner((), report)
            one_of(ref.profiles, lambda url, into: inner((url,), into), path, report, node)
        else:
            inner(ref.profiles, report)
        if node.kids and kind in names:
            walk.judge(item, schema.table(node, kind), path)
        return
    coded.bound(item, node, path, report)
    if ref.code == "Reference":
        references.judge(item, node, ref, path, report, walk.context, schema)
    walk.judge(item, schema.table(node, ref.code), path)
    profiles = ref.profiles if not node.kids else ()
    if len(profiles) > 1:
        one_of(profiles, lambda url, into: profiled(walk.into(into), item, url, ref.code, path), path, report, node)
    elif profiles:
        profiled(walk, item, profiles[0], ref.code, path)


def one_of(
    profiles: tuple[str, ...], judge: Callable[[str, Report], None], path: Path, report: Report, node: Node
) -> None:
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


def profiled(walk: Walk, item: dict[str, Any], url: str, code: str, path: Path) -> None:
    """A value against one profile of its type."""
    report = walk.report
    tree = walk.schema.tree(url)
    if tree is None:
        report.add("profile-unknown", path, f"profile {url} is not known", found=url, hint="add its package")
        return
    before, report.profile = report.profile, url
    try:
        walk.judge(item, walk.schema.table(tree, code), path)
    finally:
        report.profile = before


def primitive(walk: Walk, item: Any, sibling: Any, node: Node, ref: TypeRef, path: Path) -> None:
    """A primitive and the object beside it."""
    report = walk.report
    if item is not None:
        values.primitive(item, node, ref, path, report, walk.context)
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
            table = walk.explainer.sibling_table(walk.schema.table(node, ref.code))
            walk.judge(sibling, table, path.beside(), filled=item is not None)
    for constraint in node.constraints:
        walk.invariant(constraint, item, sibling, ref.code, path, node)
