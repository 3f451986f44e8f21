# ruff: noqa: E501 - tables of cases read better in one line
"""Documents for the proof that each check is needed: every table that a valid resource can reach, and what breaks it.

From valid seeds, each object whose table was not met before gets every key it lacks, filled so that the resource stays
valid; the new objects are visited in turn. At each object every key is left out, doubled, renamed, emptied, set to
values that are wrong for its type, and given a sibling; slices and extensions are doubled, moved and left out.
"""

from __future__ import annotations

import copy
import random
from collections.abc import Callable, Iterator
from itertools import pairwise
from typing import Any

import orjson

from fhir_bladder.conformance.schema import PRIMITIVES, Field, Table

DAR = {"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "unknown"}
ANY: list[Any] = [
    None, "", " ", " x", "x ", "x\n", "x", "x\u0001y", [], {}, [None], [{}], ["x"], ["x", None], {"id": "x"}, {"id": " x"}, {"foo": 1},
    {"extension": []}, {"extension": [DAR]}, True, 0, 1.5, [["x"]],
]  # fmt: skip
"""Wrong for nearly every key."""

TEXTS = ["x y", "x  y", "x\u00a0", "\u00a0x", "X" * 65, "a_b", "http://a b", "urn:oid:x", "urn:uuid:x", "urn:oid:1.02", "#", "#nobody", "Patient/1", "Medication/1", "Foo/1", "final", "zz", "en--", "english", "x-", "-x"]  # fmt: skip
DATES = [
    "2020", "2020-01", "2020-01-02", "1899", "1899-12-31T00:00:00Z", "2101-01-01", "2101-01-01T00:00:00Z", "2020-02-30", "2021-02-29", "2020-13",
    "2020-00-10", "2020-01-32", "2020-02-30T10:00:00Z", "2020-06-31T10:00:00Z", "2020-01-02T10:00:00", "2020-01-02T10:00Z",
    "2020-01-02T24:00:00Z", "2020-01-02T10:60:00Z", "2020-01-02T10:00:61Z", "2020-01-02T10:00:00+14:30", "2020-01-02T10:00:00+15:00",
    "20200102", "2020-1-2", "0000", "10:00", "24:00:00", "10:60:00", "10:00:61", "10:00:00.", "10:00:00Z",
]  # fmt: skip
NUMBERS = [-1, 0, 1, -2147483648, -2147483649, 2147483647, 2147483648, 1e300, 1.0, -0.5, "1", "1.5", False]
BY_TYPE: dict[str, list[Any]] = {
    **dict.fromkeys(("date", "dateTime", "instant", "time"), DATES),
    **dict.fromkeys(("integer", "positiveInt", "unsignedInt", "decimal"), NUMBERS),
    **dict.fromkeys(("string", "markdown", "code", "id", "uri", "url", "canonical", "oid", "uuid"), TEXTS),
    "boolean": ["true", 1],
    "base64Binary": ["QUJ", "Q", "QUI", "QU=I", "====", "Q!==", "QUJD QUJD", "QUJDRA=="],
    "oid": ["urn:oid:3.1", "urn:oid:1.01", "urn:oid:1", "1.2.3", "urn:oid:1.2."],
    "uuid": ["urn:uuid:00000000-0000-0000-0000-00000000000A", "urn:uuid:0000", "00000000-0000-0000-0000-00000000000a"],
    "xhtml": [],
}
SIBLINGS: list[Any] = [
    None, {}, {"id": "x"}, {"id": " "}, {"id": " ", "extension": [DAR]}, {"id": "x", "extension": []}, {"id": "x", "extension": [DAR]}, {"id": "", "extension": [DAR]}, {"extension": [DAR]}, {"extension": []}, {"extension": DAR}, {"foo": 1}, "x", [], [None],
    {"fhir_comments": ["x"]}, {"extension": [{"url": "http://a.example/unknown", "valueCode": "x"}]}, {"extension": [{**DAR, "valueCode": "zz"}]},
]  # fmt: skip
CONCEPTS: list[Any] = [
    {"text": "x"}, {"coding": [{"system": "http://a.example", "code": "x"}]}, {"coding": [{"code": "x"}]}, {"coding": [{"system": "http://a.example"}]},
    {"coding": [{"display": "x"}], "text": "x"}, {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "zz"}]},
    {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/observation-category"}]}, {"coding": [{"system": "http://unitsofmeasure.org", "code": "zz"}]},
    {"coding": [{"system": "http://a.example", "code": "x", "userSelected": "x"}]}, {"coding": []}, {"coding": ["x"]}, {"coding": {"code": "x"}},
]  # fmt: skip
CODINGS: list[Any] = [c["coding"][0] for c in CONCEPTS[1:9]] + [
    "x",
    {"system": "http://terminology.hl7.org/CodeSystem/v3-ActReason", "code": "zz"},
]
QUANTITIES: list[Any] = [
    {"value": 1}, {"value": "1"}, {"value": 1, "unit": "x"}, {"value": 1, "code": "mL"}, {"value": 1, "unit": "x", "code": "mL"}, {"value": 1, "comparator": "<"},
    {"value": 1, "comparator": "zz"}, {"unit": "mL"}, {"system": "http://unitsofmeasure.org", "code": "mL"}, {"value": 1, "system": "http://a.example", "code": "mL"},
    {"value": 1, "system": "http://unitsofmeasure.org", "code": "zz"}, {"value": 1, "system": "http://unitsofmeasure.org", "code": "cm", "unit": "x"},
    {"value": True, "unit": "mL", "system": "http://unitsofmeasure.org", "code": "mL"}, {"value": 1, "unit": "a", "system": "http://unitsofmeasure.org", "code": "a"},
    {"value": 1, "unit": "g", "system": "http://unitsofmeasure.org", "code": "g"}, {"value": -1, "unit": "mL", "system": "http://unitsofmeasure.org", "code": "mL"},
    {"value": 1, "unit": "%", "system": "http://unitsofmeasure.org", "code": "%"}, {"value": 1.5, "unit": "mL", "system": "http://unitsofmeasure.org", "code": "mL"},
]  # fmt: skip
REFERENCES: list[Any] = [
    {"reference": f"{name}/1"} for name in ("Patient", "Group", "Medication", "Organization", "Device", "Observation", "Foo", "patient", "Encounter", "Location")
] + [
    {"reference": "Patient/a_b"}, {"reference": "Patient/"}, {"reference": "Patient"}, {"reference": "#"}, {"reference": "#nobody"}, {"reference": "x y"}, {"reference": "Patient/1 "},
    {"reference": "http://a.example/Medication/1"}, {"reference": "http://a.example/x y"}, {"reference": "http://a.example/Foo/1"}, {"reference": "urn:uuid:00000000-0000-0000-0000-00000000000a"}, {"reference": "urn:x:1"}, {"reference": "mailto:x"},
    {"type": "Patient", "display": "x"}, {"type": "Foo", "display": "x"}, {"type": "Medication", "display": "x"}, {"reference": "Patient/1", "type": "Group"}, {"reference": "Group/1", "type": "Patient"},
    {"reference": "urn:uuid:00000000-0000-0000-0000-00000000000a", "type": "Medication"}, {"reference": "Patient/1", "type": "Foo"}, {"reference": "http://a.example/Patient/1", "type": "Group"},
    {"identifier": {"value": "x"}}, {"identifier": {"system": "x", "value": "x"}}, {"identifier": {"use": "zz", "value": "x"}}, {"identifier": {}}, {"identifier": "x"}, {"_reference": {"id": "x"}}, {"_reference": {"extension": [DAR]}},
    {"display": ""}, {"display": " x"}, {"display": "x", "id": " "},
]  # fmt: skip
WHOLE: dict[str, list[Any]] = {
    "CodeableConcept": CONCEPTS, "Coding": CODINGS, "Quantity": QUANTITIES, "Reference": REFERENCES,
    **dict.fromkeys(("Age", "Count", "Distance", "Duration"), QUANTITIES),
    "Period": [{"start": "2020"}, {"start": "2020", "end": "2019"}, {"start": "2020-01-02", "end": "2020-01-01"}, {"end": "x"}, {"start": "x"}, {"id": "x"}, {"start": "2020-01-01T10:00:00Z", "end": "2020-01-01T09:00:00Z"}],
    "Range": [{"low": {"value": 2}, "high": {"value": 1}}, {"low": {"value": 1, "comparator": "<"}}, {"low": {"value": 1, "code": "x"}}, {"low": {"value": "1"}}, {"id": "x"}],
    "Ratio": [{"numerator": {"value": 1}}, {"denominator": {"value": 1}}, {"numerator": {"value": 1}, "denominator": {"value": "x"}}, {"id": "x"}],
    "Identifier": [{"system": "x", "value": "1"}, {"system": "urn:ietf:rfc:3986", "value": "x"}, {"use": "zz"}, {"id": "x"}, {"value": " x"}, {"type": {"text": "x", "id": " "}}, {"period": {"start": "x"}, "value": "x"}],
    "Attachment": [{"data": "QUJD"}, {"contentType": "text/plain", "data": "QUJD", "size": 4}, {"contentType": "text/plain", "data": "QUJD QUJD"}, {"size": -1}, {"contentType": "text/plain", "data": "QUJ"}],
    "Meta": [{"profile": ["http://a.example/unknown"]}, {"profile": ["http://hl7.org/fhir/StructureDefinition/Patient"]}, {"lastUpdated": "2020"}, {"versionId": "a_b"}, {"security": [{"code": "x"}, {"code": "x"}]}, {"profile": []}, {"tag": [{}]}, {"profile": "x"}, {"source": "x y"}],
    "Narrative": [{"status": "generated"}, {"div": '<div xmlns="http://www.w3.org/1999/xhtml">x</div>'}, {"status": "zz", "div": '<div xmlns="http://www.w3.org/1999/xhtml">x</div>'}, {"status": "generated", "div": "x"}],
    "Annotation": [{"text": "x", "authorString": "x", "authorReference": {"reference": "Patient/1"}}, {"authorString": "x"}, {"text": "x", "time": "x"}, {"text": " x"}],
    "Signature": [], "HumanName": [{"use": "zz"}, {"given": []}, {"given": [None]}, {"given": ["x", None]}, {"given": ["x"], "_given": [None, None]}, {"given": ["x"], "_given": [{"id": " "}]}, {"given": [None], "_given": [{"extension": [DAR]}]}, {"id": "x"}],
}  # fmt: skip
"""Wrong, or wrong at some places."""


class Growth:
    """Documents from seeds; tables met once are not visited again, so one object serves all seeds."""

    def __init__(self, guided: Any, accepts: Callable[[Any], bool], extensions: list[str]) -> None:
        self.guided, self.accepts = guided, accepts
        self.schema = guided.schema
        self.met: set[Any] = set()
        self.visited: set[tuple[str, str]] = set()
        self.r = random.Random(5)
        self.instances = [self._extension(url) for url in extensions]

    def _extension(self, url: str) -> dict[str, Any]:
        tree = self.schema.tree(url)
        made: dict[str, Any] = self.guided.object(self.r, self.schema.table(tree, "Extension"), 1)
        return {"url": url, **{k: v for k, v in made.items() if k not in ("id", "url")}}

    def root(self, resource: dict[str, Any]) -> Table | None:
        """The table of the profile a resource claims, else of its type."""
        name = resource.get("resourceType")
        meta = resource.get("meta")
        claimed = meta.get("profile") if isinstance(meta, dict) else None
        tree = self.schema.tree(claimed[0]) if claimed else None
        tree = tree or self.schema.type_tree(str(name))
        return None if tree is None else self.schema.table(tree, name)

    def tables(self, resource: dict[str, Any]) -> list[tuple[dict[str, Any], Table]]:
        """Every object with its table, those of resources inside too."""
        out: list[tuple[dict[str, Any], Table]] = []
        waiting = [resource]
        while waiting:
            inner = waiting.pop()
            root = self.root(inner)
            if root is None:
                continue
            found = self.guided.tables(inner, root)
            out += found
            for value, table in found:
                for key, field in table.fields.items():
                    beside = value.get("_" + key)
                    if field.primitive and isinstance(beside, dict):
                        inner = self.schema.table(field.node, field.type.code)
                        out.append((beside, self.guided.explainer.sibling_table(inner)))
                        for part in beside.get("extension", ()):
                            tree = self.schema.tree(str(part.get("url"))) if isinstance(part, dict) else None
                            if tree is not None and tree.path == "Extension":
                                out += self.guided.tables(part, self.schema.table(tree, "Extension"))
                    if field.type.code == "Resource" and key in value:
                        held = value[key]
                        waiting += [r for r in (held if isinstance(held, list) else [held]) if isinstance(r, dict)]
        return out

    def _mark(self, table: Table) -> Any:
        """Tables that the acceptor judges by one function."""
        if table.type in PRIMITIVES:
            return id(table), "beside"
        definition = self.schema.type_tree(table.type) if table.type else None
        if definition is not None and not table.node.kids:
            known = {(c.key, c.expression) for c in definition.constraints}
            if all((c.key, c.expression) in known or c.key == "ele-1" for c in table.node.constraints):
                return table.type
        return id(table.node), table.type

    def documents(self, seed: dict[str, Any], most: int = 10**9) -> Iterator[bytes]:
        """Everything for one seed."""
        queue = [copy.deepcopy(seed)]
        visited = 0
        while queue and visited < most:
            document = queue.pop(0)
            yield _text(document)
            for value, table in self.tables(document):
                mark = self._mark(table)
                if mark in self.met:
                    continue
                self.met.add(mark)
                owner = str(table.node.profile).rpartition("/")[2]
                name = f"{table.name} beside" if table.type in PRIMITIVES else table.name
                self.visited.add((mark, mark) if isinstance(mark, str) else (owner, name))
                visited += 1
                for data in self._object(document, value, table, queue):
                    if data is not None:
                        yield data

    def _object(
        self, document: dict[str, Any], value: dict[str, Any], table: Table, queue: list[dict[str, Any]]
    ) -> Iterator[bytes]:
        def told() -> Iterator[bytes]:
            data = _text(document)
            if data:
                yield data

        before = dict(value)

        def back() -> None:
            value.clear()
            value.update(before)

        for changed in ({}, {"id": "x"}, {"extension": [copy.deepcopy(DAR)]}):
            value.clear()
            value.update(changed)
            if table.resource:
                value["resourceType"] = before["resourceType"]
            yield from told()
            back()
        for extra in ({"zz": 1}, {"_zz": {"id": "x"}}, {"id": "a b"}, {"id": " "}, {"resourceType": table.type}, {"fhir_comments": "x"}, {"extension": "x"}, {"modifierExtension": [copy.deepcopy(DAR)]}, {"": 1}):  # fmt: skip
            value.update(extra)
            yield from told()
            back()
        for field in table.fields.values():
            if field.key in before:
                yield from self._key(document, value, table, field, told)
                back()
            yield from self._beside(value, table, field, told)
            back()
            if field.key not in before:
                for filled in (True, False):
                    if self._grow(document, value, table, field, full=filled):
                        yield from told()
                        if not field.primitive:
                            queue.append(copy.deepcopy(document))
                        if field.primitive:
                            yield from self._beside(value, table, field, told)
                        yield from self._key(document, value, table, field, told)
                        break
                    back()
                else:
                    new = self.guided.value(self.r, field, 0)
                    for bad in (new, [new], [new, new], *ANY):
                        value[field.key] = bad
                        yield from told()
                back()
            if field.type.code == "Extension":
                if field.key not in before:
                    value[field.key] = [copy.deepcopy(DAR)]
                    yield from self._key(document, value, table, field, told)
                    back()
                yield from self._extensions(document, value, field, queue, told)
                back()
        yield from self._choices(value, table, told, back)

    def _grow(self, document: Any, value: dict[str, Any], table: Table, field: Field, *, full: bool) -> bool:
        if field.node.max == 0 or field.type.code in ("Resource", "Extension"):
            return False
        for _ in range(1 if full else 6):
            if field.node.choice:
                for key in table.choices[field.node.name][1]:
                    value.pop(key, None)
                    value.pop("_" + key, None)
            new = self.guided.filled(self.r, field, 1) if full else self.guided.value(self.r, field, 1)
            value[field.key] = [new] * max(1, field.node.min) if field.node.many else new
            if self.accepts(document):
                return True
            for other in [k for k in value if k != field.key and k in table.fields and not table.fields[k].node.min]:
                held = value.pop(other)  # a rule may forbid the two together
                if self.accepts(document):
                    return True
                value[other] = held
        return False

    def _key(
        self, document: Any, value: dict[str, Any], table: Table, field: Field, told: Callable[[], Iterator[bytes]]
    ) -> Iterator[bytes]:
        key = field.key
        held = value.pop(key)
        yield from told()
        code = field.type.code
        wrong = [*ANY, *BY_TYPE.get(code, ()), *WHOLE.get(code, ())]
        if isinstance(held, str):
            wrong += [held + " ", " " + held, held + "x", held[:-1], held.upper(), held.replace("/", "//")]
        if isinstance(held, dict):
            wrong += [{**held, "zz": 1}]
            if code == "Meta":
                wrong += [{**held, **w} for w in WHOLE[code] if "profile" not in w]
        if isinstance(held, list) and held and isinstance(held[0], dict):
            wrong += [{**held[0], "zz": 1}]
        if isinstance(held, int | float) and not isinstance(held, bool):
            wrong += [str(held), held + 1, -held, held + 0.5]
        for bad in (held, [held], {"x": held}) if isinstance(held, list) else ([held],):
            value[key] = bad
            yield from told()
        if isinstance(held, list):
            yield from self._array(value, key, held, wrong, told)
        else:
            for bad in wrong:
                value[key] = bad
                yield from told()
        items = held if isinstance(held, list) else [held]
        value[key] = held
        for item in items[:3]:
            if isinstance(item, dict):
                yield from self._shallow(item, told)

    def _shallow(self, item: dict[str, Any], told: Callable[[], Iterator[bytes]]) -> Iterator[bytes]:
        """Keys of a value left out or made unusual, two levels down."""
        if "id" not in item:
            item["id"] = "i"  # sends the object to the general function
            for key, held in list(item.items()):
                if not isinstance(held, dict | list) and key != "id":
                    for bad in ("x", "zz y", 1):
                        item[key] = bad
                        yield from told()
                    del item[key]
                    yield from told()
                    item[key] = held
            del item["id"]
        for key, held in list(item.items()):
            del item[key]
            yield from told()
            if isinstance(held, dict | list):
                inside = held[0] if isinstance(held, list) and held and isinstance(held[0], dict) else held
                if isinstance(inside, dict):
                    item[key] = held
                    for inner, kept in list(inside.items()):
                        del inside[inner]
                        yield from told()
                        for bad in ("x", " x", 1, {}, []):
                            inside[inner] = bad
                            yield from told()
                        inside[inner] = kept
            for bad in (
                "x",
                " x",
                "",
                1,
                1.5,
                True,
                None,
                {},
                [],
                {"id": "x"},
                ["x"],
                "2020-02-30",
                "Medication/1",
                "zz y",
            ):
                item[key] = bad
                yield from told()
            item[key] = held
            if not isinstance(held, dict | list) and "_" + key not in item:
                item["_" + key] = {"id": "x"}
                yield from told()
                item["_" + key] = {"id": " "}
                yield from told()
                del item["_" + key]

    def _array(
        self, value: dict[str, Any], key: str, held: list[Any], wrong: list[Any], told: Callable[[], Iterator[bytes]]
    ) -> Iterator[bytes]:
        for made in (held * 2, held[::-1], held * 9, [*held, None], [*held, "x"], [*held, {}], held[1:] + held[:1]):
            value[key] = made
            yield from told()
        for number in range(len(held)):
            value[key] = held[:number] + held[number + 1 :]
            yield from told()
            value[key] = [*held[: number + 1], held[number], *held[number + 1 :]]
            yield from told()
            value[key] = [held[number], *held[:number], *held[number + 1 :]]
            yield from told()
            value[key] = [*held[:number], *held[number + 1 :], held[number]]
            yield from told()
        for bad in wrong:
            value[key] = bad
            yield from told()
            for number in (0, len(held) - 1)[: len(held)]:
                value[key] = [*held[:number], bad, *held[number + 1 :]]
                yield from told()
            value[key] = [*held, bad]
            yield from told()

    def _beside(
        self, value: dict[str, Any], table: Table, field: Field, told: Callable[[], Iterator[bytes]]
    ) -> Iterator[bytes]:
        before = dict(value)
        for sibling in SIBLINGS if field.primitive else ({"id": "x"},):
            for bare in (False, True):
                value["_" + field.key] = [sibling] if field.node.many else sibling
                if bare:
                    value.pop(field.key, None)
                yield from told()
                value.clear()
                value.update(before)

    def _choices(
        self, value: dict[str, Any], table: Table, told: Callable[[], Iterator[bytes]], back: Callable[[], None]
    ) -> Iterator[bytes]:
        for _, keys in table.choices.values():
            there = [k for k in keys if k in value]
            for field in (table.fields[k] for k in keys):
                new = self.guided.value(self.r, field, 0)
                value[field.key] = new
                yield from told()
                for other in there:
                    if other != field.key:
                        value["_" + field.key] = {"id": "x"}
                        del value[field.key]
                        yield from told()
                        value.pop("_" + field.key)
                        value[field.key] = new
                        del value[other]
                        yield from told()
                        value["_" + other] = {"id": "x"}
                        yield from told()
                back()
            for first, second in pairwise(keys):
                for key in there:
                    del value[key]
                for key in (first, second):
                    value[key] = self.guided.value(self.r, table.fields[key], 0)
                yield from told()
                back()

    def _extensions(
        self, document: Any, value: dict[str, Any], field: Field, queue: list[Any], told: Callable[[], Iterator[bytes]]
    ) -> Iterator[bytes]:
        held = value.get(field.key, [])
        if not isinstance(held, list):
            return
        others = [{"url": "http://a.example/unknown", "valueString": "x"}, {"url": "unknown", "valueString": "x"}, {"valueString": "x"}, {"url": 1, "valueString": "x"}, {"url": DAR["url"]}, {**DAR, "extension": [DAR]}]  # fmt: skip
        for instance in (*self.instances, *others):
            value[field.key] = [*held, copy.deepcopy(instance)]
            yield from told()
            if self.accepts(document):
                queue.append(copy.deepcopy(document))
                value[field.key] = [*held, copy.deepcopy(instance), copy.deepcopy(instance)]
                yield from told()
                if not held:
                    value[field.key] = copy.deepcopy(instance)
                    yield from told()
        value[field.key] = held


def minimal(seed: dict[str, Any], accepts: Callable[[Any], bool]) -> dict[str, Any]:
    """The seed without what it need not have."""
    made = copy.deepcopy(seed)

    def prune(value: dict[str, Any] | list[Any]) -> None:
        for key in list(value) if isinstance(value, dict) else reversed(range(len(value))):
            if key in ("resourceType", "profile", "meta"):
                if key == "meta":
                    prune(value[key])  # type: ignore[call-overload]
                continue
            held = value.pop(key)  # type: ignore[arg-type]
            if accepts(made) and value:
                continue
            if isinstance(value, dict):
                value[str(key)] = held
            else:
                value.insert(int(key), held)
            if isinstance(held, dict | list):
                prune(held)

    prune(made)
    return made


def _text(document: Any) -> bytes:
    try:
        return orjson.dumps(document)
    except (TypeError, ValueError):
        return b""


__all__ = ["PRIMITIVES", "Growth"]
