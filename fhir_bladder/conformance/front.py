"""Room `conformance`: the front tier of the acceptor. Belongs here: a yes put together from parts judged before.

A resource is cut into the texts of its keys, arrays into items, usual items into their keys again, without parsing
what lies inside. A text that was judged right at the same place is looked up; any other is parsed and judged by the
compiled functions of `accept`. What depends on the keys alone (mandatory ones, choices, counts and order of slices) is
never judged here: a list of keys, or of slices, counts as right once the whole acceptor has said yes to a resource
with it. Invariants run each time, on the object put together.

No key can stand twice: the lengths of the parts must add up to the length of the text, which a lost part would not.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import msgspec
import orjson

from fhir_bladder.conformance.accept import labelled_twice
from fhir_bladder.conformance.invariants import CONTENT, Context
from fhir_bladder.conformance.schema import MISSING, Field, Node, Table, TypeRef

if TYPE_CHECKING:
    from fhir_bladder.conformance.accept import Accept, Acceptor

ROOM = 2000
LONGEST = 2000
_TURN = 256
_REST = 8192
_DEEP = 80
"""Texts kept at a place, bytes of one; resources after which the tier is weighed, resources it then rests; brackets of
a part at most, so that no resource accepted here is nested too deep."""

_split = msgspec.json.Decoder(dict[str, msgspec.Raw]).decode
_items = msgspec.json.Decoder(list[msgspec.Raw]).decode
_Miss = Callable[[bytes, Context], Any]
_QUOTE = 34


class Unknown(Exception):
    """Not for this tier."""


class _Shape:
    """A list of keys met at a place: what the text holds beside the values, and how each value is judged."""

    __slots__ = ("confirmed", "frame", "steps")

    def __init__(self, frame: int, steps: list[tuple[str, dict[bytes, Any], _Miss]]) -> None:
        self.frame, self.steps, self.confirmed = frame, steps, False

    def confirm(self) -> None:
        self.confirmed = True


class _Object:
    """The objects of one table, by the texts of their keys."""

    def __init__(self, front: Front, table: Table) -> None:
        self.front, self.table = front, table
        self.shapes: dict[tuple[str, ...], _Shape] = {}
        self.places: dict[str, tuple[dict[bytes, Any], _Miss]] = {}
        self.holds = front.acceptor.rest(table)

    def fill(self, text: bytes, parts: dict[str, msgspec.Raw], made: dict[str, Any], context: Context) -> None:
        """Put the object together; raises Unknown where that is not for this tier."""
        keys = tuple(parts)
        shape = self.shapes.get(keys)
        if shape is None:
            shape = self._shape(keys)
        if not shape.confirmed:
            self.front.pending.append(shape.confirm)
        size = shape.frame
        for (key, known, miss), raw in zip(shape.steps, parts.values(), strict=True):
            part = bytes(raw)
            size += len(part)
            value = known.get(part) if known else None
            made[key] = miss(part, context) if value is None else value
        if size != len(text) or not self.holds(made, context):
            raise Unknown

    def _shape(self, keys: tuple[str, ...]) -> _Shape:
        steps = []
        for key in keys:
            place = self.places.get(key)
            if place is None:
                field = self.table.fields.get(key)
                if field is not None and field.type.code != "Resource":
                    place = self.front.place(self.table, field)
                elif key == "resourceType" and self.table.resource:
                    place = {f'"{self.table.type}"'.encode(): self.table.type}, _never
                else:
                    raise Unknown
                self.places[key] = place
            steps.append((key, *place))
        made = _Shape(1 + sum(len(key) + 4 for key in keys), steps)
        if len(self.shapes) >= ROOM:
            self.shapes.clear()
        self.shapes[keys] = made
        return made


class Front:
    """Says yes, or that it does not know. `confirm` is to be called where the acceptor then said yes."""

    def __init__(self, acceptor: Acceptor, wanted: dict[str, tuple[str, ...]]) -> None:
        self.acceptor, self.wanted = acceptor, wanted
        self.pending: list[Callable[[], object]] = []
        self._roots: dict[tuple[bytes, bytes], _Object | None] = {}
        self._objects: dict[int, _Object] = {}
        self._seen = self._said = self._rest = 0

    def accepts(self, data: bytes) -> bool:
        """Whether the text of a resource is known to be without error and warning."""
        if self._rest:
            self._rest -= 1
            return False
        if self.pending:
            self.pending = []
        self._seen += 1
        if self._seen >= _TURN:
            if self._said * 2 < self._seen:
                self._rest = _REST
            self._seen = self._said = 0
        try:
            parts = _split(data)
            meta = parts.get("meta")
            head = bytes(parts["resourceType"]), b"" if meta is None else bytes(meta)
            root = self._roots[head] if head in self._roots else self._root(*head)
            if root is None or "contained" in parts:
                return False
            made: dict[str, Any] = {}
            root.fill(data, parts, made, Context(made, made))
            if meta is not None and labelled_twice(made["meta"]):
                return False
        except (Unknown, msgspec.DecodeError, *self.acceptor.refusals):
            return False
        if self.pending:
            return False
        self._said += 1
        return True

    def confirm(self) -> None:
        """The acceptor said yes to the resource asked for last."""
        for confirm in self.pending:
            confirm()
        self.pending = []

    def _root(self, name: bytes, meta: bytes) -> _Object | None:
        """The object for a resource of this type with this `meta`; None where this tier is not for it."""
        kind = _parsed(name)
        claimed = _parsed(meta).get("profile", ()) if meta else ()
        table = self.acceptor.only_table(kind, (*claimed, *self.wanted.get(kind, ())))
        found = None if table is None or kind == "Bundle" else self._object(table)
        if len(self._roots) >= ROOM:
            self._roots.clear()
        self._roots[name, meta] = found
        return found

    def _object(self, table: Table) -> _Object:
        found = self._objects.get(id(table))
        if found is None:
            found = self._objects[id(table)] = _Object(self, table)
        return found

    def place(self, table: Table, field: Field) -> tuple[dict[bytes, Any], _Miss]:
        """The texts known for a key, and what judges the others."""
        node, code = field.node, field.type.code
        if node.many and (
            code == "Extension" or (table.resource and code == "BackboneElement")
        ):  # no deeper: see _DEEP
            return {}, self._array(table, field)
        known: dict[bytes, Any] = {}
        return known, self._kept(known, self.acceptor.whole(table, field))

    def _kept(self, known: dict[bytes, Any], accept: Accept) -> _Miss:
        def miss(text: bytes, context: Context) -> Any:
            value = _parsed(text)
            context.asked = 0
            if value is None or not accept(value, context) or context.asked & CONTENT:
                raise Unknown
            if len(text) <= LONGEST:
                if len(known) >= ROOM:
                    known.clear()
                known[text] = value
            return value

        return miss

    # arrays

    def _array(self, table: Table, field: Field) -> _Miss:
        known: dict[bytes, tuple[Any, int, int]] = {}
        orders: set[tuple[int, ...]] = set()
        node = field.node
        pieces = self._picked(table, field)[1]
        simple = not node.ordered and all(p.min <= 1 and p.max in (None, 1) for _, p in pieces)
        marks = [1 << number if piece.min or piece.max else 0 for number, (_, piece) in enumerate(pieces)]
        need = sum(1 << number for number, (_, piece) in enumerate(pieces) if piece.min)
        once = sum(1 << number for number, (_, piece) in enumerate(pieces) if piece.max)
        other = -1 if node.rules == "closed" else 0
        least, most = max(1, node.min), node.max
        one = self._extensions(table, field) if field.type.code == "Extension" else self._backbone(table, field)

        def enter(part: bytes, context: Context) -> tuple[Any, int, int]:
            context.asked, before = 0, len(self.pending)
            value, number = one(part, context)
            if context.asked & CONTENT:
                raise Unknown
            entry = value, number, marks[number] if number >= 0 else other
            if len(part) <= LONGEST and len(self.pending) == before:
                if len(known) >= ROOM:
                    known.clear()
                known[part] = entry
            return entry

        def judge(text: bytes, context: Context) -> list[Any]:
            size, seen, values, numbers = 1, 0, [], []
            for raw in _items(text):
                part = bytes(raw)
                size += len(part) + 1
                value, number, mark = known.get(part) or enter(part, context)
                values.append(value)
                if mark:
                    if mark < 0 or mark & seen & once:
                        raise Unknown
                    seen |= mark
                if not simple:
                    numbers.append(number)
            count = len(values)
            if size != len(text) or seen & need != need or count < least or (most is not None and count > most):
                raise Unknown
            if not simple and (order := tuple(numbers)) not in orders:
                if len(orders) >= ROOM:
                    orders.clear()
                self.pending.append(lambda: orders.add(order))
            return values

        return judge

    def _picked(self, table: Table, field: Field) -> tuple[Callable[[Any], int], list[tuple[str, Node]]]:
        picked = self.acceptor.slicer(table, field)
        if picked is None:
            raise Unknown
        return self.acceptor.scope[picked[0]], picked[1]

    def _extensions(self, table: Table, field: Field) -> Callable[[bytes, Context], tuple[Any, int]]:
        pick, pieces = self._picked(table, field)
        single: dict[tuple[str, int], Accept] = {}

        def one(text: bytes, context: Context) -> tuple[Any, int]:
            value = _parsed(text)
            url, number = value["url"], pick(value)
            accept = single.get((url, number))
            if accept is None:
                node = pieces[number][1] if number >= 0 else field.node
                accept = self.acceptor.one_extension(table, field, url, node)
                if len(single) < ROOM:
                    single[url, number] = accept
            if not accept(value, context):
                raise Unknown
            return value, number

        return one

    def _backbone(self, table: Table, field: Field) -> Callable[[bytes, Context], tuple[Any, int]]:
        pick, pieces = self._picked(table, field)
        by_code = self.acceptor.told_by_code(field.node)
        whole: dict[int, Accept] = {}
        plain: dict[int, _Object | None] = {}
        numbers: dict[bytes, int] = {}

        def node_of(number: int) -> tuple[Node, TypeRef]:
            node = pieces[number][1] if number >= 0 else field.node
            return node, node.types[0] if node.types else field.type

        def object_of(number: int) -> _Object | None:
            node, ref = node_of(number)
            bare = node.fixed is MISSING and node.pattern is MISSING and node.binding is None and node.max != 0
            made = self._object(self.acceptor.table_of(node, ref.code)) if bare and _own(node, ref) else None
            plain[number] = made
            return made

        def number_of(code: bytes) -> int:
            if len(numbers) >= ROOM:
                numbers.clear()
            found = numbers[code] = pick({"code": _parsed(code)})
            return found

        def one(text: bytes, context: Context) -> tuple[Any, int]:
            if by_code or not pieces:
                parts = _split(text)
                number = -1
                if by_code:
                    code = bytes(parts["code"])
                    number = numbers[code] if code in numbers else number_of(code)
                shared = plain[number] if number in plain else object_of(number)
                if shared is not None:
                    made: dict[str, Any] = {}
                    shared.fill(text, parts, made, context)
                    return made, number
            value = _parsed(text)
            number = pick(value)
            accept = whole.get(number)
            if accept is None:
                accept = whole[number] = self.acceptor.single(table, field, *node_of(number))
            if not accept(value, context):
                raise Unknown
            return value, number

        return one


def _own(node: Node, ref: TypeRef) -> bool:
    """Whether the table of a node says all that is asked of its values."""
    return ref.code == "BackboneElement" and (bool(node.kids) or not ref.profiles)


def _never(_text: bytes, _context: Context) -> Any:
    raise Unknown


def repeats(text: bytes, value: Any) -> bool:
    """Whether a key may stand twice: the text has more of them than the value kept."""
    again = orjson.dumps(value)
    return again != text and (text.count(b":") != again.count(b":") or (b"\\" in text and b"\\u003" in text))


def _parsed(text: bytes) -> Any:
    value = orjson.loads(text)
    if text[0] != _QUOTE and (text.count(b"{") + text.count(b"[") > _DEEP or repeats(text, value)):
        raise Unknown
    return value
