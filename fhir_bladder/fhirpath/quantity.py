"""Room `fhirpath`: System.Quantity: a number with a UCUM unit or a calendar word, compared and multiplied exactly.

Only the UCUM atoms in `_ATOMS` are known, with metric prefixes, products, quotients and exponents. A unit outside is
compared with its own spelling only; with any other it is refused, never guessed. Factors: UCUM 2.1, table of units.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal, localcontext
from fractions import Fraction
from functools import cache

from fhir_bladder.errors import UnsupportedError

_CALENDAR = {
    "year": "a",
    "month": "mo",
    "week": "wk",
    "day": "d",
    "hour": "h",
    "minute": "min",
    "second": "s",
    "millisecond": "ms",
}
CALENDAR_WORDS = {**{word: word for word in _CALENDAR}, **{word + "s": word for word in _CALENDAR}}
"""Calendar word as written (singular or plural) → singular."""
UCUM_OF_CALENDAR = {word: code for word, code in _CALENDAR.items() if word not in ("year", "month")}
"""Calendar word → UCUM code that means exactly the same; years and months have none."""
CALENDAR_OF_UCUM = {code: word for word, code in UCUM_OF_CALENDAR.items()}

_PREFIXES = {"k": 3, "h": 2, "da": 1, "d": -1, "c": -2, "m": -3, "u": -6, "n": -9, "p": -12, "M": 6, "G": 9}
_LB = Fraction("453.59237")
_INCH = Fraction("0.0254")
# atom → (factor, dimension, takes prefixes); base units m, g, s, mol, K, rad, "1"
_ATOMS: dict[str, tuple[Fraction, dict[str, int], bool]] = {
    "m": (Fraction(1), {"m": 1}, True),
    "g": (Fraction(1), {"g": 1}, True),
    "s": (Fraction(1), {"s": 1}, True),
    "mol": (Fraction(1), {"mol": 1}, True),
    "K": (Fraction(1), {"K": 1}, True),
    "L": (Fraction(1, 1000), {"m": 3}, True),
    "l": (Fraction(1, 1000), {"m": 3}, True),
    "Hz": (Fraction(1), {"s": -1}, True),
    "Pa": (Fraction(1000), {"g": 1, "m": -1, "s": -2}, True),
    "N": (Fraction(1000), {"g": 1, "m": 1, "s": -2}, True),
    "J": (Fraction(1000), {"g": 1, "m": 2, "s": -2}, True),
    "m[Hg]": (Fraction(133322000), {"g": 1, "m": -1, "s": -2}, True),
    "min": (Fraction(60), {"s": 1}, False),
    "h": (Fraction(3600), {"s": 1}, False),
    "d": (Fraction(86400), {"s": 1}, False),
    "wk": (Fraction(604800), {"s": 1}, False),
    "mo": (Fraction(2629800), {"s": 1}, False),
    "a": (Fraction(31557600), {"s": 1}, False),
    "%": (Fraction(1, 100), {}, False),
    "1": (Fraction(1), {}, False),
    "[lb_av]": (_LB, {"g": 1}, False),
    "[oz_av]": (_LB / 16, {"g": 1}, False),
    "[in_i]": (_INCH, {"m": 1}, False),
    "[ft_i]": (_INCH * 12, {"m": 1}, False),
}


@dataclass(frozen=True, slots=True)
class Quantity:
    """Value and unit. `unit` is a UCUM code, or a calendar word in singular where `calendar`."""

    value: Decimal
    unit: str
    calendar: bool = False

    @property
    def text(self) -> str:
        """As toString() writes it: `1 'wk'`, `4 days`."""
        if self.calendar:
            return f"{self.value} {self.unit if self.value == 1 else self.unit + 's'}"
        return f"{self.value} '{self.unit}'"


@cache
def _unit(code: str) -> tuple[Fraction, tuple[tuple[str, int], ...]] | None:
    """Factor to base units and dimension of a UCUM code; None where an atom is not known."""
    factor, dimension = Fraction(1), dict[str, int]()
    sign = 1
    for part in re.split(r"([./])", re.sub(r"\{[^{}]*\}", "", code) or "1"):
        if part in (".", "/"):
            sign = 1 if part == "." else -1
            continue
        if part == "" and sign == 1 and code.startswith("/"):
            continue
        found = _power(part)
        if found is None:
            return None
        factor *= found[0] ** sign
        for base, exponent in found[1].items():
            dimension[base] = dimension.get(base, 0) + sign * exponent
    return factor, tuple(sorted((base, exponent) for base, exponent in dimension.items() if exponent))


def _power(part: str) -> tuple[Fraction, dict[str, int]] | None:
    if re.fullmatch(r"\d+", part):
        return Fraction(part), {}
    match = re.fullmatch(r"(.*?[A-Za-z\]%])([+-]?\d+)?", part)
    if not match:
        return None
    found = _atom(match[1])
    if found is None:
        return None
    exponent = int(match[2] or 1)
    return found[0] ** exponent, {base: power * exponent for base, power in found[1].items()}


def _atom(text: str) -> tuple[Fraction, dict[str, int]] | None:
    if text in _ATOMS:
        return _ATOMS[text][:2]
    for length in (2, 1):
        prefix, rest = text[:length], text[length:]
        if prefix in _PREFIXES and rest in _ATOMS and _ATOMS[rest][2]:
            return Fraction(10) ** _PREFIXES[prefix] * _ATOMS[rest][0], _ATOMS[rest][1]
    return None


def _code(quantity: Quantity) -> str | None:
    """UCUM code of the unit; None for a calendar year or month, which UCUM does not have."""
    return UCUM_OF_CALENDAR.get(quantity.unit) if quantity.calendar else quantity.unit


def _scaled(left: Quantity, right: Quantity) -> tuple[Fraction, Fraction] | None:
    """Both values in one unit; None where they cannot be compared (other dimension, calendar year with UCUM year)."""
    if left.unit == right.unit and left.calendar == right.calendar:
        return Fraction(left.value), Fraction(right.value)
    if left.calendar and right.calendar and {left.unit, right.unit} == {"year", "month"}:
        return tuple(Fraction(q.value) * (12 if q.unit == "year" else 1) for q in (left, right))  # type: ignore[return-value]
    first, second = _code(left), _code(right)
    if first is None or second is None:
        return None
    units = _unit(first), _unit(second)
    for code, unit in zip((first, second), units, strict=True):
        if unit is None:
            raise UnsupportedError(f"UCUM unit {code!r} beside another unit", "", "use one unit on both sides")
    assert units[0] and units[1]
    if units[0][1] != units[1][1]:
        return None
    return Fraction(left.value) * units[0][0], Fraction(right.value) * units[1][0]


def compare(left: Quantity, right: Quantity) -> int | None:
    """-1, 0, 1; None where the units are not of one dimension."""
    pair = _scaled(left, right)
    return None if pair is None else (pair[0] > pair[1]) - (pair[0] < pair[1])


def equivalent(left: Quantity, right: Quantity) -> bool:
    """`~`: equal after rounding to the coarser of the two precisions, in the unit of the coarser one."""
    if _code(left) is None and _code(right) is None and left.unit == right.unit:
        return left.value == right.value
    pair = _scaled(_loose(left), _loose(right))
    if pair is None:
        return False
    steps = []
    for quantity, scaled in zip((left, right), pair, strict=True):
        unit = Fraction(scaled) / Fraction(quantity.value) if quantity.value else Fraction(1)
        steps.append(unit * Fraction(10) ** int(quantity.value.as_tuple().exponent))
    step = max(steps)
    return round(pair[0] / step) == round(pair[1] / step)


def _loose(quantity: Quantity) -> Quantity:
    """For `~` a calendar year is a UCUM year."""
    return Quantity(quantity.value, _CALENDAR[quantity.unit]) if quantity.calendar else quantity


def add(left: Quantity, right: Quantity, sign: int) -> Quantity | None:
    """Sum or difference in the unit of the left side; None where the dimensions differ."""
    if left.unit == right.unit and left.calendar == right.calendar:
        return Quantity(left.value + sign * right.value, left.unit, left.calendar)
    pair = _scaled(left, right)
    code = _code(left)
    unit = _unit(code) if code else None
    if pair is None or unit is None:
        return None
    return Quantity(_decimal((pair[0] + sign * pair[1]) / unit[0]), left.unit, left.calendar)


def multiply(left: Quantity, right: Quantity, power: int) -> Quantity | None:
    """Product (`power` 1) or quotient (-1), unit in base units where both have one; None for a division by zero."""
    if power < 0 and right.value == 0:
        return None
    codes = _code(left), _code(right)
    if codes[1] == "1" or (power > 0 and codes[0] == "1"):
        keep = left if codes[1] == "1" else right
        with localcontext(prec=60):
            value = left.value * right.value if power > 0 else _decimal(Fraction(left.value) / Fraction(right.value))
        return Quantity(value, keep.unit, keep.calendar)
    units = [_unit(code) if code else None for code in codes]
    if units[0] is None or units[1] is None:
        raise UnsupportedError(f"product of the units {left.unit!r} and {right.unit!r}")
    factor = units[0][0] * units[1][0] ** power
    dimension = dict(units[0][1])
    for base, exponent in units[1][1]:
        dimension[base] = dimension.get(base, 0) + power * exponent
    text = ".".join(
        base + (str(exponent) if exponent != 1 else "") for base, exponent in sorted(dimension.items()) if exponent
    )
    return Quantity(_decimal(Fraction(left.value) * Fraction(right.value) ** power * factor), text or "1")


def _decimal(value: Fraction) -> Decimal:
    with localcontext(prec=40):
        return Decimal(value.numerator) / Decimal(value.denominator)


def comparable_units(left: Quantity, right: Quantity) -> bool:
    """Whether the two have one dimension; an unknown unit is comparable with its own spelling only."""
    if left.unit == right.unit:
        return True
    first, second = _code(left), _code(right)
    units = [_unit(code) if code else None for code in (first, second)]
    return units[0] is not None and units[1] is not None and units[0][1] == units[1][1]


_TEXT = re.compile(r"(?P<value>[+-]?\d+(?:\.\d+)?)\s*(?:'(?P<unit>[^']+)'|(?P<word>[a-z]+))?\Z", re.ASCII)


def parse(text: str) -> Quantity | None:
    """`1 'mg'`, `4 days`, `4`; None for anything else."""
    match = _TEXT.match(text)
    if not match:
        return None
    word = match["word"]
    if word:
        if word not in CALENDAR_WORDS:
            return None
        return Quantity(Decimal(match["value"]), CALENDAR_WORDS[word], calendar=True)
    return Quantity(Decimal(match["value"]), match["unit"] or "1")
