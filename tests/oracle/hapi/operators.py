"""Mutation operators: registry, helpers, and those that change the JSON form. The judge decides what is harmless.

An operator takes (random, resource copy) and returns the changed resource, bytes where the text itself is broken, or
None where it does not apply.
"""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Iterator
from decimal import Decimal
from typing import Any

from fhir_bladder import wire
from fhir_bladder.fhirpath import model

Resource = dict[str, Any]
Operator = Callable[[random.Random, Resource], Any]
OPERATORS: dict[str, Operator] = {}
HARMLESS: set[str] = set()
"""Operators meant to leave a valid resource valid; drawn more often, so that enough valid ones are compared."""


def operator(name: str, *, harmless: bool = False) -> Callable[[Operator], Operator]:
    def register(run: Operator) -> Operator:
        assert name not in OPERATORS, name
        OPERATORS[name] = run
        if harmless:
            HARMLESS.add(name)
        return run

    return register


def walk(value: Any, kind: str) -> Iterator[tuple[dict[str, Any], str, model.Key]]:
    """Every (parent, JSON key, what R4 says of the key) below a value of a type."""
    info = model.info(kind)
    if not isinstance(value, dict) or info is None:
        return
    for name in list(value):
        key = info.keys.get(name)
        if key is None:
            continue
        yield value, name, key
        for item in value[name] if isinstance(value[name], list) else [value[name]]:
            if isinstance(item, dict):
                yield from walk(item, item.get("resourceType", "") if key.type == "Resource" else key.type)


def places(resource: Resource) -> list[tuple[dict[str, Any], str, model.Key]]:
    return list(walk(resource, resource["resourceType"]))


def pick(rng: random.Random, resource: Resource, test: Callable[[Any, model.Key], bool]) -> Any:
    """A random place whose value and key pass the test, or None."""
    found = [(parent, name, key) for parent, name, key in places(resource) if test(parent[name], key)]
    return rng.choice(found) if found else None


def of_type(*kinds: str) -> Callable[[Any, model.Key], bool]:
    return lambda value, key: key.type in kinds and not isinstance(value, list)


def set_at(kinds: tuple[str, ...], *values: Any) -> Operator:
    """Replace a value of one of the types by one of the values."""

    def run(rng: random.Random, resource: Resource) -> Any:
        place = pick(rng, resource, of_type(*kinds))
        if place is None:
            return None
        place[0][place[1]] = rng.choice(values)
        return resource

    return run


TEXTS = ("string", "markdown")

# ---- JSON form ---------------------------------------------------------------------------------------------------


@operator("drop-field")
def _drop(rng: random.Random, resource: Resource) -> Any:
    parent, name, _ = rng.choice(places(resource))
    del parent[name]
    return resource


@operator("drop-top-field")
def _drop_top(rng: random.Random, resource: Resource) -> Any:
    del resource[rng.choice([name for name in resource if name != "resourceType"])]
    return resource


@operator("double-item")
def _double(rng: random.Random, resource: Resource) -> Any:
    place = pick(rng, resource, lambda value, key: isinstance(value, list) and bool(value))
    if place is None:
        return None
    items = place[0][place[1]]
    items.append(items[rng.randrange(len(items))])
    return resource


def _replaced(by: Callable[[Any], Any], test: Callable[[Any, model.Key], bool]) -> Operator:
    def run(rng: random.Random, resource: Resource) -> Any:
        place = pick(rng, resource, test)
        if place is None:
            return None
        parent, name, _ = place
        parent[name] = by(parent[name])
        return resource

    return run


def _any(value: Any, key: model.Key) -> bool:
    return True


def _is(kind: type) -> Callable[[Any, model.Key], bool]:
    return lambda value, key: type(value) is kind


operator("empty-array")(_replaced(lambda value: [], lambda value, key: isinstance(value, list)))
operator("empty-object")(_replaced(lambda value: {}, _is(dict)))
operator("empty-string")(_replaced(lambda value: "", _is(str)))
operator("null")(_replaced(lambda value: None, _any))
operator("null-in-array")(_replaced(lambda value: [*value, None], _is(list)))
operator("array-for-one")(_replaced(lambda value: [value], lambda value, key: not key.many))
operator("one-for-array")(_replaced(lambda value: value[0] if value else "", _is(list)))
operator("number-for-text")(_replaced(lambda value: 5, _is(str)))
operator("boolean-for-text")(_replaced(lambda value: True, _is(str)))
operator("object-for-text")(_replaced(lambda value: {"value": value}, _is(str)))
operator("text-for-object")(_replaced(lambda value: "text", _is(dict)))
operator("text-for-number")(_replaced(str, lambda value, key: type(value) in (int, Decimal)))
operator("text-for-boolean")(_replaced(lambda value: "true", _is(bool)))


@operator("unknown-field")
def _unknown(rng: random.Random, resource: Resource) -> Any:
    resource["bladderShape"] = "round"
    return resource


@operator("unknown-field-inside")
def _unknown_inside(rng: random.Random, resource: Resource) -> Any:
    place = pick(rng, resource, lambda value, key: isinstance(value, dict) and "resourceType" not in value)
    if place is None:
        return None
    place[0][place[1]]["shape"] = "round"
    return resource


@operator("key-case")
def _case(rng: random.Random, resource: Resource) -> Any:
    parent, name, _ = rng.choice(places(resource))
    parent[name.upper() if rng.random() < 0.3 else name[0].upper() + name[1:]] = parent.pop(name)
    return resource


@operator("other-type")
def _other_type(rng: random.Random, resource: Resource) -> Any:
    resource["resourceType"] = rng.choice(
        [name for name in ("Patient", "Device", "Location") if name != resource["resourceType"]]
    )
    return resource


@operator("no-type")
def _no_type(rng: random.Random, resource: Resource) -> Any:
    del resource["resourceType"]
    return resource


@operator("unknown-type")
def _unknown_type(rng: random.Random, resource: Resource) -> Any:
    resource["resourceType"] = rng.choice(["Bladder", "observation", "DomainResource", ""])
    return resource


@operator("keys-reordered", harmless=True)
def _reordered(rng: random.Random, resource: Resource) -> Any:
    def shuffled(value: Any) -> Any:
        if isinstance(value, dict):
            names = list(value)
            rng.shuffle(names)
            return {name: shuffled(value[name]) for name in names}
        return [shuffled(item) for item in value] if isinstance(value, list) else value

    return shuffled(resource)


@operator("blanks-between", harmless=True)
def _blanks(rng: random.Random, resource: Resource) -> Any:
    return json.dumps(json.loads(wire.dumps(resource), parse_float=_Exact), separators=(" , ", " :  ")).encode()


class _Exact(float):
    """A float written as it was read."""

    def __new__(cls, text: str) -> _Exact:
        made = super().__new__(cls, text)
        made.text = text
        return made

    def __repr__(self) -> str:
        return str(self.text)


@operator("unicode-escapes", harmless=True)
def _escapes(rng: random.Random, resource: Resource) -> Any:
    text = wire.dumps(resource).decode().replace("a", "\\u0061", 3)
    return "".join(char if ord(char) < 128 else json.dumps(char)[1:-1] for char in text).encode()


def _text_change(change: Callable[[random.Random, str], str | None]) -> Operator:
    def run(rng: random.Random, resource: Resource) -> Any:
        made = change(rng, wire.dumps(resource).decode())
        return None if made is None else made.encode()

    return run


operator("double-key")(
    _text_change(
        lambda rng, text: (
            '{"resourceType":"Patient",' + text[1:] if rng.random() < 0.3 else text[:-1] + ',"id":"a","id":"b"}'
        )
    )
)
operator("trailing-comma")(_text_change(lambda rng, text: text[:-1] + ",}"))
operator("truncated")(_text_change(lambda rng, text: text[: rng.randrange(1, len(text))]))
operator("text-after")(_text_change(lambda rng, text: text + rng.choice(["x", "}", "{}"])))
operator("single-quotes")(_text_change(lambda rng, text: text.replace('"', "'", 2)))
operator("nan")(_text_change(lambda rng, text: text.replace('"resourceType"', '"score":NaN,"resourceType"', 1)))
operator("comment")(_text_change(lambda rng, text: text.replace("{", "{/* c */", 1)))
operator("raw-tab-in-text")(_text_change(lambda rng, text: text.replace(" ", "\t", 1) if " " in text else None))
