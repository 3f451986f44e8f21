"""Room `conformance`: what texts of `quick` call while they run. Belongs here: values of keys, codings of arrays."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any


def pick(o: dict[str, Any], keys: tuple[str, ...]) -> tuple[Any, ...]:
    """The value of the one key of a choice that is there; None where only its `_key` is."""
    for key in keys:
        if key in o:
            return (o[key],)
    for key in keys:
        if "_" + key in o:
            return (None,)
    return ()


def many(o: dict[str, Any], key: str) -> Any:
    """Items of an array of primitives, null where an item has only extensions."""
    return o[key] if key in o else o.get("_" + key, ()) and [None] * len(o["_" + key])


def index(o: dict[str, Any], context: Any, array: str, concept: str) -> Mapping[tuple[Any, Any], Sequence[Any]]:
    """(system, code) → items of an array whose concept has that coding, in order; kept for the other rules."""
    kept = context.index if context.resource is o else {}
    found: Mapping[tuple[Any, Any], Sequence[Any]] | None = kept.get((array, concept))
    if found is None:
        found = kept[array, concept] = _index(o.get(array, ()), concept)
    return found


def _index(items: Sequence[Any], concept: str) -> Mapping[tuple[Any, Any], Sequence[Any]]:
    short: dict[tuple[Any, Any], Sequence[Any]] = {}
    count = 0
    try:
        for item in items:
            held_once = (item,)
            for coding in item[concept]["coding"]:
                short[coding["system"], coding["code"]] = held_once
                count += 1
        if len(short) == count:
            return short  # every coding once, the usual case
    except KeyError:
        pass
    found: dict[tuple[Any, Any], Any] = {}
    for item in items:
        for coding in item[concept].get("coding", ()) if concept in item else ():
            pair = (coding.get("system"), coding.get("code"))
            held = found.get(pair)
            if held is None:
                found[pair] = [item]
            elif held[-1] is not item:
                held.append(item)
    return found


NAMES = {"PICK": pick, "MANY": many, "INDEX": index}
"""Their names in those texts."""
