"""Mutation run: changes each module of a package a little, one change at a time, and asks its tests to notice.

    python tests/mutation/run.py fhir_bladder/measurement

The tests are those of the folder with the package's name in `tests`, collected once. Each change gets a fork of that
process, exchanges the code of the changed function and runs the tests that call it until one fails, those first that
noticed other changes near it. A change outside functions, or in one that runs while modules are imported, is judged
where everything is imported anew from the changed module. Cases of hypothesis are few and always the same, and tests
slower than two seconds are left out: both can only let a change live that the whole suite would notice.

A change that no test notices must stand in `judged.toml` with the reason why that is right. Exit 1 where one does
not, or where a judgement is about a change that is noticed or no longer there. POSIX only.
"""

from __future__ import annotations

import argparse
import ast
import gc
import importlib.abc
import importlib.util
import json
import mmap
import os
import resource
import signal
import sys
import time
import tomllib
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Sequence
from importlib.machinery import ModuleSpec
from pathlib import Path
from types import CodeType, FrameType, ModuleType
from typing import Any

import hypothesis
import pytest
from mutants import Mutant, mutants

ROOT = Path(__file__).parents[2]
JUDGED = Path(__file__).with_name("judged.toml")
SLOW, PATIENCE, MEMORY = 2.0, 30, 4 << 30  # seconds of a test, processor seconds of a change, bytes
FIRST = 25
"""So many tests are tried first where everything has to be imported anew."""
KILLED, ALIVE, TIMED_OUT = "killed", "alive", "timed out"

Tests = dict[str, tuple[float, list[str]]]
"""Of each test: seconds, and the functions of the package it calls, as `file:function`."""


class Changed(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Loads one module from a changed tree."""

    def __init__(self, name: str, path: Path, tree: ast.Module) -> None:
        self.name, self.path, self.tree = name, path, tree

    def find_spec(self, fullname: str, path: object = None, target: object = None) -> ModuleSpec | None:
        if fullname != self.name:
            return None
        return importlib.util.spec_from_file_location(fullname, self.path, loader=self)

    def exec_module(self, module: ModuleType) -> None:
        exec(compile(self.tree, self.path, "exec"), module.__dict__)


class Session:
    """A plugin that collects the tests with few and fixed cases of hypothesis, then does `work` in their place."""

    def __init__(self, work: Callable[[list[pytest.Item]], int], early: set[CodeType] | None = None) -> None:
        self.work, self.answer = work, 3
        self.early = early

    def pytest_configure(self) -> None:
        if (early := self.early) is not None:
            sys.setprofile(lambda frame, event, arg: early.add(frame.f_code))
        usual = hypothesis.settings.get_profile("default")
        phases = (hypothesis.Phase.explicit, hypothesis.Phase.generate)  # no search for a smaller case of a failure
        few = hypothesis.settings(usual, max_examples=15, derandomize=True, database=None, phases=phases)
        hypothesis.settings.register_profile("mutation", few)
        hypothesis.settings.load_profile("mutation")

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        sys.setprofile(None)
        self.answer = self.work(session.items)
        return True

    def run(self, paths: Sequence[str]) -> int:
        """Collect the tests of some paths in this process and do the work. Broken tests give the answer 3."""
        pytest.main(["-q", "-s", "-p", "no:cacheprovider", "-p", "no:xdist", "--tb=no", *paths], plugins=[self])
        return self.answer


def passes(item: pytest.Item, following: pytest.Item | None) -> bool:
    """Run one test; whether it passed."""
    before = item.session.testsfailed
    item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
    return item.session.testsfailed == before


def until_one_fails(items: Sequence[pytest.Item], order: Sequence[str], noticed: mmap.mmap) -> int:
    """Run the tests named, in this order; 0 where all pass, 1 with the first that fails, its name left in `noticed`."""
    known = {item.nodeid: item for item in items}
    chosen = [known[name] for name in order if name in known]
    for item, following in zip(chosen, [*chosen[1:], None], strict=True):
        if not passes(item, following):
            noticed.write(item.nodeid.encode())
            return 1
    return 0


def child(work: Callable[[], int], seconds: int = PATIENCE) -> int:
    """Start a process that does some work in silence and exits with its answer; `seconds` of processor time."""
    sys.stdout.flush()
    pid = os.fork()
    if pid:
        return pid
    code = 3
    try:
        quiet = os.open(os.devnull, os.O_RDWR)
        for stream in (0, 1, 2):
            os.dup2(quiet, stream)
        resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds + 5))
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
        code = work()
    finally:
        os._exit(code)


def survey(items: list[pytest.Item], package: Path) -> Tests:
    """Every test with its seconds and the functions it calls, from a run in a process of its own."""
    reader, writer = os.pipe()

    def work() -> int:
        found: Tests = {}
        code = 0
        for item, following in zip(items, [*items[1:], None], strict=True):
            called: set[CodeType] = set()

            def trace(frame: FrameType, event: str, arg: object, called: set[CodeType] = called) -> None:
                called.add(frame.f_code)

            start = time.process_time()
            sys.settrace(trace)
            code |= not passes(item, following)
            sys.settrace(None)
            names = {_place(one) for one in called if one.co_filename.startswith(str(package))}
            found[item.nodeid] = time.process_time() - start, sorted(names)
        with os.fdopen(writer, "w") as stream:
            json.dump(found, stream)
        return code

    pid = child(work, 3600)
    os.close(writer)
    with os.fdopen(reader) as stream:
        text = stream.read()
    if os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]):
        raise SystemExit("the tests fail without any change")
    return {name: (float(seconds), called) for name, (seconds, called) in json.loads(text).items()}


class Module:
    """One module under change, and the tests collected with it as it is."""

    def __init__(self, path: Path, items: list[pytest.Item], tests: Tests, early: set[str]) -> None:
        self.path, self.items, self.tests, self.early = path, items, tests, early
        self.noticed: dict[str, Counter[str]] = defaultdict(Counter)
        self.tree = ast.parse(path.read_text("utf-8"))
        self.mutants = mutants(self.tree)
        self.name = ".".join(path.relative_to(ROOT).with_suffix("").parts)

    def full_name(self, mutant: Mutant) -> str:
        """The change's name with its module's."""
        return f"{self.path.stem}.{mutant.name}"

    def order(self, function: str) -> list[str]:
        """The tests for a change: those that call the function; all where it is outside functions or none calls it.

        First those that noticed changes of the same function, then of the module, those named after it, those that
        call anything in it, quick ones.
        """
        quick = {name: found for name, found in self.tests.items() if found[0] < SLOW}
        chosen = [name for name, (_, called) in quick.items() if f"{self.path}:{function}" in called] or list(quick)
        near, all_, own = self.noticed[function], self.noticed["any"], f"test_{self.path.stem}"

        def rank(name: str) -> tuple[int, int, bool, bool, float]:
            seconds, called = quick[name]
            here = any(one.startswith(f"{self.path}:") for one in called)
            return -near[name], -all_[name], own not in name, not here, seconds

        return sorted(chosen, key=rank)

    def quick(self, mutant: Mutant) -> bool:
        """Whether exchanging a function's code is enough: it is not where it ran while modules were imported."""
        return mutant.in_body and f"{self.path}:{mutant.function}" not in self.early

    def in_place(self, mutant: Mutant, noticed: mmap.mmap) -> int:
        """In a fork: exchange the code of one function, run its tests."""
        mutant.apply()
        code = next(_codes(compile(ast.fix_missing_locations(self.tree), self.path, "exec"), mutant.function))
        found: Any = sys.modules[self.name]
        for part in mutant.function.split("."):
            found = vars(found)[part]
        while not hasattr(found, "__code__"):
            found = getattr(found, "fget", None) or getattr(found, "__func__", None) or found.__wrapped__
        found.__code__ = code
        for module in list(sys.modules.values()):
            for cached in list(vars(module).values()) if module.__name__.startswith("fhir_bladder.") else ():
                if hasattr(cached, "cache_clear"):
                    cached.cache_clear()
        return until_one_fails(self.items, self.order(mutant.function), noticed)

    def anew(self, mutant: Mutant | None, noticed: mmap.mmap, first: int | None) -> int:
        """In a fork: forget package and tests, import them with the change, run the tests, or the first of them."""
        order = self.order(mutant.function if mutant else "")[:first]
        if mutant is not None:
            mutant.apply()
        package = self.name.rpartition(".")[0]
        for name in list(sys.modules):
            if name.startswith((package + ".", "tests.")) or name in (package, "tests"):
                del sys.modules[name]
        sys.meta_path.insert(0, Changed(self.name, self.path, ast.fix_missing_locations(self.tree)))
        files = sorted({str(ROOT / name.split("::")[0]) for name in order})
        return Session(lambda items: until_one_fails(items, order, noticed)).run(files) if files else 0


def _place(code: CodeType) -> str:
    """File and outermost function of a code object."""
    return f"{code.co_filename}:{code.co_qualname.split('.<')[0]}"


def _codes(code: CodeType, name: str) -> Iterator[CodeType]:
    for one in code.co_consts:
        if isinstance(one, CodeType):
            if one.co_qualname == name:
                yield one
            yield from _codes(one, name)


def judge(module: Module, jobs: int, listed: set[str] | None) -> Iterator[tuple[Mutant, str]]:
    """Every change of a module with what became of it."""
    wanted = [one for one in module.mutants if listed is None or module.full_name(one) in listed]
    waiting: list[tuple[Mutant | None, int | None]] = [(None, None)] if wanted else []
    waiting += [(one, FIRST) for one in wanted]
    running: dict[int, tuple[Mutant | None, int | None, mmap.mmap]] = {}
    while waiting or running:
        while waiting and len(running) < jobs:
            (mutant, first), noticed = waiting.pop(0), mmap.mmap(-1, 1000)

            def work(mutant: Mutant | None = mutant, first: int | None = first, noticed: mmap.mmap = noticed) -> int:
                if mutant is not None and module.quick(mutant):
                    return module.in_place(mutant, noticed)
                return module.anew(mutant, noticed, first)

            running[child(work, PATIENCE if mutant else 3600)] = mutant, first, noticed
        pid, status = os.wait()
        mutant, first, noticed = running.pop(pid)
        code = os.waitstatus_to_exitcode(status)
        if mutant is None:
            if code:
                raise SystemExit(f"{module.name}: the tests fail without any change")
            continue
        if code == 1 and (test := noticed[:].rstrip(b"\0").decode()):
            module.noticed[mutant.function][test] += 1
            module.noticed["any"][test] += 1
        if code == 0 and first is not None and not module.quick(mutant):
            waiting.insert(0, (mutant, None))  # the first tests did not notice: all of them
            continue
        yield mutant, ALIVE if code == 0 else TIMED_OUT if code == -signal.SIGXCPU else KILLED


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("package", type=Path)
    parser.add_argument("--module", action="append", default=[], help="only this module; repeatable")
    parser.add_argument("--listed", type=Path, help="only changes named in this file, a line each")
    parser.add_argument("--jobs", type=int, default=1)
    options = parser.parse_args()
    package = options.package.resolve()
    sys.path.insert(0, str(ROOT))
    os.chdir(ROOT)
    for threads in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
        os.environ[threads] = "1"  # before the tests import numpy: a fork shall find no other threads
    paths = [path for path in sorted(package.glob("*.py")) if not options.module or path.stem in options.module]

    early: set[CodeType] = set()

    def work(items: list[pytest.Item]) -> int:
        tests = survey(items, package)
        gc.freeze()
        modules = [Module(path, items, tests, {_place(code) for code in early}) for path in paths]
        print(f"{len(tests)} tests\n{'module':12} changes killed alive timed-out", flush=True)
        listed = None if options.listed is None else set(options.listed.read_text("utf-8").splitlines())
        return run(modules, options.jobs, listed, whole=not options.module and listed is None)

    return Session(work, early).run([str(ROOT / "tests" / package.name)])


def run(modules: Sequence[Module], jobs: int, listed: set[str] | None, *, whole: bool) -> int:
    """Judge every change, a line a module, then compare with the judgements."""
    alive: set[str] = set()
    made: set[str] = set()
    total: Counter[str] = Counter()
    for module in modules:
        counts: Counter[str] = Counter()
        for mutant, state in judge(module, jobs, listed):
            counts[state] += 1
            name = module.full_name(mutant)
            made.add(name)
            if state == ALIVE:
                alive.add(name)
                print(f"  alive: {name}  (line {mutant.line})", file=sys.stderr, flush=True)
        total += counts
        _row(module.path.stem, counts)
    _row("all", total)
    lines, code = compare(alive, made, tomllib.loads(JUDGED.read_text("utf-8"))["reason"], whole=whole)
    print("\n".join(lines))
    return code


def compare(
    alive: set[str], made: set[str], reasons: Sequence[dict[str, Any]], *, whole: bool
) -> tuple[list[str], int]:
    """Lines to print and the exit code. alive: changes nobody noticed; made: all changes; whole: of every module."""
    judged = {name for reason in reasons for name in reason["changes"]}
    lines = [f"{len(alive.intersection(reason['changes'])):5} judged: {reason['why']}" for reason in reasons]
    new, stale = sorted(alive - judged), sorted(name for name in judged - alive if whole or name in made)
    lines += [f"not judged: {name}" for name in new]
    lines += [f"judged, but noticed or no longer there: {name}" for name in stale]
    lines.append(f"{len(alive)} alive, {len(new)} of them not judged; {len(stale)} judgements without a survivor")
    return lines, 1 if new or stale else 0


def _row(name: str, counts: Counter[str]) -> None:
    print(f"{name:12} {counts.total():7} {counts[KILLED]:6} {counts[ALIVE]:5} {counts[TIMED_OUT]:9}", flush=True)


if __name__ == "__main__":
    raise SystemExit(main())
