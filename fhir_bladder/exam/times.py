"""Room `exam`: points in time as received and as understood. May import terminology, wire, errors."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from functools import lru_cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from fhir_bladder.errors import ConfigError, RecordError

# R4 dateTime with a time part; seconds may be missing in what people write, never on the wire.
_ISO = re.compile(
    r"(\d{4}-\d{2}-\d{2})[Tt ](\d{2}:\d{2})(:\d{2}(?:\.\d{1,9})?)?(Z|z|[+-]\d{2}:?\d{2})?\Z", re.ASCII
)
_WIRE = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}(?:\.\d{1,6})?(?:Z|[+-]\d{2}:\d{2})\Z", re.ASCII)


@dataclass(frozen=True, slots=True)
class Timestamp:
    """A point in time: the text as received, and the moment it means (aware)."""

    text: str
    moment: dt.datetime

    @property
    def wire(self) -> str:
        """R4 dateTime and instant: with seconds and offset; the text itself where it is one already."""
        if _WIRE.match(self.text):
            return self.text
        return self.moment.isoformat()

    @property
    def utc(self) -> dt.datetime:
        """The moment in UTC."""
        return self.moment.astimezone(dt.UTC)


@lru_cache(maxsize=32)
def zone(name: str) -> ZoneInfo:
    """A time zone of the IANA database. Raises ConfigError for an unknown name."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ConfigError(f"time zone {name!r} is not known", "", "use an IANA name such as Europe/Lisbon") from None


def parse(text: str, local_zone: ZoneInfo | None = None) -> Timestamp:
    """Read an ISO 8601 date-time. Without seconds it is second zero; without an offset a zone must be configured.

    Raises RecordError: not a date-time, no offset and no zone, a local time that a clock change makes ambiguous or
    impossible (both readings are named).
    """
    match = _ISO.match(text)
    if not match:
        raise RecordError(f"{text[:40]!r} is not a date-time", remedy="write it as 2026-11-18T10:42:00+00:00")
    day, clock, seconds, offset = match.groups()
    digits = (seconds or ":00")[:10]
    if offset and len(offset) == 5:
        offset = offset[:3] + ":" + offset[3:]
    try:
        moment = dt.datetime.fromisoformat(f"{day}T{clock}{digits}{(offset or '').upper()}")
    except ValueError as error:
        raise RecordError(f"{text!r} is not a date-time: {error}", remedy="correct the date or the time") from None
    if moment.tzinfo is None:
        if local_zone is None:
            raise RecordError(
                f"{text!r} has no offset", remedy="add one (+01:00, Z), or configure a zone with --timezone"
            )
        moment = localise(moment, local_zone, text)
    return Timestamp(text, moment)


def localise(naive: dt.datetime, local_zone: ZoneInfo, text: str) -> dt.datetime:
    """A local time in its zone; refused where a clock change makes it ambiguous or impossible."""
    first, second = naive.replace(tzinfo=local_zone, fold=0), naive.replace(tzinfo=local_zone, fold=1)
    if first.utcoffset() == second.utcoffset():
        return first.replace(tzinfo=dt.timezone(first.utcoffset() or dt.timedelta()))
    readings = f"{_reading(first)} or {_reading(second)}"
    exists = first.astimezone(dt.UTC).astimezone(local_zone).replace(tzinfo=None) == naive
    kind = "happens twice" if exists else "does not exist"
    raise RecordError(
        f"local time {text!r} {kind} in {local_zone.key}, where the clock changes", remedy=f"write {readings}"
    )


def _reading(moment: dt.datetime) -> str:
    return moment.replace(tzinfo=dt.timezone(moment.utcoffset() or dt.timedelta())).isoformat()
