"""Differences that the standard decides for us: (which way, id of the rejecting side) → the rule.

A difference listed here does not count against the agreement, and is still printed and counted by name.
"""

from __future__ import annotations

DECIDED: dict[tuple[str, str], str] = {
    ("false reject", "json-syntax"): (
        "RFC 8259 section 7: control characters in a string are escaped; HAPI's JSON reader takes a raw tab, a comma "
        "before a closing brace and text after the end of the value"
    ),
    ("false reject", "json-duplicate"): "R4 json.html: property names are unique; HAPI sees only some repeated names",
    ("false reject", "json-empty"): "R4 json.html: an array is never empty; HAPI misses it in arrays of primitives",
}
