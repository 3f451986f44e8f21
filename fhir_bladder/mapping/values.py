"""Room `mapping`: datatypes: quantities, times, extensions, absent reasons. May import exam, terminology.

What had to be normalised carries `as-received`; a decimal with trailing zeros carries `quantity-precision`, so that it
survives servers that rewrite numbers. Where the value of an extension had to be normalised, `as-received` stands beside
that extension and starts with its name: R4 would allow it within (`_valueDateTime`), but servers built on
`fhir.resources` refuse such a resource. Constant parts are shared between resources: read, never change them.
"""

from __future__ import annotations

from decimal import Context, Decimal
from typing import Any

from fhir_bladder.exam import Timestamp
from fhir_bladder.exam.model import Quantity
from fhir_bladder.terminology import names as N
from fhir_bladder.terminology.units import CANONICAL

Element = dict[str, Any]

SAFE_DIGITS = 15
"""Digits of a decimal that every reader of binary doubles gives back (IEEE 754, binary64: 15)."""

_OWN_UNITS = frozenset(CANONICAL.values())
_FAR = 30  # powers of ten beyond which a number is written with an exponent
_WIDE = Context(prec=200)


def received(text: str) -> Element:
    """The extension with the text as received."""
    return {"url": N.AS_RECEIVED, "valueString": text}


_PRECISIONS = [{"extension": [{"url": N.PRECISION, "valueInteger": places}]} for places in range(40)]


def precision(places: int) -> Element:
    """Sibling of a decimal that says how many places after the point count."""
    if places < len(_PRECISIONS):
        return _PRECISIONS[places]
    return {"extension": [{"url": N.PRECISION, "valueInteger": places}]}


def places_to_keep(text: str) -> int:
    """Places after the point where the last of them is a zero, else 0: what a rewritten number would lose."""
    return len(text) - text.index(".") - 1 if text[-1] == "0" and "." in text else 0


def _plain(value: Decimal) -> Decimal:
    """Without an exponent, unless it is far from 1; of a zero at most six places, since readers refuse `0E-12`."""
    exponent = value.as_tuple().exponent
    assert isinstance(exponent, int)
    if value.is_zero():
        return Decimal(0).scaleb(min(0, max(exponent, -6)))
    if abs(value.adjusted()) > _FAR or abs(exponent) > _FAR:
        return value
    return value.quantize(Decimal(1), context=_WIDE) if exponent > 0 else Decimal(format(value, "f"))


def quantity(given: Quantity) -> Element:
    """A received quantity in the canonical unit of its kind; what was received stands beside it where it differs."""
    value, unit = given.value, given.unit
    text = str(value)
    if unit in _OWN_UNITS and len(text) <= SAFE_DIGITS and "E" not in text and text[0] != "-":
        result: Element = {"value": value, "unit": unit, "system": N.UCUM, "code": unit}
    else:
        value = _plain(given.canonical)
        as_received, unit = f"{text} {unit}", CANONICAL[given.kind]
        text = str(value)
        result = {"value": value, "unit": unit, "system": N.UCUM, "code": unit}
        if as_received != f"{text} {unit}" or "E" in text or len(value.as_tuple().digits) > SAFE_DIGITS:
            result = {"extension": [received(as_received)], **result}
    if text[-1] == "0" and "." in text:
        result["_value"] = precision(places_to_keep(text))
    if given.comparator is not None:
        result["comparator"] = given.comparator
    return result


def amount(value: Decimal | int, unit: str) -> Element:
    """A quantity of our own in a UCUM unit."""
    text = str(value)
    if "E" in text:
        value = _plain(Decimal(value))
    result: Element = {"value": value, "unit": unit, "system": N.UCUM, "code": unit}
    if text[-1] == "0" and "." in text:
        result["_value"] = precision(places_to_keep(text))
    return result


def received_in(url: str, text: str) -> Element:
    """The text as received of the extension with this URL, to stand beside it."""
    return received(f"{url.rpartition('/')[2]} {text}")


def decimal_extension(url: str, value: Decimal) -> list[Element]:
    """An extension with a received decimal, and its text where a reader of numbers would lose digits."""
    plain, text = _plain(value), str(value)
    result: Element = {"url": url, "valueDecimal": plain}
    digits = len(plain.as_tuple().digits)
    if text != str(plain) or "E" in text or digits > SAFE_DIGITS or places_to_keep(text):
        return [result, received_in(url, text)]
    return [result]


def put_time(target: Element, name: str, time: Timestamp) -> None:
    """Set a dateTime or instant element, with the text as received where it is another."""
    wire = target[name] = time.wire
    if wire != time.text:
        target["_" + name] = {"extension": [received(time.text)]}


def time_extension(url: str, time: Timestamp) -> list[Element]:
    """An extension with a dateTime, and the text as received where it is another."""
    wire = time.wire
    result: Element = {"url": url, "valueDateTime": wire}
    return [result] if wire == time.text else [result, received_in(url, time.text)]


_DISPLAYS = {
    "unknown": "Unknown",
    "error": "Error",
    "asked-declined": "Asked But Declined",
    "not-performed": "Not Performed",
    "not-permitted": "Not Permitted",
}
_ABSENT: dict[tuple[str, str], Element] = {}


def absent(code: str, words: str) -> Element:
    """A dataAbsentReason with its words; R4 data-absent-reason holds the code."""
    found = _ABSENT.get((code, words))
    if found is None:
        if len(_ABSENT) > 1024:
            _ABSENT.clear()
        coding = {"system": N.ABSENT, "code": code, "display": _DISPLAYS[code]}
        found = _ABSENT[code, words] = {"coding": [coding], "text": words}
    return found


UNKNOWN = {"extension": [{"url": N.ABSENT_EXTENSION, "valueCode": "unknown"}]}
"""An element that has to be there and is not known."""


def identifier(system: str, value: str) -> Element:
    """An Identifier."""
    return {"system": system, "value": value}
