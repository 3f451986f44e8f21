"""Drops each check of the acceptor in turn, by changing its text in memory. Belongs here: the changes and the run.

A copy of the room `conformance` is loaded with a switch at every check: in the generated texts (every `return 0`, every
part of an `or` before it, every part of an `and` of an invariant, every mandatory key) and in the hand-written modules.
Closed, a switch only notes that its check was the one to refuse; open, the check is left out. One run over a document
tells the checks that stood in its way, so a second run, with one of them left out, is all that a document can cost: no
other check would change its fate. The judge is the explainer of the room as it stands, not of the copy.
"""

from __future__ import annotations

import ast
import builtins
import importlib
import importlib.abc
import importlib.machinery
import re
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from types import CodeType
from typing import Any

from conformance_weaken import HAND, Forgetful, Key, Memo, Switches, Weaken, module_of, named, profile_of

ROOM = "fhir_bladder.conformance"
MOST = 600
"""How many documents may fail to show a check before it is taken for one that none of them can show."""

KEPT, STEPS, WAYS = 12, 16, 4
"""Documents kept for a check that they do not show; checks left out together at most; documents kept for each check
that was the last in their way."""
PASSES_ON = re.compile(
    r"next\(entry_problems\(value\), None\) is not None"
    r"|(not |int\()?[\w.\[\]]+\((v|y|o|item|value), (C|context)\)+( \(\d+\))?"
).fullmatch


# the copy of the room


class _Loader(importlib.machinery.SourceFileLoader):
    switches: Switches

    def get_code(self, fullname: str) -> CodeType:
        path = self.get_filename(fullname)
        tree = ast.parse(self.get_data(path))
        short = fullname.rpartition(".")[2]
        if module_of(short) in HAND:
            weaken = Weaken(self.switches, f"({module_of(short)})", short, hand=True)
            tree.body = [s for stmt in tree.body for s in weaken.statement(stmt, False)]
        tree = ast.fix_missing_locations(_Kept().visit(tree))
        code: CodeType = builtins.compile(tree, path, "exec", dont_inherit=True)
        return code


class _Kept(ast.NodeTransformer):
    """Kept answers as something that can be told to learn nothing; no kept answers where a no is kept too."""

    def visit_Call(self, node: ast.Call) -> ast.AST:
        self.generic_visit(node)
        if isinstance(node.func, ast.Name) and node.func.id == "set" and not node.args:
            node.func.id = "_weaken_set"
        return node

    def visit_AnnAssign(self, node: ast.AnnAssign) -> ast.AST:
        self.generic_visit(node)
        if isinstance(node.value, ast.Dict) and ast.unparse(node.target) in ("self._known", "known", "single"):
            node.value = ast.Call(ast.Name("_weaken_dict", ast.Load()), [], [])
        return node

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.AST:
        self.generic_visit(node)
        node.decorator_list = [d for d in node.decorator_list if "lru_cache" not in ast.unparse(d)]
        return node


class _Finder(importlib.abc.MetaPathFinder):
    def __init__(self, switches: Switches) -> None:
        self.switches = switches

    def find_spec(self, name: str, path: Any, target: Any = None) -> Any:
        if not name.startswith(ROOM):
            return None
        spec = importlib.machinery.PathFinder.find_spec(name, path)
        if spec is not None and spec.origin is not None and spec.origin.endswith(".py"):
            loader = _Loader(name, spec.origin)
            loader.switches = self.switches
            spec.loader = loader
        return spec


def _compiler(switches: Switches) -> Callable[..., CodeType]:
    """`compile` for generated texts."""

    def make(text: str, name: str, mode: str, *more: Any, **named: Any) -> CodeType:
        owner, place = "invariant", name.strip("<>")
        table = field = None
        if place.startswith("acceptor "):
            place = place.removeprefix("acceptor ")
            owner, place, table, field = _whose() or ("R4", place, None, None)
        else:
            owner, place, table = _rule() or (owner, place, None)
        tree = ast.parse(text, name)
        weaken = Weaken(switches, owner, place, False, table, field)
        before = len(switches.ran)
        switches.ran.append(False)
        weaken.run = before
        tree.body = [s for stmt in tree.body for s in weaken.statement(stmt, False)]
        for stmt in tree.body:
            if isinstance(stmt, ast.FunctionDef):
                stmt.body[:0] = ast.parse(f"_weaken_ran[{before}] = True").body
        code: CodeType = builtins.compile(ast.fix_missing_locations(tree), name, mode)
        return code

    return make


def _whose() -> tuple[str, str, Any, Any] | None:
    """The definition and element whose text is being made: those of the nearest table among the callers' variables."""
    frame = sys._getframe(2)
    for _ in range(4):
        found, field = frame.f_locals.get("table"), frame.f_locals.get("field")
        if found is not None and hasattr(found, "node"):
            return profile_of(found.node), named(found) + (f".{field.key}" if field is not None else ""), found, field
        if frame.f_back is None:
            break
        frame = frame.f_back
    return None


def _rule() -> tuple[str, str, Any] | None:
    frame = sys._getframe(2)
    for _ in range(5):
        found, expression = frame.f_locals.get("table"), frame.f_locals.get("expression")
        if found is not None and expression is not None and hasattr(found, "constraints"):
            key = next((c.key for c in found.constraints if c.expression == expression), "?")
            return profile_of(found.node), f"{found.name}:{key}", found
        if frame.f_back is None:
            break
        frame = frame.f_back
    return None


@contextmanager
def copied(keep: bool = False, artefacts: Sequence[dict[str, Any]] = ()) -> Iterator[tuple[Switches, Any]]:
    """The switches and the module `validator` of a copy of the room; `keep`: with its memory of equal values."""
    switches = Switches()
    switches._general = {}
    made = type("Kept", (Memo,), {"switches": switches})
    forgetful = type("Forgetful", (Forgetful,), {"switches": switches})
    for name, value in (
        ("_weaken_fire", switches.fire),
        ("_weaken_give", switches.give),
        ("_weaken_own", switches.own),
        ("_weaken_set", made),
        ("_weaken_dict", forgetful),
        ("_weaken_ran", switches.ran),
    ):
        setattr(builtins, name, value)
    parent = sys.modules["fhir_bladder"]
    saved = {n: m for n, m in sys.modules.items() if n == ROOM or n.startswith(ROOM + ".")}
    for name in saved:
        del sys.modules[name]
    finder = _Finder(switches)
    sys.meta_path.insert(0, finder)
    try:
        validator = importlib.import_module(ROOM + ".validator")
        importlib.import_module(ROOM + ".quick")
        for name, module in list(sys.modules.items()):
            if name.startswith(ROOM + "."):
                module.__dict__["compile"] = _compiler(switches)
                if not keep and "remembered" in module.__dict__ and not name.endswith(".memory"):
                    module.__dict__["remembered"] = lambda accept: accept
        yield switches, validator.Validator(artefacts=artefacts)
    finally:
        sys.meta_path.remove(finder)
        for name in [n for n in sys.modules if n == ROOM or n.startswith(ROOM + ".")]:
            del sys.modules[name]
        sys.modules.update(saved)
        if ROOM in saved:
            parent.__dict__["conformance"] = saved[ROOM]
        for name in ("_weaken_fire", "_weaken_give", "_weaken_own", "_weaken_set", "_weaken_dict", "_weaken_ran"):
            delattr(builtins, name)


def outside(call: Callable[..., Any]) -> Callable[..., Any]:
    """A function of the room as it stands, for use beside a copy: what it imports late is no copy either."""
    room = {n: m for n, m in sys.modules.items() if n == ROOM or n.startswith(ROOM + ".")}

    def run(*arguments: Any) -> Any:
        copy = {n: sys.modules.get(n) for n in room}
        sys.modules.update(room)
        try:
            return call(*arguments)
        finally:
            sys.modules.update({n: m for n, m in copy.items() if m is not None})

    return run


class Run:
    """Documents against the copy: which checks they show to be needed.

    shown: check → the document that shows it. wrong: documents taken by the acceptor in which the explainer finds
    something. together: check → a document that shows it once the other checks named there are left out too.
    """

    def __init__(self, switches: Switches, weak: Any, judge: Callable[[bytes], list[str]], most: int = MOST) -> None:
        self.switches, self.weak, self.judge, self.most = switches, weak, judge, most
        self.shown: dict[Key, bytes] = {}
        self.tried: dict[Key, int] = {}
        self.wrong: list[tuple[bytes, list[str]]] = []
        self.documents = self.taken = 0
        self.after: dict[Key, list[list[Key]]] | None = None
        self.met: set[Key] = set()
        self.together: dict[Key, tuple[bytes, frozenset[Key]]] = {}
        self.behind: list[bytes] = []  # documents made for what stands behind another check
        self.ways: dict[Key, list[bytes]] = {}  # what the last check in the way of a document was
        self.kept: dict[Key, list[bytes]] = {}  # refused, and a check was noted that it does not show
        self.calm: set[Key] = set()  # noted in resources that are right, so hardly what refuses others

    def known_good(self, data: bytes, *dropped: Key) -> bool:
        """What the copy says, with checks left out."""
        self.switches.dropped = frozenset(dropped) if dropped else None
        self.switches.fired = {}
        try:
            return bool(self.weak.known_good(data))
        except Exception:
            if not dropped:
                raise
            return False  # what a check left out lets through may be anything
        finally:
            self.switches.dropped = None

    def one(self, data: bytes, ask: bool = True) -> list[Key]:
        """Try one document; the checks that it is the first to show. ask: have the explainer look at what is taken."""
        self.documents += 1
        if self.known_good(data):
            self.taken += 1
            self.calm |= self.switches.fired.keys()
            if ask and (found := self.judge(data)):
                self.wrong.append((data, found))
            return []
        self.met |= self.switches.odd & self.switches.fired.keys()
        last = next((k for k in reversed(self.switches.fired) if not self._passes_on(k)), None)
        if last is not None and len(self.ways.setdefault(last, [])) < WAYS:
            self.ways[last].append(data)
        new: list[Key] = []
        bad: bool | None = None
        for key in [k for k in self.switches.fired if k not in self.shown]:
            if self.tried.get(key, 0) >= (self.most // 6 if key in self.calm else self.most):
                continue
            if self.known_good(data, key):
                bad = bool(self.judge(data)) if bad is None else bad
                if bad:
                    self.shown[key] = data
                    new.append(key)
                    continue
            tries = self.tried[key] = self.tried.get(key, 0) + 1
            if bad is not False:
                self._keep(key, tries, data)
            if self.after is not None:
                self.after.setdefault(key, []).append(list(self.switches.fired))
        return new

    def _keep(self, key: Key, tries: int, data: bytes) -> None:
        held = self.kept.setdefault(key, [])
        if len(held) < KEPT:
            held.append(data)
        elif tries & (tries - 1) == 0:  # some of the later ones too
            held[tries.bit_length() % KEPT] = data

    def with_others(self, keys: Iterable[Key]) -> None:
        """Checks that others repeat: with these others left out as well, a wrong document is taken, and only then.

        From a document in whose way a check stood, whatever stands in its way next is left out too, until it is taken;
        then as many as possible are put back. The check is needed beside them if with it put back the document is not
        taken. Whatever was left out on the way and is asked for serves as well.
        """
        asked = set(keys)
        for key in sorted(asked, key=lambda k: len(self.kept.get(k, ()))):
            for data in self.kept.get(key, ()):
                if key in self.together:
                    break
                self._with_others(data, [key], asked)
        # what comes to light only behind another check
        for held in [self.behind, *self.ways.values()]:
            for data in held:
                self._with_others(data, [], asked)

    def _with_others(self, data: bytes, out: list[Key], asked: set[Key]) -> None:
        while not self.known_good(data, *out):
            new = [k for k in self.switches.fired if k not in out and not self._passes_on(k)]
            for key in [k for k in new if k in asked and k not in self.together]:
                if self.known_good(data, *out, key) and self.judge(data):
                    self._needed(data, [*out, key], key)
            if not new or len(out) > STEPS:
                return
            out.append(new[-1])
        targets = [k for k in out if k in asked and k not in self.together]
        if not targets or not self.judge(data):
            return
        for target in targets:
            self._needed(data, out, target)

    def _needed(self, data: bytes, out: list[Key], target: Key) -> None:
        """Whether one check of those left out is needed, beside as few of the others as possible."""
        needed = list(out)
        for other in [k for k in out if k != target]:
            fewer = [k for k in needed if k != other]
            if self.known_good(data, *fewer):
                needed = fewer
        others = [k for k in needed if k != target]
        if not self.known_good(data, *others):
            self.together[target] = (data, frozenset(others))

    def _passes_on(self, key: Key) -> bool:
        """Whether a check only says what a function that it calls has said."""
        site = self.switches.sites[key]
        return site.owner == "(validator)" or site.place == "accept.accepts" or PASSES_ON(site.text) is not None

    def many(self, documents: Iterable[bytes], ask: float = 1.0) -> None:
        """Try documents; the explainer looks at a share of those taken."""
        due = 0.0
        for data in documents:
            due += ask
            self.one(data, ask=due >= 1)
            due -= due >= 1

    def left(self) -> list[Key]:
        """Checks that nothing shows."""
        return [key for key in self.checks() if key not in self.shown]

    def checks(self) -> list[Key]:
        """All checks; those made while one was left out count only where they then refused something without that."""
        return [key for key in self.switches.sites if key not in self.switches.odd or key in self.met]
