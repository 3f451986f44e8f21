"""Makes mutants, asks HAPI and our validator about each, and sets the verdicts side by side.

PYTHONPATH=. python tests/oracle/hapi/compare.py 2000 [seed]     prints the tables and every difference
"""

from __future__ import annotations

import copy
import hashlib
import json
import os
import random
import sys
import traceback
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))

import operators_rules  # noqa: E402, F401 - registers its operators
import operators_values  # noqa: E402, F401
from decided import DECIDED, Decision, decision  # noqa: E402
from judge import ask, kept_answers, prepare  # noqa: E402
from operators import HARMLESS, OPERATORS  # noqa: E402
from seeds import ROOT, seeds  # noqa: E402

from fhir_bladder import wire  # noqa: E402
from fhir_bladder.errors import Finding  # noqa: E402

PAGE = ROOT / "docs" / "hapi-agreement.md"
MARK = "\n## Public profile packages\n"
"""Where the part of the page begins that packages.py writes."""
SECOND = 3000, 20261125
"""Number and seed of other mutants, asked about once all was mended."""
SHARE_HARMLESS = 0.62
"""Share of mutants drawn from the operators meant to be harmless; about half of all are then valid by HAPI."""


@dataclass(frozen=True)
class Mutant:
    seed: str
    type: str
    operators: tuple[str, ...]
    data: bytes


@dataclass(frozen=True)
class Verdict:
    mutant: Mutant
    hapi: bool
    ours: bool
    hapi_issues: tuple[dict[str, Any], ...]
    our_findings: tuple[Any, ...]

    @property
    def kind(self) -> str:
        """Agreement, or which way the two differ."""
        if any(finding.id == "crash" for finding in self.our_findings):
            return "crash"
        if self.hapi == self.ours:
            return "agree"
        return "false accept" if self.ours else "false reject"


def mutants(count: int, seed: int, suites: Path) -> Iterator[Mutant]:
    """`count` cases: the seeds themselves first, then mutants of them."""
    yield from mutated(seeds(suites), count, seed, frozenset(OPERATORS))


def mutated(
    pool: dict[str, tuple[dict[str, Any], float]], count: int, seed: int, operators: frozenset[str]
) -> Iterator[Mutant]:
    """The resources of the pool, then mutants by one or (one in five) two operators, `count` in all."""
    rng = random.Random(seed)
    names = sorted(pool)
    for name in names:
        yield Mutant(name, pool[name][0]["resourceType"], ("unchanged",), wire.dumps(pool[name][0]))
    weights = [pool[name][1] for name in names]
    harmless = sorted(operators & HARMLESS)
    harmful = sorted(operators - HARMLESS)
    made = len(names)
    seen: set[bytes] = set()
    while made < count:
        name = rng.choices(names, weights)[0]
        resource: Any = copy.deepcopy(pool[name][0])
        used = []
        for _ in range(2 if rng.random() < 0.2 else 1):
            operator = rng.choice(harmless if rng.random() < SHARE_HARMLESS else harmful)
            try:
                changed = OPERATORS[operator](rng, resource)
            except (AttributeError, TypeError, KeyError, IndexError, ValueError):
                changed = None  # the second operator met what the first one broke
            if changed is None:
                break
            resource = changed
            used.append(operator)
            if isinstance(resource, bytes) or not isinstance(resource.get("resourceType"), str):
                break
        if not used:
            continue
        data = resource if isinstance(resource, bytes) else wire.dumps(resource)
        if b"\n" in data or not data.strip() or data in seen:
            continue  # one line a case, each once
        seen.add(data)
        made += 1
        yield Mutant(name, pool[name][0]["resourceType"], tuple(used), data)


def ours(validator: Any, data: bytes) -> list[Any]:
    """Our errors; an exception, which must never happen, counts as one of its own."""
    try:
        found = validator.validate(data)
    except Exception as error:
        last = traceback.extract_tb(error.__traceback__)[-1]
        place = f"{Path(last.filename).name}:{last.lineno}"
        return [Finding("crash", "fatal", f"{type(error).__name__}: {error}", found=place)]
    return [finding for finding in found if finding.severity in ("error", "fatal")]


def compare(cases: list[Mutant]) -> list[Verdict]:
    from fhir_bladder.conformance.validator import Validator

    validator = Validator()
    out = []
    for case, hapi in zip(cases, ask([case.data for case in cases]), strict=True):
        found = ours(validator, case.data)
        out.append(Verdict(case, hapi["valid"], not found, tuple(hapi["issue"]), tuple(found)))
    return out


def tables(verdicts: list[Verdict]) -> str:
    """Results by type and by operator."""
    lines = []
    for title, key in (("type", lambda v: [v.mutant.type]), ("operator", lambda v: v.mutant.operators)):
        counts: dict[str, Counter[str]] = defaultdict(Counter)
        for verdict in verdicts:
            for name in key(verdict):
                counts[name][verdict.kind] += 1
                counts[name]["valid"] += verdict.hapi
                counts[name]["all"] += 1
        lines.append(f"{title:26} {'all':>6} {'valid':>6} {'agree':>6} {'false accept':>13} {'false reject':>13}")
        for name, count in sorted(counts.items()):
            row = " ".join(
                f"{count[kind]:>{width}}"
                for kind, width in (("all", 6), ("valid", 6), ("agree", 6), ("false accept", 13), ("false reject", 13))
            )
            lines.append(f"{name:26} {row}")
        lines.append("")
    for one in DECIDED:
        found = sum(decided(verdict) == one for verdict in verdicts)
        lines.append(f"decided for us {found:5}  {one.kind} {one.id}: {one.rule}")
    lines.append(summary(verdicts))
    return "\n".join(lines)


def summary(verdicts: list[Verdict]) -> str:
    """All in one line; what the standard decides for us is left out of the shares, and counted in at the end."""
    count, raw = counted(verdicts), Counter(verdict.kind for verdict in verdicts)
    valid = sum(verdict.hapi for verdict in verdicts)
    return (
        f"{len(verdicts)} instances, {valid} valid by HAPI ({valid / len(verdicts):.1%}), {len(OPERATORS)} operators: "
        f"agree {count['agree'] / max(count.total(), 1):.2%}, false accepts {count['false accept']}, "
        f"false rejects {count['false reject']} ({count['false reject'] / max(valid, 1):.2%} of the valid), "
        f"crashes {count['crash']}, decided for us {len(verdicts) - count.total()} (counted in: agree "
        f"{raw['agree'] / len(verdicts):.2%}, false accepts {raw['false accept']}, false rejects {raw['false reject']})"
    )


def reason(verdict: Verdict) -> tuple[str, str]:
    """Which way the two differ, and the id of what the rejecting side says first."""
    if verdict.kind == "agree":
        return "agree", ""
    if verdict.kind == "false accept":
        return verdict.kind, str(verdict.hapi_issues[0].get("id", ""))
    return verdict.kind, str(verdict.our_findings[0].id)


def decided(verdict: Verdict) -> Decision | None:
    """The rule that settles a difference for us, if there is one."""
    words = str(verdict.hapi_issues[0].get("message")) if verdict.kind == "false accept" else ""
    return decision(*reason(verdict), verdict.mutant.data, words)


def counted(verdicts: list[Verdict]) -> Counter[str]:
    """Agreement and differences without those the standard decides for us."""
    return Counter(verdict.kind for verdict in verdicts if not decided(verdict))


def differences(verdicts: list[Verdict]) -> str:
    """Every difference that counts, grouped by what the rejecting side says."""
    groups: dict[tuple[str, str], list[Verdict]] = defaultdict(list)
    for verdict in verdicts:
        if verdict.kind != "agree" and not decided(verdict):
            groups[reason(verdict)].append(verdict)
    lines = []
    for (kind, word), found in sorted(groups.items(), key=lambda item: -len(item[1])):
        lines.append(f"## {kind}: {word} ({len(found)})")
        for verdict in found[:4]:
            said = verdict.hapi_issues[0] if kind == "false accept" else verdict.our_findings[0].as_dict()
            lines.append(
                f"- {verdict.mutant.seed} {'+'.join(verdict.mutant.operators)}: {json.dumps(said, default=str)[:600]}"
            )
            lines.append(
                f"  `{verdict.mutant.data[:3000].decode(errors='replace')}`"
                if len(verdict.mutant.data) < 1500
                else "  (long)"
            )
    return "\n".join(lines)


def page(verdicts: list[Verdict], second: list[Verdict]) -> str:
    """docs/hapi-agreement.md: the tables, and every difference by the rule that decides it or as open."""
    rules = Counter(one for verdict in verdicts if (one := decided(verdict)))
    open_ = Counter(reason(verdict) for verdict in verdicts if verdict.kind != "agree" and not decided(verdict))
    lines = [
        "# Agreement with the HAPI validator",
        "",
        "Verdicts on mutated resources: HAPI FHIR 8.8.0 with the settings of `tests/oracle/hapi`, and ours. Written by",
        "`python tests/oracle/hapi/compare.py 12000 1 --write`; the same run is the test `-m 'oracle and long'`.",
        "",
        "```",
        summary(verdicts),
        "```",
        "",
        f"Other mutants, by another seed ({SECOND[1]}), which nothing was mended by:",
        "",
        "```",
        summary(second),
        "```",
        "",
        "## Differences that the standard decides for us",
        "",
        "| way | what the rejecting side says | times | rule |",
        "| --- | --- | ---: | --- |",
        *(f"| {one.kind} | {one.id} | {rules[one]} | {one.rule} |" for one in DECIDED),
        "",
        "## Open differences",
        "",
        *(f"- {kind}: {found} ({times})" for (kind, found), times in sorted(open_.items())),
        *(["None."] if not open_ else []),
        "",
        "## By type and operator",
        "",
        "```",
        tables(verdicts).rsplit("\n", len(DECIDED) + 1)[0].strip(),
        "```",
        "",
    ]
    return "\n".join(lines)


def main() -> None:
    suites = Path(os.environ.get("FHIR_BLADDER_SUITES", ROOT.parent / "shared" / "suites"))
    missing = prepare()
    if missing:
        raise SystemExit(missing)
    only_kept = "--kept" in sys.argv
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    cases = list(mutants(numbers[0], numbers[1] if len(numbers) > 1 else 1, suites))
    if only_kept:
        answers = kept_answers()
        cases = [case for case in cases if hashlib.sha256(case.data).hexdigest() in answers]
    verdicts = compare(cases)
    print(differences(verdicts))
    print(tables(verdicts))
    if "--write" in sys.argv:
        _, mark, packages = PAGE.read_text().partition(MARK)
        second = compare(list(mutants(*SECOND, suites)))
        PAGE.write_text(page(verdicts, second) + mark + packages)


if __name__ == "__main__":
    main()
