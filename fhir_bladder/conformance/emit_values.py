"""Room `conformance`: writes statements of acceptor functions. Belongs here: arrays, slices, values; no state."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any, Protocol

from fhir_bladder.conformance import invariants
from fhir_bladder.conformance.schema import MISSING, PRIMITIVES, Field, Node, Table, TypeRef

_LIKE = ("Identifier.assigner",)
"""Where a datatype can hold its like, beside extensions and elements that refer to one around them."""


class Names(Protocol):
    """What the emitter asks of the acceptor: names of constants and functions."""

    def constant(self, value: Any) -> str:
        """A name for a constant or a helper."""

    def function(self, node: Node, code: str) -> str:
        """The function for a value of a node."""

    def binding(self, node: Node) -> str:
        """The function for a binding."""

    def primitive(self, node: Node, ref: TypeRef) -> str:
        """The function for the invariants of a primitive."""

    def range(self, node: Node) -> str:
        """The function for the least and the greatest value."""

    def choice(self, table: Table, field: Field) -> str:
        """The function for a choice with slices."""

    def target(self, node: Node, ref: TypeRef) -> str:
        """The function for a reference's target."""

    def extension(self, table: Table, field: Field) -> str:
        """The function for an array of extensions."""

    def rule(self, table: Table, expression: str) -> str:
        """The function of an invariant."""

    def rule_text(self, table: Table, expression: str) -> str | None:
        """An invariant as an expression on `o` and `C`; None where it is a function."""

    def profile(self, url: str, code: str) -> str:
        """The function of a profile on a datatype."""

    def slicer(self, table: Table, field: Field) -> tuple[str, list[tuple[str, Node]]] | None:
        """The function that names an item's slice, and the slices."""

    def by_code(self, node: Node) -> str:
        """The look-up of slices told apart by one coding each; empty for others."""

    def picked(self, table: Table, field: Field) -> bool:
        """Whether the table is a slice's and the pattern of this field is what told the slice."""

    def known_code(self, system: Any, code: Any) -> bool:
        """Whether two fixed values are a system and a code of it, with nothing to be said about them."""

    def beside(self, field: Field) -> str:
        """The function for the object beside a primitive."""

    def resource(self, code: str) -> bool:
        """Whether a type is a resource's."""

    def general(self, table: Table, name: str, inline: tuple[str, ...]) -> str:
        """The function for unusual keys."""


def indent(lines: list[str], depth: int = 1) -> list[str]:
    """Statements further in; `pass` where there are none."""
    return ["    " * depth + line for line in lines or ["pass"]]


def body(table: Table, field: Field, v: str, names: Names) -> list[str]:
    """Statements that return 0 where the value of a key is not known to be right."""
    node = field.node
    if node.choice and node.slices:
        picked = names.slicer(table, field)
        if picked is None:
            return ["return 0"]
        return [f"if not {names.choice(table, field)}({v}, C): return 0"]
    if not node.many:
        return item(node, field.type, v, names, names.picked(table, field))
    out = [f"if type({v}) is not list or not {v}: return 0"]
    if node.max is not None:
        out.append(f"if len({v}) > {node.max}: return 0")
    if node.min > 1:
        out.append(f"if len({v}) < {node.min}: return 0")
    if field.type.code == "Extension":
        return [*out, f"if not {names.extension(table, field)}({v}, C): return 0"]
    if node.slices or node.rules == "closed":
        return out + _slices(table, field, v, names)
    return [*out, f"for y in {v}:", *indent(item(node, field.type, "y", names))]


def _slices(table: Table, field: Field, v: str, names: Names) -> list[str]:
    picked = names.slicer(table, field)
    if picked is None:
        return ["return 0"]
    pick, pieces = picked
    node = field.node
    counters = [f"c{n}" for n, (_, piece) in enumerate(pieces) if piece.min or piece.max is not None]
    out = [" = ".join(counters) + " = 0"] if counters else []
    if node.ordered:
        out.append("last = -1")
    out.append(f"for y in {v}:")
    codes = names.by_code(node)
    if codes:  # one coding, the usual case, without a call
        only = f"{codes}.get((s[0].get('system'), s[0].get('code')), -1)"
        out += ["    s = y['code'].get('coding', ())", f"    s = {only} if len(s) == 1 else {pick}(y)"]
    else:
        out.append(f"    s = {pick}(y)")
    if node.ordered:
        out += ["    if -1 < s < last: return 0", "    if s > last: last = s"]
    closed = node.rules == "closed"
    out.append("    if s < 0:")
    out += ["        return 0"] if closed else indent(item(node, field.type, "y", names), 2)
    branches = []
    for number, (_, piece) in enumerate(pieces):
        ref = piece.types[0] if piece.types else field.type
        branch = [f"if c{number} >= {piece.max}: return 0"] if piece.max else []
        branch += [f"c{number} += 1"] if f"c{number}" in counters else []
        branches.append([*branch, *item(piece, ref, "y", names)])
    if branches:
        out += ["    else:", *indent(_branch(branches, 0), 2)]
    for number, (_, piece) in enumerate(pieces):
        if piece.min:
            out.append(f"if c{number} < {piece.min}: return 0")
    return out


def _branch(branches: list[list[str]], first: int) -> list[str]:
    """Statements that run branch number `s`, found by halving."""
    if len(branches) == 1:
        return branches[0]
    half = len(branches) // 2
    return [
        f"if s < {first + half}:",
        *indent(_branch(branches[:half], first)),
        "else:",
        *indent(_branch(branches[half:], first + half)),
    ]


def item(node: Node, ref: TypeRef, v: str, names: Names, picked: bool = False) -> list[str]:
    """Statements for one value of a node; picked: it is known to hold to its pattern."""
    if node.max == 0:
        return ["return 0"]
    if ref.code in PRIMITIVES:
        out = list(_primitive(node, ref, v, names))
        if any(c.key not in invariants.SKIPPED for c in node.constraints):
            out.append(f"if not {names.primitive(node, ref)}({v}, C): return 0")
        return out
    if names.resource(ref.code) or (ref.code == "Resource" and (ref.profiles or node.kids)):
        return ["return 0"]  # more is asked of it than its own type asks: for the explainer
    if ref.code == "Resource":
        return [f"if not RESOURCE({v}, C): return 0"]
    judged = f"if not {names.function(node, ref.code)}({v}, C): return 0"
    out = ["C.enter()", judged, "C.depth -= 1"] if node.refers or node.base_path in _LIKE else [judged]
    if not node.kids:
        out += [f"if not {names.profile(url, ref.code)}({v}, C): return 0" for url in ref.profiles]
    if node.fixed is not MISSING:
        out.append(f"if not EQUAL({v}, {names.constant(node.fixed)}): return 0")
    if node.pattern is not MISSING and not picked:
        out += _pattern(node.pattern, v, names)
    if node.binding is not None and node.binding.value_set is not None:
        out.append(f"if not {names.binding(node)}({v}): return 0")
    elif node.binding is not None and node.binding.value_set is None and node.binding.strength == "required":
        out.append("return 0")
    if ref.code == "Reference":
        out.append(f"if not {names.target(node, ref)}({v}, C): return 0")
    return out


def _pattern(pattern: Any, v: str, names: Names) -> list[str]:
    if isinstance(pattern, dict) and pattern and all(isinstance(x, str) for x in pattern.values()):
        return ["if " + " or ".join(f"{v}.get({a!r}) != {b!r}" for a, b in pattern.items()) + ": return 0"]
    if isinstance(pattern, dict) and set(pattern) == {"coding"} and len(pattern["coding"]) == 1:
        coding = pattern["coding"][0]
        if all(isinstance(x, str) for x in coding.values()):
            test = " and ".join(f"c.get({a!r}) == {b!r}" for a, b in coding.items())
            return [f"for c in {v}.get('coding', ()):", f"    if {test}: break", "else: return 0"]
    return [f"if not FITS({v}, {names.constant(pattern)}): return 0"]


_QUICK: dict[str, Callable[[str], str]] = {
    "string": lambda v: f"if {v} not in OK_text and not TEXT({v}): return 0",
    "code": lambda v: f"if {v} not in OK_code and not SLOW_code({v}): return 0",
    "uri": lambda v: f"if {v} not in OK_uri and not SLOW_uri({v}): return 0",
    "dateTime": lambda v: f"if QUICK_DATETIME({v}) is None and not DATED('dateTime', {v}): return 0",
    "instant": lambda v: f"if QUICK_DATETIME({v}) is None and not DATED('instant', {v}): return 0",
    "date": lambda v: f"if {v} not in OK_date and not DATE({v}): return 0",
    "decimal": lambda v: f"if type({v}) not in NUMBER: return 0",
    "boolean": lambda v: f"if {v} is not True and {v} is not False: return 0",
    "id": lambda v: f"if ID({v}) is None: return 0",
    "integer": lambda v: f"if type({v}) is not int or not -2147483648 <= {v} < 2147483648: return 0",
    "xhtml": lambda v: f"if not NARRATIVE({v}, C): return 0",
}
_QUICK["markdown"] = _QUICK["string"]
_QUICK["url"] = _QUICK["canonical"] = _QUICK["uri"]


def _primitive(node: Node, ref: TypeRef, v: str, names: Names) -> Iterator[str]:
    code = ref.code
    if node.fixed is not MISSING and isinstance(node.fixed, str):
        yield f"if {v} != {node.fixed!r}: return 0"
        return
    if node.fixed is not MISSING:
        yield f"if not EQUAL({v}, {names.constant(node.fixed)}): return 0"
    if node.pattern is not MISSING:
        yield f"if not EQUAL({v}, {names.constant(node.pattern)}): return 0"
    listed = (
        node.binding.value_set.listed() if node.binding is not None and node.binding.value_set is not None else None
    )
    if listed is not None:
        yield f"if {v} not in {names.constant(listed)}: return 0"
        return
    quick = _QUICK.get(code)
    yield quick(v) if quick is not None else f"if not VALID({code!r}, {v}): return 0"
    if node.binding is not None and node.binding.value_set is not None:
        wrong = "is not True" if node.binding.strength == "required" else "is False"  # undecided is told
        yield f"if {names.constant(node.binding.value_set)}.has(None, {v}) {wrong}: return 0"
    elif node.binding is not None and node.binding.value_set is None and node.binding.strength == "required":
        yield "return 0"
    if node.language:
        yield f"if not LANGUAGE({v}): return 0"
    if node.max_length is not None:
        yield f"if len({v}) > {node.max_length}: return 0"
    if node.min_value is not None or node.max_value is not None:
        yield f"if not {names.range(node)}({v}): return 0"
