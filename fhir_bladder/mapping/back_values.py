"""Room `mapping`: datatypes back to what the record said: digits, units, times as received. May import terminology."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Context, Decimal, InvalidOperation
from typing import Any

from fhir_bladder.errors import RecordError
from fhir_bladder.terminology import names as N

Element = dict[str, Any]

_WIDE = Context(prec=400)
_FAR = 300  # powers of ten; `wire` takes no more


def extensions(element: Element) -> dict[str, Element]:
    """Extensions of an element by URL; of one that repeats, the first."""
    found: dict[str, Element] = {}
    for extension in element.get("extension", ()):
        if isinstance(extension, dict):
            found.setdefault(extension.get("url", ""), extension)
    return found


def _sibling(element: Element, name: str) -> dict[str, Element]:
    sibling = element.get("_" + name)
    return extensions(sibling) if isinstance(sibling, dict) else {}


def time(element: Element, name: str) -> str | None:
    """A dateTime or instant as received."""
    received = _sibling(element, name).get(N.AS_RECEIVED)
    value = received["valueString"] if received else element.get(name)
    return value if isinstance(value, str) else None


def received_in(element: Element, url: str) -> str | None:
    """What `as-received` beside the extension with this URL says of it."""
    name = url.rpartition("/")[2] + " "
    for extension in element.get("extension", ()):
        if extension.get("url") == N.AS_RECEIVED and str(extension.get("valueString")).startswith(name):
            return str(extension["valueString"])[len(name) :]
    return None


def extension_time(element: Element, found: dict[str, Element], url: str) -> str | None:
    """The dateTime of an element's extension as received. found: `extensions(element)`."""
    if url not in found:
        return None
    return received_in(element, url) or found[url].get("valueDateTime")


def _number(value: Any) -> Decimal:
    try:
        number = value if isinstance(value, Decimal) else Decimal(str(value))
    except InvalidOperation:
        raise RecordError(f"{str(value)[:40]!r} is not a number", "Quantity.value", "correct the resource") from None
    if not number.is_finite() or (number and not -_FAR < number.adjusted() < _FAR):
        raise RecordError(f"number {str(value)[:40]} is out of range", "Quantity.value", "correct the resource")
    return number


def _digits(value: Any, marks: dict[str, Element]) -> Decimal:
    """The decimal as it was: places by `quantity-precision`; without it a server may have added zeros."""
    number = _number(value)
    mark = marks.get(N.PRECISION)
    if mark is not None:
        return number.quantize(Decimal(1).scaleb(-int(mark["valueInteger"])), context=_WIDE)
    exponent = number.as_tuple().exponent
    if isinstance(exponent, int) and exponent < 0 and number.as_tuple().digits[-1] == 0:
        number = number.normalize(_WIDE)
        exponent = number.as_tuple().exponent
        if isinstance(exponent, int) and exponent > 0:
            number = number.quantize(Decimal(1), context=_WIDE)
    return number


def quantity(element: Element) -> Element:
    """A quantity of the record."""
    received = extensions(element).get(N.AS_RECEIVED)
    if received is not None:
        number, _, unit = received["valueString"].partition(" ")
        found: Element = {"value": _number(number), "unit": unit}
    else:
        if "value" not in element:
            raise RecordError("a quantity has no value", "Quantity.value", "correct the resource")
        found = {"value": _digits(element["value"], _sibling(element, "value"))}
        found["unit"] = element.get("code") or element.get("unit")
    if "comparator" in element:
        found["comparator"] = element["comparator"]
    return found


def decimal(element: Element, found: dict[str, Element], url: str) -> Decimal | None:
    """The decimal of an element's extension as received. found: `extensions(element)`."""
    if url not in found:
        return None
    received = received_in(element, url)
    return _digits(found[url]["valueDecimal"], {}) if received is None else _number(received)


def identifier(element: Element | None) -> Element | None:
    """An identifier of the record: system and value."""
    if not element or "value" not in element or "system" not in element:
        return None
    return {"system": element["system"], "value": element["value"]}


def local_code(concept: Element, system: str = N.LOCAL) -> str:
    """The code of a CodeableConcept in a system, empty where there is none."""
    return next((coding.get("code", "") for coding in concept.get("coding", ()) if coding.get("system") == system), "")


def given(pairs: Iterable[tuple[str, Any]]) -> Element:
    """An object of what is known."""
    return {name: value for name, value in pairs if value is not None}
