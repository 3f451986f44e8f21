"""Room `conformance`: the XHTML of narratives. Belongs here: what `Narrative.div` may hold.

Source: FHIR R4 narrative (2.4.0) with txt-1 and txt-2; element and attribute lists as there and in the reference
validator. Parsed by expat with document types and entities refused, so nothing is expanded or fetched.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import lru_cache
from typing import Any
from xml.parsers import expat

NAMESPACE = "http://www.w3.org/1999/xhtml"
ELEMENTS = frozenset(
    [
        "p",
        "br",
        "div",
        "h1",
        "h2",
        "h3",
        "h4",
        "h5",
        "h6",
        "a",
        "span",
        "b",
        "em",
        "i",
        "strong",
        "small",
        "big",
        "tt",
        "dfn",
        "q",
        "var",
        "abbr",
        "acronym",
        "cite",
        "blockquote",
        "hr",
        "address",
        "bdo",
        "kbd",
        "sub",
        "sup",
        "ul",
        "ol",
        "li",
        "dl",
        "dt",
        "dd",
        "pre",
        "table",
        "caption",
        "colgroup",
        "col",
        "thead",
        "tr",
        "tfoot",
        "tbody",
        "th",
        "td",
        "code",
        "samp",
        "img",
        "map",
        "area",
    ]
)
ATTRIBUTES = frozenset(
    [
        "title",
        "style",
        "class",
        "id",
        "lang",
        "xml:lang",
        "dir",
        "accesskey",
        "tabindex",
        "span",
        "width",
        "align",
        "valign",
        "char",
        "charoff",
        "abbr",
        "axis",
        "headers",
        "scope",
        "rowspan",
        "colspan",
        "xmlns",
    ]
)
OWN = frozenset(
    [
        "a.href",
        "a.name",
        "img.src",
        "img.border",
        "blockquote.cite",
        "q.cite",
        "a.charset",
        "a.type",
        "a.hreflang",
        "a.rel",
        "a.rev",
        "a.shape",
        "a.coords",
        "img.alt",
        "img.longdesc",
        "img.height",
        "img.width",
        "img.usemap",
        "img.ismap",
        "map.name",
        "area.shape",
        "area.coords",
        "area.href",
        "area.nohref",
        "area.alt",
        "table.summary",
        "table.width",
        "table.border",
        "table.frame",
        "table.rules",
        "table.cellspacing",
        "table.cellpadding",
        "pre.space",
        "td.nowrap",
    ]
)
_BLOCK = frozenset(["div", "blockquote", "table", "ol", "ul", "p"])
_ACTIVE = re.compile(r"\s*(javascript|vbscript|data)\s*:", re.IGNORECASE).match


class _Refused(Exception):
    """Carries what is wrong."""


class _Reader:
    def __init__(self) -> None:
        self.open: list[str] = []
        self.content = False
        self.targets: list[str] = []
        self.ids: set[str] = set()

    def start(self, name: str, attributes: dict[str, str]) -> None:
        if not self.open:
            if name != "div":
                raise _Refused(f"starts with <{name}>, not with <div>")
            if attributes.get("xmlns") != NAMESPACE:
                raise _Refused(f'the <div> lacks xmlns="{NAMESPACE}"')
        elif attributes.get("xmlns", NAMESPACE) != NAMESPACE:
            raise _Refused(f"<{name}> is in another namespace")
        if name not in ELEMENTS:
            raise _Refused(f"element <{name}> is not allowed")
        if "p" in self.open and name in _BLOCK:
            raise _Refused(f"<{name}> inside <p>")
        for key, value in attributes.items():
            if key not in ATTRIBUTES and f"{name}.{key}" not in OWN:
                raise _Refused(f"attribute {key} on <{name}> is not allowed")
            if key in ("href", "src") and _ACTIVE(value) and not (name == "img" and value.lstrip()[:5] == "data:"):
                raise _Refused(f"active content in {key} of <{name}>")
        self.ids.update(attributes[key] for key in ("id", "name") if key in attributes)
        if name == "a" and attributes.get("href") == "":
            raise _Refused("link with an empty href")
        if name == "img":
            self.content = True
            self.targets.append("img" + attributes.get("src", ""))
        elif name == "a":
            self.targets.append("a" + attributes.get("href", ""))
        self.open.append(name)

    def end(self, name: str) -> None:
        self.open.pop()

    def text(self, data: str) -> None:
        if not self.content and data.strip():
            self.content = True


@lru_cache(maxsize=1024)
def problem(text: str) -> tuple[str, tuple[str, ...]]:
    """What is wrong with a narrative (empty: nothing), and what must resolve inside the resource.

    The latter as `img#id` for an image, which must be contained, and `a#id` for a link that leads to no id in the text.
    """
    reader = _Reader()
    parser = expat.ParserCreate()
    parser.StartElementHandler = reader.start
    parser.EndElementHandler = reader.end
    parser.CharacterDataHandler = reader.text
    parser.StartDoctypeDeclHandler = _no_doctype
    try:
        parser.Parse(text, True)
    except _Refused as error:
        return str(error), ()
    except expat.ExpatError as error:
        return f"is not well-formed XML: {expat.ErrorString(error.code)} (line {error.lineno})", ()
    if not reader.content:
        return "holds no text and no image (txt-2)", ()
    inside = {f"a#{ident}" for ident in reader.ids} | {"a#"}
    return "", tuple(t for t in reader.targets if t.startswith(("img#", "a#")) and t not in inside)


def _no_doctype(*_: object) -> None:
    raise _Refused("a document type is not allowed")


def dangling(targets: Iterable[str], contained: Iterable[str], root: Any) -> list[tuple[str, str]]:
    """(`img` or `a`, id) of images without a contained resource and of links without an element of that id."""
    have = set(contained)
    found = [(kind, ident) for kind, _, ident in (target.partition("#") for target in targets)]
    ids = _ids(root) if any(kind == "a" for kind, _ in found) else frozenset()
    return [(kind, ident) for kind, ident in found if ident not in have and not (kind == "a" and ident in ids)]


def _ids(value: Any) -> frozenset[str]:
    """Every `id` in a resource."""
    ids = set()
    stack = [value]
    while stack:
        item = stack.pop()
        if isinstance(item, dict):
            if isinstance(item.get("id"), str):
                ids.add(item["id"])
            stack.extend(item.values())
        elif isinstance(item, list):
            stack.extend(item)
    return frozenset(ids)
