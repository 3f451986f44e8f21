"""Room `fhirpath`: Date, DateTime and Time of any precision: reading, comparing with three values, calendar sums.

Source: FHIRPath N1 (2.0.0), sections "Date/Time Arithmetic", "Equality", "Comparison".
"""

from __future__ import annotations

import calendar
import datetime as dt
import re
from dataclasses import dataclass
from decimal import Decimal

_DATE = r"(?P<year>\d{4})(?:-(?P<month>\d{2})(?:-(?P<day>\d{2}))?)?"
_TIME = r"(?P<hour>\d{2})(?::(?P<minute>\d{2})(?::(?P<second>\d{2}(?:\.\d+)?))?)?"
_ZONE = r"(?P<zone>Z|[+-]\d{2}:\d{2})?"
_DATE_RE = re.compile(_DATE + r"\Z", re.ASCII)
_DATETIME_RE = re.compile(_DATE + rf"(?:T(?:{_TIME}{_ZONE})?)?\Z", re.ASCII)
_TIME_RE = re.compile(r"T?" + _TIME + r"\Z", re.ASCII)
_PARTS = ("year", "month", "day", "hour", "minute", "second")
_LOW = (1, 1, 1, 0, 0, Decimal(0))


@dataclass(frozen=True, slots=True)
class Temporal:
    """A Date, DateTime or Time: `parts` from the coarsest on, as far as known; `zone` minutes east of UTC or None.

    `text` is what was written. Seconds keep their decimals; seconds and milliseconds are one precision.
    """

    kind: str  # "Date", "DateTime", "Time"
    parts: tuple[int | Decimal, ...]
    zone: int | None
    text: str


def parse_date(text: str) -> Temporal | None:
    """YYYY, YYYY-MM or YYYY-MM-DD; None for anything else."""
    return _parse(_DATE_RE, text, "Date")


def parse_datetime(text: str) -> Temporal | None:
    """A date with or without time and zone; None for anything else."""
    return _parse(_DATETIME_RE, text, "DateTime")


def parse_time(text: str) -> Temporal | None:
    """HH, HH:MM, HH:MM:SS(.fff); None for anything else."""
    return _parse(_TIME_RE, text, "Time")


def _parse(pattern: re.Pattern[str], text: str, kind: str) -> Temporal | None:
    match = pattern.match(text)
    if not match:
        return None
    found = match.groupdict()
    parts: list[int | Decimal] = []
    for name in _PARTS:
        value = found.get(name)
        if value is not None:
            parts.append(Decimal(value) if name == "second" else int(value))
    zone = _minutes(found.get("zone"))
    result = Temporal(kind, tuple(parts), zone, text)
    return result if _exists(result) else None


def _minutes(zone: str | None) -> int | None:
    if not zone:
        return None
    if zone == "Z":
        return 0
    sign = -1 if zone[0] == "-" else 1
    return sign * (int(zone[1:3]) * 60 + int(zone[4:6]))


def _exists(value: Temporal) -> bool:
    """Whether the calendar and the clock have it. A leap second is taken as written."""
    if value.kind == "Time":
        clock = value.parts
    else:
        year, month, day = _filled(value)[:3]
        if not (int(year) >= 1 and 1 <= int(month) <= 12):
            return False
        if not 1 <= int(day) <= calendar.monthrange(int(year), int(month))[1]:
            return False
        clock = value.parts[3:]
    limits = (24, 60, 61)
    in_range = all(part < limit for part, limit in zip(clock, limits, strict=False))
    return in_range and (value.zone is None or abs(value.zone) <= 14 * 60)


def _filled(value: Temporal) -> tuple[int | Decimal, ...]:
    return value.parts + _LOW[len(value.parts) :]


def _moved(value: Temporal) -> tuple[int | Decimal, ...]:
    """Parts in UTC, to the precision given."""
    if not value.zone or len(value.parts) < 4:
        return value.parts
    year, month, day, hour, minute, second = _filled(value)
    whole = int(second)
    try:
        moment = dt.datetime(int(year), int(month), int(day), int(hour), int(minute), min(whole, 59))
        moment -= dt.timedelta(minutes=value.zone)
    except OverflowError:
        return value.parts
    exact = moment.second + (second - min(whole, 59))
    full = (moment.year, moment.month, moment.day, moment.hour, moment.minute, Decimal(exact))
    return full[: len(value.parts)]


def compare(left: Temporal, right: Temporal) -> int | None:
    """-1, 0, 1, or None where the precision (or a missing zone) leaves it open. Kinds must agree."""
    if (
        left.kind != "Time"
        and len(left.parts) > 3
        and len(right.parts) > 3
        and (left.zone is None) != (right.zone is None)
    ):
        return _compare_half_zoned(left, right)
    both = left.zone is not None and right.zone is not None
    first, second = (_moved(left), _moved(right)) if both else (left.parts, right.parts)
    for mine, other in zip(first, second, strict=False):
        if mine != other:
            return -1 if mine < other else 1
    return 0 if len(first) == len(second) else None


def _compare_half_zoned(left: Temporal, right: Temporal) -> int | None:
    """One side has no zone: sure only where they lie further apart than any zone (-12:00 … +14:00) could explain."""
    first, second = (_ordinal(_moved(side)) for side in (left, right))
    if abs(first - second) > 15:
        return -1 if first < second else 1
    return None


def _ordinal(parts: tuple[int | Decimal, ...]) -> float:
    """Hours since year 1, good enough to compare with a margin of an hour."""
    days = dt.date(int(parts[0]), int(parts[1]), int(parts[2])).toordinal()
    return days * 24 + int(parts[3])


def comparable(left: Temporal, right: Temporal) -> bool:
    """Times with times, dates with dates and date-times."""
    return (left.kind == "Time") == (right.kind == "Time")


def equal(left: Temporal, right: Temporal) -> bool | None:
    """Equality by the standard: None where the precisions differ and the shared parts agree."""
    order = compare(left, right)
    return None if order is None else order == 0


def now(moment: dt.datetime) -> Temporal:
    """A DateTime with milliseconds and zone."""
    text = moment.isoformat(timespec="milliseconds")
    found = parse_datetime(text)
    assert found is not None
    return found


# ---- boundaries ------------------------------------------------------------------------------------------------------

_DIGITS = {"Date": (4, 6, 8), "DateTime": (4, 6, 8, 10, 12, 17), "Time": (2, 4, 9)}


def precision(value: Temporal) -> int:
    """Number of digits, as the precision() function counts them (milliseconds 17, seconds 14)."""
    steps = (2, 4, 6) if value.kind == "Time" else (4, 6, 8, 10, 12, 14)
    digits = steps[len(value.parts) - 1]
    last = value.parts[-1]
    if isinstance(last, Decimal) and last.as_tuple().exponent != 0:
        digits += 3
    return digits


def boundary(value: Temporal, high: bool, digits: int | None) -> Temporal | None:
    """Earliest or latest moment the value can mean, cut to `digits` (default: the finest of its kind)."""
    steps = _DIGITS[value.kind]
    wanted = steps[-1] if digits is None else digits
    if wanted not in steps:
        return None
    count = steps.index(wanted) + 1
    if value.kind == "Time":
        top: tuple[int | Decimal, ...] = (23, 59, Decimal("59.999"))
        low: tuple[int | Decimal, ...] = (0, 0, Decimal("0.000"))
        parts = value.parts + (top if high else low)[len(value.parts) :]
        parts = _fine(parts, 2, high)
        return _written("Time", parts[:count], None)
    parts = value.parts
    if high:
        parts = parts if len(parts) > 1 else (*parts, 12)
        if len(parts) < 3:
            parts = (*parts, calendar.monthrange(int(parts[0]), int(parts[1]))[1])
        parts += (23, 59, Decimal("59.999"))[len(parts) - 3 :]
    else:
        parts += (1, 1, 1, 0, 0, Decimal("0.000"))[len(parts) :]
    parts = _fine(parts, 5, high)
    zone = value.zone
    if value.kind == "DateTime" and zone is None and count > 3:
        zone = -12 * 60 if high else 14 * 60
    return _written(value.kind, parts[:count], zone if count > 3 else None)


def _fine(parts: tuple[int | Decimal, ...], at: int, high: bool) -> tuple[int | Decimal, ...]:
    second = parts[at]
    if not isinstance(second, Decimal):
        return parts
    if second.as_tuple().exponent == 0:
        second += Decimal("0.999") if high else Decimal("0.000")
    return (*parts[:at], second.quantize(Decimal("0.001")))


def _written(kind: str, parts: tuple[int | Decimal, ...], zone: int | None) -> Temporal:
    return Temporal(kind, parts, zone, _text(kind, parts, zone))


def _text(kind: str, parts: tuple[int | Decimal, ...], zone: int | None) -> str:
    def second(value: int | Decimal) -> str:
        text = f"{value:f}"
        return text if text[1:2].isdigit() else "0" + text

    date, clock = ((), parts) if kind == "Time" else (parts[:3], parts[3:])
    words = [f"{part:04d}" if at == 0 else f"{part:02d}" for at, part in enumerate(date)]
    text = "-".join(words)
    if clock:
        times = [second(part) if isinstance(part, Decimal) else f"{part:02d}" for part in clock]
        text += ("T" if kind != "Time" else "") + ":".join(times)
    if zone is not None and clock:
        sign = "-" if zone < 0 else "+"
        text += "Z" if zone == 0 else f"{sign}{abs(zone) // 60:02d}:{abs(zone) % 60:02d}"
    return text


# ---- calendar sums ---------------------------------------------------------------------------------------------------

_SECONDS = {"week": 604800, "day": 86400, "hour": 3600, "minute": 60, "second": 1}
_ORDER = ("year", "month", "day", "hour", "minute", "second")


def add(value: Temporal, amount: Decimal, unit: str) -> Temporal | None:
    """value + amount calendar units ("year" … "millisecond"); None where the result leaves the years 1 to 9999.

    A unit finer than the value's precision is converted to that precision first, decimals dropped; decimals are
    dropped for every unit above seconds.
    """
    if unit == "millisecond":
        amount, unit = amount / 1000, "second"
    if unit == "week":
        amount, unit = Decimal(int(amount)) * 7, "day"
    if unit != "second":
        amount = Decimal(int(amount))
    if value.kind == "Time":
        return _add_time(value, amount, unit)
    amount, unit = _coarsened(amount, unit, _ORDER[len(value.parts) - 1])
    parts = list(_filled(value))
    try:
        if unit in ("year", "month"):
            months = int(parts[0]) * 12 + int(parts[1]) - 1 + int(amount) * (12 if unit == "year" else 1)
            year, month = divmod(months, 12)
            last = calendar.monthrange(year, month + 1)[1] if 1 <= year <= 9999 else 0
            if not last:
                return None
            parts[0], parts[1], parts[2] = year, month + 1, min(int(parts[2]), last)
        else:
            parts = _shifted(parts, amount * _SECONDS[unit])
    except (OverflowError, ValueError):
        return None
    return _written(value.kind, tuple(parts[: len(value.parts)]), value.zone)


def _coarsened(amount: Decimal, unit: str, finest: str) -> tuple[Decimal, str]:
    if _ORDER.index(unit) <= _ORDER.index(finest):
        return amount, unit
    if finest in ("year", "month"):
        days = amount * _SECONDS[unit] / 86400 if unit in _SECONDS else amount * 30
        if unit == "month":
            return Decimal(int(amount / 12)), "year"
        months = int(days / 30)
        return (Decimal(months), "month") if finest == "month" else (Decimal(int(days / 365)), "year")
    return Decimal(int(amount * _SECONDS[unit] / _SECONDS[finest])), finest


def _shifted(parts: list[int | Decimal], seconds: Decimal) -> list[int | Decimal]:
    year, month, day, hour, minute, second = parts
    total = Decimal(second) + seconds
    whole = int(total // 1) if total >= 0 else -int(-total // 1) - (1 if -total % 1 else 0)
    moment = dt.datetime(int(year), int(month), int(day), int(hour), int(minute)) + dt.timedelta(seconds=whole)
    exact = moment.second + (total - whole)
    return [moment.year, moment.month, moment.day, moment.hour, moment.minute, exact]


def _add_time(value: Temporal, amount: Decimal, unit: str) -> Temporal | None:
    if unit not in ("hour", "minute", "second"):
        return None
    order = ("hour", "minute", "second")
    finest = order[len(value.parts) - 1]
    if order.index(unit) > order.index(finest):
        amount, unit = Decimal(int(amount * _SECONDS[unit] / _SECONDS[finest])), finest
    clock = value.parts + (0, 0, Decimal(0))[len(value.parts) :]
    parts = _shifted([2000, 1, 1, *clock], amount * _SECONDS[unit])[3:]
    return _written("Time", tuple(parts[: len(value.parts)]), None)
