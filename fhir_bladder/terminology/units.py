"""Room `terminology`: UCUM units of the exam record, exact factors, and the aliases people write.

Factors come from UCUM 2.2 (`ucum-essence.xml`): 1 [in_i] = 2.54 cm, 1 [lb_av] = 0.45359237 kg = 16 [oz_av],
1 [foz_us] = 1/128 [gal_us], [gal_us] = 231 [in_i]3. Tested against the npm package `@lhncbc/ucum-lhc`.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Context, Decimal

from fhir_bladder.errors import RecordError

UCUM = "http://unitsofmeasure.org"

CANONICAL = {"volume": "mL", "length": "mm", "area": "cm2", "mass": "g", "frequency": "MHz"}
"""Unit of each kind on the wire. Every kind is a dimension: nothing converts between two of them."""

# unit -> (kind, power of ten to the canonical unit, exact further factor or None)
_UNITS: dict[str, tuple[str, int, Decimal | None]] = {
    "mL": ("volume", 0, None),
    "ml": ("volume", 0, None),
    "cm3": ("volume", 0, None),
    "cL": ("volume", 1, None),
    "cl": ("volume", 1, None),
    "dL": ("volume", 2, None),
    "dl": ("volume", 2, None),
    "L": ("volume", 3, None),
    "l": ("volume", 3, None),
    "dm3": ("volume", 3, None),
    "uL": ("volume", -3, None),
    "ul": ("volume", -3, None),
    "mm3": ("volume", -3, None),
    "[foz_us]": ("volume", 0, Decimal("29.5735295625")),
    "mm": ("length", 0, None),
    "cm": ("length", 1, None),
    "dm": ("length", 2, None),
    "m": ("length", 3, None),
    "um": ("length", -3, None),
    "[in_i]": ("length", 0, Decimal("25.4")),
    "cm2": ("area", 0, None),
    "mm2": ("area", -2, None),
    "dm2": ("area", 2, None),
    "m2": ("area", 4, None),
    "[sin_i]": ("area", 0, Decimal("6.4516")),
    "g": ("mass", 0, None),
    "kg": ("mass", 3, None),
    "mg": ("mass", -3, None),
    "[oz_av]": ("mass", 0, Decimal("28.349523125")),
    "[lb_av]": ("mass", 0, Decimal("453.59237")),
    "MHz": ("frequency", 0, None),
    "kHz": ("frequency", -3, None),
    "Hz": ("frequency", -6, None),
}

ALIASES = {
    "cc": "mL",
    "ccm": "mL",
    "mls": "mL",
    "mLs": "mL",
    "milliliter": "mL",
    "millilitre": "mL",
    "cm^3": "cm3",
    "cm³": "cm3",
    "µL": "uL",
    "μL": "uL",
    "µm": "um",
    "μm": "um",
    "in": "[in_i]",
    "inch": "[in_i]",
    "sqcm": "cm2",
    "cm^2": "cm2",
    "cm²": "cm2",
    "sqmm": "mm2",
    "mm^2": "mm2",
    "mm²": "mm2",
    "gm": "g",
    "gms": "g",
    "gram": "g",
    "grams": "g",
    "Kg": "kg",
    "lbs": "[lb_av]",
    "Mhz": "MHz",
}
"""What people write for a unit (common practice, no source; none of them is a UCUM code) and the UCUM code meant."""

_EXACT = Context(prec=200)


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit as understood: `code` is UCUM, `alias` tells that the text received was not."""

    code: str
    kind: str
    alias: bool


def units_of(kind: str) -> list[str]:
    """UCUM codes taken for a kind, the canonical one first."""
    return [code for code, (its_kind, _, _) in _UNITS.items() if its_kind == kind]


_KNOWN = {code: Unit(code, kind, alias=False) for code, (kind, _, _) in _UNITS.items()} | {
    alias: Unit(code, _UNITS[code][0], alias=True) for alias, code in ALIASES.items()
}


def understand(text: str, kind: str) -> Unit:
    """The unit a text means. Raises RecordError with the list of units that would do."""
    unit = _KNOWN.get(text)
    if unit is not None and unit.kind == kind:
        return unit
    would_do = f"write one of {', '.join(units_of(kind))}"
    if unit is not None:
        raise RecordError(f"unit {text!r} measures {unit.kind}, not {kind}", remedy=would_do)
    if text in ("ML", "Ml"):
        raise RecordError(f"unit {text!r} is a megalitre, which no bladder holds", remedy="write mL")
    raise RecordError(f"unit {text[:40]!r} is not known", remedy=would_do)


def to_canonical(value: Decimal, unit: str) -> Decimal:
    """The value in the canonical unit of its kind, exactly; significant digits are kept (0.240 cm is 2.40 mm).

    Raises KeyError for a text that `understand` would refuse.
    """
    _, power, factor = _UNITS[_KNOWN[unit].code]
    if factor is not None:
        return _plain(_EXACT.multiply(value, factor))
    return _plain(value.scaleb(power, _EXACT)) if power else value


def _plain(value: Decimal) -> Decimal:
    """Without a positive exponent, so that 1 L is written 1000 and not 1E+3."""
    exponent = value.as_tuple().exponent
    return value.quantize(Decimal(1), context=_EXACT) if isinstance(exponent, int) and exponent > 0 else value
