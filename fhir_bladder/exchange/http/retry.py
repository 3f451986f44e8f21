"""Room `exchange`: how long to wait and when to stop: deadlines, Retry-After, exponential backoff with jitter."""

from __future__ import annotations

import email.utils
import random
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime

RETRIED = frozenset({408, 425, 429, 500, 502, 503, 504})
"""Statuses after which the same request may work later (RFC 9110, RFC 6585 for 429, RFC 8470 for 425)."""


class Deadline:
    """A moment on the monotonic clock; `None` seconds is never."""

    __slots__ = ("at",)

    def __init__(self, seconds: float | None) -> None:
        self.at = float("inf") if seconds is None else time.monotonic() + seconds

    @property
    def remaining(self) -> float:
        """Seconds left, not below 0."""
        return max(0.0, self.at - time.monotonic())

    @property
    def passed(self) -> bool:
        """Whether the moment is over."""
        return time.monotonic() >= self.at

    def sooner(self, seconds: float | None) -> Deadline:
        """The earlier of this deadline and one `seconds` from now."""
        other = Deadline(seconds)
        return other if other.at < self.at else self


def retry_after(headers: Mapping[str, str], *, now: float | None = None) -> float | None:
    """Seconds asked for by `Retry-After` (lower-case keys), as delay or HTTP-date (RFC 9110 section 10.2.3).

    A date is read against the server's own `Date` header where there is one, so that a wrong clock on either side does
    not matter. None where absent or unreadable; never negative.
    """
    text = headers.get("retry-after", "").strip()
    if not text:
        return None
    if text.isascii() and text.replace(".", "", 1).isdigit():
        return float(text) if len(text) < 12 else None
    moment = http_date(text)
    if moment is None:
        return None
    here = http_date(headers.get("date", ""))
    if here is None:
        here = time.time() if now is None else now
    return max(0.0, moment - here)


def http_date(text: str) -> float | None:
    """Seconds since 1970 of an HTTP-date, None where it cannot be read."""
    try:
        moment = email.utils.parsedate_to_datetime(text)
    except (TypeError, ValueError, IndexError, OverflowError):
        return None
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()


def now_utc() -> datetime:
    """The present, with zone."""
    return datetime.now(UTC)


@dataclass(frozen=True, slots=True)
class Retry:
    """Backoff: at most `attempts` tries, waits of `first`·2ⁿ s up to `longest`, each spread over its upper half.

    A Retry-After is honoured as a lower bound. Values are ours; no standard sets them.
    """

    attempts: int = 6
    first: float = 0.5
    longest: float = 60.0
    random: random.Random = field(default_factory=random.Random, repr=False, compare=False)

    def wait(self, attempt: int, asked: float | None = None) -> float:
        """Seconds before try number `attempt` + 1; `attempt` counts from 1."""
        backoff = min(self.longest, self.first * 2.0 ** min(attempt - 1, 30))
        spread = backoff * (0.5 + self.random.random() / 2)
        return spread if asked is None else asked + spread * 0.1 if asked >= spread else spread
