"""Room `fhirpath`: what flows through an expression. FHIR values are `Node`s, system values plain Python objects.

System types: bool, str, int, Decimal, `Temporal` (Date, DateTime, Time), `Quantity`. A Node pairs a JSON value with its
FHIR type and, for a primitive, with the `_field` object beside it.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from fhir_bladder.fhirpath import model, temporal
from fhir_bladder.fhirpath.problems import EvaluationError
from fhir_bladder.fhirpath.quantity import Quantity
from fhir_bladder.fhirpath.temporal import Temporal

UCUM = "http://unitsofmeasure.org"
_INTEGERS = frozenset({"integer", "positiveInt", "unsignedInt"})
QUANTITIES = frozenset({"Quantity", "Age", "Count", "Distance", "Duration", "SimpleQuantity", "MoneyQuantity"})


class Node:
    """A FHIR value in its place: `value` JSON (None where a primitive has only extensions), `type`, `sibling`."""

    __slots__ = ("sibling", "type", "value")

    def __init__(self, value: Any, type_name: str, sibling: Any = None) -> None:
        self.value = value
        self.type = type_name
        self.sibling = sibling

    def __repr__(self) -> str:
        return f"Node({self.value!r}, {self.type!r})"


Item = Any  # Node | bool | str | int | Decimal | Temporal | Quantity


def typed(value: Any, type_name: str = "", sibling: Any = None) -> Node:
    """A Node for a JSON value; without a type it is taken from `resourceType`, or left unknown."""
    if not type_name and isinstance(value, dict):
        type_name = str(value.get("resourceType", ""))
    return Node(value, type_name, sibling)


def child(node: Node, name: str, out: list[Item]) -> None:
    """Append the children of that element name to `out`."""
    value = node.value
    if not isinstance(value, dict):
        value = node.sibling
        if not isinstance(value, dict):
            return
        info = model.info("Element")
    else:
        info = model.info(node.type)
    if info is None:
        _untyped(value, name, out)
        return
    for key in info.elements.get(name, ()):
        found = value.get(key.name)
        sibling = value.get("_" + key.name) if key.primitive else None
        if found is None and sibling is None:
            continue
        _append(found, sibling, key.type, out)


def _append(found: Any, sibling: Any, kind: str, out: list[Item]) -> None:
    if isinstance(found, list):
        beside = sibling if isinstance(sibling, list) else ()
        for at, item in enumerate(found):
            other = beside[at] if at < len(beside) else None
            if item is not None or other is not None:
                out.append(Node(item, _actual(item, kind), other))
        for other in beside[len(found) :]:
            if other is not None:
                out.append(Node(None, kind, other))
    elif found is None and isinstance(sibling, list):
        out.extend(Node(None, kind, other) for other in sibling if other is not None)
    else:
        out.append(Node(found, _actual(found, kind), sibling))


def _actual(value: Any, kind: str) -> str:
    if kind == "Resource":
        return str(value.get("resourceType", "Resource")) if isinstance(value, dict) else kind
    return kind


def _untyped(value: dict[str, Any], name: str, out: list[Item]) -> None:
    """Parent of unknown type: by key, and by key plus type suffix for a choice."""
    if name in value or "_" + name in value:
        found, sibling = value.get(name), value.get("_" + name)
        one = found[0] if isinstance(found, list) and found else found
        kind = "Resource" if isinstance(one, dict) and "resourceType" in one else ""
        _append(found, sibling, kind, out)
        return
    for key, found in value.items():
        if key.startswith(name) and key != name:
            kind = model.open_choice_types().get(key[len(name) :], "")
            if kind:
                _append(found, value.get("_" + key), kind, out)


def children(node: Node) -> list[Item]:
    """All immediate children, in the order of the JSON text."""
    value = node.value
    out: list[Item] = []
    if not isinstance(value, dict):
        value = node.sibling
        if not isinstance(value, dict):
            return out
        info = model.info("Element")
    else:
        info = model.info(node.type)
    for written, found in value.items():
        if written == "resourceType":
            continue
        if written.startswith("_"):
            if written[1:] in value:
                continue
            name, found, sibling = written[1:], None, value[written]
        else:
            name, sibling = written, value.get("_" + written)
        key = info.keys.get(name) if info else None
        if key:
            _append(found, sibling if key.primitive else None, key.type, out)
        elif info is None:
            _untyped(value, name, out)
    return out


def descendants(items: list[Item]) -> list[Item]:
    """All children of children …, the items themselves not included."""
    out: list[Item] = []
    for item in items:
        if isinstance(item, Node):
            found = children(item)
            out.extend(found)
            out.extend(descendants(found))
    return out


def decimal_of(value: Any) -> Decimal:
    """JSON number → Decimal; a float by its shortest text, as orjson reads it."""
    return Decimal(repr(value)) if isinstance(value, float) else Decimal(value)


def system(item: Item) -> Item:
    """The system value of a FHIR primitive or Quantity; any other Node stays a Node.

    Raises EvaluationError for a primitive whose JSON is not of its type.
    """
    if not isinstance(item, Node):
        return item
    value, kind = item.value, item.type
    if isinstance(value, str):
        if kind == "date":
            return _temporal(temporal.parse_date(value), item)
        if kind in ("dateTime", "instant"):
            return _temporal(temporal.parse_datetime(value), item)
        if kind == "time":
            return _temporal(temporal.parse_time(value), item)
        if kind == "boolean" or kind == "decimal" or kind in _INTEGERS:
            raise EvaluationError(f"text where a {kind} is asked", "", "write it as JSON knows it")
        return value
    if isinstance(value, bool):
        if kind not in ("boolean", ""):
            raise EvaluationError(f"true or false where a {kind} is asked")
        return value
    if isinstance(value, int):
        if kind == "decimal":
            return Decimal(value)
        if kind and kind not in _INTEGERS:
            raise EvaluationError(f"a number where a {kind} is asked")
        return value
    if isinstance(value, float | Decimal):
        if kind and kind != "decimal":
            raise EvaluationError(f"a decimal number where a {kind} is asked")
        return decimal_of(value)
    if kind in QUANTITIES and isinstance(value, dict):
        made = quantity_of(value)
        return item if made is None else made
    return item


def _temporal(value: Temporal | None, item: Node) -> Temporal:
    if value is None:
        raise EvaluationError(f"{str(item.value)[:40]!r} is not a {item.type}", "", "correct the value")
    return value


def quantity_of(value: dict[str, Any]) -> Quantity | None:
    """FHIR Quantity → System.Quantity: the UCUM code, or none; None where it has no value or another system's code."""
    number = value.get("value")
    if isinstance(number, bool) or not isinstance(number, int | float | Decimal) or value.get("comparator"):
        return None
    code, code_system = value.get("code"), value.get("system")
    if isinstance(code, str) and code_system == UCUM:
        return Quantity(decimal_of(number), code)
    if code is None and code_system is None and value.get("unit") is None:
        return Quantity(decimal_of(number), "1")
    return None


def plain(item: Item) -> Any:
    """JSON value of an item: what `Program.evaluate` returns."""
    if isinstance(item, Node):
        return item.value
    if isinstance(item, Temporal):
        return item.text
    if isinstance(item, Quantity):
        if item.calendar:
            return {"value": item.value, "unit": item.unit}
        return {"value": item.value, "system": UCUM, "code": item.unit}
    return item


def type_of(item: Item) -> tuple[str, str]:
    """Namespace and name of an item's type."""
    if isinstance(item, Node):
        return "FHIR", item.type
    if isinstance(item, bool):
        return "System", "Boolean"
    if isinstance(item, str):
        return "System", "String"
    if isinstance(item, int):
        return "System", "Integer"
    if isinstance(item, Decimal):
        return "System", "Decimal"
    if isinstance(item, Temporal):
        return "System", item.kind
    if isinstance(item, Quantity):
        return "System", "Quantity"
    return "System", "Any"
