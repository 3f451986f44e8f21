"""The proof that each check of the acceptor is needed. Belongs here: reasons, the run, its table."""

from __future__ import annotations

import importlib.util
import platform
import re
import sys
import time
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

HERE = Path(__file__).parent


def helper(file: str) -> ModuleType:
    """A module that stands beside this one, under the name the others import it by."""
    name = f"conformance_{file}"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, HERE / f"{file}.py")
        assert spec is not None and spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


if __name__ == "__main__":
    sys.path.insert(0, str(HERE.parents[1]))
corpus, growth, odd, weaken, dropping = map(helper, ("corpus", "growth", "odd", "weaken", "dropping"))
named = weaken.named


# checks that are redundant


def _asks_for_content(site: Any) -> bool:
    """Whether an invariant of the table refuses an object with nothing, and one with nothing but an id."""
    from fhir_bladder.conformance import invariants

    if site.table is None:
        return False
    for constraint in site.table.constraints:
        if constraint.key in invariants.SKIPPED:
            continue
        rule = invariants.compiled(constraint, site.table.focus, {})
        nothing: list[dict[str, Any]] = [{}, {"id": "x"}]
        if not any(rule(value, None, invariants.Context(value, value)) for value in nothing):
            return True
    return False


def _no_usual_keys(site: Any) -> bool:
    from fhir_bladder.conformance import emit

    return site.table is not None and not emit.hot_keys(site.table)[1]


def _fixed(site: Any, *keys: str) -> bool:
    """Whether the values of these keys are fixed."""
    from fhir_bladder.conformance.schema import MISSING

    fields = [site.table.fields.get(key) for key in keys] if site.table is not None else [None]
    return all(f is not None and f.node.fixed is not MISSING for f in fields)


def _one_of_choice(site: Any) -> bool:
    keys = re.sub(r".*\[|\]", "", site.text).split()
    choices = [c for c in site.table.choices.values() if list(c[1]) == keys] if site.table is not None else []
    return any(node.max == 0 or len(node.types) < 2 or (node.slices and node.rules == "closed") for node, _ in choices)


def _must(site: Any, key: str) -> bool:
    field = site.table.fields.get(key) if site.table is not None else None
    return field is not None and field.node.min > 0


CONDITIONS: dict[str, Callable[[Any], bool]] = {
    "items are objects": lambda s: s.field is not None and not s.field.primitive and s.field.node.many,
    "a key is mandatory": lambda s: bool(s.table.required) and not s.table.resource,
    "beside a primitive": lambda s: " beside" in s.place,
    "resource": lambda s: s.table is not None and s.table.resource,
    "forbidden": lambda s: s.field is not None and s.field.node.max == 0,
    "a part is mandatory": lambda s: (
        s.table.type == "Extension"
        and s.field.node.max == 0
        and any(p.min for _, p in s.table.fields["extension"].node.slices)
    ),
    "slices are mandatory": lambda s: s.field is not None and any(p.min for _, p in s.field.node.slices),
    "the type has a profile": lambda s: s.field is not None and bool(s.field.type.profiles),
    "inline, without usual keys": lambda s: (
        s.table is not None
        and s.place == named(s.table)
        and _no_usual_keys(s)
        and s.text not in ("n", "not o")
        and not re.fullmatch(r"K\(o, C\)( \(\d+\))?", s.text)
    ),
    "bu-key": lambda s: s.owner.startswith("bladder-ultrasound-") and s.owner != "bladder-ultrasound-device",
    "at least two": lambda s: s.field is not None and s.field.node.min > 1,
    "code is mandatory": lambda s: _must(s, "code") and s.table.type == "Quantity",
    "unit is fixed": lambda s: _fixed(s, "system", "code"),
    "system is fixed": lambda s: _fixed(s, "system"),
    "one of the choice at most": _one_of_choice,
    "twin shown": lambda s: s.twin and _no_usual_keys(s),
    "items are no texts": lambda s: (
        s.field is not None
        and s.field.type.code in ("time", "date", "dateTime", "instant", "oid", "uuid", "integer", "positiveInt")
    ),
    "an invariant asks for content": _asks_for_content,
    "system is mandatory": lambda s: _must(s, "system"),
    "value is mandatory": lambda s: _must(s, "value"),
    "language": lambda s: s.field is not None and s.field.node.language,
}
"""What an entry of `redundant.toml` may ask of the schema."""


@dataclass(frozen=True)
class Reason:
    """One entry of `redundant.toml`."""

    kind: str
    pattern: re.Pattern[str]
    when: str
    reason: str

    def fits(self, site: Any) -> bool:
        """Whether the entry names this check."""
        if self.pattern.fullmatch(str(site)) is None:
            return False
        return not self.when or CONDITIONS[self.when](site)


def reasons() -> list[Reason]:
    """The entries of `redundant.toml`."""
    text = Path(__file__).with_name("redundant.toml").read_text("utf-8")
    return [
        Reason(e["class"], re.compile(e["check"]), e.get("when", ""), e["reason"])
        for e in tomllib.loads(text)["redundant"]
    ]


# the proof


@dataclass
class Proof:
    """What a run found: counts, checks that nothing shows and nothing explains, documents wrongly taken."""

    checks: int
    shown: int
    documents: int
    wrong: list[tuple[bytes, list[str]]]
    unnamed: list[str]
    names: set[str]
    table: dict[str, dict[str, int]]


class _NoFront:
    """No front tier: it only repeats what the acceptor said."""

    pending = ()

    def accepts(self, _data: bytes) -> bool:
        return False


PART = ("plain Device", "plain Observation", "device-full")
"""Seeds of the sample."""


def prove(*, part: bool = False) -> Proof:
    """Drop every check; `part`: of the tables that a few seeds reach."""
    from fhir_bladder.conformance import quick  # noqa: F401 - before there is a copy of it
    from fhir_bladder.conformance.packages import local_artefacts
    from fhir_bladder.conformance.validator import Validator

    strong = Validator(artefacts=odd.ARTEFACTS)

    @dropping.outside
    def judge(data: bytes) -> list[str]:
        strong.explainer.helper = None
        return [f"{f.severity} {f.id} {f.path}" for f in strong.explain(data) if f.severity != "information"]

    @dropping.outside
    def accepts(value: Any) -> bool:
        return strong.acceptor.accepts(value)

    extensions = [
        a["url"] for a in local_artefacts() if a["resourceType"] == "StructureDefinition" and a["type"] == "Extension"
    ]
    with dropping.copied(artefacts=odd.ARTEFACTS) as (switches, weak):
        weak._front = _NoFront()
        run = dropping.Run(switches, weak, judge)
        # what is made for one check first, before many others have tried to show it
        run.many(odd.by_hand(), 1.0)
        if not part:
            run.many(odd.measurements(accepts), 0.1)
        grown = growth.Growth(corpus.Guided(strong.explainer), accepts, extensions)
        chosen = {name: seed for name, seed in odd.seeds().items() if not part or name in PART}
        small = {f"{name}, small": growth.minimal(seed, accepts) for name, seed in chosen.items()}
        # the seed of datatypes first: it has the keys that must stand together
        for seed in sorted((small | chosen).values(), key=lambda s: (s is not chosen.get("types"), len(str(s)))):
            run.many(grown.documents(seed), 0.05)
        visited = grown.visited if part else None
        if not part:
            run.many(odd.behind(), 0.1)
            run.behind += odd.behind()
        twins = {_plain(switches.sites[key]) for key in run.shown}
        for site in switches.sites.values():
            site.twin = _plain(site) in twins
        run.with_others(_open(run, visited))
        return _judged(run, visited)


def _open(run: Any, visited: set[tuple[str, str]] | None) -> list[Any]:
    """Checks that no document shows alone and no reason names, of the tables visited."""
    sites = run.switches.sites
    known = reasons()
    return [k for k in run.left() if _looked_at(sites[k], visited) and not any(r.fits(sites[k]) for r in known)]


def _looked_at(site: Any, visited: set[tuple[str, str]] | None) -> bool:
    return visited is None or (site.table is not None and (site.owner, named(site.table)) in visited)


def _judged(run: Any, visited: set[tuple[str, str]] | None) -> Proof:
    """Name what nothing shows; of the tables visited only, where they are given."""
    known = reasons()
    table: dict[str, dict[str, int]] = {}
    unnamed, names = [], set()
    sites = run.switches.sites
    for key in run.checks():
        site = sites[key]
        if not _looked_at(site, visited):
            continue
        row = table.setdefault(_group(site), {})
        row["checks"] = row.get("checks", 0) + 1
        names.add(str(site))
        if key in run.shown:
            row["shown"] = row.get("shown", 0) + 1
            continue
        if site.run >= 0 and not run.switches.ran[site.run]:
            row["never run"] = row.get("never run", 0) + 1
            continue
        reason = next((r for r in known if r.fits(site)), None)
        if reason is not None:
            row[reason.kind] = row.get(reason.kind, 0) + 1
        elif key in run.together:
            row["shown with others"] = row.get("shown with others", 0) + 1
        else:
            row["not named"] = row.get("not named", 0) + 1
            unnamed.append(str(site))
    total = sum(row["checks"] for row in table.values())
    return Proof(
        total, sum(row.get("shown", 0) for row in table.values()), run.documents, run.wrong, unnamed, names, table
    )


def _plain(site: Any) -> str:
    """A check without its number among equal ones."""
    return re.sub(r"_weaken_\w+\(\d+\)|( \(\d+\))+$", "", str(site))


def _group(site: Any) -> str:
    """The row of the table a check counts in."""
    if site.owner.startswith("("):
        return f"module {site.owner[1:-1]}"
    return site.owner


def shown_as_table(proof: Proof) -> str:
    """The table of a proof, in Markdown."""
    kinds = sorted({kind for row in proof.table.values() for kind in row} - {"checks", "shown", "not named"})
    heads = ["where", "checks", "shown by a document", *kinds, "not shown, not named"]
    lines = ["| " + " | ".join(heads) + " |", "|---" + "|---:" * (len(heads) - 1) + "|"]
    total: dict[str, int] = {}
    for name in sorted(proof.table, key=lambda n: (n.startswith("module "), n)):
        row = proof.table[name]
        for kind, number in row.items():
            total[kind] = total.get(kind, 0) + number
        lines.append(_line(name, row, kinds))
    return "\n".join([*lines, _line("**all**", total, kinds)]) + "\n"


def _line(name: str, row: dict[str, int], kinds: list[str]) -> str:
    cells = [row.get(kind, 0) for kind in ("checks", "shown", *kinds, "not named")]
    return f"| {name} | " + " | ".join(str(cell or "") for cell in cells) + " |"


def main() -> None:
    """Run the whole proof, print the table, name what is neither shown nor explained."""
    began = time.process_time()
    proof = prove()
    spent = time.process_time() - began
    print(shown_as_table(proof))
    print(
        f"{proof.documents} documents, {len(proof.wrong)} wrongly taken; {spent:.0f} s of processor time, "
        f"Python {platform.python_version()}, {platform.machine()}, {time.strftime('%Y-%m-%d')}"
    )
    print(f"{len(proof.unnamed)} checks neither shown nor named")
    for line in sorted(proof.unnamed):
        print("not shown, not named:", line)
    for data, found in proof.wrong[:20]:
        print("wrongly taken:", data[:400], found)


if __name__ == "__main__":
    main()
