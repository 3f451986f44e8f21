"""Room `analysis`: which keys of a resource a view reaches, and how a decoded one is read. Imports nothing of ours."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

FIELD = "k_"
"""In front of a key's name in a Struct, so that no key collides with what a Struct has of its own."""


@dataclass
class Keys:
    """Which keys of the JSON an expression can reach, so that the rest need not be decoded; `whole`: all of them.

    coded: `code.coding` of these objects is asked for through an index of codes, besides what `children` names.
    """

    whole: bool = False
    children: dict[str, Keys] = field(default_factory=dict)
    coded: bool = False

    def child(self, name: str) -> Keys:
        """The keys below one key."""
        return self.children.setdefault(name, Keys())


def member(value: Any, name: str) -> Any:
    """A child of one object, dict or Struct; None where there is none, or no object."""
    return value.get(name) if value.__class__ is dict else getattr(value, FIELD + name, None)


def merged(one: Keys, other: Keys) -> Keys:
    """The keys of both, as a tree of its own."""
    if one.whole or other.whole:
        return Keys(whole=True)
    found = Keys(coded=one.coded or other.coded)
    for keys in (one, other):
        if not keys.children and not keys.coded:
            return Keys(whole=True)
    for name in {**one.children, **other.children}:
        here, there = one.children.get(name), other.children.get(name)
        found.children[name] = merged(here or there or Keys(), there or here or Keys())
    return found
