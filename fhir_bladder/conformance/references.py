"""Room `conformance`: judges references. Belongs here: where one leads, and where it may lead."""

from __future__ import annotations

import re
from typing import Any

from fhir_bladder.conformance.bundles import absolute, restful
from fhir_bladder.conformance.definitions import BASE
from fhir_bladder.conformance.invariants import Context
from fhir_bladder.conformance.report import Path, Report, near
from fhir_bladder.conformance.schema import Node, Schema, TypeRef

form = re.compile(r"#\S*|urn:(uuid|oid):\S+|[A-Za-z][A-Za-z0-9+.\-]*://\S+").fullmatch
_INNER_URL = re.compile(r"[A-Z][A-Za-z]+/(https?://)").match
_BLANK = re.compile(r"\s").search


def target_types(schema: Schema, ref: TypeRef) -> dict[str, list[str]]:
    """Allowed resource types with the profiles asked of each (empty: any of the type); empty dict: anything goes."""
    found = schema.targets.get(ref.targets)
    if found is None:
        found = schema.targets[ref.targets] = _target_types(schema, ref)
    return found


def _target_types(schema: Schema, ref: TypeRef) -> dict[str, list[str]]:
    result: dict[str, list[str]] = {}
    for url in ref.targets:
        name = url.removeprefix(BASE).partition("|")[0]
        if name in ("Resource", "DomainResource"):
            return {}
        if schema.catalogue.base.kind(name) == "resource":
            result[name] = []
            continue
        tree = schema.tree(url)
        if tree is None:
            return {}
        if result.get(tree.path) != []:
            result.setdefault(tree.path, []).append(url)
    return result


def judge(
    item: dict[str, Any], node: Node, ref: TypeRef, path: Path, report: Report, context: Context, schema: Schema
) -> None:
    """Where a reference leads and whether it may lead there."""
    link = item.get("reference")
    stated = item.get("type")
    if isinstance(stated, str) and schema.catalogue.base.kind(stated) != "resource":
        report.add(
            "reference-type", path.down("type", ".type"), f"{stated} is not a resource type", found=stated, node=node,
            hint=near(stated, schema.catalogue.base.resource_types()),
        )  # fmt: skip
    if not isinstance(link, str) or not link:
        return
    if _BLANK(link):
        report.add(
            "reference-blank", path, "blank in a reference", expected="a URL without blanks", found=link, node=node
        )
        return
    allowed = target_types(schema, ref)
    target = resolve(link, context)
    kind: str | None
    if target is not None:
        kind = str(target.get("resourceType"))
    else:
        parts = restful(link) or restful(_inner_url(link))
        kind = parts[1] if parts is not None and schema.catalogue.base.kind(parts[1]) == "resource" else None
        if link.startswith("#"):
            report.add(
                "ref-1", path, "ref-1: no contained resource of that id", found=link, node=node,
                expected=", ".join(f"#{ident}" for ident in context.contained), hint=near(link[1:], context.contained),
            )  # fmt: skip
        elif kind is None and form(link) is None:
            inside = context.bundle is not None and "?" not in link and not absolute(link)
            report.add(
                "reference-form", path, "does not look like a reference", severity="error" if inside else "warning",
                expected="Type/id, an absolute URL, or a search", found=link, node=node,
            )  # fmt: skip
        elif context.bundle is not None and link.startswith("urn:"):
            report.add("reference-dangling", path, "not in the Bundle", severity="warning", found=link, node=node)
    if kind is None:
        if isinstance(stated, str) and allowed and stated not in allowed:
            report.add(
                "reference-target", path, f"may not refer to {stated}", expected=", ".join(sorted(allowed)),
                found=stated,
                node=node,
            )  # fmt: skip
        return
    if allowed and kind not in allowed:
        report.add(
            "reference-target",
            path,
            f"may not refer to {kind}",
            expected=", ".join(sorted(allowed)),
            found=link,
            node=node,
        )
    elif isinstance(stated, str) and stated != kind:
        report.add("reference-type", path, "type and reference differ", expected=str(kind), found=stated, node=node)


def _inner_url(link: str) -> str:
    """The URL that stands, by mistake, behind the start of a relative reference; empty for others."""
    return link[found.start(1) :] if (found := _INNER_URL(link)) is not None else ""


def resolve(link: str, context: Context) -> dict[str, Any] | None:
    """The resource a reference means, inside its container or Bundle."""
    if link == "#":
        return context.root if context.resource is not context.root else None
    if link.startswith("#"):
        return context.contained.get(link[1:])
    found = context.bundle.find(link) if context.bundle is not None else None
    return found if isinstance(found, dict) else None
