"""Room `exchange`: logging by allow-list. Only the fields named here, of the shape named here, ever reach a log.

Nothing else in the package writes to a logger. A field that is not listed is left out, a value of another shape becomes
`[hidden]`; so a name, a number or a date from a record cannot pass by accident.
"""

from __future__ import annotations

import logging
import re
from typing import Any

logger = logging.getLogger("fhir_bladder")
logger.addHandler(logging.NullHandler())

_TOKEN = re.compile(r"[a-z][a-z0-9_.-]{0,39}")
_NUMBER = (int, float)
_FIELDS: dict[str, re.Pattern[str] | tuple[type, ...]] = {
    "attempt": _NUMBER,
    "bytes": _NUMBER,
    "count": _NUMBER,
    "entries": _NUMBER,
    "files": _NUMBER,
    "lines": _NUMBER,
    "ms": _NUMBER,
    "status": _NUMBER,
    "wait": _NUMBER,
    "kind": _TOKEN,
    "reason": _TOKEN,
    "state": _TOKEN,
    "issue": _TOKEN,
    "method": re.compile(r"GET|HEAD|POST|PUT|PATCH|DELETE"),
    "type": re.compile(r"[A-Z][A-Za-z]{1,39}"),
    "origin": re.compile(r"https?://[a-z0-9._:\[\]-]{1,253}"),
}
HIDDEN = "[hidden]"


def allowed(fields: dict[str, Any]) -> dict[str, Any]:
    """The fields that may be logged; values of an unexpected shape hidden."""
    shown: dict[str, Any] = {}
    for name, value in fields.items():
        shape = _FIELDS.get(name)
        if shape is None or value is None:
            continue
        if isinstance(shape, tuple):
            shown[name] = value if isinstance(value, shape) and not isinstance(value, bool) else HIDDEN
        else:
            shown[name] = value if isinstance(value, str) and shape.fullmatch(value) else HIDDEN
    return shown


def event(name: str, /, *, level: int = logging.INFO, **fields: Any) -> None:
    """Log one event, such as `http.answer`, with its allow-listed fields as `key=value`."""
    if logger.isEnabledFor(level):
        shown = allowed(fields)
        logger.log(
            level, " ".join([name, *(f"{key}={value}" for key, value in shown.items())]), extra={"fields": shown}
        )


class _Silence(logging.Filter):
    """Drops every record: the HTTP library logs whole URLs, and search URLs hold identifiers."""

    def filter(self, record: logging.LogRecord) -> bool:
        return False


def silence_http_library() -> None:
    """Keep the HTTP library's own messages out of every handler, whatever level a host program sets."""
    for name in ("urllib3", "urllib3.connectionpool", "urllib3.connection", "urllib3.util.retry", "urllib3.response"):
        library = logging.getLogger(name)
        if not any(isinstance(one, _Silence) for one in library.filters):
            library.addFilter(_Silence())
