"""Room `conformance`: which slice an element belongs to. Belongs here: discriminators compiled to predicates.

Supported: value, pattern, exists and type discriminators over `$this`, element names, `ofType(T)` and
`extension('url')`. `resolve()`, profile discriminators and slices without a decidable value are refused by name.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from decimal import Decimal
from typing import Any

from fhir_bladder.conformance.schema import MISSING, Node, Schema, TypeRef
from fhir_bladder.errors import UnsupportedError

Match = Callable[[Any, str], bool]
"""JSON value and the type it stands for → whether it belongs to the slice."""

_STEP = re.compile(r"extension\(\s*['\"]([^'\"]+)['\"]\s*\)|(?:ofType|as)\(\s*(\w+)\s*\)|(\$this)|(\w+)")
_NUMBERS = (int, float, Decimal)


def equal(have: Any, want: Any) -> bool:
    """JSON equality: true is not 1, order of keys does not matter, numbers compare by value."""
    if isinstance(want, dict):
        return (
            isinstance(have, dict)
            and len(have) == len(want)
            and all(k in have and equal(have[k], v) for k, v in want.items())
        )
    if isinstance(want, list):
        return isinstance(have, list) and len(have) == len(want) and all(map(equal, have, want))
    if isinstance(want, bool) or isinstance(have, bool):
        return have is want
    if isinstance(want, _NUMBERS):
        return isinstance(have, _NUMBERS) and Decimal(str(have)) == Decimal(str(want))
    return bool(have == want)


def fits(have: Any, pattern: Any) -> bool:
    """FHIR pattern: everything in `pattern` is in `have`; array items in any order, more may be there."""
    if isinstance(pattern, dict):
        return isinstance(have, dict) and all(k in have and fits(have[k], v) for k, v in pattern.items())
    if isinstance(pattern, list):
        return isinstance(have, list) and all(any(fits(item, want) for item in have) for want in pattern)
    return equal(have, pattern)


def steps(path: str, where: str) -> list[tuple[str, str]]:
    """A discriminator path as (kind, argument) steps."""
    result: list[tuple[str, str]] = []
    at = 0
    while at < len(path):
        found = _STEP.match(path, at)
        if found is None or found[4] == "resolve":
            raise UnsupportedError(
                f"discriminator path {path!r}", where, "only $this, names, ofType() and extension('url')"
            )
        end = found.end()
        if end < len(path) and path[end] not in ".":
            raise UnsupportedError(
                f"discriminator path {path!r}", where, "only $this, names, ofType() and extension('url')"
            )
        if found[1]:
            result.append(("extension", found[1]))
        elif found[2]:
            result.append(("type", found[2]))
        elif not found[3]:
            result.append(("name", found[4]))
        at = end + 1
    return result


def kids_of(schema: Schema, node: Node, type_code: str = "") -> dict[str, Node]:
    """Children by name, from the node itself, the profile on its type, or its type."""
    if node.kids:
        return node.kids
    ref = next((t for t in node.types if not type_code or t.code == type_code), None)
    if ref is None:
        return {}
    if len(ref.profiles) == 1 and (tree := schema.tree(ref.profiles[0])) is not None:
        return tree.kids
    return dict(schema.table(node, ref.code).kids)


def extension_url(schema: Schema, node: Node) -> str | None:
    """The fixed `url` of an extension element or slice."""
    kid = kids_of(schema, node).get("url")
    if kid is not None and isinstance(kid.fixed, str):
        return kid.fixed
    profiles = [p for t in node.types for p in t.profiles]
    return profiles[0].partition("|")[0] if len(profiles) == 1 else None


def matchers(schema: Schema, node: Node) -> list[tuple[str, Node, Match]]:
    """A predicate for every slice of `node`. Raises UnsupportedError naming the element."""
    if not node.discriminators:
        raise UnsupportedError("slicing without discriminator", f"{node.profile} element {node.ident}", "add one")
    return [(name, piece, _matcher(schema, node, name, piece)) for name, piece in node.slices]


def _matcher(schema: Schema, node: Node, name: str, piece: Node) -> Match:
    where = f"{node.profile} element {piece.ident}"
    if "/" in name:
        raise UnsupportedError("re-slicing is not supported", where, "use one level of slices")
    made = [_discriminator(schema, piece, kind, path, where) for kind, path in node.discriminators]
    tests = [test for test in made if test is not None]  # a discriminator that asks for nothing tells nothing apart
    if not tests:
        paths = ", ".join(path for _, path in node.discriminators)
        raise UnsupportedError(f"slice has no fixed value, pattern or binding at {paths!r}", where, "give it one")
    if len(tests) == 1:
        return tests[0]
    return lambda value, code: all(test(value, code) for test in tests)


def _discriminator(schema: Schema, piece: Node, kind: str, path: str, where: str) -> Match | None:
    way = steps(path, where)
    if kind == "type":
        return _by_type(schema, piece, way, where)
    if kind == "exists":
        return _by_existence(schema, piece, way, where)
    if kind not in ("value", "pattern"):
        raise UnsupportedError(f"discriminator of type {kind!r}", where, "use value, pattern, exists or type")
    if way == [("name", "url")] and (url := extension_url(schema, piece)) is not None:
        return lambda value, _: isinstance(value, dict) and value.get("url") == url
    target = _target(schema, piece, way, where)
    if _beyond(target) and not piece.min:
        return lambda _, __: False
    test = _condition(schema, target, 0) or _of_slices(schema, piece, way)
    if test is None:
        if len(way) and target.max == 0:
            return lambda value, code: not any(True for _ in reach(value, code, way))
        return None
    if len(way) == 1 and way[0][0] == "name" and not target.choice:
        return _by_child(way[0][1], test)
    return lambda value, code: any(test(v) for v, _ in reach(value, code, way))


def _by_child(name: str, test: Callable[[Any], bool]) -> Match:
    """The usual path, one element that is no choice."""

    def match(value: Any, _: str) -> bool:
        part = value.get(name, MISSING) if isinstance(value, dict) else MISSING
        if part is MISSING:
            return False
        return any(map(test, part)) if isinstance(part, list) else test(part)

    return match


def _target(schema: Schema, piece: Node, way: list[tuple[str, str]], where: str) -> Node:
    node, code = piece, ""
    for kind, name in way:
        if kind == "type":
            code = name
            continue
        kids = kids_of(schema, node, code)
        code = ""
        if kind == "extension":
            owner = kids.get("extension")
            found = next((s for _, s in owner.slices if extension_url(schema, s) == name), None) if owner else None
        else:
            found = kids.get(name)
        if found is None:
            raise UnsupportedError(f"discriminator path leads to {name!r}, which does not exist", where, "correct it")
        node = found
    return node


def _beyond(target: Node) -> bool:
    """Whether only a required binding tells the slice, to a value set that cannot be listed here."""
    if target.fixed is not MISSING or target.pattern is not MISSING or target.binding is None:
        return False
    return target.binding.strength == "required" and (
        target.binding.value_set is None or (target.binding.value_set.open and not target.binding.value_set.codes)
    )


def undecided(schema: Schema, node: Node) -> list[tuple[str, str]]:
    """(slice, value set) of optional slices that nothing can be said to belong to; raises UnsupportedError."""
    found = schema.undecided.get(id(node))
    if found is None:
        found = schema.undecided[id(node)] = []
        for name, piece in node.slices:
            where = f"{node.profile} element {piece.ident}"
            for kind, path in node.discriminators if not piece.min else ():
                if kind in ("value", "pattern") and path != "url":
                    target = _target(schema, piece, steps(path, where), where)
                    if _beyond(target) and target.binding is not None:
                        found.append((name, target.binding.url))
    return found


def _of_slices(schema: Schema, piece: Node, way: list[tuple[str, str]]) -> Callable[[Any], bool] | None:
    """The condition that stands on mandatory slices along the way, as in R4's own profile for blood pressure."""
    found = [piece]
    for kind, name in way:
        if kind != "name":
            return None
        below = [kid for node in found if (kid := kids_of(schema, node).get(name)) is not None]
        found = [*below, *(part for kid in below for _, part in kid.slices if part.min)]
    tests = [test for node in found if (test := _condition(schema, node, 0)) is not None]
    return tests[0] if tests else None  # the first that says anything, as the reference validator takes it


def _condition(schema: Schema, node: Node, depth: int) -> Callable[[Any], bool] | None:
    """A test of one value from fixed, pattern, required binding, or the same of its mandatory children."""
    if node.fixed is not MISSING:
        want = node.fixed
        return lambda v: equal(v, want)
    if node.pattern is not MISSING:
        pattern = node.pattern
        return _one_coding(pattern) or (lambda v: fits(v, pattern))
    if node.binding is not None and node.binding.strength == "required" and node.binding.value_set is not None:
        value_set = node.binding.value_set
        return lambda v: any(value_set.has(s, c) is True for s, c in codings(v))
    if depth > 3 or not node.kids:
        return None
    tests: list[tuple[str, Callable[[Any], bool]]] = []
    for kid in node.kids.values():
        if kid.choice:
            continue
        test = _condition(schema, kid, depth + 1)
        if test is not None and (kid.min or kid.fixed is not MISSING or kid.pattern is not MISSING):
            tests.append((kid.name, test))
        for _, piece in kid.slices:
            if piece.min and (inner := _condition(schema, piece, depth + 1)) is not None:
                tests.append((kid.name, inner))
    if not tests:
        return None
    return lambda v: all(any(test(item) for item, _ in reach(v, "", [("name", name)])) for name, test in tests)


def _one_coding(pattern: Any) -> Callable[[Any], bool] | None:
    """`fits` for the usual pattern, one coding of system and code; None for others."""
    if not (isinstance(pattern, dict) and set(pattern) == {"coding"} and len(pattern["coding"]) == 1):
        return None
    coding = pattern["coding"][0]
    if set(coding) != {"system", "code"} or not all(isinstance(part, str) for part in coding.values()):
        return None
    system, code = coding["system"], coding["code"]

    def test(value: Any) -> bool:
        items = value.get("coding") if isinstance(value, dict) else None
        if not isinstance(items, list):
            return False
        for item in items:
            if isinstance(item, dict) and item.get("code") == code and item.get("system") == system:
                return True
        return False

    return test


def codings(value: Any) -> Iterator[tuple[str | None, str]]:
    """(system, code) pairs of a code, Coding, CodeableConcept or Quantity; system None for a plain code."""
    if isinstance(value, str):
        yield None, value
    elif isinstance(value, dict):
        if "coding" in value:
            for item in value["coding"] if isinstance(value["coding"], list) else ():
                yield from codings(item)
        elif isinstance(value.get("code"), str):
            system = value.get("system")
            yield system if isinstance(system, str) else "", value["code"]


def reach(value: Any, code: str, way: list[tuple[str, str]]) -> Iterator[tuple[Any, str]]:
    """Values a path leads to, with their type where the key of a choice tells it."""
    if not way:
        yield value, code
        return
    (kind, name), rest = way[0], way[1:]
    if kind == "type":
        if code == name:
            yield from reach(value, code, rest)
        return
    if not isinstance(value, dict):
        return
    if kind == "extension":
        found = value.get("extension")
        for item in found if isinstance(found, list) else ():
            if isinstance(item, dict) and item.get("url") == name:
                yield from reach(item, "Extension", rest)
        return
    for key, item in value.items():
        if key == name:
            kind_of = ""
        elif key.startswith(name) and key[len(name) : len(name) + 1].isupper():
            suffix = key[len(name) :]
            kind_of = suffix
        else:
            continue
        for part in item if isinstance(item, list) else [item]:
            yield from reach(part, kind_of, rest)


def type_name(suffix: str) -> str:
    """`DateTime` of `valueDateTime` is also the primitive `dateTime`; both spellings count."""
    return suffix[:1].lower() + suffix[1:]


def _by_type(schema: Schema, piece: Node, way: list[tuple[str, str]], where: str) -> Match:
    target = _target(schema, piece, way, where)
    wanted = _codes(schema, target.types)
    if not wanted:
        raise UnsupportedError("type slice without a type", where, "give it one")

    def match(value: Any, code: str) -> bool:
        for found, kind in reach(value, code, way):
            name = str(found.get("resourceType", kind)) if isinstance(found, dict) else kind
            if name in wanted or type_name(str(name)) in wanted:
                return True
        return False

    return match


def _codes(schema: Schema, types: tuple[TypeRef, ...]) -> set[str]:
    result = set()
    for ref in types:
        result.add(ref.code)
        if ref.code == "Resource":
            result.discard("Resource")
            for url in ref.profiles:
                if (tree := schema.tree(url)) is not None:
                    result.add(tree.path)
    return result


def _by_existence(schema: Schema, piece: Node, way: list[tuple[str, str]], where: str) -> Match:
    target = _target(schema, piece, way, where)
    if target.max == 0:
        return lambda value, code: not any(True for _ in reach(value, code, way))
    if target.min > 0:
        return lambda value, code: any(True for _ in reach(value, code, way))
    raise UnsupportedError("exists slice that is neither required nor forbidden there", where, "set min 1 or max 0")
