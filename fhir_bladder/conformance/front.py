"""Room `conformance`: the front tier of the acceptor. Belongs here: a yes put together from parts judged before.

A resource is cut into the texts of its keys, an array of extensions into items, without parsing what lies inside. A
text that was judged right at the same place is looked up; any other is parsed and judged by the compiled functions of
`accept`. What depends on the list of keys alone (mandatory ones, choices) is never judged here: a list of keys counts
as right once the whole acceptor has said yes to a resource with it. Invariants run where `needs` says that they must.

No key can stand twice: the lengths of the parts must add up to the length of the text, which a lost part would not.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import msgspec
import orjson

from fhir_bladder.conformance.accept_names import REFUSALS, labelled_twice
from fhir_bladder.conformance.invariants import CONTENT, Context
from fhir_bladder.conformance.limits import repeats
from fhir_bladder.conformance.needs import ITEMS, ONE, WHOLE, Guard, Need, Test, need
from fhir_bladder.conformance.quick import Beyond
from fhir_bladder.conformance.schema import Field, Node, Table
from fhir_bladder.errors import BladderError

if TYPE_CHECKING:
    from fhir_bladder.conformance.accept import Acceptor
    from fhir_bladder.conformance.accept_names import Accept

ROOM = 2000
"""Texts kept at a place."""
LONGEST = 2000
"""Bytes of a text that is kept, at most."""
_TURN = 256
"""Resources after which it is weighed whether looking up pays."""
_REST = 8192
"""Resources that pass unasked where it does not."""
_DEEP = 80
"""Brackets of a part at most, so that no resource accepted here is nested too deep (`limits.MAX_DEPTH`)."""

_split = msgspec.json.Decoder(dict[str, msgspec.Raw]).decode
_items = msgspec.json.Decoder(list[msgspec.Raw]).decode
_Miss = Callable[[bytes, Context], Any]
_One = Callable[[bytes, Context], tuple[Any, int]]
_QUOTE = 34


class Unknown(Exception):
    """Not for this tier."""


class _Place:
    """A key of an object. known: texts judged right, with their values; masks: which guarded rules a value calls for.

    array: `miss` does the looking up itself, item by item.
    """

    __slots__ = ("array", "guards", "known", "masks", "miss")

    def __init__(self, miss: _Miss, known: dict[bytes, Any], array: bool = False) -> None:
        self.miss, self.known, self.array = miss, known, array
        self.guards: list[tuple[int, Guard]] = []
        self.masks: dict[bytes, int] = {}


class _Shape:
    """A list of keys met in an object: how long the text is beside the values, and how each value is judged."""

    __slots__ = ("arrays", "confirmed", "frame", "guarded", "keys", "known", "misses")

    def __init__(self, keys: tuple[str, ...], places: list[_Place]) -> None:
        self.keys = keys
        self.frame = 1 + sum(len(key) + 4 for key in keys)
        self.known = [place.known for place in places]
        self.misses = [place.miss for place in places]
        self.arrays = [(at, place.miss) for at, place in enumerate(places) if place.array]
        self.guarded = [(at, place) for at, place in enumerate(places) if place.guards]
        self.confirmed = False

    def confirm(self) -> None:
        self.confirmed = True


class _Object:
    """The resources of one table, by the texts of their keys."""

    def __init__(self, front: Front, table: Table) -> None:
        self.front, self.table = front, table
        self.shapes: dict[tuple[str, ...], _Shape] = {}
        self.places: dict[str, _Place] = {}
        self.needs = _needs(table)
        self.bits = {e: 1 << n for n, e in enumerate(e for e, rule in self.needs.items() if rule.guards)}
        self.holds = front.acceptor.rest(table, frozenset(self.needs))
        self.always = [rule.holds for rule in self.needs.values() if rule.kind == WHOLE and not rule.guards]
        self.guarded: dict[int, list[Test]] = {}

    def fill(self, text: bytes, parts: dict[str, msgspec.Raw], made: dict[str, Any], context: Context) -> None:
        """Put the object together; raises Unknown where that is not for this tier."""
        keys = tuple(parts)
        shape = self.shapes.get(keys)
        if shape is None:
            shape = self._shape(keys)
        if not shape.confirmed:
            self.front.pending.append(shape.confirm)
        texts = list(map(bytes, parts.values()))
        if shape.frame + sum(map(len, texts)) != len(text):
            raise Unknown
        values = [known.get(part) for known, part in zip(shape.known, texts, strict=True)]
        for at, miss in shape.arrays:
            values[at] = miss(texts[at], context)
        if None in values:
            for at, value in enumerate(values):
                if value is None:
                    values[at] = shape.misses[at](texts[at], context)
        made.update(zip(shape.keys, values, strict=True))
        if not self.holds(made, context):
            raise Unknown
        if self.needs:
            self._rules(shape, texts, made, context)

    def _rules(self, shape: _Shape, texts: list[bytes], made: dict[str, Any], context: Context) -> None:
        for holds in self.always:
            if not holds(made, context):
                raise Unknown
        mask = self.front.called
        for at, place in shape.guarded:
            found = place.masks.get(texts[at])
            mask |= _called(place.guards, made, context) if found is None else found
        if mask:
            rules = self.guarded.get(mask)
            if rules is None:
                rules = [self.needs[e].holds for e, bit in self.bits.items() if bit & mask]
                if len(self.guarded) < ROOM:
                    self.guarded[mask] = rules
            for holds in rules:
                if not holds(made, context):
                    raise Unknown

    def _shape(self, keys: tuple[str, ...]) -> _Shape:
        made = _Shape(keys, [self.places[key] if key in self.places else self._place(key) for key in keys])
        if len(self.shapes) >= ROOM:
            self.shapes.clear()
        self.shapes[keys] = made
        return made

    def _place(self, key: str) -> _Place:
        field = self.table.fields.get(key)
        if field is not None and field.type.code != "Resource":
            rules = [rule for rule in self.needs.values() if rule.key == key and rule.kind in (ONE, ITEMS)]
            guards = [
                (self.bits[e], guard) for e, rule in self.needs.items() for guard in rule.guards if guard.key == key
            ]
            if by_items(field):
                place = _Place(self.front.array(self.table, field, rules, guards), {}, array=True)
            else:
                place = self.front.place(self.table, field, rules, guards)
        elif key == "resourceType":
            place = _Place(_never, {f'"{self.table.type}"'.encode(): self.table.type})
        else:
            raise Unknown
        self.places[key] = place
        return place


def by_items(field: Field) -> bool:
    """Whether an array is judged item by item: extensions repeat where other things do not."""
    return field.node.many and field.type.code == "Extension"


def _needs(table: Table) -> dict[str, Need]:
    """The rules of a resource that can be taken apart, by their expression."""
    arrays = frozenset(key for key, field in table.fields.items() if by_items(field))
    found = {}
    for constraint in table.constraints:
        try:
            found[constraint.expression] = need(constraint.expression, table.focus, arrays)
        except (Beyond, BladderError, RecursionError):
            continue
    return found


def _called(guards: list[tuple[int, Guard]], part: dict[str, Any], context: Context) -> int:
    """The bits of the rules that an object of one key does not rule out."""
    mask = 0
    for bit, guard in guards:
        if not mask & bit and not guard.out(part, context):
            mask |= bit
    return mask


class Front:
    """Says yes, or that it does not know. `confirm` is to be called where the acceptor then said yes."""

    def __init__(self, acceptor: Acceptor, wanted: dict[str, tuple[str, ...]]) -> None:
        self.acceptor, self.wanted = acceptor, wanted
        self.pending: list[Callable[[], object]] = []
        self.called = 0
        self._roots: dict[tuple[bytes, bytes], _Object | None] = {}
        self._objects: dict[int, _Object] = {}
        self.missed = self._read = self._seen = self._said = self._rest = 0
        self._errors = (Unknown, msgspec.DecodeError, *REFUSALS)

    def accepts(self, data: bytes) -> bool:
        """Whether the text of a resource is known to be without error and warning."""
        if self.pending:
            self.pending = []
        if self._rest:
            self._rest -= 1
            return False
        self._seen += 1
        self._read += len(data)
        if self._seen >= _TURN:
            self._weigh()
        self.called = 0
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
        except self._errors:
            return False
        if self.pending:
            return False
        self._said += 1
        return True

    def _weigh(self) -> None:
        """Rest where looking up does not pay: few resources known, or most of their text new."""
        if self._said * 2 < self._seen or self.missed * 2 > self._read:
            self._rest = _REST
        self.missed = self._read = self._seen = self._said = 0

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

    def place(self, table: Table, field: Field, rules: list[Need], guards: list[tuple[int, Guard]]) -> _Place:
        """A key whose value is judged in one piece."""
        accept, key, again = self.acceptor.whole(table, field), field.key, _Again()

        def miss(text: bytes, context: Context) -> Any:
            value = _parsed(text)
            self.missed += len(text)
            context.asked = 0
            if value is None or not accept(value, context) or context.asked & CONTENT:
                raise Unknown
            if rules or guards:
                part = {key: value}
                alone = Context(part, part)
                for rule in rules:
                    if not rule.holds(part, alone):
                        raise Unknown
            if again(text):
                if len(place.known) >= ROOM:
                    place.known.clear()
                    place.masks.clear()
                place.known[text] = value
                if guards:
                    place.masks[text] = _called(guards, part, alone)
            return value

        place = _Place(miss, {})
        place.guards = guards
        return place

    # arrays

    def array(self, table: Table, field: Field, rules: list[Need], guards: list[tuple[int, Guard]]) -> _Miss:
        """Judges the text of an array, item by item: text → values."""
        known: dict[bytes, tuple[Any, int, int]] = {}
        get, again = known.get, _Again()
        order_of = _Orders(self, field.node, self._picked(table, field)[1])
        one = self._extensions(table, field)
        key = field.key

        def enter(part: bytes, context: Context) -> tuple[Any, int, int]:
            context.asked = 0
            self.missed += len(part)
            value, number = one(part, context)
            if context.asked & CONTENT:
                raise Unknown
            item = {key: [value]}
            for rule in rules:
                if not rule.holds(item, context):
                    raise Unknown
            mask = _called(guards, item, context)
            entry = value, number, mask
            if again(part):
                if len(known) >= ROOM:
                    known.clear()
                known[part] = entry
            return entry

        def judge(text: bytes, context: Context) -> list[Any]:
            texts = list(map(bytes, _items(text)))
            if sum(map(len, texts)) + len(texts) + 1 != len(text):
                raise Unknown
            entries = list(map(get, texts))
            if None in entries:
                for at, found in enumerate(entries):
                    if found is None:
                        entries[at] = enter(texts[at], context)
            values, numbers, masks = zip(*entries, strict=True)
            if numbers not in order_of.good:
                order_of.judge(numbers)
            if guards:
                mask = 0
                for bits in masks:
                    mask |= bits
                self.called |= mask
            return list(values)

        return judge

    def _picked(self, table: Table, field: Field) -> tuple[Callable[[Any], int], list[tuple[str, Node]]]:
        picked = self.acceptor.slicer(table, field)
        if picked is None:
            raise Unknown
        return self.acceptor.scope[picked[0]], picked[1]

    def _extensions(self, table: Table, field: Field) -> _One:
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


class _Again:
    """Whether a text was met before, most likely. What comes once is not kept: it would only crowd the memory."""

    def __init__(self) -> None:
        self.met: set[int] = set()

    def __call__(self, text: bytes) -> bool:
        mark = hash(text)
        if mark in self.met:
            return len(text) <= LONGEST
        if len(self.met) >= ROOM:
            self.met.clear()
        self.met.add(mark)
        return False


class _Orders:
    """The slices of the items of an array, in order: which lists of them are right."""

    def __init__(self, front: Front, node: Node, pieces: list[tuple[str, Node]]) -> None:
        self.front, self.node, self.pieces = front, node, pieces
        self.good: set[tuple[int, ...]] = set()

    def judge(self, numbers: tuple[int, ...]) -> None:
        """Keep a right list; raises Unknown for another. Where the order counts the acceptor decides."""
        node = self.node
        if len(numbers) < max(1, node.min) or (node.max is not None and len(numbers) > node.max):
            raise Unknown
        if node.rules == "closed" and -1 in numbers:
            raise Unknown
        for number, (_, piece) in enumerate(self.pieces):
            count = numbers.count(number)
            if count < piece.min or (piece.max is not None and count > piece.max):
                raise Unknown
        if len(self.good) >= ROOM:
            self.good.clear()
        if node.ordered:
            self.front.pending.append(lambda: self.good.add(numbers))
        else:
            self.good.add(numbers)


def _never(_text: bytes, _context: Context) -> Any:
    raise Unknown


def _parsed(text: bytes) -> Any:
    value = orjson.loads(text)
    if text[0] != _QUOTE and (text.count(b"{") + text.count(b"[") > _DEEP or repeats(text, value)):
        raise Unknown
    return value
