"""Room `measurement`: what a written number can mean, from its digits. May import exam.

A number as written stands for everything that rounds to it: an area of `164` for 163.5 to 164.5, `164.0` for
163.95 to 164.05. Tolerances of the findings come from here, never from a fixed per cent.
"""

from __future__ import annotations

from decimal import Decimal

from fhir_bladder.exam.model import Quantity
from fhir_bladder.terminology.units import to_canonical

_HALF = Decimal("0.5")


def half_step(quantity: Quantity) -> float:
    """Half of the last written digit, in the canonical unit (mL, mm, cm2, g, MHz)."""
    return float(to_canonical(_half(quantity.value), quantity.unit))


def span(quantity: Quantity) -> tuple[float, float]:
    """Least and greatest value that is written like this, in the canonical unit."""
    half = half_step(quantity)
    value = float(quantity.canonical)
    return value - half, value + half


def span_of(number: Decimal) -> tuple[float, float]:
    """The same of a number without unit."""
    half = _half(number)
    return float(number - half), float(number + half)


def _half(number: Decimal) -> Decimal:
    exponent = number.as_tuple().exponent
    assert isinstance(exponent, int)
    return _HALF.scaleb(exponent)
