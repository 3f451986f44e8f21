# ruff: noqa: E501 - tables of cases read better in one line
"""Puts a switch at each check of a text of Python. Belongs here: the checks, the switches and where they are put.

Closed, a switch only notes that its check was the one to refuse; open, the check is left out.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

PROBLEM = frozenset(
    ["entry_problems", "identifier_problem", "attachment_problem", "misplaced", "orphans", "_may_repeat", "untidy",
     "labelled_twice", "odd_year", "obs_7", "problem"]
)  # fmt: skip
"""Functions whose answer, if any, is a problem; all others say yes."""

HAND: dict[str, frozenset[str] | None] = {
    "accept": None,
    "bundles": frozenset(["absolute", "entry_problems"]),
    "invariants": None,
    "memory": None,
    "primitives": None,
    "slicing": frozenset(["equal", "fits"]),
    "values": frozenset(["identifier_problem", "attachment_problem"]),
    "coded": frozenset(["known_code"]),
    "extended": frozenset(["misplaced"]),
    "codes": frozenset(["language"]),
    "ucum": None,
    "xhtml": None,
    "quick": frozenset(["_plain", "_exact", "_is_concept"]),
    "validator": frozenset(["known_good", "_from_json"]),
}
"""Hand-written modules with the functions whose checks are dropped; None: all that say yes or no."""

NOT_VERDICTS = frozenset(
    ["pick", "quick", "enter", "slicer", "_by_code", "_by_url", "resolve", "find", "many", "index", "_index", "objects", "reach", "codings", "hand", "strings", "compiled", "_term", "_component", "json_kind", "judged"]
)  # fmt: skip
OWNED = frozenset(["general", "extension", "_extensions", "choice"])
"""Makers of functions for one table or element: their checks count once for each."""

Key = tuple[Any, ...]


@dataclass(eq=False)
class Site:
    """One check: where it is and what it says; the table and the field it was made for."""

    owner: str
    place: str
    text: str
    table: Any = None
    field: Any = None
    twin: bool = False
    run: int = -1

    def __str__(self) -> str:
        return f"{self.owner} | {self.place} | {self.text}"


class Switches:
    """All checks, which of them is left out, and which stood in the way of the document under test."""

    def __init__(self) -> None:
        self.sites: dict[Key, Site] = {}
        self.dropped: frozenset[Key] | None = None
        self.fired: dict[Key, None] = {}
        self.odd: set[Key] = set()
        self.learn = False
        self.ran: list[bool] = []
        self._texts: dict[tuple[str, str, str], int] = {}
        self._owners: dict[int, str] = {}
        self._held: list[Any] = []

    def site(self, owner: str, place: str, text: str, table: Any = None, field: Any = None) -> int:
        """A new check; the same text at the same place is numbered."""
        again = self._texts[owner, place, text] = self._texts.get((owner, place, text), 0) + 1
        number = self._next
        self._next += 1
        if self.dropped is not None:
            self.odd.add((number,))
        self.sites[(number,)] = Site(owner, place, text if again == 1 else f"{text} ({again})", table, field)
        return number

    def fire(self, *key: Any) -> bool:
        """A check refuses: True, unless it is left out."""
        found = self._key(key)
        if self.dropped is not None and found in self.dropped:
            return False
        self.fired[found] = None
        return True

    def give(self, *key: Any) -> bool:
        """A condition for a yes is not met: False, unless it is left out."""
        return not self.fire(*key)

    def _key(self, key: Key) -> Key:
        if len(key) == 1:
            return key
        number, things, item = key
        return (number, tuple(map(id, things)), _words(item))

    def own(self, number: int, things: tuple[Any, ...], items: Any) -> None:
        """A function was made for a table: its checks count for it."""
        made = self.sites.pop((number,), None) or self._general[number]
        self._general[number] = made
        self._held.append(things)
        owner, place = "R4", ""
        for thing in things:
            owner, place = self._named(thing, owner, place)
        for item in items:
            words = _words(item)
            text = f"{made.text}" + (f" [{words}]" if words else "")
            if self.dropped is not None:
                self.odd.add((number, tuple(map(id, things)), words))
            self.sites[number, tuple(map(id, things)), words] = Site(
                owner, f"{place} {made.place}", text, *things[:1], *things[1:2]
            )

    _general: dict[int, Site]
    _next = 0

    def _named(self, thing: Any, owner: str, place: str) -> tuple[str, str]:
        if hasattr(thing, "kids") and hasattr(thing, "fields"):  # a table
            return profile_of(thing.node), named(thing)
        if hasattr(thing, "key") and hasattr(thing, "node"):  # a field
            return owner, f"{place}.{thing.key}"
        return owner, place


def profile_of(node: Any) -> str:
    """Short name of the definition a node comes from."""
    return str(node.profile).rpartition("/")[2] or "R4"


def named(table: Any) -> str:
    """A table's name; the object beside a primitive is told from the value."""
    from fhir_bladder.conformance.schema import PRIMITIVES

    return f"{table.name} beside" if table.type in PRIMITIVES else str(table.name)


def _words(item: Any) -> str:
    if isinstance(item, str | int):
        return str(item)
    if isinstance(item, tuple | list):
        return " ".join(w for w in map(_words, item) if w)
    return ""


class Memo(set[Any]):
    """A set of kept answers that learns nothing while a check is left out."""

    switches: Switches

    def add(self, item: Any) -> None:
        if self.switches.dropped is None or self.switches.learn:
            super().add(item)


class Forgetful(dict[Any, Any]):
    """A dictionary of kept answers that neither tells nor learns anything while a check is left out."""

    switches: Switches

    def get(self, key: Any, default: Any = None) -> Any:
        return super().get(key, default) if self.switches.dropped is None else default

    def __setitem__(self, key: Any, value: Any) -> None:
        if self.switches.dropped is None:
            super().__setitem__(key, value)


class Weaken:
    """Puts switches into one text."""

    def __init__(
        self, switches: Switches, owner: str, place: str, hand: bool, table: Any = None, field: Any = None
    ) -> None:
        self.table, self.field = table, field
        self.switches, self.owner, self.place, self.hand = switches, owner, place, hand
        self.spot = place
        self.function: list[str] = []
        self.things: tuple[str, ...] = ()
        self.targets: list[tuple[str, ast.expr]] = []
        self.made: list[tuple[int, str]] = []
        self.problem = False
        self.said = False
        self.run = -1

    # switches

    def _switch(self, name: str, text: ast.AST | str) -> ast.expr:
        said = text if isinstance(text, str) else ast.unparse(text)
        said = re.sub(r" (and|or) _weaken_\w+\(\d+\)", "", said)
        said = re.sub(r"\bf\d+_(\w+)", r"\1", re.sub(r"\b(K|Q|g|t)\d+\b", r"\1", said))
        place = f"{module_of(self.place)}.{'.'.join(self.function)}" if self.hand else self.spot
        number = self.switches.site(self.owner, place, said, self.table, self.field or self._field())
        self.switches.sites[(number,)].run = self.run
        args: list[ast.expr] = [ast.Constant(number)]
        if self.things and (self.targets or said in ASKED):
            listed, target = self.targets[-1] if self.targets else ("", ast.Constant(""))
            args += [ast.Tuple([ast.Name(t, ast.Load()) for t in self.things], ast.Load()), _loaded(target)]
            self.made.append((number, listed or f"[''] if {ASKED[said]} else []"))
        return ast.Call(ast.Name(name, ast.Load()), args, [])

    def _field(self) -> Any:
        key = self.spot.rpartition(".")[2]
        return self.table.fields.get(key) if self.table is not None and self.spot != self.place else None

    # expressions

    def yes(self, expr: ast.expr, wrap: bool = True) -> ast.expr:
        """An expression whose truth leads to a yes, with a switch at each part that can be left out."""
        expr = _split(expr)
        if isinstance(expr, ast.BoolOp) and isinstance(expr.op, ast.And):
            return ast.BoolOp(ast.And(), [self.yes(v) for v in expr.values])
        if isinstance(expr, ast.BoolOp):
            made: ast.expr = ast.BoolOp(ast.Or(), [self.yes(v, False) for v in expr.values])
            return self._outer(made, expr, wrap, yes=True)
        if isinstance(expr, ast.UnaryOp) and isinstance(expr.op, ast.Not):
            inner = _split(expr.operand)
            covered = isinstance(inner, ast.BoolOp) and isinstance(inner.op, ast.Or)
            made = ast.UnaryOp(ast.Not(), self.no(expr.operand, False))
            return made if covered else self._outer(made, expr, wrap, yes=True)
        if isinstance(expr, ast.IfExp) and _falsy(expr.orelse):
            body = expr.body if _truthy(expr.body) else self.yes(expr.body, wrap)
            return ast.IfExp(self.yes(expr.test, wrap), body, expr.orelse)
        name, comp = _comprehension(expr)
        if comp is not None:
            whole = ast.unparse(expr)
            if name == "all":
                comp.elt = self.yes(comp.elt, wrap)
                for part in comp.generators:
                    part.ifs = [self.no(test, False) for test in part.ifs]
                return expr
            if name == "any":
                comp.elt = comp.elt if _truthy(comp.elt) else self.yes(comp.elt)
            for part in comp.generators:
                part.ifs = [self.yes(test) if not _presence(test) else test for test in part.ifs]
            return self._outer(expr, whole, wrap, yes=True)
        return self._outer(expr, expr, wrap, yes=True)

    def no(self, expr: ast.expr, wrap: bool = True) -> ast.expr:
        """An expression whose truth leads to a refusal."""
        expr = _split(expr)
        if isinstance(expr, ast.BoolOp) and isinstance(expr.op, ast.Or):
            return ast.BoolOp(ast.Or(), [self.no(v) for v in expr.values])
        if isinstance(expr, ast.BoolOp):
            made: ast.expr = ast.BoolOp(ast.And(), [self.no(v, False) for v in expr.values])
            return self._outer(made, expr, wrap, yes=False)
        if isinstance(expr, ast.UnaryOp) and isinstance(expr.op, ast.Not):
            inner = _split(expr.operand)
            covered = isinstance(inner, ast.BoolOp) and isinstance(inner.op, ast.And)
            text = ast.unparse(expr)
            made = ast.UnaryOp(ast.Not(), self.yes(expr.operand, False))
            return made if covered else self._outer(made, text, wrap, yes=False)
        name, comp = _comprehension(expr)
        if comp is not None:
            whole = ast.unparse(expr)
            if name == "any":
                comp.elt = comp.elt if _truthy(comp.elt) else self.no(comp.elt, wrap)
                covered = not _truthy(comp.elt)
            else:
                covered = False
            if name != "all":
                for part in comp.generators:
                    part.ifs = [self.no(test, False) for test in part.ifs]
            return expr if covered else self._outer(expr, whole, wrap, yes=False)
        return self._outer(expr, expr, wrap, yes=False)

    def _outer(self, expr: ast.expr, text: ast.expr | str, wrap: bool, *, yes: bool) -> ast.expr:
        said = text if isinstance(text, str) else ast.unparse(text)
        if wrap:
            near = _boundary(expr, yes)
            name = "_weaken_give" if yes else "_weaken_fire"
            parts = [expr, self._switch(name, said)]
            if near is not None:
                edge = self._switch(name, f"{said}, at its limit")
                parts.insert(1, ast.BoolOp(ast.And() if yes else ast.Or(), [near, edge]))
            return ast.BoolOp(ast.Or() if yes else ast.And(), parts)
        return expr

    # statements

    def _end(self, body: Sequence[ast.stmt]) -> str:
        last = body[-1] if body else None
        if isinstance(last, ast.Raise):
            return "refuse"
        if isinstance(last, ast.Expr) and isinstance(last.value, ast.Yield):
            return "refuse"
        if isinstance(last, ast.Break | ast.Continue):
            if len(body) > 1 and self._end(body[:-1]) == "refuse":
                return "refuse"
            return "accept" if len(body) == 1 or self.problem else ""
        if isinstance(last, ast.Return):
            if last.value is None or _falsy(last.value):
                return "accept" if self.problem else "refuse"
            if _truthy(last.value) or isinstance(last.value, ast.JoinedStr | ast.Tuple):
                return "refuse" if self.problem else "accept"
            return "call" if isinstance(last.value, ast.Call) else "some"
        return ""

    def block(self, body: list[ast.stmt], guarded: bool = False) -> list[ast.stmt]:
        """Statements with switches."""
        out: list[ast.stmt] = []
        at = 0
        while at < len(body):
            stmt = body[at]
            at += 1
            if not self.hand and isinstance(stmt, ast.Assign) and (key := _taken(stmt)) is not None:
                self.spot = f"{self.place}.{key[1]}"
                if key[2]:
                    inside: list[ast.stmt] = []
                    while at < len(body) and _belongs(body[at]):
                        inside.append(body[at])
                        at += 1
                    out.append(self._mandatory(stmt, key[0], key[1], inside))
                    continue
                out.append(stmt)
                continue
            if not self.hand and isinstance(stmt, ast.If) and not _belongs(stmt) and not _about_value(stmt):
                self.spot = self.place
            out += self.statement(stmt, guarded and at == len(body))
        return out

    def _mandatory(self, taken: ast.Assign, o: str, key: str, inside: list[ast.stmt]) -> ast.stmt:
        test = ast.BoolOp(
            ast.Or(),
            [
                ast.Compare(ast.Constant(key), [ast.In()], [ast.Name(o, ast.Load())]),
                self._switch("_weaken_fire", "is there"),
            ],
        )
        more = ast.parse("n += 1").body
        return ast.If(test, [taken, *self.block(inside)], more)

    def statement(self, stmt: ast.stmt, guarded: bool) -> list[ast.stmt]:
        """One statement with switches."""
        if isinstance(stmt, ast.FunctionDef):
            return self.define(stmt)
        if isinstance(stmt, ast.ClassDef):
            stmt.body = [s for part in stmt.body for s in self.statement(part, False)]
        elif self.hand and not self.function and isinstance(stmt, ast.Assign | ast.AnnAssign):
            if self.place in ("invariants", "primitives"):
                self.lambdas(stmt)
        elif self.function and self.function[-1] in ("_empty", "_needs", "_any_of"):
            self.lambdas(stmt)
        elif isinstance(stmt, ast.If) and self.active:
            return [self._if(stmt)]
        elif isinstance(stmt, ast.For) and self.active:
            self._for(stmt)
        elif isinstance(stmt, ast.If | ast.For | ast.While | ast.With | ast.Try):
            stmt.body = self.block(stmt.body)
            if isinstance(stmt, ast.Try) or not isinstance(stmt, ast.With):
                stmt.orelse = self.block(stmt.orelse)
        elif isinstance(stmt, ast.Return) and self.active and stmt.value is not None and not guarded:
            return [self._return(stmt)]
        return [stmt]

    def lambdas(self, tree: ast.AST) -> None:
        """Rules written as lambdas: their answer is a yes."""
        for node in ast.walk(tree):
            if isinstance(node, ast.Lambda):
                self.function.append(ast.unparse(node.args))
                node.body = self.yes(node.body)
                self.function.pop()

    def _return(self, stmt: ast.Return) -> ast.stmt:
        value = stmt.value
        assert value is not None
        if isinstance(value, ast.Constant | ast.JoinedStr | ast.Tuple):
            if self.problem or not _falsy(value):
                return stmt
            if not self.hand:
                return ast.If(self._switch("_weaken_fire", "any"), [stmt], [])
            return ast.Return(ast.IfExp(self._switch("_weaken_fire", "at the end"), value, ast.Constant(1)))
        return ast.Return(self.no(value) if self.problem else self.yes(value))

    def _if(self, stmt: ast.If) -> ast.stmt:
        end = self._end(stmt.body)
        other = len(stmt.orelse) == 1 and self._end(stmt.orelse) if stmt.orelse else ""
        if end == "refuse" or (end == "call" and self.hand):
            stmt.test = self.no(stmt.test)
        elif end == "accept" or other == "refuse":
            stmt.test = self.yes(stmt.test)
        stmt.body = self.block(stmt.body, guarded=end in ("refuse", "accept"))
        stmt.orelse = self.block(stmt.orelse, guarded=other == "refuse" and end != "")
        return stmt

    def _for(self, stmt: ast.For) -> None:
        named = stmt.iter.id if isinstance(stmt.iter, ast.Name) and stmt.iter.id in LISTS else ""
        if named and self.things:
            self.targets.append((named, stmt.target))
        stmt.body = self.block(stmt.body)
        if named and self.things:
            self.targets.pop()
        stmt.orelse = self.block(stmt.orelse)

    @property
    def active(self) -> bool:
        """Whether the statements are those of a function whose checks count."""
        return bool(self.function) and self.function[-1] not in NOT_VERDICTS and self._chosen()

    def _chosen(self) -> bool:
        if not self.hand:
            return True
        if not self.said:
            return False
        only = HAND[module_of(self.place)]
        if module_of(self.place) == "accept":
            return len(self.function) > 1 or self.function[0] in ACCEPT_RUN
        return only is None or any(f in only for f in self.function)

    def define(self, stmt: ast.FunctionDef) -> list[ast.stmt]:
        """A function; where it is made for a table, its checks are counted for it when it is made."""
        before = self.problem, self.things, self.made, self.targets
        outer = self.function[-1] if self.function else ""
        self.function.append(stmt.name)
        self.problem = stmt.name in PROBLEM
        returns = ast.unparse(stmt.returns) if stmt.returns is not None else ""
        said, self.said = self.said, self.problem or returns in ("bool", "int", "Any")
        if self.hand and outer in OWNED and self.active:
            self.things = THINGS[outer]
        elif self.hand:
            self.things = ()
        self.made, self.targets = [], []
        stmt.body = self.block(stmt.body)
        made = self.made
        self.function.pop()
        self.said = said
        self.problem, self.things, self.made, self.targets = before
        things = THINGS.get(outer, ())
        calls = [
            ast.parse(f"_weaken_own({number}, ({', '.join(things)},), {listed})").body[0] for number, listed in made
        ]
        return [*calls, stmt]


THINGS = {
    "general": ("table",),
    "extension": ("table", "field"),
    "_extensions": ("table", "field"),
    "choice": ("table", "field"),
}
LISTS = frozenset(["choices", "plain", "required", "bounds"])
"""Lists of those makers that hold one check an item."""
ASKED = {
    "content and (not others)": "content",
    "typed is None or typed(o)": "typed is not None",
    "seen & need == need": "need",
    "mark & seen & once": "once",
}
"""Checks of those makers with the condition under which a table has them."""
ACCEPT_RUN = frozenset(
    [
        "obs_7",
        "labelled_twice",
        "accepts",
        "_resource",
        "_inner",
        "_dated",
        "_valid",
        "_narrative",
    ]
)
"""Functions of the acceptor itself that run for each document; the others run while functions are made."""


def _split(expr: ast.expr) -> ast.expr:
    """`a <= b < c` as `a <= b and b < c`, where b costs nothing to look at twice."""
    if isinstance(expr, ast.Compare) and len(expr.ops) == 2 and isinstance(expr.comparators[0], ast.Name):
        middle = expr.comparators[0]
        return ast.BoolOp(
            ast.And(),
            [
                ast.Compare(expr.left, [expr.ops[0]], [middle]),
                ast.Compare(middle, [expr.ops[1]], [expr.comparators[1]]),
            ],
        )
    return expr


def _loaded(target: ast.expr) -> ast.expr:
    return ast.parse(ast.unparse(target), mode="eval").body


def _falsy(expr: ast.expr | None) -> bool:
    if isinstance(expr, ast.Tuple | ast.List):
        return not expr.elts or (isinstance(expr, ast.Tuple) and _falsy(expr.elts[0]))
    return isinstance(expr, ast.Constant) and not expr.value


def _truthy(expr: ast.expr | None) -> bool:
    return isinstance(expr, ast.Constant) and bool(expr.value)


def _comprehension(expr: ast.expr) -> tuple[str, Any]:
    """(`any`, `all` or `some`, the comprehension) of a test over items."""
    if (
        isinstance(expr, ast.Call)
        and isinstance(expr.func, ast.Name)
        and expr.func.id in ("any", "all")
        and len(expr.args) == 1
        and isinstance(expr.args[0], ast.ListComp | ast.GeneratorExp)
    ):
        return expr.func.id, expr.args[0]
    if (
        isinstance(expr, ast.Compare)
        and isinstance(expr.ops[0], ast.NotEq)
        and isinstance(expr.left, ast.ListComp)
        and isinstance(expr.comparators[0], ast.List)
        and not expr.comparators[0].elts
    ):
        return "some", expr.left
    return "", None


def _presence(test: ast.expr) -> bool:
    """`a is not None`, which only walks a path."""
    return (isinstance(test, ast.Compare) and isinstance(test.ops[0], ast.IsNot)) or (
        isinstance(test, ast.BoolOp) and isinstance(test.op, ast.Or) and all(map(_presence, test.values[:1]))
    )  # fmt: skip


def _boundary(expr: ast.expr, yes: bool) -> ast.expr | None:
    """The same comparison one further off, for numbers counted."""
    if not isinstance(expr, ast.Compare) or len(expr.ops) != 1:
        return None
    op, right = expr.ops[0], expr.comparators[0]
    if not isinstance(op, ast.Lt | ast.LtE | ast.Gt | ast.GtE):
        return None
    left, step = expr.left, 0
    for side in (left, right):
        if isinstance(side, ast.Constant) and type(side.value) is int:
            break
        if isinstance(side, ast.UnaryOp) and isinstance(side.operand, ast.Constant):
            break
    else:
        return None
    step = 1 if isinstance(op, ast.Gt | ast.GtE) != yes else -1
    moved = ast.BinOp(right, ast.Add(), ast.Constant(step))
    return ast.Compare(left, [op], [moved])


def _taken(stmt: ast.Assign) -> tuple[str, str, bool] | None:
    """(object, key, whether it must be there) of `v = o['key']` or `v = o.get('key')`."""
    value = stmt.value
    if len(stmt.targets) != 1 or not isinstance(stmt.targets[0], ast.Name) or stmt.targets[0].id != "v":
        return None
    if (
        isinstance(value, ast.Subscript)
        and isinstance(value.value, ast.Name)
        and isinstance(value.slice, ast.Constant)
        and isinstance(value.slice.value, str)
    ):
        return value.value.id, value.slice.value, True
    if (
        isinstance(value, ast.Call)
        and isinstance(value.func, ast.Attribute)
        and value.func.attr == "get"
        and isinstance(value.func.value, ast.Name)
        and isinstance(value.args[0], ast.Constant)
    ):
        return value.func.value.id, value.args[0].value, False
    return None


_OWN = re.compile(r"v|y|s|last|c\d+|w_\w+")


def _names(node: ast.AST) -> set[str]:
    return {n.id for n in ast.walk(node) if isinstance(n, ast.Name)}


def _belongs(stmt: ast.stmt) -> bool:
    """Whether a statement still judges the value taken before."""
    if isinstance(stmt, ast.Assign):
        return _taken(stmt) is None and any(_OWN.fullmatch(n) for n in _names(stmt))
    if isinstance(stmt, ast.If | ast.For):
        head = stmt.test if isinstance(stmt, ast.If) else stmt.iter
        return any(re.fullmatch(r"v|y|s|c\d+", n) for n in _names(head))
    return False


def _about_value(stmt: ast.If) -> bool:
    return any(_OWN.fullmatch(n) for n in _names(stmt.test))


def module_of(name: str) -> str:
    """The acceptor's parts count as one."""
    return "accept" if name.startswith("accept") else name
