"""Room `fhirpath`: `=`, `~`, `<` … between items and between collections, with three values."""

from __future__ import annotations

from decimal import Decimal
from typing import Any, TypeGuard

from fhir_bladder.fhirpath import quantity, temporal
from fhir_bladder.fhirpath.nodes import QUANTITIES, Item, Node, decimal_of, system
from fhir_bladder.fhirpath.problems import EvaluationError
from fhir_bladder.fhirpath.quantity import Quantity
from fhir_bladder.fhirpath.temporal import Temporal


def same_json(left: Any, right: Any) -> bool:
    """Deep equality of JSON; numbers by value, true is not 1, order of keys does not matter."""
    if isinstance(left, dict) and isinstance(right, dict):
        return left.keys() == right.keys() and all(same_json(left[key], right[key]) for key in left)
    if isinstance(left, list) and isinstance(right, list):
        return len(left) == len(right) and all(map(same_json, left, right))
    if isinstance(left, bool) or isinstance(right, bool):
        return left is right
    if isinstance(left, float) or isinstance(right, float):
        if isinstance(left, int | float | Decimal) and isinstance(right, int | float | Decimal):
            return decimal_of(left) == decimal_of(right)
        return False
    return (type(left) is type(right) or (_number(left) and _number(right))) and bool(left == right)


def _number(value: Any) -> TypeGuard[int | Decimal]:
    return isinstance(value, int | Decimal)


def equal(left: Item, right: Item) -> bool | None:
    """`=` of two items; None where precision leaves it open."""
    if isinstance(left, Node) and isinstance(right, Node):
        if left.type in QUANTITIES and right.type in QUANTITIES and isinstance(left.value, dict):
            return _fhir_quantities(left, right)
        if isinstance(left.value, dict) or isinstance(right.value, dict):
            return same_json(left.value, right.value)
        if left.value is None and right.value is None:
            return same_json(left.sibling, right.sibling)
    first, second = _aligned(left, right)
    if isinstance(first, Temporal) and isinstance(second, Temporal):
        return temporal.equal(first, second) if temporal.comparable(first, second) else False
    if isinstance(first, Quantity) or isinstance(second, Quantity):
        first, second = _as_quantity(first), _as_quantity(second)
        if first is None or second is None:
            return False
        order = quantity.compare(first, second)
        return None if order is None else order == 0
    if isinstance(first, bool) or isinstance(second, bool):
        return first is second
    if _number(first) and _number(second):
        return bool(first == second)
    if isinstance(first, Node) or isinstance(second, Node):
        return False
    return type(first) is type(second) and bool(first == second)


def _as_quantity(value: Item) -> Quantity | None:
    if isinstance(value, Quantity):
        return value
    if isinstance(value, int | Decimal) and not isinstance(value, bool):
        return Quantity(Decimal(value), "1")
    return None


def _fhir_quantities(left: Node, right: Node) -> bool | None:
    if same_json(left.value, right.value):
        return True
    first, second = system(left), system(right)
    if isinstance(first, Quantity) and isinstance(second, Quantity):
        order = quantity.compare(first, second)
        return None if order is None else order == 0
    return False


def _aligned(left: Item, right: Item) -> tuple[Item, Item]:
    """System values; text of unknown type beside a date is read as a date (constants of a view have no type)."""
    first, second = system(left), system(right)
    if isinstance(first, Temporal) and isinstance(second, str):
        return first, _read_like(second, right, first)
    if isinstance(second, Temporal) and isinstance(first, str):
        return _read_like(first, left, second), second
    return first, second


def _read_like(text: str, item: Item, other: Temporal) -> Item:
    if not isinstance(item, Node) or item.type:
        return text
    if other.kind == "Time":
        return temporal.parse_time(text) or text
    return temporal.parse_datetime(text) or text


def equals(left: list[Item], right: list[Item]) -> bool | None:
    """`=` of two collections: None where one is empty, order counts."""
    if not left or not right:
        return None
    if len(left) != len(right):
        return False
    unsure = False
    for first, second in zip(left, right, strict=True):
        same = equal(first, second)
        if same is False:
            return False
        unsure = unsure or same is None
    return None if unsure else True


def _normal(text: str) -> str:
    return " ".join(text.lower().split())


def _scale(value: int | Decimal) -> int:
    return -int(Decimal(value).as_tuple().exponent)


def equivalent(left: Item, right: Item) -> bool:
    """`~` of two items."""
    first, second = _aligned(left, right)
    if isinstance(first, Node) and isinstance(second, Node):
        return _equivalent_json(first.value, second.value)
    if isinstance(first, bool) or isinstance(second, bool):
        return first is second
    if isinstance(first, str) and isinstance(second, str):
        return _normal(first) == _normal(second)
    if isinstance(first, Quantity) or isinstance(second, Quantity):
        first, second = _as_quantity(first), _as_quantity(second)
        return first is not None and second is not None and quantity.equivalent(first, second)
    if _number(first) and _number(second):
        places = min(_scale(first), _scale(second))
        return round(Decimal(first), places) == round(Decimal(second), places)
    if isinstance(first, Temporal) and isinstance(second, Temporal):
        return temporal.comparable(first, second) and temporal.equal(first, second) is True
    return equal(left, right) is True


def _equivalent_json(left: Any, right: Any) -> bool:
    if isinstance(left, dict) and isinstance(right, dict):
        return left.keys() == right.keys() and all(_equivalent_json(left[key], right[key]) for key in left)
    if isinstance(left, list) and isinstance(right, list):
        rest = list(right)
        for item in left:
            found = next((at for at, other in enumerate(rest) if _equivalent_json(item, other)), None)
            if found is None:
                return False
            del rest[found]
        return not rest
    if isinstance(left, str) and isinstance(right, str):
        return _normal(left) == _normal(right)
    return same_json(left, right)


def equivalents(left: list[Item], right: list[Item]) -> bool:
    """`~` of two collections: order does not count, two empty ones are equivalent."""
    if len(left) != len(right):
        return False
    rest = list(right)
    for item in left:
        found = next((at for at, other in enumerate(rest) if equivalent(item, other)), None)
        if found is None:
            return False
        del rest[found]
    return True


def contains(items: list[Item], wanted: Item) -> bool:
    """Whether an item equal (`=`) to `wanted` is there."""
    return any(equal(item, wanted) is True for item in items)


def distinct(items: list[Item]) -> list[Item]:
    """The items without equal ones, in order."""
    out: list[Item] = []
    seen: set[str] = set()
    for item in items:
        text = (
            item.value if isinstance(item, Node) and item.type not in ("date", "dateTime", "instant", "time") else item
        )
        if type(text) is str:
            if text not in seen:
                seen.add(text)
                out.append(item)
        elif not contains(out, item):
            out.append(item)
    return out


def compare(left: Item, right: Item) -> int | None:
    """-1, 0, 1 or None (open). Raises EvaluationError where the types have no order."""
    first, second = _aligned(left, right)
    if isinstance(first, bool) or isinstance(second, bool):
        raise _no_order(first, second)
    if isinstance(first, str) and isinstance(second, str):
        return (first > second) - (first < second)
    if _number(first) and _number(second):
        return (first > second) - (first < second)
    if isinstance(first, Temporal) and isinstance(second, Temporal):
        if temporal.comparable(first, second):
            return temporal.compare(first, second)
        raise _no_order(first, second)
    if isinstance(first, Quantity) or isinstance(second, Quantity):
        one, other = _as_quantity(first), _as_quantity(second)
        if one is not None and other is not None:
            return quantity.compare(one, other)
    if isinstance(first, Node) and isinstance(second, Node) and first.type in QUANTITIES and second.type in QUANTITIES:
        return _same_unit(first.value, second.value)
    raise _no_order(first, second)


def _same_unit(left: Any, right: Any) -> int | None:
    """Two FHIR Quantities outside UCUM: by value where code, system and unit are the same, else open."""
    if not isinstance(left, dict) or not isinstance(right, dict) or "comparator" in left or "comparator" in right:
        return None
    if any(left.get(name) != right.get(name) for name in ("code", "system", "unit")):
        return None
    first, second = left.get("value"), right.get("value")
    if not isinstance(first, int | float | Decimal) or not isinstance(second, int | float | Decimal):
        return None
    one, other = decimal_of(first), decimal_of(second)
    return (one > other) - (one < other)


def _no_order(left: Item, right: Item) -> EvaluationError:
    return EvaluationError(f"{_kind(left)} has no order with {_kind(right)}", "", "compare values of one type")


def _kind(item: Item) -> str:
    return item.type or "a value of unknown type" if isinstance(item, Node) else type(item).__name__
