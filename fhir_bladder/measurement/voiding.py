"""Room `measurement`: voiding efficiency, time since void, capacity, pre/post balance. Imports exam's times only."""

from __future__ import annotations

import datetime as dt
from decimal import ROUND_HALF_EVEN, Context, Decimal

_WIDE = Context(prec=200)  # two volumes of 64 digits on either side of the point, divided and rounded, fit
_HUNDRED = Decimal(100)
ONE_DECIMAL = Decimal("0.1")


def efficiency(voided: Decimal, residual: Decimal) -> Decimal | None:
    """Bladder voiding efficiency in %, voided / (voided + residual) · 100, unrounded; both volumes in one unit.

    None where both are 0: no value, neither 0 nor 100 (definition as in use, clinical-facts 3.4, memory, high).
    ValueError for a negative volume.
    """
    if voided < 0 or residual < 0:
        raise ValueError(f"volumes must be at least 0, not {voided} and {residual}")
    whole = _WIDE.add(voided, residual)
    return _WIDE.divide(_WIDE.multiply(voided, _HUNDRED), whole) if whole else None


def emptied_fraction(pre: Decimal, post: Decimal) -> Decimal | None:
    """Emptied fraction in %, (pre − post) / pre · 100, from a pre-void and a post-void *scan*, unrounded.

    Not the voiding efficiency, which needs a measured void: the two can disagree (Walton 1996, BJU 78:856, seen:
    pre − post differed from the voided volume by about 7.7 mL). None where pre is 0. ValueError for a negative volume.
    """
    if pre < 0 or post < 0:
        raise ValueError(f"volumes must be at least 0, not {pre} and {post}")
    return _WIDE.divide(_WIDE.multiply(_WIDE.subtract(pre, post), _HUNDRED), pre) if pre else None


def balance(pre: Decimal, post: Decimal, voided: Decimal) -> Decimal:
    """Pre/post balance in mL: (pre − post) − voided. 0 where scans and measuring jug agree (arithmetic)."""
    return _WIDE.subtract(_WIDE.subtract(pre, post), voided)


def minutes_between(start: dt.datetime, end: dt.datetime) -> int | None:
    """Whole minutes from start to end (both aware), half a minute to the even one; None where the end is earlier."""
    seconds = (end - start).total_seconds()
    return round(seconds / 60) if seconds >= 0 else None


def expected_capacity(age: int) -> int | None:
    """Expected bladder capacity in mL, 30 · (age + 1), of a child of 4 to 12 completed years; else None.

    International Children's Continence Society (seen as "30 + (age × 30)", PMC3357467); the bounds 4 to 12 years and
    the ceiling of 390 mL are from memory, high certainty.
    """
    return 30 * (age + 1) if 4 <= age <= 12 else None


def koff_capacity(age: int) -> int | None:
    """Koff's capacity in mL, (age + 2) oz taken as 30 mL each, of a child of 4 to 12 years; else None.

    The ounces were seen, the rounding of the ounce is ours; the bounds are those of `expected_capacity`.
    """
    return 30 * (age + 2) if 4 <= age <= 12 else None


def one_decimal(value: Decimal | float) -> Decimal:
    """Rounded once, at the end: to one decimal, halves to the even digit (unbiased, and the decimal default)."""
    return Decimal(value).quantize(ONE_DECIMAL, ROUND_HALF_EVEN, _WIDE)
