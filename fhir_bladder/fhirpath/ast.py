"""Room `fhirpath`: the syntax tree. Names follow the grammar of FHIRPath N1."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True, slots=True)
class Expr:
    """Base of all; `at` is the 0-based place in the text. Equal are those that say the same, wherever they stand."""

    at: int = field(compare=False)


@dataclass(frozen=True, slots=True, eq=False)
class Literal(Expr):
    """`value`: system value, or None for the empty collection `{}`. `1`, `1.0` and `true` are not equal."""

    value: Any

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Literal) and repr(self.value) == repr(other.value)

    def __hash__(self) -> int:
        return hash(repr(self.value))


@dataclass(frozen=True, slots=True)
class This(Expr):
    """`$this`, `$index` or `$total`; "" for the implicit focus of a head term."""

    name: str


@dataclass(frozen=True, slots=True)
class External(Expr):
    """`%name`."""

    name: str


@dataclass(frozen=True, slots=True)
class Member(Expr):
    """`base.name`; `base` is This("") at the head of a path, and `head` is True there."""

    base: Expr
    name: str
    head: bool


@dataclass(frozen=True, slots=True)
class Call(Expr):
    """`base.name(args)`; `base` is This("") at the head."""

    base: Expr
    name: str
    args: tuple[Expr, ...]


@dataclass(frozen=True, slots=True)
class Index(Expr):
    """`base[index]`."""

    base: Expr
    index: Expr


@dataclass(frozen=True, slots=True)
class Unary(Expr):
    """`+` or `-` before a term."""

    operator: str
    operand: Expr


@dataclass(frozen=True, slots=True)
class Binary(Expr):
    """An infix operator other than `is` and `as`."""

    operator: str
    left: Expr
    right: Expr


@dataclass(frozen=True, slots=True)
class TypeTest(Expr):
    """`operand is Type`, `operand as Type`, also from the functions is(), as() and ofType(). `type`: dotted name."""

    operator: str
    operand: Expr
    type: str


TYPE_FUNCTIONS = frozenset({"is", "as", "ofType"})
