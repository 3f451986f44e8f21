"""Room `fhirpath`: what R4 says about types: elements, choices, inheritance. Reads `model.json` (`build_model`)."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from fhir_bladder import wire

SYSTEM_TYPES = frozenset({"Boolean", "String", "Integer", "Decimal", "Date", "DateTime", "Time", "Quantity"})
RESOURCE_BASES = frozenset({"Resource", "DomainResource", "MetadataResource"})


@dataclass(frozen=True, slots=True)
class Key:
    """One JSON key of a type: element it belongs to, FHIR type of its value ("Resource" where the value says)."""

    name: str
    element: str
    type: str
    many: bool
    primitive: bool


@dataclass(frozen=True, slots=True)
class TypeInfo:
    """A FHIR type. `keys`: JSON key → Key. `elements`: FHIRPath name → its keys (several for a choice)."""

    name: str
    base: str
    keys: dict[str, Key]
    elements: dict[str, tuple[Key, ...]]


@cache
def _table() -> dict[str, Any]:
    table: dict[str, Any] = wire.loads(Path(__file__).with_name("model.json").read_bytes())
    return table


def known(name: str) -> bool:
    """Whether R4 has a type or inner element of this name."""
    return name in _table()


@cache
def resolved(name: str) -> str:
    """A type for a path into a type: `Observation.component.referenceRange` → `Observation.referenceRange`.

    The name itself where it is a type, or no path that R4 has, or a choice.
    """
    if known(name) or "." not in name:
        return name
    parent, _, element = name.rpartition(".")
    found = info(resolved(parent))
    keys = found.elements.get(element, ()) if found else ()
    return keys[0].type if len(keys) == 1 and keys[0].type != "Resource" else name


def is_primitive(name: str) -> bool:
    """Primitive types begin with a small letter."""
    return name[:1].islower()


@cache
def ancestors(name: str) -> tuple[str, ...]:
    """The type itself, its base, and so on to the root."""
    found = []
    while name in _table():
        found.append(name)
        name = _table()[name][0]
    return tuple(found)


def isa(name: str, ancestor: str) -> bool:
    """Whether `name` is `ancestor` or derived from it."""
    return name == ancestor or ancestor in ancestors(name)


def is_resource(name: str) -> bool:
    """Whether the type is a resource."""
    return "Resource" in ancestors(name)


@cache
def info(name: str) -> TypeInfo | None:
    """The type with all elements, inherited ones included; None where R4 has no such type."""
    if name not in _table():
        return None
    keys: dict[str, Key] = {}
    elements: dict[str, tuple[Key, ...]] = {}
    for ancestor in reversed(ancestors(name)):
        for written, kind in _table()[ancestor][1].items():
            many = kind.endswith("*")
            types = kind.rstrip("*").split("|")
            element = written.removesuffix("[x]")
            if written.endswith("[x]"):
                made = tuple(_key(element + one[0].upper() + one[1:], element, one, many) for one in types)
            else:
                made = (_key(element, element, types[0], many),)
            elements[element] = made
            keys.update({key.name: key for key in made})
    return TypeInfo(name, _table()[name][0], keys, elements)


def _key(name: str, element: str, kind: str, many: bool) -> Key:
    return Key(name, element, kind, many, is_primitive(kind))


@cache
def open_choice_types() -> dict[str, str]:
    """Suffix of a choice key → type (`Quantity` → Quantity, `DateTime` → dateTime): for elements of unknown parents."""
    extension = info("Extension")
    if extension is None:  # pragma: no cover - the table always holds it
        return {}
    return {key.name.removeprefix("value"): key.type for key in extension.elements["value"]}
