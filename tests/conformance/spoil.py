"""Makes texts for the proof of the fast tiers: resources changed by schema or by operators, then spelt and spoilt.

The explainer alone is the judge; nothing here says what is right.
"""

from __future__ import annotations

import copy
import importlib
import json
import random
import re
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import orjson

from fhir_bladder import wire
from fhir_bladder.conformance.validator import Validator
from fhir_bladder.errors import BladderError

HAPI = Path(__file__).parents[1] / "oracle" / "hapi"
VALID = Path(__file__).parents[1] / "profiles" / "valid"
_KEY = re.compile(rb'"([A-Za-z_]+)" ?:')
_TEXT = re.compile(rb': ?"((?:[^"\\]|\\.)*)"')
_NUMBER = re.compile(rb": ?(-?[0-9][0-9.eE+-]*)")
NUMBERS = (
    b"1", b"1.0", b"1.50", b"1e0", b"1E400", b"-0", b"-0.0", b"01", b"+1", b"1.", b".5", b"NaN", b"Infinity", b"1e-400",
    b"12345678901234567890.5", b"123456789012345678901", b"2147483648", b"true", b'"1"', b"null", b"1e2", b"[]",
)  # fmt: skip
INSIDE = (
    b"\\u0041", b"\\u00e4", b"\\ud800", b"\\ud83d\\ude00", b"\\/", b"\\u0000", b"\\u003a", b"\\n", b"\xc3\xa4", b"\xff",
    b"\xed\xa0\x80", b"\x01", b"\x7f", b"\xc2\xa0", b"\xe2\x80\xae", b" ", b"\t", b"", b"\\", b'"', b":", b"{", b"]",
)  # fmt: skip


def operators() -> dict[str, Callable[[random.Random, dict[str, Any]], Any]]:
    """The mutation operators made for the comparison with the reference validator."""
    if str(HAPI) not in sys.path:
        sys.path.insert(0, str(HAPI))
    for name in ("operators_rules", "operators_values"):
        importlib.import_module(name)
    found: dict[str, Callable[[random.Random, dict[str, Any]], Any]] = importlib.import_module("operators").OPERATORS
    return found


def ward(most: int) -> list[dict[str, Any]]:
    """Resources of the demo ward in both shapes, small ones most."""
    from fhir_bladder.exam import load
    from fhir_bladder.mapping import MapOptions, to_fhir
    from fhir_bladder.sandbox.ward import ward as records

    found: list[Any] = []
    for number, record in enumerate(records(7)[0]):
        try:
            mapped = to_fhir(load(record), options=MapOptions(shape="panel" if number % 8 == 0 else "single"))
        except BladderError:
            continue
        found += mapped.observations
        if number % 8 == 0:
            found += [entry["resource"] for entry in mapped.bundle["entry"]]
        if len(found) > most:
            break
    return [orjson.loads(wire.dumps(resource)) for resource in found]


def pool(most: int = 150) -> list[dict[str, Any]]:
    """Right resources to start from."""
    ours = [orjson.loads(path.read_bytes()) for path in sorted(VALID.glob("*.json"))]
    plain = {
        "resourceType": "Observation", "status": "final", "code": {"text": "x"}, "subject": {"reference": "Patient/1"},
        "valueQuantity": {"value": 1.5, "unit": "mL", "system": "http://unitsofmeasure.org", "code": "mL"},
    }  # fmt: skip
    return [*ours, plain, *ward(most)]


class Maker:
    """One changed and spelt resource after another, from a random source."""

    def __init__(self, validator: Validator, guided: Any, resources: list[dict[str, Any]]) -> None:
        self.validator, self.guided, self.resources = validator, guided, resources
        self.operators = list(operators().values())

    def texts(self, r: random.Random, number: int) -> Iterator[bytes]:
        """`number` texts."""
        for _ in range(number):
            yield self.text(r)

    def text(self, r: random.Random) -> bytes:
        """One text: about a third are right, a third changed as values, a third as bytes."""
        resource = copy.deepcopy(r.choice(self.resources))
        way = r.random()
        if 0.35 < way < 0.5:
            made: Any = next(iter(self.guided.changes(r, resource, self.root(resource), 1)), resource)
        elif 0.5 < way < 0.75:
            made = r.choice(self.operators)(r, resource)
            made = resource if made is None else made
        else:
            made = resource
        data = made if isinstance(made, bytes) else spelt(r, made)
        return spoilt(r, data) if way > 0.7 else data

    def root(self, resource: dict[str, Any]) -> Any:
        """The table of the profile a resource claims, else of its type."""
        name = resource["resourceType"]
        claimed = resource.get("meta", {}).get("profile") or [f"http://hl7.org/fhir/StructureDefinition/{name}"]
        tree = self.validator.schema.tree(claimed[0])
        assert tree is not None
        return self.validator.schema.table(tree, name)


def spelt(r: random.Random, value: Any) -> bytes:
    """A resource as text, compact most often: the front tier is for that."""
    way = r.random()
    try:
        if way < 0.8:
            return wire.dumps(value)
        text = json.dumps(value, indent=1 if way < 0.9 else None, ensure_ascii=way < 0.95, default=str)
        return text.encode("utf-8", "surrogatepass")
    except (TypeError, ValueError, BladderError):
        return json.dumps(value, default=str).encode()


def spoilt(r: random.Random, data: bytes) -> bytes:
    """A text with one or two things wrong or odd in its bytes."""
    for _ in range(r.choice((1, 1, 2))):
        data = r.choice(CHANGES)(r, data)
    return data


def _at(r: random.Random, pattern: re.Pattern[bytes], data: bytes) -> re.Match[bytes] | None:
    found = list(pattern.finditer(data))
    return r.choice(found) if found else None


def _key_twice(r: random.Random, data: bytes) -> bytes:
    found = _at(r, _KEY, data)
    if found is None:
        return data
    old = _at(r, _TEXT, data)
    value = r.choice((b"null", b'"x"', b"1", b"{}", b"[]", b'"' + (old[1] if old else b"") + b'"'))
    key = found[1] if r.random() < 0.8 else b"\\u%04x" % found[1][0] + found[1][1:]
    return data[: found.start()] + b'"' + key + b'":' + value + b"," + data[found.start() :]


def _key_twice_same_length(r: random.Random, data: bytes) -> bytes:
    """Another key becomes a second `key`: the text keeps its length, as if nothing were lost."""
    first, second = _at(r, _KEY, data), _at(r, _KEY, data)
    if first is None or second is None:
        return data
    return data[: first.start(1)] + second[1] + data[first.end(1) :]


def _null(r: random.Random, data: bytes) -> bytes:
    found = _at(r, r.choice((_TEXT, _NUMBER)), data)
    return data if found is None else data[: found.start()] + b":null" + data[found.end() :]


def _number(r: random.Random, data: bytes) -> bytes:
    found = _at(r, _NUMBER, data)
    return data if found is None else data[: found.start(1)] + r.choice(NUMBERS) + data[found.end(1) :]


def _inside(r: random.Random, data: bytes) -> bytes:
    found = _at(r, r.choice((_TEXT, _TEXT, _KEY)), data)
    if found is None:
        return data
    at = r.randrange(found.start(1), found.end(1) + 1)
    return data[:at] + r.choice(INSIDE) + data[at + r.choice((0, 1)) :]


def _other_text(r: random.Random, data: bytes) -> bytes:
    first, second = _at(r, _TEXT, data), _at(r, _TEXT, data)
    if first is None or second is None:
        return data
    return data[: first.start(1)] + second[1] + data[first.end(1) :]


def _around(r: random.Random, data: bytes) -> bytes:
    return r.choice(
        (
            b"\xef\xbb\xbf" + data, data + b"\n", b" " + data, data + b"x", data + b"\x00", data[:-1], data + data,
            b"[" + data + b"]", data.replace(b",", b", ", 1), data.replace(b":", b" :", 1), data[:-1] + b",}",
            data.replace(b"{", b"{,", 1), data.replace(b",", b",,", 1), data.replace(b'","', b'""', 1),
        )
    )  # fmt: skip


def _byte(r: random.Random, data: bytes) -> bytes:
    at = r.randrange(len(data)) if data else 0
    if r.random() < 0.5:
        return data[:at] + bytes([r.choice(b'{}[]",:0x \\e-n\n\xff')]) + data[at + 1 :]
    if r.random() < 0.5:
        return data[:at] + data[at + 1 :]
    return data[:at] + data[max(0, at - r.randrange(1, 60)) : at] + data[at:]


CHANGES: tuple[Callable[[random.Random, bytes], bytes], ...] = (
    _key_twice, _key_twice, _key_twice_same_length, _null, _number, _inside, _inside, _other_text, _around, _byte,
)  # fmt: skip
