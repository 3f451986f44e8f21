"""FHIR XML → FHIR JSON for the inputs the suite has as XML (R4, "XML representation of resources")."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from decimal import Decimal
from pathlib import Path
from typing import Any

from fhir_bladder.fhirpath import model

FHIR = "{http://hl7.org/fhir}"
XHTML = "{http://www.w3.org/1999/xhtml}"


def read(path: Path) -> Any:
    root = ElementTree.parse(path).getroot()
    return resource(root)


def resource(element: ElementTree.Element) -> dict[str, Any]:
    name = element.tag.removeprefix(FHIR)
    return {"resourceType": name, **content(element, name)}


def content(element: ElementTree.Element, type_name: str) -> dict[str, Any]:
    info = model.info(type_name)
    assert info is not None, type_name
    out: dict[str, Any] = {}
    for attribute in ("id", "url"):
        if attribute in element.attrib:
            out[attribute] = element.attrib[attribute]
    for child in element:
        if child.tag.startswith(XHTML):
            ElementTree.register_namespace("", XHTML[1:-1])
            out["div"] = ElementTree.tostring(child, encoding="unicode").strip()
            continue
        key = info.keys[child.tag.removeprefix(FHIR)]
        if key.primitive:
            _put(out, key, _value(child.get("value"), key.type), _sibling(child))
        elif key.type == "Resource":
            _put(out, key, resource(child[0]), None)
        else:
            _put(out, key, content(child, key.type), None)
    return out


def _sibling(child: ElementTree.Element) -> Any:
    inner = content(child, "Element")
    return inner or None


def _value(text: str | None, kind: str) -> Any:
    if text is None:
        return None
    if kind == "boolean":
        return text == "true"
    if kind == "decimal":
        return Decimal(text)
    return int(text) if kind in ("integer", "positiveInt", "unsignedInt") else text


def _put(out: dict[str, Any], key: model.Key, value: Any, sibling: Any) -> None:
    if not key.many:
        if value is not None:
            out[key.name] = value
        if sibling is not None:
            out["_" + key.name] = sibling
        return
    values = out.setdefault(key.name, [])
    values.append(value)
    if sibling is not None:
        others = out.setdefault("_" + key.name, [])
        others.extend([None] * (len(values) - 1 - len(others)))
        others.append(sibling)
