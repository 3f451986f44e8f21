"""Room `fhirpath`: functions whose arguments are evaluated once an item, with `$this` and `$index` set."""

from __future__ import annotations

import functools
from collections.abc import Callable
from decimal import Decimal

from fhir_bladder.fhirpath import equality
from fhir_bladder.fhirpath.context import Context, Fn, Items, truth
from fhir_bladder.fhirpath.nodes import Item, Node, system
from fhir_bladder.fhirpath.problems import EvaluationError
from fhir_bladder.fhirpath.quantity import Quantity

MAX_REPEAT = 100_000
"""Most items repeat() may find, against an expression that never ends."""


class _Each:
    """Runs a closure with `$this` = one item, and puts the outer state back."""

    __slots__ = ("context", "index", "this")

    def __init__(self, context: Context) -> None:
        self.context = context

    def __enter__(self) -> Context:
        self.this, self.index = self.context.this, self.context.index
        return self.context

    def __exit__(self, *_: object) -> None:
        self.context.this, self.context.index = self.this, self.index


def _criteria(value: Items) -> bool | None:
    return truth(value)


def _where(base: Fn, args: list[Fn]) -> Fn:
    criteria = args[0]

    def run(context: Context) -> Items:
        items = base(context)
        out: list[Item] = []
        with _Each(context):
            for context.index, item in enumerate(items):
                context.this = [item]
                if _criteria(criteria(context)):
                    out.append(item)
        return out

    return run


def _exists(base: Fn, args: list[Fn]) -> Fn:
    if args:
        found = _where(base, args)
        return lambda context: [bool(found(context))]
    return lambda context: [bool(base(context))]


def _select(base: Fn, args: list[Fn]) -> Fn:
    projection = args[0]

    def run(context: Context) -> Items:
        items = base(context)
        out: list[Item] = []
        with _Each(context):
            for context.index, item in enumerate(items):
                context.this = [item]
                out.extend(projection(context))
        return out

    return run


def _all(base: Fn, args: list[Fn]) -> Fn:
    criteria = args[0]

    def run(context: Context) -> Items:
        items = base(context)
        with _Each(context):
            for context.index, item in enumerate(items):
                context.this = [item]
                if not _criteria(criteria(context)):
                    return [False]
        return [True]

    return run


def _repeat(base: Fn, args: list[Fn]) -> Fn:
    projection = args[0]

    def run(context: Context) -> Items:
        queue = list(base(context))
        out: list[Item] = []
        seen: set[int] = set()
        values: set[tuple[bool, Item]] = set()
        with _Each(context):
            while queue:
                found: list[Item] = []
                for context.index, item in enumerate(queue):
                    context.this = [item]
                    found.extend(projection(context))
                queue = [item for item in found if _new(item, out, seen, values)]
                if len(out) > MAX_REPEAT:
                    raise EvaluationError(f"repeat() finds more than {MAX_REPEAT:,} items")
        return out

    return run


def _new(item: Item, out: list[Item], seen: set[int], values: set[tuple[bool, Item]]) -> bool:
    """Add an item not met before: the same place in the JSON, or equal."""
    if isinstance(item, Node) and isinstance(item.value, dict):
        if id(item.value) in seen:
            return False
        seen.add(id(item.value))
        out.append(item)
        return True
    if isinstance(item, str | int | Decimal):
        mark = (isinstance(item, bool), item)
        if mark in values:
            return False
        values.add(mark)
    elif equality.contains(out, item):
        return False
    out.append(item)
    return True


def _iif(base: Fn, args: list[Fn]) -> Fn:
    def run(context: Context) -> Items:
        items = base(context)
        if len(items) > 1:
            raise EvaluationError(f"{len(items)} items where iif() asks one", "", "use select(iif(…))")
        with _Each(context):
            context.this = items
            test = args[0](context)
            value = test[0].value if len(test) == 1 and isinstance(test[0], Node) else test[0] if test else None
            if len(test) > 1 or not (value is None or isinstance(value, bool)):
                raise EvaluationError("iif() asks true or false as its first argument")
            if value:
                return args[1](context)
            return args[2](context) if len(args) > 2 else []

    return run


def _aggregate(base: Fn, args: list[Fn]) -> Fn:
    def run(context: Context) -> Items:
        items = base(context)
        outer = context.total
        try:
            context.total = args[1](context) if len(args) > 1 else []
            with _Each(context):
                for context.index, item in enumerate(items):
                    context.this = [item]
                    context.total = args[0](context)
            return context.total
        finally:
            context.total = outer

    return run


def _trace(base: Fn, args: list[Fn]) -> Fn:
    """trace() changes nothing; nothing is written, the log belongs to the caller."""
    del args
    return base


def sort(base: Fn, args: list[tuple[Fn, bool]]) -> Fn:
    """sort(): by one key after the other, the flag says downwards; a missing key comes first in both."""

    def keys(context: Context, item: Item, at: int) -> list[Items]:
        with _Each(context):
            context.this, context.index = [item], at
            return [key(context) for key, _ in args] or [[item]]

    def order(left: tuple[list[Items], Item], right: tuple[list[Items], Item]) -> int:
        for at, (first, second) in enumerate(zip(left[0], right[0], strict=True)):
            found = _order(first, second)
            if found:
                return -found if args and args[at][1] and first and second else found
        return 0

    def run(context: Context) -> Items:
        items = base(context)
        marked = [(keys(context, item, at), item) for at, item in enumerate(items)]
        return [item for _, item in sorted(marked, key=functools.cmp_to_key(order))]

    return run


def _order(left: Items, right: Items) -> int:
    if not left or not right:
        return (1 if left else 0) - (1 if right else 0)
    if len(left) > 1 or len(right) > 1:
        raise EvaluationError("sort() asks keys of one item")
    first, second = system(left[0]), system(right[0])
    if isinstance(first, Quantity) != isinstance(second, Quantity):
        raise EvaluationError("sort() asks keys of one type")
    return equality.compare(left[0], right[0]) or 0


MACROS: dict[str, tuple[int, int, Callable[[Fn, list[Fn]], Fn]]] = {
    "where": (1, 1, _where),
    "exists": (0, 1, _exists),
    "select": (1, 1, _select),
    "all": (1, 1, _all),
    "repeat": (1, 1, _repeat),
    "iif": (2, 3, _iif),
    "aggregate": (1, 2, _aggregate),
    "trace": (1, 2, _trace),
}
"""Name → least and most arguments, builder of the closure."""
