"""Public profile packages, ours and HAPI's verdicts side by side.

PYTHONPATH=. python tests/oracle/hapi/packages.py FOLDER [--each 300] [--seed 1] [--only NAME] [--write]

FOLDER holds one folder for each set to be judged. In it, every `.tgz` and every folder is a FHIR package, but a folder
`example`, whose files are instances, as the members `package/example/*.json` of a `.tgz` are. A package a set builds
on is put (or linked) beside it; `about.txt` says in one line what the set is. Both validators get the same packages.
Judged are the instances, mutants of them, and exam Observations of ours.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import tarfile
import tempfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))

import judge  # noqa: E402
import snapshots  # noqa: E402
from compare import MARK, PAGE, Verdict, decided, differences, mutated, ours  # noqa: E402
from operators import OPERATORS  # noqa: E402
from seeds import ROOT, folder  # noqa: E402

from fhir_bladder import wire  # noqa: E402
from fhir_bladder.conformance import read_package  # noqa: E402
from fhir_bladder.conformance.catalogue import Catalogue  # noqa: E402
from fhir_bladder.conformance.statement import JUDGED  # noqa: E402
from fhir_bladder.conformance.validator import Validator  # noqa: E402
from fhir_bladder.errors import BladderError, Finding  # noqa: E402

ABOUT_TEXT = frozenset(
    {
        "array-for-one", "blanks-between", "boolean-for-text", "comment", "double-key", "empty-array", "empty-object",
        "empty-string", "key-case", "nan", "null", "null-in-array", "number-for-text", "object-for-text",
        "one-for-array", "raw-tab-in-text", "single-quotes", "text-after", "text-for-boolean", "text-for-number",
        "text-for-object", "trailing-comma", "truncated", "unicode-escapes",
    }
)  # fmt: skip
"""Operators on the JSON form: no profile changes their verdict."""
LARGEST = 60_000
OURS = ("exam-example", "exam-full")
Rows = list[tuple[str, str]]


def places(path: Path) -> list[Path]:
    """The packages of a set."""
    return sorted(p for p in path.iterdir() if p.suffix == ".tgz" or (p.is_dir() and p.name != "example"))


def unpacked(package: Path, into: Path) -> Path:
    """A folder with the artefacts of a package, for HAPI."""
    if package.is_dir():
        return package
    target = into / package.stem
    target.mkdir()
    with tarfile.open(package) as archive:
        for member in archive:
            if member.isreg() and member.name.count("/") == 1 and member.name.endswith(".json"):
                content = archive.extractfile(member)
                assert content is not None
                (target / member.name.partition("/")[2]).write_bytes(content.read())
    return target


def examples(path: Path) -> Iterator[tuple[str, bytes]]:
    """Instances that come with a set."""
    for file in sorted((path / "example").glob("*.json")):
        yield file.stem, file.read_bytes()
    for package in path.glob("*.tgz"):
        with tarfile.open(package) as archive:
            for member in archive:
                if member.isreg() and member.name.startswith("package/example/") and member.name.endswith(".json"):
                    content = archive.extractfile(member)
                    assert content is not None
                    yield Path(member.name).stem, content.read()


def pool(path: Path) -> dict[str, tuple[dict[str, Any], float]]:
    """Name → (resource, weight): the examples of types R4 knows, and exam Observations of ours.

    An example that claims no profile stands a second time, claiming the set's first profile on its type.
    """
    first: dict[str, str] = {}
    for package in places(path):
        for one in read_package(package).artefacts:
            if one["resourceType"] == "StructureDefinition" and one.get("derivation") == "constraint":
                kind, url = str(one["type"]), str(one["url"])
                first[kind] = min(first.get(kind, url), url, key=lambda u: (len(u), u))
    found = {}
    for name, data in examples(path):
        try:
            resource = wire.loads(data)
        except BladderError:
            continue
        known = resource.get("resourceType") not in (None, "StructureDefinition", "ImplementationGuide")
        if known and len(data) <= LARGEST:
            found[name] = resource, min(1.0, 4000 / len(data))
            meta = resource.get("meta", {})
            if not meta.get("profile") and resource["resourceType"] in first:
                claiming = {**resource, "meta": {**meta, "profile": [first[resource["resourceType"]]]}}
                found[f"{name}+profile"] = claiming, min(1.0, 4000 / len(data))
    for name, resource in folder(ROOT / "tests" / "profiles" / "valid").items():
        if name in OURS:
            found[f"ours-{name}"] = resource, 0.5
    return found


def judged(path: Path, each: int, seed: int) -> tuple[Validator, list[Verdict], int]:
    """Both verdicts on `each` cases of a set, half of them examples if it has so many; how many are beyond HAPI."""
    found = pool(path)
    chosen = random.Random(seed).sample(sorted(found), min(len(found), max(1, each // 2)))
    cases = list(mutated({name: found[name] for name in chosen}, each, seed, frozenset(OPERATORS) - ABOUT_TEXT))
    validator = Validator(packages=places(path))
    with tempfile.TemporaryDirectory() as scratch:
        folders = [judge.PROFILES, *(unpacked(package, Path(scratch)) for package in places(path))]
        answers = [json.loads(line) for line in judge.asked([case.data for case in cases], folders)]
    verdicts = []
    beyond = 0
    for case, hapi in zip(cases, answers, strict=True):
        found = ours(validator, case.data)
        if validator.known_good(case.data) and (missed := validator.explain(case.data)):
            found = [Finding("crash", "fatal", f"accepted, but explained: {missed[0].id}")]
        verdict = Verdict(case, hapi["valid"], not found, tuple(hapi["issue"]), tuple(found))
        if verdict.kind == "false accept" and beyond_hapi(verdict, validator.validate(case.data)):
            beyond += 1
        else:
            verdicts.append(verdict)
    return validator, verdicts, beyond


def same_snapshots(path: Path) -> tuple[Counter[str], list[str]]:
    """Our snapshots against HAPI's for every profile of a set; `refused`: by us, by name."""
    count: Counter[str] = Counter()
    lines = []
    artefacts: list[Any] = []
    for package in places(path):
        artefacts += read_package(package).artefacts
    bare = [{k: v for k, v in one.items() if k != "snapshot"} for one in artefacts]
    catalogue = Catalogue(bare)
    with tempfile.TemporaryDirectory() as scratch:
        theirs = list(snapshots.hapi_snapshots([unpacked(p, Path(scratch)) for p in places(path)]))
    for one in theirs:
        if "error" in one or one.get("derivation") != "constraint":
            count["hapi refused" if "error" in one else "no profile"] += 1
            continue
        try:
            made = catalogue.structure(one["url"])
        except BladderError as error:
            count["refused"] += 1
            lines.append(f"{one['url']}: {error}")
            continue
        found = list(snapshots.differences(one, made or one))
        count["differ" if found else "same"] += 1
        lines += [f"{one['url']}: {line[:400]}" for line in found[:3]]
    return count, lines


def beyond_hapi(verdict: Verdict, findings: list[Finding]) -> bool:
    """Whether HAPI calls an error only that it lacks something, and we know it or warn that it is not checked."""
    told = {f.path for f in findings if f.id in ("binding-undecided", "binding-unknown", "slice-undecided")}

    def lacking(issue: dict[str, Any]) -> bool:
        said, ident = str(issue.get("message")), str(issue.get("id"))
        if ident.startswith("Terminology_") and issue.get("location") in told:
            return True  # it cannot list the value set, and says that the code is not in it
        r4 = "http://hl7.org/fhir/StructureDefinition/" in said and "|4.0.1'" in said + "'"
        unresolved = "nable to resolve the profile" in said or "Unknown profile" in said
        return (r4 and unresolved) or "resolve() - profile" in said or "of ([])" in said

    return not verdict.hapi and all(map(lacking, verdict.hapi_issues))


def group(verdict: Verdict) -> str:
    """The column a verdict is counted in."""
    if verdict.kind == "agree":
        return "agree"
    if decided(verdict):
        return "decided"
    if verdict.kind == "false reject" and any(f.id.endswith("-unsupported") for f in verdict.our_findings):
        return "refused"
    return verdict.kind if verdict.mutant.type in JUDGED else "other types"


COLUMNS = ("agree", "false accept", "false reject", "crash", "refused", "other types", "decided")


def row(name: str, validator: Validator, verdicts: list[Verdict], beyond: int) -> str:
    """One line of the table."""
    counts = Counter(map(group, verdicts))
    claiming = sum(b'"profile"' in v.mutant.data for v in verdicts)
    valid = sum(v.hapi for v in verdicts)
    profiles = sum(map(len, validator.catalogue.own["StructureDefinition"].values()))
    cells = [profiles, len(verdicts) + beyond, claiming, valid, *(counts[one] for one in COLUMNS), beyond]
    return f"{name:15}" + "".join(f"{cell:>{width}}" for cell, width in zip(cells, WIDTHS, strict=True))


HEADS = ("profiles", "instances", "claiming", "valid", *COLUMNS, "beyond HAPI")
WIDTHS = tuple(len(head) + 2 for head in HEADS)
HEAD = f"{'set':15}" + "".join(f"{head:>{width}}" for head, width in zip(HEADS, WIDTHS, strict=True))
EXPLAINED = """
claiming: instances with a profile in `meta`. refused: valid by HAPI, and we say that a profile cannot be judged
(`profile-unsupported`, with the element). other types: differences on types that `--scope` says are judged by structure
only. decided: by the standard, as above. beyond HAPI: it calls an error what it lacks itself: a code system (SNOMED CT;
we warn that the code is not checked), a definition of R4 asked for by its version 4.0.1, the profile of an extension
that the instance does not carry, a value set of a package not given (we warn at the same place).
"""


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--each", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="*", default=())
    parser.add_argument("--snapshots", action="store_true")
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args()
    if missing := judge.prepare():
        raise SystemExit(missing)
    table = [HEAD]
    sets = [p for p in sorted(options.folder.iterdir()) if p.is_dir() and (not options.only or p.name in options.only)]
    for path in sets:
        if options.snapshots:
            count, lines = same_snapshots(path)
            print(path.name, dict(count), *lines, sep="\n  ", flush=True)
            continue
        validator, verdicts, beyond = judged(path, options.each, options.seed)
        print(f"# {path.name}\n{differences(verdicts)}", flush=True)
        table.append(row(path.name, validator, verdicts, beyond))
        print(f"{HEAD}\n{table[-1]}", flush=True)
    if not options.snapshots:
        print("\n".join(table))
    if options.write:
        about = [f"- {path.name}: {(path / 'about.txt').read_text().strip()}" for path in sets]
        intro = f"Printed by `tests/oracle/hapi/packages.py FOLDER --each {options.each} --seed {options.seed}`:"
        text = PAGE.read_text().partition(MARK)[0]
        blocks = [intro, "```\n" + "\n".join(table) + "\n```", EXPLAINED.strip(), "\n".join(about)]
        PAGE.write_text(text + MARK + "\n" + "\n\n".join(blocks) + "\n")


if __name__ == "__main__":
    main()
