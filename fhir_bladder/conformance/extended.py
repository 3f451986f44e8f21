"""Room `conformance`: the explainer on extensions. Belongs here: which definition judges one, where it may stand."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fhir_bladder.conformance.bundles import absolute
from fhir_bladder.conformance.definitions import BASE
from fhir_bladder.conformance.report import Path, Report, near, show
from fhir_bladder.conformance.schema import Field, Node, Schema, Table, TypeRef
from fhir_bladder.conformance.slicing import extension_url

if TYPE_CHECKING:
    from fhir_bladder.conformance.walk import Walk


def extension(
    walk: Walk, item: dict[str, Any], node: Node, ref: TypeRef, found: Field, path: Path, table: Table
) -> None:
    """One extension, at an element of `table`."""
    report, schema = walk.report, walk.schema
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
        walk.judge(item, schema.table(found.node, "Extension"), path)
        return
    part = node is not found.node and bool(node.kids)
    if part:
        walk.judge(item, schema.table(node, "Extension"), path)
    if part and not ref.profiles and extension_url(schema, node) == url:
        return  # a part of a complex extension, judged by its slice
    for profile in ref.profiles if len(ref.profiles) == 1 else (url,):
        tree = extension_tree(walk, profile, url, path, table, node)
        if tree is None:
            if "extension" not in item:
                walk.judge(item, schema.table(found.node, "Extension"), path)
            continue
        placed(tree, schema, url, found.node.name, path, report, table)
        before, report.profile = report.profile, profile
        try:
            walk.judge(item, schema.table(tree, "Extension"), path)
        finally:
            report.profile = before


def extension_tree(walk: Walk, profile: str, url: str, path: Path, table: Table, node: Node) -> Node | None:
    """The definition of an extension; None, with a finding, where there is none."""
    report, schema = walk.report, walk.schema
    if not absolute(url):
        inside = table.type == "Extension"
        options = [u for _, p in node.slices if (u := extension_url(schema, p))]
        report.add(
            "extension-unknown" if inside else "extension-relative", path,
            f"{url} is not a part of this extension" if inside else "extension url is not absolute",
            found=url, expected=", ".join(options) if inside else "an absolute URL", hint=near(url, options),
            node=node,
        )  # fmt: skip
        return None
    tree = schema.tree(profile)
    if tree is None or tree.path != "Extension":
        names = list(schema.catalogue.own["StructureDefinition"])
        report.add(
            "extension-unknown", path, f"extension {url} is not known", found=url, node=node,
            hint=near(url, names) or "add the package that defines it with --package",
        )  # fmt: skip
        return None
    return tree


def placed(tree: Node, schema: Schema, url: str, name: str, path: Path, report: Report, table: Table) -> None:
    """Whether an extension may stand here: its context, and modifier against plain."""
    if (name == "modifierExtension") != tree.modifier and name in ("extension", "modifierExtension"):
        right = "modifierExtension" if tree.modifier else "extension"
        report.add("extension-modifier", path, f"belongs in {right}", expected=right, found=name, node=tree)
    message = misplaced(schema, url, table, path.element().removesuffix(f".{name}"))
    if message:
        report.add(
            "extension-context",
            path,
            f"extension {url} may not stand here",
            expected=message,
            found=table.node.path,
            node=tree,
        )


def misplaced(schema: Schema, url: str, table: Table, element: str = "") -> str:
    """Empty where the extension may stand in an object of `table`, at the path `element`; otherwise where it may."""
    structure = schema.catalogue.structure(url)
    contexts = structure.get("context", ()) if structure is not None else ()
    if not contexts:
        return ""
    for entry in contexts:
        kind, expression = entry.get("type"), entry.get("expression", "")
        if kind == "element":
            plain = expression.removeprefix(BASE)
            if (
                plain in ("Element", "Any", "*")
                or plain in table.contexts
                or plain.rpartition("#")[2] in table.contexts
                or plain.replace("[x]", "") == element != ""
            ):
                return ""
        elif kind == "extension":
            if table.type == "Extension" and table.node.fixed_url in ("", expression):
                return ""
        else:
            return ""
    return ", ".join(e.get("expression", "") for e in contexts)
