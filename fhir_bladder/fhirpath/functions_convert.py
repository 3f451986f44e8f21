"""Room `fhirpath`: conversions between system types. Source: FHIRPath N1 5.5."""

from __future__ import annotations

import re
from collections.abc import Callable
from decimal import Decimal
from typing import Any

from fhir_bladder.fhirpath import quantity, temporal
from fhir_bladder.fhirpath.context import Context, Items, single
from fhir_bladder.fhirpath.quantity import CALENDAR_WORDS, Quantity
from fhir_bladder.fhirpath.registry import function
from fhir_bladder.fhirpath.temporal import Temporal

_TRUE = frozenset({"true", "t", "yes", "y", "1", "1.0"})
_FALSE = frozenset({"false", "f", "no", "n", "0", "0.0"})
_INTEGER = re.compile(r"[+-]?\d+\Z", re.ASCII)
_DECIMAL = re.compile(r"[+-]?\d+(?:\.\d+)?\Z", re.ASCII)


def _boolean(value: Any) -> Any:
    if isinstance(value, bool):
        return value
    if isinstance(value, str):
        word = value.lower()
        return True if word in _TRUE else False if word in _FALSE else None
    if isinstance(value, int | Decimal):
        return True if value == 1 else False if value == 0 else None
    return None


def _integer(value: Any) -> Any:
    if isinstance(value, bool):
        return int(value)
    if isinstance(value, int):
        return value
    return int(value) if isinstance(value, str) and _INTEGER.match(value) else None


def _decimal(value: Any) -> Any:
    if isinstance(value, bool | int):
        return Decimal(int(value))
    if isinstance(value, Decimal):
        return value
    return Decimal(value) if isinstance(value, str) and _DECIMAL.match(value) else None


def _string(value: Any) -> Any:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return value
    if isinstance(value, Decimal):
        return f"{value:f}"
    if isinstance(value, int):
        return str(value)
    return value.text if isinstance(value, Temporal | Quantity) else None


def _date(value: Any) -> Any:
    if isinstance(value, Temporal) and value.kind == "Date":
        return value
    if isinstance(value, Temporal) and value.kind == "DateTime":
        return temporal.parse_date(value.text.split("T")[0])
    if isinstance(value, str):
        return temporal.parse_date(value) or (
            temporal.parse_date(value.split("T")[0]) if temporal.parse_datetime(value) else None
        )
    return None


def _datetime(value: Any) -> Any:
    if isinstance(value, Temporal) and value.kind in ("Date", "DateTime"):
        return temporal.parse_datetime(value.text)
    return temporal.parse_datetime(value) if isinstance(value, str) else None


def _time(value: Any) -> Any:
    if isinstance(value, Temporal) and value.kind == "Time":
        return value
    return temporal.parse_time(value) if isinstance(value, str) and not value.startswith("T") else None


def _quantity(value: Any) -> Any:
    if isinstance(value, Quantity):
        return value
    if isinstance(value, bool | int | Decimal):
        return Quantity(Decimal(value), "1")
    return quantity.parse(value) if isinstance(value, str) else None


def _register(name: str, convert: Callable[[Any], Any], most: int = 0) -> None:
    def to(_: Context, items: Items, unit: Items | None = None) -> Items:
        value = single(items, f"to{name}()")
        made = None if value is None else convert(value)
        if made is not None and unit is not None:
            made = _in_unit(made, unit)
        return [] if made is None else [made]

    def converts(context: Context, items: Items, unit: Items | None = None) -> Items:
        if not items:
            return []
        return [bool(to(context, items, unit) if unit is not None else to(context, items))]

    function(f"to{name}", 0, most)(to)
    function(f"convertsTo{name}", 0, most)(converts)


def _in_unit(value: Quantity, unit: Items) -> Quantity | None:
    """The quantity in another unit; None where the dimensions differ."""
    code = single(unit, "toQuantity()")
    if not isinstance(code, str):
        return None
    target = Quantity(Decimal(0), CALENDAR_WORDS.get(code, code), code in CALENDAR_WORDS)
    return quantity.add(target, value, 1)


_register("Boolean", _boolean)
_register("Integer", _integer)
_register("Decimal", _decimal)
_register("String", _string)
_register("Date", _date)
_register("DateTime", _datetime)
_register("Time", _time)
_register("Quantity", _quantity, 1)
