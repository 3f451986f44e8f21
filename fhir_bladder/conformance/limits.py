"""Room `conformance`: limits of what is read. Belongs here: a text against the value parsed from it."""

from __future__ import annotations

from typing import Any

import orjson

MAX_BYTES = 256 * 1024 * 1024
MAX_DEPTH = 100
_SMALL = 1024 * 1024
_RIGHT = b"\n" + b"  " * MAX_DEPTH


def too_deep(data: bytes, value: Any) -> bool:
    """Whether a parsed text has more than MAX_DEPTH arrays and objects inside one another."""
    if data.count(b"[") + data.count(b"{") <= MAX_DEPTH:
        return False
    if len(data) < _SMALL:
        try:  # what lies too deep stands far to the right
            if _RIGHT not in orjson.dumps(value, default=str, option=orjson.OPT_INDENT_2):
                return False
        except (TypeError, orjson.JSONEncodeError):
            pass
    return depth(value) > MAX_DEPTH


def depth(value: Any) -> int:
    """How many arrays and objects lie inside one another."""
    found, level = 0, [value]
    while level := [item for item in level if isinstance(item, dict | list)]:
        found += 1
        level = [child for item in level for child in (item.values() if isinstance(item, dict) else item)]
    return found


def repeats(text: bytes, value: Any) -> bool:
    """Whether a key may stand twice: the text has more of them than the value kept."""
    again = orjson.dumps(value)
    return again != text and (text.count(b":") != again.count(b":") or (b"\\" in text and b"\\u003" in text))
