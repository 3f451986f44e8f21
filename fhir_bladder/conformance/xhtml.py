"""Room `conformance`: the XHTML of narratives. Belongs here: what `Narrative.div` may hold.

Source: FHIR R4 narrative (2.4.0) with txt-1 and txt-2; element and attribute lists as there and in the reference
validator. Parsed by expat with document types and entities refused, so nothing is expanded or fetched.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import lru_cache
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
        self.images: list[str] = []
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
            if (
                key in ("href", "src")
                and _ACTIVE(value)
                and not (name == "img" and value.lstrip()[:11] == "data:image/")
            ):
                raise _Refused(f"active content in {key} of <{name}>")
        if "id" in attributes:
            if attributes["id"] in self.ids:
                raise _Refused(f"id {attributes['id']!r} stands twice")
            self.ids.add(attributes["id"])
        if name == "img":
            self.content = True
            self.images.append(attributes.get("src", ""))
        self.open.append(name)

    def end(self, name: str) -> None:
        self.open.pop()

    def text(self, data: str) -> None:
        if not self.content and data.strip():
            self.content = True


@lru_cache(maxsize=1024)
def problem(text: str) -> tuple[str, tuple[str, ...]]:
    """What is wrong with a narrative (empty: nothing), and the image sources that must resolve inside the resource."""
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
    return "", tuple(i[1:] for i in reader.images if i.startswith("#"))


def _no_doctype(*_: object) -> None:
    raise _Refused("a document type is not allowed")


def dangling(images: Iterable[str], contained: Iterable[str]) -> list[str]:
    """Image sources `#id` without a contained resource of that id."""
    have = set(contained)
    return [image for image in images if image not in have]
