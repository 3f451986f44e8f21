# ruff: noqa: E501 - tables of cases read better in one line
"""Makes bad and unusual resources for the tests of `conformance`: systematic single changes, and changes led by the schema."""

from __future__ import annotations

import copy
import random
from collections.abc import Callable, Iterator
from typing import Any

from fhir_bladder.conformance.explain import Explainer
from fhir_bladder.conformance.schema import PRIMITIVES, Field, Table

GOOD: dict[str, list[Any]] = {
    "boolean": [True, False], "integer": [0, -3, 7], "positiveInt": [1, 9], "unsignedInt": [0, 4], "decimal": [1, 1.5],
    "string": ["a", "b c", "ä"], "markdown": ["*m*"], "uri": ["http://a.example", "urn:x:y"], "url": ["http://b.example"],
    "canonical": ["http://c.example|1"], "code": ["final", "male", "mm"], "id": ["i-1"], "oid": ["urn:oid:1.2.3"],
    "uuid": ["urn:uuid:00000000-0000-0000-0000-00000000000a"], "base64Binary": ["QUJD"], "date": ["2020", "2020-01-02"],
    "dateTime": ["2020-01", "2020-01-02T03:04:05Z"], "instant": ["2020-01-02T03:04:05.1+01:00"], "time": ["10:20:30"],
    "xhtml": ['<div xmlns="http://www.w3.org/1999/xhtml">x</div>'],
}  # fmt: skip
BAD: list[Any] = [
    None, "", " x", "x\n", [], {}, [None], [{}], {"id": "x"}, {"foo": 1}, True, 0, -1, 1.5, 10**12, "2020-02-30", "x y",
    "http://a b", "urn:uuid:x", [["x"]], {"extension": []},
]  # fmt: skip
ABSENT = {"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "unknown"}


def places(value: Any) -> list[tuple[Any, Any]]:
    """Every (container, key) below a value."""
    out: list[tuple[Any, Any]] = []
    stack = [value]
    while stack:
        item = stack.pop()
        pairs = item.items() if isinstance(item, dict) else enumerate(item) if isinstance(item, list) else ()
        for key, inner in list(pairs):
            out.append((item, key))
            stack.append(inner)
    return out


def single_changes(seed: dict[str, Any], r: random.Random | None = None, most: int = 0) -> Iterator[dict[str, Any]]:
    """Delete, double, wrap and replace at every place (or at `most` places chosen by `r`); untidy every text."""
    numbers = list(range(len(places(seed))))
    if r is not None and most < len(numbers):
        numbers = r.sample(numbers, most)
    for number in numbers:

        def at(number: int = number) -> tuple[dict[str, Any], Any, Any]:
            made = copy.deepcopy(seed)
            container, key = places(made)[number]
            return made, container, key

        made, container, key = at()
        del container[key]
        yield made
        made, container, key = at()
        if isinstance(container, list):
            container.append(copy.deepcopy(container[key]))
            yield made
            made, container, key = at()
        container[key] = [container[key]]
        yield made
        for bad in BAD:
            made, container, key = at()
            container[key] = copy.deepcopy(bad)
            yield made
        made, container, key = at()
        if isinstance(container[key], str):
            text = container[key]
            for changed in (
                text.upper(),
                text + " ",
                text[:-1],
                text + "x",
                "x" + text,
                text + "\u00a0",
                text.replace("/", "//"),
            ):
                made, container, key = at()
                container[key] = changed
                yield made
        if isinstance(container, dict):
            made, container, key = at()
            container[key + "x"] = container.pop(key)
            yield made


class Guided:
    """Adds elements that the schema knows at a place, right or wrong."""

    def __init__(self, explainer: Explainer) -> None:
        self.explainer = explainer
        self.schema = explainer.schema

    def tables(self, resource: dict[str, Any], root: Table) -> list[tuple[dict[str, Any], Table]]:
        """Every object of a resource with the table that judges it (slices included)."""
        out: list[tuple[dict[str, Any], Table]] = []
        stack: list[tuple[dict[str, Any], Table]] = [(resource, root)]
        while stack:
            value, table = stack.pop()
            out.append((value, table))
            for key, item in value.items():
                field = table.fields.get(key)
                if field is None or field.primitive or field.type.code == "Resource":
                    continue
                for part in item if isinstance(item, list) else [item]:
                    if not isinstance(part, dict):
                        continue
                    node, code = field.node, field.type.code
                    for _, piece, match in self.explainer.pieces(field.node):
                        if match(part, code):
                            node = piece
                            break
                    if code == "Extension":
                        tree = self.schema.tree(str(part.get("url")))
                        if tree is not None and tree.path == "Extension":
                            stack.append((part, self.schema.table(tree, "Extension")))
                            continue
                    stack.append((part, self.schema.table(node, code)))
        return out

    def value(self, r: random.Random, field: Field, depth: int) -> Any:
        """A plausible value for a field."""
        node, code = field.node, field.type.code
        if isinstance(node.fixed, str | int | bool):
            return node.fixed
        if isinstance(node.pattern, dict):
            return copy.deepcopy(node.pattern)
        if code in PRIMITIVES:
            listed = node.binding.value_set.listed() if node.binding and node.binding.value_set else None
            return r.choice(sorted(listed)) if listed else r.choice(GOOD[code])
        if code == "Extension":
            return copy.deepcopy(ABSENT)
        if code == "Resource":
            return {"resourceType": "Patient", "id": "p9", "active": True}
        if code == "Reference":
            names = [t.rpartition("/")[2] for t in field.type.targets] or ["Patient"]
            name = r.choice(names)
            return {"reference": f"{'Patient' if name == 'Resource' else name}/1"}
        return self.object(r, self.schema.table(node, code), depth)

    def object(self, r: random.Random, table: Table, depth: int) -> dict[str, Any]:
        """A plausible object with the mandatory keys and a few others."""
        made: dict[str, Any] = {}
        fields = list(table.fields.values())
        r.shuffle(fields)
        used: set[str] = set()
        for field in fields:
            node = field.node
            if node.max == 0 or (node.choice and node.name in used):
                continue
            if not node.min and (r.random() > 0.25 or (depth <= 0 and not field.primitive)):
                continue
            if node.choice:
                used.add(node.name)
            value = self.value(r, field, depth - 1)
            made[field.key] = [value] * max(1, node.min) if node.many else value
        if not any(k != "id" for k in made):
            plain = [f for f in fields if f.primitive and f.key != "id" and f.node.max != 0]
            if plain:
                value = self.value(r, plain[0], 0)
                made[plain[0].key] = [value] if plain[0].node.many else value
        return made

    def full(self, r: random.Random, table: Table, depth: int) -> dict[str, Any]:
        """An object with every key, one of each choice."""
        made: dict[str, Any] = {}
        used: set[str] = set()
        for field in table.fields.values():
            node = field.node
            if node.max == 0 or (node.choice and node.name in used) or field.type.code == "Resource":
                continue
            if depth <= 0 and not field.primitive and not node.min:
                continue
            if node.choice:
                used.add(node.name)
            value = self.value(r, field, 0) if field.primitive or depth <= 0 else self.filled(r, field, depth - 1)
            made[field.key] = [value] * max(1, node.min) if node.many else value
        return made

    def filled(self, r: random.Random, field: Field, depth: int) -> Any:
        """A value for a field with everything in it."""
        plain = self.value(r, field, 0)
        code = field.type.code
        if not isinstance(plain, dict) or code in ("Extension", "Resource"):
            return plain
        return {**self.full(r, self.schema.table(field.node, code), depth), **plain}

    def grown(
        self, r: random.Random, seed: dict[str, Any], root: Table, good: Callable[[dict[str, Any]], bool]
    ) -> Iterator[tuple[dict[str, Any], list[Any]]]:
        """For every object and every key it lacks: the seed with that key, as full as stays valid, and where it is."""
        for number, (_, table) in enumerate(self.tables(seed, root)):
            for field in table.fields.values():
                if field.node.max == 0 or field.type.code == "Resource":
                    continue
                for attempt in range(8):
                    made = copy.deepcopy(seed)
                    value = self.tables(made, root)[number][0]
                    if field.key in value:
                        break
                    if field.node.choice:
                        for key in table.choices[field.node.name][1]:
                            value.pop(key, None)
                    new = self.filled(r, field, 1) if attempt == 0 else self.value(r, field, r.choice((0, 1, 2)))
                    value[field.key] = [new] if field.node.many else new
                    if good(made):
                        yield made, [value, field.key]
                        if attempt:
                            break

    def systematic(
        self,
        r: random.Random,
        seed: dict[str, Any],
        root: Table,
        bad: list[Any],
        good: Callable[[dict[str, Any]], bool],
    ) -> Iterator[dict[str, Any]]:
        """Every key that can be added, and inside it every place deleted, doubled, renamed and set to each bad value."""
        for made, (value, key) in self.grown(r, seed, root, good):
            yield made
            held = value[key]
            count = len(places({"x": held}))
            for number in range(count):
                for change in range(len(bad) + 3):
                    box = {"x": copy.deepcopy(held)}
                    container, inner = places(box)[number]
                    if change < len(bad):
                        container[inner] = copy.deepcopy(bad[change])
                    elif change == len(bad):
                        del container[inner]
                    elif change == len(bad) + 1 and isinstance(container, list):
                        container.append(copy.deepcopy(container[inner]))
                    elif isinstance(container, dict) and container is not box:
                        container[inner + "x"] = container.pop(inner)
                    value[key] = box.get("x")
                    if "x" not in box:
                        continue
                    yield copy.deepcopy(made)
            value[key] = held

    def changes(self, r: random.Random, seed: dict[str, Any], root: Table, number: int) -> Iterator[dict[str, Any]]:
        """`number` copies of the seed, each with one or two elements added, most of them then broken somewhere."""
        for _ in range(number):
            made = copy.deepcopy(seed)
            for _ in range(r.choice((1, 1, 2))):
                value, table = r.choice(self.tables(made, root))
                missing = [f for f in table.fields.values() if f.key not in value]
                if not missing:
                    continue
                field = r.choice(missing)
                new = self.value(r, field, r.choice((0, 1, 2)))
                value[field.key] = [new] if field.node.many else new
                if field.primitive and not field.node.many and r.random() < 0.3:
                    value["_" + field.key] = {"extension": [copy.deepcopy(ABSENT)]}
                    if r.random() < 0.5:
                        del value[field.key]
                if r.random() < 0.6:
                    inside = places({"x": value.get(field.key, value.get("_" + field.key))})
                    container, key = r.choice(inside[1:] or inside)
                    if r.random() < 0.4:
                        container[key] = copy.deepcopy(r.choice(BAD))
                    elif isinstance(container, dict) and r.random() < 0.5:
                        container.pop(key)
                    elif isinstance(container, list):
                        container.append(copy.deepcopy(container[key]))
                    else:
                        container[key] = copy.deepcopy(r.choice(BAD))
            yield made
