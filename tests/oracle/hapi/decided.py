"""Differences that the standard decides for us, each with its rule.

A difference listed here does not count against the agreement, and is still printed and counted by name.
"""

from __future__ import annotations

import re
from dataclasses import dataclass


@dataclass(frozen=True)
class Decision:
    """`kind` and `id`: which way the two differ and what the rejecting side says; `data`, `words`: patterns."""

    kind: str
    id: str
    data: str
    rule: str
    words: str = ""

    def fits(self, kind: str, found: str, data: bytes, words: str) -> bool:
        return (
            (kind, found) == (self.kind, self.id)
            and re.search(self.data, data.decode(errors="replace")) is not None
            and re.search(self.words, words) is not None
        )


DECIDED = (
    Decision(
        "false reject",
        "json-syntax",
        r"[\x00-\x1f]",
        "RFC 8259 section 7: control characters in a string are escaped; HAPI's JSON reader takes a raw tab",
    ),
    Decision(
        "false reject",
        "json-duplicate",
        "",
        "R4 json.html: property names are unique in an object; HAPI overlooks a second resourceType",
    ),
    Decision(
        "false reject",
        "json-empty",
        r"\[\]",
        "R4 json.html: an array is never empty; HAPI overlooks some of primitives",
    ),
    Decision(
        "false reject",
        "code-unknown",
        r'"boundsDuration":\{[^}]*"code":"(?!d")',
        "R4 Quantity.code is a code of Quantity.system; HAPI does not look at the UCUM code of Timing.repeat.bounds",
    ),
    Decision(
        "false reject",
        "narrative",
        r'<p>a"',
        "R4 narrative.html: the div is well-formed XHTML; HAPI's reader takes one that ends before its end tags",
    ),
    Decision(
        "false reject",
        "reference-form",
        r'"http://"',
        "RFC 9110 section 4.2.1: an http URL without a host is invalid; HAPI takes it inside Bundles",
    ),
    Decision(
        "false reject",
        "reference-blank",
        "\u00a0",
        "RFC 3986 section 2: a URI holds no blanks, a no-break space neither; HAPI looks for ASCII blanks only",
    ),
    Decision(
        "false accept",
        "Terminology_PassThrough_TX_Message",
        "",
        "R4 language elements: the short list is preferred, any tag of BCP 47 allowed; HAPI asks for the short list",
        r"is not in valueset: http://hl7.org/fhir/ValueSet/languages$",
    ),
)


def decision(kind: str, found: str, data: bytes, words: str = "") -> Decision | None:
    """The decision that fits a difference, or None where it counts."""
    return next((one for one in DECIDED if one.fits(kind, found, data, words)), None)
