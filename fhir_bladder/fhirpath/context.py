"""Room `fhirpath`: what an evaluation carries along, and the helpers that read single values out of collections."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from decimal import Decimal
from typing import Any

from fhir_bladder.fhirpath.nodes import Item, Node, system, type_of
from fhir_bladder.fhirpath.problems import EvaluationError

Items = list[Item]
Resolver = Callable[[str], "Node | None"]
Hook = Callable[..., Any]


class Context:
    """State of one evaluation. `this`, `index`, `total` change while it runs; the rest stands."""

    __slots__ = ("constants", "focus", "hooks", "index", "moment", "resolver", "resource", "root", "this", "total")

    def __init__(self, focus: Node, resource: Node, root: Node) -> None:
        self.focus = focus
        self.this: Items = [focus]
        self.index = 0
        self.total: Items = []
        self.resource = resource
        self.root = root
        self.constants: Mapping[str, Any] = {}
        self.hooks: Mapping[str, Hook] = {}
        self.resolver: Resolver | None = None
        self.moment: dt.datetime | None = None

    def now(self) -> dt.datetime:
        """One moment for the whole evaluation, in UTC."""
        if self.moment is None:
            self.moment = dt.datetime.now(dt.UTC)
        return self.moment


Fn = Callable[[Context], Items]


def truth(items: Items) -> bool | None:
    """Singleton evaluation to a Boolean: None for empty, True for one item that is not a Boolean."""
    if not items:
        return None
    if len(items) > 1:
        raise EvaluationError(f"{len(items)} items where one true or false is asked", "", "use exists() or all()")
    item = items[0]
    value = item.value if isinstance(item, Node) else item
    return value if isinstance(value, bool) else True


def single(items: Items, name: str) -> Item:
    """The system value of the only item; None for empty."""
    if not items:
        return None
    if len(items) > 1:
        raise EvaluationError(f"{len(items)} items where {name} asks one", "", "use first() or where()")
    return system(items[0])


def text(items: Items, name: str) -> str | None:
    """The only item as text; None for empty, an error for another type."""
    value = single(items, name)
    if value is None or isinstance(value, str):
        return value
    if isinstance(value, Node) and value.value is None:
        return None
    written = getattr(value, "text", None) if isinstance(items[0], Node) else None
    if isinstance(written, str):
        return written
    raise EvaluationError(f"{name} asks text, not {'.'.join(type_of(items[0]))}")


def integer(items: Items, name: str) -> int | None:
    """The only item as an integer; None for empty."""
    value = single(items, name)
    if value is None or (isinstance(value, int) and not isinstance(value, bool)):
        return value
    raise EvaluationError(f"{name} asks a whole number, not {'.'.join(type_of(items[0]))}")


def number(items: Items, name: str) -> int | Decimal | None:
    """The only item as a number; None for empty."""
    value = single(items, name)
    if value is None or (isinstance(value, int | Decimal) and not isinstance(value, bool)):
        return value
    raise EvaluationError(f"{name} asks a number, not {'.'.join(type_of(items[0]))}")


def boolean(value: bool | None) -> Items:
    """Three-valued result → collection."""
    return [] if value is None else [value]
