"""Room `conformance`: judges values. Belongs here: primitives, bindings, references, codes, places of extensions."""

from __future__ import annotations

import base64
import binascii
import re
from collections.abc import Callable
from typing import Any

from fhir_bladder.conformance import primitives, xhtml
from fhir_bladder.conformance.bundles import absolute, restful
from fhir_bladder.conformance.codes import UCUM, ValueSet, language
from fhir_bladder.conformance.invariants import Context, many
from fhir_bladder.conformance.report import Path, Report, near
from fhir_bladder.conformance.schema import MISSING, Node, Schema, Table, TypeRef
from fhir_bladder.conformance.slicing import codings, equal, fits

NAMESPACES = ("http:", "https:", "urn:")
"""How the URI of a code system or an identifier's namespace may begin, as in the reference validator."""
QUANTITIES = frozenset({"Quantity", "Age", "Count", "Distance", "Duration", "MoneyQuantity", "SimpleQuantity"})
_BASE = "http://hl7.org/fhir/StructureDefinition/"
form = re.compile(r"#\S*|urn:(uuid|oid):\S+|[A-Za-z][A-Za-z0-9+.\-]*://\S+").fullmatch
_INNER_URL = re.compile(r"[A-Z][A-Za-z]+/(https?://)").match
_BLANK = re.compile(r"\s").search
_DATES = frozenset({"date", "dateTime", "instant"})
_TEXTS = frozenset({"string", "markdown"})

__all__ = ["absolute"]


def show(value: Any) -> str:
    """A value in a few characters, as JSON."""
    from fhir_bladder import wire

    text = wire.dumps(value).decode("utf-8", "replace")
    return text if len(text) <= 120 else text[:117] + "…"


def claimed_profiles(resource: dict[str, Any]) -> list[str]:
    """The profiles a resource claims in `meta.profile`."""
    meta = resource.get("meta")
    found = meta.get("profile") if isinstance(meta, dict) else None
    return [url for url in found if isinstance(url, str)] if isinstance(found, list) else []


def labels(resource: dict[str, Any], path: Path, report: Report) -> None:
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


def slice_hint(piece: Node) -> str:
    """What an instance must carry to be counted in a slice, in words."""
    for kid in piece.kids.values():
        want = kid.pattern if kid.pattern is not MISSING else kid.fixed
        if want is not MISSING:
            return f"add one with {kid.name} {show(want)}"
    return ""


def pattern(item: Any, node: Node, path: Path, report: Report) -> None:
    """A value that does not hold to its pattern, with the first part that differs."""
    report.add(
        "pattern", path, "does not hold to the pattern", expected=show(node.pattern), found=show(item), node=node,
        hint=_first_difference(item, node.pattern),
    )  # fmt: skip


def _first_difference(have: Any, want: Any) -> str:
    if isinstance(want, dict) and isinstance(have, dict):
        for key, part in want.items():
            if key not in have:
                return f"{key} is missing: {show(part)}"
            if not fits(have[key], part):
                return (
                    _first_difference(have[key], part)
                    if isinstance(part, dict)
                    else f"{key}: did you mean {show(part)}?"
                )
    return ""


def primitive(item: Any, node: Node, ref: TypeRef, path: Path, report: Report, context: Context) -> None:
    """Judge one primitive: JSON kind, form, fixed value, range, length, binding, tidiness."""
    code = ref.code
    if not primitives.valid(code, item):
        _invalid(item, code, node, path, report)
        return
    if node.fixed is not MISSING and not equal(item, node.fixed):
        report.add(
            "fixed", path, "differs from the fixed value", expected=show(node.fixed), found=show(item), node=node,
            hint=f"did you mean {show(node.fixed)}?",
        )  # fmt: skip
    if node.pattern is not MISSING and not fits(item, node.pattern):
        pattern(item, node, path, report)
    if node.max_length is not None and isinstance(item, str) and len(item) > node.max_length:
        report.add(
            "max-length",
            path,
            "too long",
            expected=f"at most {node.max_length} characters",
            found=str(len(item)),
            node=node,
        )
    _range(item, node, path, report)
    if node.binding is not None:
        _code(item, node, path, report)
    if node.language and not language(item):
        report.add(
            "language-form", path, "not a language tag", expected="a BCP 47 tag such as en-GB", found=item, node=node
        )
    if code in _TEXTS:
        if primitives.untidy(item):
            report.add(
                "text-untidy",
                path,
                "blanks at an end, or control characters",
                severity="warning",
                found=show(item),
                node=node,
            )
    elif code in _DATES:
        if primitives.odd_year(item):
            report.add("date-unlikely", path, "year outside 1900 to 2100", severity="warning", found=item, node=node)
    elif code == "xhtml":
        message, targets = xhtml.problem(item)
        if message:
            report.add("narrative", path, f"narrative {message}", expected=primitives.EXPECTED["xhtml"], node=node)
        for kind, ident in xhtml.dangling(targets, context.contained, context.root):
            if kind == "img":
                message = f"image source #{ident} is not a contained resource"
                report.add("narrative-image", path, message, found=ident, node=node)
            else:
                report.add("narrative-link", path, f"link to #{ident} leads nowhere", found=ident, node=node)


def _invalid(item: Any, code: str, node: Node, path: Path, report: Report) -> None:
    kind = primitives.json_kind(code)
    have = {bool: "boolean", str: "string", dict: "object", list: "array"}.get(type(item), "number")
    expected = primitives.EXPECTED[code]
    if have != kind:
        hint = ""
        if kind == "number" and isinstance(item, str):
            hint = "write the number without quotes"
        elif kind == "string" and have == "number":
            hint = "put it in quotes"
        report.add(
            "json-type",
            path,
            f"a {have} where {code} is a {kind}",
            expected=expected,
            found=show(item),
            node=node,
            hint=hint,
        )
        return
    hint = ""
    if code in ("dateTime", "instant") and isinstance(item, str):
        if re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d(:\d\d(\.\d+)?)?", item):
            hint = "a time needs seconds and a zone, such as +01:00 or Z"
        elif code == "instant" and primitives.DATE(item):
            hint = "an instant needs date, time and zone"
    if item == "":
        hint = "leave the element out"
    report.add("primitive-form", path, f"not a valid {code}", expected=expected, found=show(item), node=node, hint=hint)


def _range(item: Any, node: Node, path: Path, report: Report) -> None:
    for bound, name, below in ((node.min_value, "minimum", True), (node.max_value, "maximum", False)):
        if bound is None or isinstance(bound, dict):
            continue
        try:
            out = item < bound if below else item > bound
        except TypeError:
            continue
        if out:
            report.add(
                "value-range",
                path,
                f"{'below' if below else 'above'} the {name}",
                expected=show(bound),
                found=show(item),
                node=node,
            )


def _code(item: Any, node: Node, path: Path, report: Report) -> None:
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


def typed(value: dict[str, Any], table: Table, path: Path, report: Report, schema: Schema) -> None:
    """Rules that belong to a datatype and that no invariant states."""
    kind = table.type
    if kind in ("Coding", *QUANTITIES):
        system, code = value.get("system"), value.get("code")
        if local_system(system, code) and table.node.base_path != "CodeableConcept.coding" and not table.node.bound:
            report.add(
                "system-relative", path.down("system", ".system"), "code system is not a full URI",
                expected="http://…, https://… or urn:…", found=str(system), node=table.node,
            )  # fmt: skip
        if code is not None and not known_code(schema, system, code):
            found = schema.catalogue.system(str(system))
            report.add(
                "code-unknown", path.down("code", ".code"),
                f"{code} is not a code of {system}", found=str(code),
                hint=near(str(code), found.codes if found is not None else ()), node=table.node,
            )  # fmt: skip
    elif kind == "CodeableConcept":
        for number in lacking_codes(schema, many(value.get("coding")), table.node):
            place = path.down("coding", ".coding").at(number)
            system = value["coding"][number]["system"]
            report.add("code-missing", place, f"{system} without a code", expected="a code", node=table.node)
    elif kind == "Identifier":
        _identifier(value, path, report)
    elif kind == "Attachment":
        _attachment(value, path, report)


def identifier_problem(value: dict[str, Any]) -> str:
    """`system` or `value` where that part of an Identifier is not as it must be; empty where nothing is wrong.

    A system is "a URL that describes a set of values" (R4 Identifier.system); an address such as `mailto:` is none.
    """
    system, text = value.get("system"), value.get("value")
    if isinstance(system, str) and not system.startswith((*NAMESPACES, "ldap:")):
        return "system"
    return "value" if system == "urn:ietf:rfc:3986" and isinstance(text, str) and not absolute(text) else ""


def _identifier(value: dict[str, Any], path: Path, report: Report) -> None:
    part = identifier_problem(value)
    if part:
        report.add(
            "identifier-uri", path.down(part, f".{part}"), f"identifier {part} is not a full URI",
            expected="a URI with a scheme" if part == "value" else "http://…, https://… or urn:…", found=value[part],
        )  # fmt: skip


def attachment_problem(value: dict[str, Any]) -> str:
    """What is wrong between the parts of an Attachment; empty where nothing is."""
    data, size = value.get("data"), value.get("size")
    if not isinstance(data, str):
        return ""
    try:
        content = base64.b64decode(data, validate=True)
    except (binascii.Error, ValueError):
        return "data is not plain base64"
    if type(size) is int and size != len(content):
        return f"size says {size}, data holds {len(content)} bytes"
    return ""


def _attachment(value: dict[str, Any], path: Path, report: Report) -> None:
    problem = attachment_problem(value)
    if problem:
        report.add("attachment", path.down("data", ".data"), problem)


# references


def target_types(schema: Schema, ref: TypeRef) -> dict[str, list[str]]:
    """Allowed resource types with the profiles asked of each (empty: any of the type); empty dict: anything goes."""
    found = schema.targets.get(ref.targets)
    if found is None:
        found = schema.targets[ref.targets] = _target_types(schema, ref)
    return found


def _target_types(schema: Schema, ref: TypeRef) -> dict[str, list[str]]:
    result: dict[str, list[str]] = {}
    for url in ref.targets:
        name = url.removeprefix(_BASE).partition("|")[0]
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


def reference(
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


# extensions


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
            plain = expression.removeprefix(_BASE)
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
