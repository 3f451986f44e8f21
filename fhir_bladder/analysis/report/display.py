"""Room `analysis`: how the report writes times, ages, texts. Imports nothing of ours.

Text from outside is shown as text: HTML is escaped by the template engine, invisible direction and control characters
are made visible here, and every such text stands in its own direction (`<bdi>` in the templates).
"""

from __future__ import annotations

import datetime as dt
import re
import unicodedata

_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
# Bidirectional controls (Unicode TR 9), zero-width and other format characters, line and paragraph separators,
# control characters, lone surrogates and noncharacters. ZWJ and variation selectors stay: emoji need them.
_HIDDEN = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u00ad\u061c\u200b\u200c\u200e\u200f\u2028-\u202e\u2060-\u206f\ufeff"
    "\ufff9-\ufffb\ufffe\uffff\ud800-\udfff]"
)


def visible(text: object) -> str:
    """A text with its hidden characters shown by name, such as ⟨RIGHT-TO-LEFT OVERRIDE⟩."""
    return _HIDDEN.sub(lambda m: f"⟨{unicodedata.name(m.group(), f'U+{ord(m.group()):04X}')}⟩", str(text))


def when(moment: dt.datetime | None) -> str:
    """An absolute local time with its offset: 18 Nov 2026 10:42 +00:00."""
    if moment is None:
        return ""
    offset = moment.strftime("%z")
    shown = f" {offset[:3]}:{offset[3:5]}" if offset else ""
    return f"{moment.day} {_MONTHS[moment.month - 1]} {moment.year} {moment:%H:%M}{shown}"


def day(moment: dt.datetime | dt.date) -> str:
    """A date: 18 Nov 2026."""
    return f"{moment.day} {_MONTHS[moment.month - 1]} {moment.year}"


def age(since: dt.datetime | None, now: dt.datetime) -> str:
    """How long ago, in the largest fitting unit, rounded down: 40 min, 7 h, 3 days."""
    if since is None:
        return ""
    seconds = (now - since).total_seconds()
    if seconds < 0:
        return "in the future"
    for size, one, many in ((86400, "day", "days"), (3600, "h", "h"), (60, "min", "min")):
        if seconds >= size * (2 if size == 86400 else 1):
            count = int(seconds // size)
            return f"{count} {one if count == 1 else many}"
    return "under 1 min"


def span(minutes: float) -> str:
    """A length of time in a unit that people grasp: 95 min, 7.5 h, 12 days."""
    if minutes < 180:
        return f"{minutes:.0f} min"
    return f"{minutes / 60:.1f} h" if minutes < 2 * 1440 else f"{minutes / 1440:.0f} days"


def share(part: int, whole: int) -> str:
    """`12 of 40 (30 %)`; without a percentage where there is nothing to divide by."""
    if whole == 0:
        return f"{part} of 0"
    percent = 100 * part / whole
    return f"{part} of {whole} ({percent:.{1 if 0 < percent < 10 else 0}f} %)"


def natural(text: str) -> list[tuple[int, int, str]]:
    """Sort key that puts room 2 before room 10."""
    return [(0, int(part), "") if part.isdecimal() else (1, 0, part) for part in re.split(r"(\d+)", text)]
