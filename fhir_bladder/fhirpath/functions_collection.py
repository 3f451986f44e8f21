"""Room `fhirpath`: functions on collections: existence, subsetting, combining, tree. FHIRPath N1 5.1–5.4, 5.8."""

from __future__ import annotations

from fhir_bladder.fhirpath import equality, quantity
from fhir_bladder.fhirpath.context import Context, Items, boolean, integer, single
from fhir_bladder.fhirpath.nodes import Item, Node, children, descendants
from fhir_bladder.fhirpath.problems import EvaluationError
from fhir_bladder.fhirpath.registry import function


@function("empty")
def _empty(_: Context, items: Items) -> Items:
    return [not items]


@function("not")
def _not(_: Context, items: Items) -> Items:
    if len(items) > 1:
        raise EvaluationError(f"{len(items)} items where not() asks one")
    if not items:
        return []
    value = items[0].value if isinstance(items[0], Node) else items[0]
    return [value is False]


def _booleans(items: Items, name: str) -> list[bool]:
    values = [item.value if isinstance(item, Node) else item for item in items]
    if not all(isinstance(value, bool) for value in values):
        raise EvaluationError(f"{name} asks true and false only")
    return values


@function("allTrue")
def _all_true(_: Context, items: Items) -> Items:
    return [all(_booleans(items, "allTrue()"))]


@function("anyTrue")
def _any_true(_: Context, items: Items) -> Items:
    return [any(_booleans(items, "anyTrue()"))]


@function("allFalse")
def _all_false(_: Context, items: Items) -> Items:
    return [not any(_booleans(items, "allFalse()"))]


@function("anyFalse")
def _any_false(_: Context, items: Items) -> Items:
    return [not all(_booleans(items, "anyFalse()"))]


@function("subsetOf", 1)
def _subset_of(_: Context, items: Items, other: Items) -> Items:
    return [all(equality.contains(other, item) for item in items)]


@function("supersetOf", 1)
def _superset_of(_: Context, items: Items, other: Items) -> Items:
    return [all(equality.contains(items, item) for item in other)]


@function("count")
def _count(_: Context, items: Items) -> Items:
    return [len(items)]


@function("distinct")
def _distinct(_: Context, items: Items) -> Items:
    return equality.distinct(items)


@function("isDistinct")
def _is_distinct(_: Context, items: Items) -> Items:
    return [len(equality.distinct(items)) == len(items)]


@function("single")
def _only(_: Context, items: Items) -> Items:
    if len(items) > 1:
        raise EvaluationError(f"{len(items)} items where single() asks one", "", "use first()")
    return items


@function("first")
def _first(_: Context, items: Items) -> Items:
    return items[:1]


@function("last")
def _last(_: Context, items: Items) -> Items:
    return items[-1:]


@function("tail")
def _tail(_: Context, items: Items) -> Items:
    return items[1:]


@function("skip", 1)
def _skip(_: Context, items: Items, count: Items) -> Items:
    number = integer(count, "skip()")
    return [] if number is None else items[max(number, 0) :]


@function("take", 1)
def _take(_: Context, items: Items, count: Items) -> Items:
    number = integer(count, "take()")
    return [] if number is None else items[: max(number, 0)]


@function("intersect", 1)
def _intersect(_: Context, items: Items, other: Items) -> Items:
    return equality.distinct([item for item in items if equality.contains(other, item)])


@function("exclude", 1)
def _exclude(_: Context, items: Items, other: Items) -> Items:
    return [item for item in items if not equality.contains(other, item)]


@function("union", 1)
def _union(_: Context, items: Items, other: Items) -> Items:
    return equality.distinct(items + other)


@function("combine", 1)
def _combine(_: Context, items: Items, other: Items) -> Items:
    return items + other


@function("children")
def _children(_: Context, items: Items) -> Items:
    out: list[Item] = []
    for item in items:
        if isinstance(item, Node):
            out.extend(children(item))
    return out


@function("descendants")
def _descendants(_: Context, items: Items) -> Items:
    return descendants(items)


@function("comparable", 1)
def _comparable(_: Context, items: Items, other: Items) -> Items:
    left, right = single(items, "comparable()"), single(other, "comparable()")
    if isinstance(left, quantity.Quantity) and isinstance(right, quantity.Quantity):
        return boolean(quantity.comparable_units(left, right))
    return []
