"""Room `fhirpath`: infix operators on collections. Source: FHIRPath N1, section 6."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal, localcontext
from typing import Any

from fhir_bladder.fhirpath import equality, quantity, temporal
from fhir_bladder.fhirpath.context import Items, boolean, single, truth
from fhir_bladder.fhirpath.nodes import type_of
from fhir_bladder.fhirpath.problems import EvaluationError
from fhir_bladder.fhirpath.quantity import CALENDAR_OF_UCUM, Quantity
from fhir_bladder.fhirpath.temporal import Temporal

_PRECISION = 60


def _pair(left: Items, right: Items, operator: str) -> tuple[Any, Any] | None:
    first, second = single(left, operator), single(right, operator)
    return None if first is None or second is None else (first, second)


def _wrong(pair: tuple[Any, Any], operator: str) -> EvaluationError:
    kinds = " and ".join(".".join(type_of(value)) for value in pair)
    return EvaluationError(f"{operator} has no meaning between {kinds}")


def _numbers(pair: tuple[Any, Any]) -> bool:
    return all(isinstance(value, int | Decimal) and not isinstance(value, bool) for value in pair)


def _quantities(pair: tuple[Any, Any]) -> tuple[Quantity, Quantity] | None:
    if not any(isinstance(value, Quantity) for value in pair):
        return None
    made = [value if isinstance(value, Quantity) else None for value in pair]
    for at, value in enumerate(pair):
        if made[at] is None and isinstance(value, int | Decimal) and not isinstance(value, bool):
            made[at] = Quantity(Decimal(value), "1")
    return (made[0], made[1]) if made[0] is not None and made[1] is not None else None


def _calendar_unit(amount: Quantity) -> str | None:
    return amount.unit if amount.calendar else CALENDAR_OF_UCUM.get(amount.unit)


def _moved(moment: Temporal, amount: Quantity, sign: int, operator: str) -> Items:
    unit = _calendar_unit(amount)
    if unit is None:
        raise EvaluationError(f"{operator} of a date and {amount.text}", "", "give a calendar unit such as days")
    result = temporal.add(moment, sign * amount.value, unit)
    return [] if result is None else [result]


def _sum(left: Items, right: Items, operator: str, sign: int) -> Items:
    pair = _pair(left, right, operator)
    if pair is None:
        return []
    first, second = pair
    if _numbers(pair):
        with localcontext(prec=_PRECISION):
            return [first + second if sign > 0 else first - second]
    if isinstance(first, str) and isinstance(second, str) and sign > 0:
        return [first + second]
    if isinstance(first, Temporal) and isinstance(second, Quantity):
        return _moved(first, second, sign, operator)
    both = _quantities(pair)
    if both is None:
        raise _wrong(pair, operator)
    result = quantity.add(both[0], both[1], sign)
    return [] if result is None else [result]


def plus(left: Items, right: Items) -> Items:
    """`+`."""
    return _sum(left, right, "+", 1)


def minus(left: Items, right: Items) -> Items:
    """`-`."""
    return _sum(left, right, "-", -1)


def times(left: Items, right: Items) -> Items:
    """`*`."""
    pair = _pair(left, right, "*")
    if pair is None:
        return []
    if _numbers(pair):
        with localcontext(prec=_PRECISION):
            return [pair[0] * pair[1]]
    both = _quantities(pair)
    if both is None:
        raise _wrong(pair, "*")
    return [quantity.multiply(both[0], both[1], 1)]


def divide(left: Items, right: Items) -> Items:
    """`/`: always a Decimal; empty for a division by zero."""
    pair = _pair(left, right, "/")
    if pair is None:
        return []
    if _numbers(pair):
        if pair[1] == 0:
            return []
        return [Decimal(pair[0]) / Decimal(pair[1])]
    both = _quantities(pair)
    if both is None:
        raise _wrong(pair, "/")
    result = quantity.multiply(both[0], both[1], -1)
    return [] if result is None else [result]


def _whole(left: Items, right: Items, operator: str) -> Items:
    pair = _pair(left, right, operator)
    if pair is None:
        return []
    if not _numbers(pair):
        raise _wrong(pair, operator)
    first, second = pair
    if second == 0:
        return []
    with localcontext(prec=_PRECISION):
        quotient = int(Decimal(first) / Decimal(second))
        return [quotient] if operator == "div" else [first - second * quotient]


def div(left: Items, right: Items) -> Items:
    """`div`: whole quotient, towards zero."""
    return _whole(left, right, "div")


def mod(left: Items, right: Items) -> Items:
    """`mod`: remainder with the sign of the left side."""
    return _whole(left, right, "mod")


def concatenate(left: Items, right: Items) -> Items:
    """`&`: text, an empty side counts as ''."""
    words = []
    for items in (left, right):
        value = single(items, "&")
        if value is None:
            value = ""
        if isinstance(value, Temporal):
            value = value.text
        if not isinstance(value, str):
            raise EvaluationError(f"& asks text, not {'.'.join(type_of(value))}", "", "use toString()")
        words.append(value)
    return ["".join(words)]


def union(left: Items, right: Items) -> Items:
    """`|`."""
    return equality.distinct(left + right)


def _ordered(operator: str, accept: Callable[[int], bool]) -> Callable[[Items, Items], Items]:
    def run(left: Items, right: Items) -> Items:
        if not left or not right:
            return []
        if len(left) > 1 or len(right) > 1:
            raise EvaluationError(f"{operator} compares single values, not {max(len(left), len(right))}")
        order = equality.compare(left[0], right[0])
        return [] if order is None else [accept(order)]

    return run


def _equal(left: Items, right: Items) -> Items:
    return boolean(equality.equals(left, right))


def _unequal(left: Items, right: Items) -> Items:
    same = equality.equals(left, right)
    return [] if same is None else [not same]


def _equivalent(left: Items, right: Items) -> Items:
    return [equality.equivalents(left, right)]


def _not_equivalent(left: Items, right: Items) -> Items:
    return [not equality.equivalents(left, right)]


def _in(left: Items, right: Items) -> Items:
    if not left:
        return []
    if len(left) > 1:
        raise EvaluationError(f"{len(left)} items on the side of a membership test that asks one")
    return [equality.contains(right, left[0])]


def _contains(left: Items, right: Items) -> Items:
    return _in(right, left)


OPERATORS: dict[str, Callable[[Items, Items], Items]] = {
    "+": plus,
    "-": minus,
    "*": times,
    "/": divide,
    "div": div,
    "mod": mod,
    "&": concatenate,
    "|": union,
    "<": _ordered("<", lambda order: order < 0),
    "<=": _ordered("<=", lambda order: order <= 0),
    ">": _ordered(">", lambda order: order > 0),
    ">=": _ordered(">=", lambda order: order >= 0),
    "=": _equal,
    "!=": _unequal,
    "~": _equivalent,
    "!~": _not_equivalent,
    "in": _in,
    "contains": _contains,
}
"""Operators whose sides are both evaluated first."""


def negate(items: Items) -> Items:
    """Unary minus."""
    value = single(items, "-")
    if value is None:
        return []
    if isinstance(value, Quantity):
        return [Quantity(-value.value, value.unit, value.calendar)]
    if isinstance(value, int | Decimal) and not isinstance(value, bool):
        return [-value]
    raise EvaluationError(f"- before {'.'.join(type_of(items[0]))}", "", "negate numbers and quantities only")


def positive(items: Items) -> Items:
    """Unary plus."""
    negate(items)
    return items


def logic(operator: str, left: bool | None, right: Callable[[], Items]) -> bool | None:
    """`and`, `or`, `xor`, `implies` with three values; the right side is evaluated only where it decides."""
    if operator == "and":
        if left is False:
            return False
        other = truth(right())
        return False if other is False else None if left is None or other is None else True
    if operator == "or":
        if left is True:
            return True
        other = truth(right())
        return True if other is True else None if left is None or other is None else False
    if operator == "implies":
        if left is False:
            return True
        other = truth(right())
        return True if other is True else None if left is None or other is None else False
    other = truth(right())
    return None if left is None or other is None else left != other
