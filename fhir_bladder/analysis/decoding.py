"""Room `analysis`: JSON parsers that keep only the keys a view reaches. Imports nothing of ours but codegen's Keys.

A view of ten columns touches a tenth of an Observation; msgspec skips the rest without building objects for it, which
is where most of the time of flattening goes. Decimals come as `Decimal`, digits as written.
"""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Any, TypedDict

import msgspec

from fhir_bladder.analysis.codegen import Keys


def pruned(keys: Keys) -> Callable[[bytes], Any]:
    """A parser for resources seen through `keys`; where a resource has another shape, everything is decoded.

    Raises msgspec.DecodeError for text that is not JSON.
    """
    everything = msgspec.json.Decoder(float_hook=Decimal).decode
    if keys.whole:
        return everything
    quick = msgspec.json.Decoder(_type(keys, top=True), float_hook=Decimal).decode

    def parse(data: bytes) -> Any:
        try:
            return quick(data)
        except msgspec.ValidationError:
            return everything(data)

    return parse


def _type(keys: Keys, *, top: bool = False) -> Any:
    if keys.whole or not keys.children:
        return Any
    fields = {name: _type(child) for name, child in keys.children.items()}
    shape = TypedDict("shape", fields, total=False)  # type: ignore[misc]
    return shape if top else shape | list[shape]


def merged(one: Keys, other: Keys) -> Keys:
    """The keys of both."""
    if one.whole or other.whole:
        return Keys(whole=True)
    if not one.children or not other.children:
        return Keys(whole=True)
    names = {**one.children, **other.children}
    return Keys(
        False,
        {
            name: merged(one.children[name], other.children[name])
            if name in one.children and name in other.children
            else child
            for name, child in names.items()
        },
    )
