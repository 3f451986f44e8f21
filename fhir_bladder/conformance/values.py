"""Room `conformance`: judges values. Belongs here: primitives, patterns, datatypes with rules of their own."""

from __future__ import annotations

import base64
import binascii
import re
from typing import Any

from fhir_bladder.conformance import coded, primitives, xhtml
from fhir_bladder.conformance.bundles import absolute
from fhir_bladder.conformance.codes import language
from fhir_bladder.conformance.invariants import Context, many
from fhir_bladder.conformance.report import Path, Report, near, show
from fhir_bladder.conformance.schema import MISSING, Node, Schema, Table, TypeRef
from fhir_bladder.conformance.slicing import equal, fits

_DATES = frozenset({"date", "dateTime", "instant"})
_TEXTS = frozenset({"string", "markdown"})


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
        coded.code(item, node, path, report)
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


def typed(value: dict[str, Any], table: Table, path: Path, report: Report, schema: Schema) -> None:
    """Rules that belong to a datatype and that no invariant states."""
    kind = table.type
    if kind in ("Coding", *coded.QUANTITIES):
        system, code = value.get("system"), value.get("code")
        free = table.node.base_path != "CodeableConcept.coding" and not table.node.bound
        if free and coded.local_system(system, code):
            report.add(
                "system-relative", path.down("system", ".system"), "code system is not a full URI",
                expected="http://…, https://… or urn:…", found=str(system), node=table.node,
            )  # fmt: skip
        if code is not None and not coded.known_code(schema, system, code):
            found = schema.catalogue.system(str(system))
            report.add(
                "code-unknown", path.down("code", ".code"),
                f"{code} is not a code of {system}", found=str(code),
                hint=near(str(code), found.codes if found is not None else ()), node=table.node,
            )  # fmt: skip
    elif kind == "CodeableConcept":
        for number in coded.lacking_codes(schema, many(value.get("coding")), table.node):
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
    if isinstance(system, str) and not system.startswith((*coded.NAMESPACES, "ldap:")):
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
