"""Room `fhirpath`: functions FHIR and SQL on FHIR add. Source: R4 "Using FHIRPath in FHIR", SQL on FHIR v2."""

from __future__ import annotations

import re
from typing import Any

from fhir_bladder.fhirpath import model, temporal
from fhir_bladder.fhirpath.context import Context, Items, single, text
from fhir_bladder.fhirpath.nodes import Node, child, type_of, typed
from fhir_bladder.fhirpath.problems import EvaluationError
from fhir_bladder.fhirpath.registry import function

_REFERENCE = re.compile(
    r"(?:.*/)?(?P<type>[A-Z][A-Za-z]+)/(?P<id>[A-Za-z0-9\-.]{1,64})(?:/_history/[^/]+)?\Z", re.ASCII
)


@function("extension", 1)
def _extension(_: Context, items: Items, url: Items) -> Items:
    wanted = text(url, "extension()")
    found: Items = []
    for item in items:
        if isinstance(item, Node):
            child(item, "extension", found)
    return [item for item in found if isinstance(item.value, dict) and item.value.get("url") == wanted]


def _has_value(items: Items) -> bool:
    if len(items) != 1:
        return False
    item = items[0]
    if isinstance(item, Node):
        return item.value is not None and not isinstance(item.value, dict | list)
    return True


@function("hasValue")
def _has_value_function(_: Context, items: Items) -> Items:
    return [_has_value(items)]


@function("getValue")
def _get_value(_: Context, items: Items) -> Items:
    return [single(items, "getValue()")] if _has_value(items) else []


@function("type")
def _type(_: Context, items: Items) -> Items:
    out: Items = []
    for item in items:
        namespace, name = type_of(item)
        info = model.info(name) if namespace == "FHIR" and "." in name else None
        out.append(Node({"namespace": namespace, "name": info.base if info else name}, ""))
    return out


@function("resolve")
def _resolve(context: Context, items: Items) -> Items:
    out: Items = []
    for item in items:
        link = _link(item)
        found = _target(context, link) if link else None
        if found is not None:
            out.append(found)
    return out


def _link(item: Any) -> str | None:
    value = item.value if isinstance(item, Node) else item
    if isinstance(value, dict):
        value = value.get("reference")
    return value if isinstance(value, str) else None


def _target(context: Context, link: str) -> Node | None:
    """The resource a reference names: contained, in the Bundle at the root, or by the caller's resolver."""
    root = context.root.value
    if not isinstance(root, dict):
        return None
    if link.startswith("#"):
        if link == "#":
            return context.root
        for holder in (context.resource.value, root):
            contained = holder.get("contained") if isinstance(holder, dict) else None
            for one in contained if isinstance(contained, list) else ():
                if isinstance(one, dict) and one.get("id") == link[1:]:
                    return typed(one)
        return None
    if root.get("resourceType") == "Bundle":
        for entry in root.get("entry") or ():
            if isinstance(entry, dict) and _names(entry, link):
                return typed(entry["resource"])
    return context.resolver(link) if context.resolver else None


def _names(entry: dict[str, Any], link: str) -> bool:
    """Whether an entry is what the link means: its fullUrl, or the fullUrl ends with the relative reference."""
    url, resource = entry.get("fullUrl"), entry.get("resource")
    if not isinstance(resource, dict):
        return False
    if isinstance(url, str):
        return url == link or (":" not in link and url.endswith("/" + link))
    return f"{resource.get('resourceType')}/{resource.get('id')}" == link


@function("getResourceKey")
def _get_resource_key(_: Context, items: Items) -> Items:
    out: Items = []
    for item in items:
        if isinstance(item, Node) and isinstance(item.value, dict) and isinstance(item.value.get("id"), str):
            out.append(item.value["id"])
    return out


@function("getReferenceKey", 0, 1)
def _get_reference_key(_: Context, items: Items, kind: Items | None = None) -> Items:
    wanted = None if kind is None else text(kind, "getReferenceKey()")
    out: Items = []
    for item in items:
        match = _REFERENCE.match(_link(item) or "")
        if match and wanted in (None, match["type"]):
            out.append(match["id"])
    return out


@function("now")
def _now(context: Context, _: Items) -> Items:
    return [temporal.now(context.now())]


@function("today")
def _today(context: Context, _: Items) -> Items:
    return [temporal.parse_date(context.now().date().isoformat())]


@function("timeOfDay")
def _time_of_day(context: Context, _: Items) -> Items:
    return [temporal.parse_time(context.now().time().isoformat("milliseconds"))]


def hook(name: str) -> Any:
    """A function the caller brings (`memberOf`, `htmlChecks`): called with the plain input and argument values."""

    def run(context: Context, items: Items, *args: Items) -> Items:
        if not items:
            return []
        if len(items) > 1:
            raise EvaluationError(f"{len(items)} items where {name}() asks one")
        values = [single(arg, f"{name}()") for arg in args]
        result = context.hooks[name](items[0], *values)
        return [] if result is None else [result]

    return run
