"""Room `exam`: points in time as received and as understood. May import terminology, wire, errors."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from functools import lru_cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from fhir_bladder.errors import ConfigError
from fhir_bladder.exam.problems import Problem

# R4 dateTime with a time part; seconds may be missing in what people write, never on the wire.
_ISO = re.compile(r"(\d{4}-\d{2}-\d{2})[Tt ](\d{2}:\d{2})(:\d{2}(?:\.\d{1,9})?)?(Z|z|[+-]\d{2}:?\d{2})?\Z", re.ASCII)
_WIRE = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}(?:\.\d{1,6})?(?:Z|[+-]\d{2}:\d{2})\Z", re.ASCII)
_MAX_OFFSET = dt.timedelta(hours=14)


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
    if _WIRE.match(text):
        try:
            return Timestamp(text, _in_range(dt.datetime.fromisoformat(text), text))
        except ValueError as error:
            raise _not_a_time(text, error) from None
    match = _ISO.match(text)
    if not match:
        raise Problem("time-not-readable", f"{text[:40]!r} is not a date-time", "write it as 2026-11-18T10:42:00+00:00")
    day, clock, seconds, offset = match.groups()
    digits = (seconds or ":00")[:10]
    if offset and len(offset) == 5:
        offset = offset[:3] + ":" + offset[3:]
    try:
        moment = dt.datetime.fromisoformat(f"{day}T{clock}{digits}{(offset or '').upper()}")
    except ValueError as error:
        raise _not_a_time(text, error) from None
    if moment.tzinfo is None:
        if local_zone is None:
            raise Problem(
                "time-without-offset",
                f"{text!r} has no offset",
                "add one (+01:00, Z), or configure a zone with --timezone",
            )
        moment = localise(moment, local_zone, text)
    return Timestamp(text, _in_range(moment, text))


def has_offset(text: str) -> bool:
    """Whether a date-time says its offset."""
    match = _ISO.match(text)
    return bool(match and match[4])


def _not_a_time(text: str, error: ValueError) -> Problem:
    return Problem("time-not-readable", f"{text!r} is not a date-time: {error}", "correct the date or the time")


def _in_range(moment: dt.datetime, text: str) -> dt.datetime:
    """R4 allows offsets up to 14 hours, in whole minutes; a year outside 1900 to 2199 is a slip of the keyboard."""
    offset = moment.utcoffset()
    if offset is not None and (abs(offset) > _MAX_OFFSET or offset.microseconds or offset.seconds % 60):
        raise Problem(
            "time-not-readable", f"{text!r} has an offset that no place has", "write one from -14:00 to +14:00"
        )
    if not 1900 <= moment.year < 2200:
        raise Problem("time-not-readable", f"year {moment.year} of {text!r} is out of range", "correct the year")
    return moment


def localise(naive: dt.datetime, local_zone: ZoneInfo, text: str) -> dt.datetime:
    """A local time in its zone; refused where a clock change makes it ambiguous or impossible."""
    first, second = naive.replace(tzinfo=local_zone, fold=0), naive.replace(tzinfo=local_zone, fold=1)
    if first.utcoffset() == second.utcoffset():
        return first.replace(tzinfo=dt.timezone(first.utcoffset() or dt.timedelta()))
    readings = f"{_reading(first)} or {_reading(second)}"
    exists = first.astimezone(dt.UTC).astimezone(local_zone).replace(tzinfo=None) == naive
    kind = "happens twice" if exists else "does not exist"
    raise Problem(
        "time-ambiguous" if exists else "time-impossible",
        f"local time {text!r} {kind} in {local_zone.key}, where the clock changes",
        f"write {readings}",
    )


def _reading(moment: dt.datetime) -> str:
    return moment.replace(tzinfo=dt.timezone(moment.utcoffset() or dt.timedelta())).isoformat()
