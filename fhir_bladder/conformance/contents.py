"""Room `conformance`: the explainer on one value. Belongs here: what a value of a type must be, and its profiles."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from fhir_bladder.conformance import values
from fhir_bladder.conformance.invariants import Context
from fhir_bladder.conformance.report import Path, Report
from fhir_bladder.conformance.schema import MISSING, PRIMITIVES, Node, TypeRef
from fhir_bladder.conformance.slicing import equal, fits
from fhir_bladder.conformance.values import show
from fhir_bladder.errors import UnsupportedError

if TYPE_CHECKING:
    from fhir_bladder.conformance.explain import Explainer


def value(
    explainer: Explainer,
    item: Any,
    sibling: Any,
    node: Node,
    ref: TypeRef,
    path: Path,
    report: Report,
    context: Context,
) -> None:
    """One value: fixed, pattern, binding, target, children, profiles of its type."""
    if node.max == 0:
        report.add("cardinality-max", path, f"{node.name} is not allowed here", expected="none", node=node)
        return
    if ref.code in PRIMITIVES:
        primitive(explainer, item, sibling, node, ref, path, report, context)
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
    if ref.code == "Resource" or ref.code in explainer.names:
        kind = item.get("resourceType")
        if ref.code != "Resource" and kind in explainer.names and ref.code not in explainer.schema.ancestors(kind):
            report.add(
                "resource-type", path, f"a {kind} where a {ref.code} must stand", expected=ref.code, found=kind,
                node=node,
            )  # fmt: skip
        contained = node.path.endswith(".contained")

        def inner(wanted: tuple[str, ...], into: Report) -> None:
            explainer.resource(item, path, into, outer=context, contained=contained, wanted=wanted)

        if len(ref.profiles) > 1:
            inner((), report)
            one_of(ref.profiles, lambda url, into: inner((url,), into), path, report, node)
        else:
            inner(ref.profiles, report)
        if node.kids and kind in explainer.names:
            explainer.walk(item, explainer.schema.table(node, kind), path, report, context)
        return
    values.bound(item, node, path, report)
    if ref.code == "Reference":
        values.reference(item, node, ref, path, report, context, explainer.schema)
    explainer.walk(item, explainer.schema.table(node, ref.code), path, report, context)
    profiles = ref.profiles if not node.kids else ()
    if len(profiles) > 1:
        one_of(
            profiles,
            lambda url, into: profiled(explainer, item, url, ref.code, path, into, context),
            path,
            report,
            node,
        )
    elif profiles:
        profiled(explainer, item, profiles[0], ref.code, path, report, context)


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


def profiled(
    explainer: Explainer, item: dict[str, Any], url: str, code: str, path: Path, report: Report, context: Context
) -> None:
    """A value against one profile of its type."""
    tree = explainer.schema.tree(url)
    if tree is None:
        report.add("profile-unknown", path, f"profile {url} is not known", found=url, hint="add its package")
        return
    before, report.profile = report.profile, url
    try:
        explainer.walk(item, explainer.schema.table(tree, code), path, report, context)
    finally:
        report.profile = before


def primitive(
    explainer: Explainer,
    item: Any,
    sibling: Any,
    node: Node,
    ref: TypeRef,
    path: Path,
    report: Report,
    context: Context,
) -> None:
    """A primitive and the object beside it."""
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
            table = explainer.schema.table(node, ref.code)
            explainer.walk(
                sibling, explainer.sibling_table(table), path.beside(), report, context, filled=item is not None
            )
    for constraint in node.constraints:
        explainer.invariant(constraint, item, sibling, ref.code, path, report, context, node)
