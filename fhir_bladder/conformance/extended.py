"""Room `conformance`: the explainer on extensions. Belongs here: which definition judges one, where it may stand."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fhir_bladder.conformance import values
from fhir_bladder.conformance.invariants import Context
from fhir_bladder.conformance.report import Path, Report, near
from fhir_bladder.conformance.schema import Field, Node, Table, TypeRef
from fhir_bladder.conformance.slicing import extension_url
from fhir_bladder.conformance.values import show

if TYPE_CHECKING:
    from fhir_bladder.conformance.explain import Explainer


def extension(
    explainer: Explainer, item: dict[str, Any], node: Node, ref: TypeRef, found: Field, path: Path, report: Report,
    context: Context,
    table: Table,
) -> None:  # fmt: skip
    """One extension, at an element of `table`."""
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
        explainer.walk(item, explainer.schema.table(found.node, "Extension"), path, report, context)
        return
    part = node is not found.node and bool(node.kids)
    if part:
        explainer.walk(item, explainer.schema.table(node, "Extension"), path, report, context)
    if part and not ref.profiles and extension_url(explainer.schema, node) == url:
        return  # a part of a complex extension, judged by its slice
    for profile in ref.profiles if len(ref.profiles) == 1 else (url,):
        tree = extension_tree(explainer, profile, url, path, report, table, node)
        if tree is None:
            if "extension" not in item:
                explainer.walk(item, explainer.schema.table(found.node, "Extension"), path, report, context)
            continue
        values.placed(tree, explainer.schema, url, found.node.name, path, report, table)
        before, report.profile = report.profile, profile
        try:
            explainer.walk(item, explainer.schema.table(tree, "Extension"), path, report, context)
        finally:
            report.profile = before


def extension_tree(
    explainer: Explainer, profile: str, url: str, path: Path, report: Report, table: Table, node: Node
) -> Node | None:
    """The definition of an extension; None, with a finding, where there is none."""
    if not values.absolute(url):
        inside = table.type == "Extension"
        options = [u for _, p in node.slices if (u := extension_url(explainer.schema, p))]
        report.add(
            "extension-unknown" if inside else "extension-relative", path,
            f"{url} is not a part of this extension" if inside else "extension url is not absolute",
            found=url, expected=", ".join(options) if inside else "an absolute URL", hint=near(url, options),
            node=node,
        )  # fmt: skip
        return None
    tree = explainer.schema.tree(profile)
    if tree is None or tree.path != "Extension":
        names = list(explainer.schema.catalogue.own["StructureDefinition"])
        report.add(
            "extension-unknown", path, f"extension {url} is not known", found=url, node=node,
            hint=near(url, names) or "add the package that defines it with --package",
        )  # fmt: skip
        return None
    return tree
