"""Room `conformance`: judges codes. Belongs here: bindings, code systems known here, what FHIRPath asks of them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from fhir_bladder.conformance import xhtml
from fhir_bladder.conformance.codes import UCUM, ValueSet
from fhir_bladder.conformance.report import Path, Report, near
from fhir_bladder.conformance.schema import Node, Schema
from fhir_bladder.conformance.slicing import codings

NAMESPACES = ("http:", "https:", "urn:")
"""How the URI of a code system or an identifier's namespace may begin, as in the reference validator."""
QUANTITIES = frozenset({"Quantity", "Age", "Count", "Distance", "Duration", "MoneyQuantity", "SimpleQuantity"})


def code(item: Any, node: Node, path: Path, report: Report) -> None:
    """Binding of a code that is a primitive."""
    binding = node.binding
    if binding is None or not isinstance(item, str):
        return
    if binding.value_set is None:
        if binding.strength == "required":
            report.add("binding-unknown", path, f"value set {binding.url} is not known", severity="warning", node=node)
        return
    inside = binding.value_set.has(None, item)
    if inside is not False:
        if inside is None and binding.strength == "required":
            _undecided(item, node, path, report)
        return
    listed = sorted(binding.value_set.listed() or ())
    report.add(
        "binding-required" if binding.strength == "required" else "binding-extensible",
        path, f"{item} is not in the value set", severity="error" if binding.strength == "required" else "warning",
        expected=", ".join(listed) if 0 < len(listed) <= 12 else f"a code of {binding.url}", found=item, node=node,
        hint=near(item, listed),
    )  # fmt: skip


def _undecided(found: str, node: Node, path: Path, report: Report) -> None:
    """A required binding whose value set is not all here: a filter, or a code system nobody gave."""
    assert node.binding is not None
    report.add(
        "binding-undecided", path, f"value set {node.binding.url} cannot be listed here, so the code is not checked",
        severity="warning", found=found, node=node, hint="give a package with its expansion or its code systems",
    )  # fmt: skip


def bound(item: dict[str, Any], node: Node, path: Path, report: Report) -> None:
    """Bindings of Coding and CodeableConcept."""
    binding = node.binding
    if binding is None:
        return
    required = binding.strength == "required"
    if binding.value_set is None:
        if required:
            report.add("binding-unknown", path, f"value set {binding.url} is not known", severity="warning", node=node)
        return
    if any(t.code in QUANTITIES for t in node.types) and not required:
        return
    pairs = list(codings(item))
    if member(binding.value_set, pairs) or not (pairs or required):
        if required and not any(binding.value_set.has(system, code) for system, code in pairs):
            _undecided(", ".join(f"{s}|{c}" for s, c in pairs), node, path, report)
        return
    listed = sorted(binding.value_set.listed() or ())
    what = "none of the codes is in the value set" if pairs else "no code"
    report.add(
        "binding-required" if required else "binding-extensible", path, what,
        severity="error" if required else "warning", node=node,
        expected=f"one of {', '.join(listed)} ({binding.url})" if 0 < len(listed) <= 12 else f"a code of {binding.url}",
        found=", ".join(f"{s}|{c}" for s, c in pairs), hint=near(pairs[0][1], listed) if pairs else "",
    )  # fmt: skip


def member(value_set: ValueSet, pairs: list[tuple[str | None, str]]) -> bool:
    """Whether one of the codes is in the set, or cannot be said not to be."""
    return any(value_set.has(system, code) is not False for system, code in pairs)


def known_code(schema: Schema, system: Any, code: Any) -> bool:
    """False where the system is known here, complete, and has no such code."""
    if not isinstance(system, str) or not isinstance(code, str | None):
        return True
    if code is None:
        found = schema.catalogue.system(system)
        return found is None or not found.complete
    if system == UCUM:
        return schema.catalogue.unit(code)
    found = schema.catalogue.system(system)
    return found is None or found.has(code) is not False


def local_system(system: Any, code: Any) -> bool:
    """Whether a code's system is a text that can name none: no URL and no URN."""
    return isinstance(system, str) and code is not None and not system.startswith(NAMESPACES)


def lacking_codes(schema: Schema, items: list[Any], node: Node) -> list[int]:
    """Numbers of the codings of a concept that name a known system and no code, unless another coding is good.

    As the reference validator: good is a code of a known system; where nothing is bound, any other system will do.
    """
    lacking = [
        number
        for number, coding in enumerate(items)
        if isinstance(coding, dict) and "code" not in coding and not known_code(schema, coding.get("system"), None)
    ]
    if not lacking:
        return []
    for number, coding in enumerate(items):
        system = coding.get("system") if isinstance(coding, dict) else None
        if number in lacking or not isinstance(system, str):
            continue
        known = schema.catalogue.system(system)
        code = coding.get("code")
        if known.has(code) if known is not None and isinstance(code, str) else not node.bound:
            return []
    return lacking


# FHIRPath functions that need terminology


def hooks(schema: Schema) -> dict[str, Callable[..., Any]]:
    """`memberOf` and `htmlChecks` for the room `fhirpath`."""

    def member_of(item: Any, url: str) -> bool | None:
        value = getattr(item, "value", item)
        found = schema.catalogue.value_set(url)
        if found is None:
            return None
        answers = [found.has(system, code) for system, code in codings(value)]
        return True if True in answers else None if None in answers else False

    def html_checks(item: Any) -> bool:
        value = getattr(item, "value", item)
        return isinstance(value, str) and not xhtml.problem(value)[0]

    return {"memberOf": member_of, "htmlChecks": html_checks}
