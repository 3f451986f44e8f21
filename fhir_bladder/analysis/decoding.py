"""Room `analysis`: JSON parsers that keep only the keys a view reaches. May import wire and Keys.

A view of ten columns touches a tenth of an Observation; msgspec decodes that into Structs made for it and skips the
rest without building objects, which is where most of the time of flattening goes. A field is `k_` and the key's name;
what is absent or null is None. Where a resource has another shape than the Structs, everything is decoded to dicts, so
that whoever takes a resource takes both. Decimals come as `Decimal`, digits as written.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import Any, TypeVar

import msgspec

from fhir_bladder import wire
from fhir_bladder.analysis.keys import FIELD, Keys

Text = bytes | memoryview
Parse = Callable[[Text], Any]

_decimal = lru_cache(maxsize=1 << 14)(wire.decimal)  # measured values repeat; looking one up takes a third of making it
everything: Parse = msgspec.json.Decoder(float_hook=_decimal).decode
"""The whole of a JSON text; raises one of `UNREADABLE`."""
UNREADABLE = (msgspec.DecodeError, ValueError, ArithmeticError, RecursionError)
"""What a text that cannot be parsed raises."""

T = TypeVar("T")


class Remembered(dict[bytes, T]):
    """What a function makes of a JSON text, computed once for all texts that are the same byte for byte.

    For parts that come again and again, such as codes. `Remembered(read)[text]`; bounded in size.
    """

    def __init__(self, read: Callable[[bytes], T]) -> None:
        super().__init__()
        self._read = read

    def __missing__(self, text: bytes) -> T:
        made = self._read(text)
        if len(text) <= 1000:
            if len(self) >= 10_000:
                self.clear()
            self[text] = made
        return made


class Shapes:
    """The Structs for a tree of keys: `top` for the resource, and one for each node that is not decoded whole."""

    def __init__(self, keys: Keys) -> None:
        self._of: dict[int, type[msgspec.Struct]] = {}
        self.keys = keys
        self.top = self._build(keys, top=True)

    def of(self, keys: Keys) -> type[msgspec.Struct] | None:
        """The Struct of a node; None where its values are decoded whole."""
        return self._of.get(id(keys))

    def coded(self, keys: Keys) -> bool:
        """Whether the `code` of a node is left as bytes."""
        return keys.coded and "code" not in keys.children and id(keys) in self._of

    def _build(self, keys: Keys, *, top: bool = False) -> type[msgspec.Struct] | None:
        if not all(name.isascii() and name.isidentifier() for name in keys.children):
            keys.whole = True
        if keys.whole or not (keys.children or keys.coded):
            return None
        fields: list[tuple[str, Any, Any]] = []
        required: list[tuple[str, Any]] = []
        if keys.coded and "code" in keys.children:
            keys.children["code"].whole = True  # asked for in two ways
        elif keys.coded:
            fields.append((FIELD + "code", msgspec.Raw, msgspec.Raw()))
        for name, child in keys.children.items():
            if top and name == "resourceType":
                required.append((FIELD + name, str))
                continue
            shape = self._build(child)
            fields.append((FIELD + name, Any if shape is None else shape | list[shape] | None, None))  # type: ignore[valid-type]
        made = msgspec.defstruct(
            "Shape", [*required, *fields], rename=lambda field: field.removeprefix(FIELD), gc=False
        )
        self._of[id(keys)] = made
        return made

    def parser(self) -> Parser:
        """A parser of resources."""
        if self.top is None:
            return WHOLE
        decoder = msgspec.json.Decoder(self.top, float_hook=_decimal)
        return Parser(decoder.decode, decoder.decode_lines)


class Parser:
    """Parses a resource: to the Struct made for it, or to dicts where it has another shape.

    quick: does only the first, and raises one of `UNREADABLE` where it cannot; None: everything becomes dicts.
    many: the same for several values with white space between; it does not mind two in a line.
    """

    __slots__ = ("many", "quick")

    def __init__(self, quick: Parse | None, many: Callable[[Text], list[Any]] | None = None) -> None:
        self.quick, self.many = quick, many

    def __call__(self, text: Text) -> Any:
        """Raises one of `UNREADABLE` for what is no JSON."""
        if self.quick is not None:
            try:
                return self.quick(text)
            except msgspec.ValidationError:
                pass
        return everything(text)


WHOLE = Parser(None)
"""Parses to dicts with all that is there."""


def pruned(keys: Keys) -> Parser:
    """A parser for resources seen through `keys`."""
    return Shapes(keys).parser()
