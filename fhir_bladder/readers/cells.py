"""Room `readers`: the text of a cell to the value of a record field; nothing is guessed. May import exam."""

# ruff: noqa: ARG001 - the readers of all kinds share one signature
from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from fhir_bladder.errors import RecordError
from fhir_bladder.exam import times
from fhir_bladder.exam.problems import Problem, did_you_mean
from fhir_bladder.readers.fields import Field
from fhir_bladder.terminology import units

_QUANTITY = re.compile(
    r"([<>])?\s*([+-]?[\d.,' \u00a0\u202f]*\d(?:[eE][+-]?\d{1,3})?)\s*([^\d\s].*)?\Z", re.ASCII | re.DOTALL
)
_NUMBER = {
    mark: re.compile(rf"[+-]?\d{{1,40}}(?:{re.escape(mark)}\d{{1,40}})?(?:[eE][+-]?\d{{1,3}})?\Z", re.ASCII)
    for mark in ".,"
}


@dataclass(frozen=True, slots=True)
class Reading:
    """How cells of one column are read. values: texts and what they mean; then every other text is refused."""

    unit: str = ""
    values: Mapping[str, Any] | None = None
    others_absent: bool = False
    absent: tuple[str, ...] = ()
    date_format: str = ""
    decimal_mark: str = "."
    zone: ZoneInfo | None = None


ABSENT = object()
"""What a cell without a value gives."""


def value_of(text: str, field: Field, reading: Reading) -> Any:
    """The value a cell's text means, or ABSENT. Raises Problem with a remedy."""
    text = text.strip()
    if reading.values is not None and text in reading.values:
        return reading.values[text]
    if not text or text in reading.absent:
        return ABSENT
    if reading.values is not None:
        if reading.others_absent:
            return ABSENT
        near = did_you_mean(text, reading.values)
        raise Problem("cell-not-listed", f"{_shown(text, field)} is not among the values of the map", near or _ADD)
    if field.many:
        parts = re.split(r"[,;\s]+", text) if field.kind == "choice" else [text]
        return [_READERS[field.kind](part, field, reading) for part in parts if part]
    return _READERS[field.kind](text, field, reading)


_ADD = "add it to values in the map, or correct the cell"


def number(text: str, mark: str) -> Decimal:
    """A number with its digits as written. Raises Problem."""
    if not _NUMBER[mark].match(text):
        other = "," if mark == "." else "."
        remedy = "correct the cell"
        if _NUMBER[other].match(text):
            remedy = f'set decimal_mark = "{other}" in the map, if that is how this sheet writes numbers'
        elif any(char in text for char in ",.' \u00a0\u202f"):
            remedy = "write it without thousands separators"
        raise Problem("number-not-readable", f"{text[:40]!r} is not a number", remedy)
    return Decimal(text.replace(",", "."))


def _quantity(text: str, field: Field, reading: Reading) -> dict[str, Any]:
    match = _QUANTITY.match(text)
    if not match:
        raise Problem(
            "number-not-readable", f"{text[:40]!r} is not a {field.dimension}", "write a number, as 212 or >999"
        )
    comparator, digits, written = match.groups()
    value = number(digits.strip(), reading.decimal_mark)
    unit = _unit((written or "").strip(), field, reading)
    return {"value": value, "unit": unit} | ({"comparator": comparator} if comparator else {})


def _unit(written: str, field: Field, reading: Reading) -> str:
    if not written:
        if not reading.unit:
            raise Problem(
                "unit-missing", f"the {field.dimension} has no unit",
                f'add unit = "{units.CANONICAL[field.dimension]}" (or what the sheet uses) to the column in the map',
            )  # fmt: skip
        return reading.unit
    try:
        units.understand(written, field.dimension)
    except RecordError as error:
        raise Problem("unit-not-usable", error.what, error.remedy) from None
    if reading.unit and units.to_canonical(Decimal(1), reading.unit) != units.to_canonical(Decimal(1), written):
        raise Problem(
            "unit-contradicts",
            f"the cell says {written!r}, the map says {reading.unit!r}",
            "correct the cell or the map",
        )
    return written


def _number(text: str, field: Field, reading: Reading) -> Decimal:
    return number(text, reading.decimal_mark)


def _integer(text: str, field: Field, reading: Reading) -> int:
    if not re.match(r"[+-]?\d{1,9}\Z", text, re.ASCII):
        raise Problem("number-not-readable", f"{text[:40]!r} is not a whole number", "correct the cell")
    return int(text)


def _boolean(text: str, field: Field, reading: Reading) -> bool:
    if text.lower() in ("true", "false"):
        return text.lower() == "true"
    raise Problem(
        "cell-not-listed", f"{_shown(text, field)} is neither true nor false",
        f'say what it means: values = {{ "{text[:20]}" = true, … }} in the map',
    )  # fmt: skip


def _time(text: str, field: Field, reading: Reading) -> str:
    """An ISO 8601 time; read by date_format it gets the offset of the zone, and seconds only where it had them."""
    if not reading.date_format:
        if times.has_offset(text) or reading.zone is None:
            return times.parse(text, reading.zone).text
        moment, seconds = times.parse(text, reading.zone).moment, len(text) > len("2026-11-18T10:42")
    else:
        moment = _by_format(text, reading.date_format)
        if moment.tzinfo is None:
            if reading.zone is None:
                raise Problem(
                    "time-without-offset",
                    f"{text!r} has no offset",
                    'set timezone = "…" in the map, or give --timezone',
                )
            moment = times.localise(moment, reading.zone, text)
        seconds = any(code in reading.date_format for code in ("%S", "%T", "%X", "%c", "%s"))
    written = moment.isoformat()
    return written if seconds else written[:16] + written[19:]


def _by_format(text: str, date_format: str) -> dt.datetime:
    try:
        return dt.datetime.strptime(text, date_format)
    except ValueError:
        example = dt.datetime(2026, 11, 18, 10, 42).strftime(date_format)
        raise Problem(
            "time-not-readable", f"{text[:40]!r} is not written as date_format says", f"write it like {example!r}"
        ) from None


def _date(text: str, field: Field, reading: Reading) -> str:
    if re.match(r"\d{4}(-\d{2}(-\d{2})?)?\Z", text, re.ASCII) or not reading.date_format:
        return text
    for date_format in dict.fromkeys((reading.date_format, reading.date_format.split(" ")[0])):
        try:
            return dt.datetime.strptime(text, date_format).date().isoformat()
        except ValueError:
            continue
    raise Problem("date-not-readable", f"{_shown(text, field)} is not a date", "write it as date_format says")


def _text(text: str, field: Field, reading: Reading) -> str:
    return text


def _choice(text: str, field: Field, reading: Reading) -> str:
    if text in field.choices:
        return text
    near = did_you_mean(text, field.choices)
    raise Problem(
        "cell-not-listed", f"{_shown(text, field)} is none of {', '.join(field.choices)}",
        near or 'say what it means: values = { "…" = "…" } in the map',
    )  # fmt: skip


def _object(text: str, field: Field, reading: Reading) -> Any:
    raise RecordError(f"{field.path} takes no text", remedy="map its fields, not the whole")


def _shown(text: str, field: Field) -> str:
    return "the cell's text" if field.path.startswith("patient.") else repr(text[:40])


_READERS = {
    "quantity": _quantity, "number": _number, "integer": _integer, "boolean": _boolean, "time": _time, "date": _date,
    "text": _text, "choice": _choice, "object": _object,
}  # fmt: skip
