"""Room `fhirpath`: arithmetic functions, exact Decimals. Source: FHIRPath N1 5.7; boundaries from the 2.1 draft."""

from __future__ import annotations

from collections.abc import Callable
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_UP, Decimal, localcontext

from fhir_bladder.fhirpath import temporal
from fhir_bladder.fhirpath.context import Context, Items, integer, number, single
from fhir_bladder.fhirpath.nodes import Node
from fhir_bladder.fhirpath.problems import EvaluationError
from fhir_bladder.fhirpath.quantity import Quantity
from fhir_bladder.fhirpath.registry import function
from fhir_bladder.fhirpath.temporal import Temporal

_DIGITS = 28


def _on_quantity(items: Items, name: str, change: Callable[[Decimal], Decimal]) -> Items | None:
    value = single(items, name)
    if isinstance(value, Quantity):
        return [Quantity(change(value.value), value.unit, value.calendar)]
    return None


@function("abs")
def _abs(_: Context, items: Items) -> Items:
    made = _on_quantity(items, "abs()", abs)
    if made is not None:
        return made
    value = number(items, "abs()")
    return [] if value is None else [abs(value)]


def _to_integer(items: Items, name: str, rounding: str) -> Items:
    value = number(items, name)
    return [] if value is None else [int(Decimal(value).to_integral_value(rounding))]


@function("ceiling")
def _ceiling(_: Context, items: Items) -> Items:
    return _to_integer(items, "ceiling()", ROUND_CEILING)


@function("floor")
def _floor(_: Context, items: Items) -> Items:
    return _to_integer(items, "floor()", ROUND_FLOOR)


@function("truncate")
def _truncate(_: Context, items: Items) -> Items:
    value = number(items, "truncate()")
    return [] if value is None else [int(value)]


@function("round", 0, 1)
def _round(_: Context, items: Items, precision: Items | None = None) -> Items:
    value = number(items, "round()")
    places = 0 if precision is None else integer(precision, "round()")
    if value is None or places is None:
        return []
    if places < 0:
        raise EvaluationError("round() asks a precision of 0 or more")
    if isinstance(value, int):
        return [value if precision is None else Decimal(value)]
    if -int(value.as_tuple().exponent) <= places:
        return [value]
    with localcontext(prec=100):
        rounded = value.quantize(Decimal(1).scaleb(-places), ROUND_HALF_UP)
    return [rounded]


def _real(items: Items, name: str, compute: Callable[[Decimal], Decimal]) -> Items:
    value = number(items, name)
    if value is None:
        return []
    try:
        with localcontext(prec=_DIGITS):
            result = compute(Decimal(value))
    except ArithmeticError:
        return []
    return [result] if result.is_finite() else []


@function("exp")
def _exp(_: Context, items: Items) -> Items:
    return _real(items, "exp()", lambda value: value.exp())


@function("ln")
def _ln(_: Context, items: Items) -> Items:
    return _real(items, "ln()", lambda value: value.ln())


@function("log", 1)
def _log(_: Context, items: Items, base: Items) -> Items:
    by = number(base, "log()")
    if by is None:
        return []
    if by <= 0 or by == 1:
        return []

    def compute(value: Decimal) -> Decimal:
        exact = value.ln() / Decimal(by).ln()
        near = exact.to_integral_value()
        return near if near >= 0 and Decimal(by) ** near == value else exact

    return _real(items, "log()", compute)


@function("sqrt")
def _sqrt(_: Context, items: Items) -> Items:
    return _real(items, "sqrt()", lambda value: value.sqrt())


@function("power", 1)
def _power(_: Context, items: Items, exponent: Items) -> Items:
    base, by = number(items, "power()"), number(exponent, "power()")
    if base is None or by is None:
        return []
    if isinstance(base, int) and isinstance(by, int) and 0 <= by * base.bit_length() <= 4096:
        return [base**by]
    if base < 0 and by != int(by):
        return []
    try:
        with localcontext(prec=_DIGITS):
            result = Decimal(base) ** Decimal(by)
    except ArithmeticError:
        return []
    return [result] if result.is_finite() else []


MAX_BOUNDARY_DIGITS = 31
"""Largest precision lowBoundary() and highBoundary() take for a decimal; the R4 suite asks empty for 32."""


def _bound_decimal(value: Decimal, high: bool, places: int) -> Decimal | None:
    if not 0 <= places <= MAX_BOUNDARY_DIGITS:
        return None
    with localcontext(prec=120):
        half = Decimal(5).scaleb(int(value.as_tuple().exponent) - 1)
        moved = value + half if high else value - half
        return moved.quantize(Decimal(1).scaleb(-places), ROUND_CEILING if high else ROUND_FLOOR)


def _boundary(items: Items, precision: Items | None, *, high: bool) -> Items:
    name = "highBoundary()" if high else "lowBoundary()"
    digits = None if precision is None else integer(precision, name)
    if precision is not None and digits is None:
        return []
    value = single(items, name)
    if value is None or (isinstance(value, Node) and value.value is None):
        return []
    if isinstance(value, Temporal):
        moment = temporal.boundary(value, high, digits)
        return [] if moment is None else [moment]
    places = 8 if digits is None else digits
    if isinstance(value, Quantity):
        bound = _bound_decimal(value.value, high, places)
        return [] if bound is None else [Quantity(bound, value.unit, value.calendar)]
    if isinstance(value, int | Decimal) and not isinstance(value, bool):
        bound = _bound_decimal(Decimal(value), high, places)
        return [] if bound is None else [bound]
    raise EvaluationError(f"{name} asks a number, a date or a time")


@function("lowBoundary", 0, 1)
def _low_boundary(_: Context, items: Items, precision: Items | None = None) -> Items:
    return _boundary(items, precision, high=False)


@function("highBoundary", 0, 1)
def _high_boundary(_: Context, items: Items, precision: Items | None = None) -> Items:
    return _boundary(items, precision, high=True)


@function("precision")
def _precision(_: Context, items: Items) -> Items:
    value = single(items, "precision()")
    if isinstance(value, Temporal):
        return [temporal.precision(value)]
    if isinstance(value, Decimal):
        return [max(0, -int(value.as_tuple().exponent))]
    if isinstance(value, int) and not isinstance(value, bool):
        return [0]
    return []
