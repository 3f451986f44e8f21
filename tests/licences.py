"""Licences of everything the project needs, from the metadata of what is installed: `python tests/licences.py`.

Writes docs/licences.md; run it in an environment with every extra (`pip install -e ".[deep,dev]"`). The tests hold the
page to pyproject.toml and to what is installed where they run, by kinds of licences, since releases word them apart.
"""

from __future__ import annotations

import importlib.metadata as metadata
import re
import tomllib
from pathlib import Path

from packaging.requirements import Requirement

ROOT = Path(__file__).parent.parent
PAGE = ROOT / "docs" / "licences.md"
DEVELOPMENT = ("test", "deep", "dev")

_KINDS = {
    "MIT-0": r"\bMIT-0\b|MIT No Attribution",
    "MIT": r"\bMIT\b(?!-0)(?! No)",
    "BSD": r"\bBSD\b|\b0BSD\b",
    "Apache-2.0": r"Apache",
    "MPL-2.0": r"Mozilla Public|\bMPL",
    "PSF-2.0": r"\bPSF\b|Python Software Foundation",
    "ISC": r"\bISC\b",
    "Zlib": r"\bZlib\b",
    "CC0-1.0": r"\bCC0\b",
    "GPL": r"GPL|GNU",
}
FREE = set(_KINDS) - {"GPL"}
"""Kinds that an Apache-2.0 program may need; MPL binds changes of its own files only."""

_SHIPPED = """\
## What ships inside

- In `fhir_bladder/conformance/definitions`: definitions of HL7 FHIR R4 4.0.1 in slim form (CC0), codes that R4 takes
  from other owners, UCUM units and ISO 4217 codes. [NOTICE.txt](../fhir_bladder/conformance/definitions/NOTICE.txt)
  beside them names whose they are, on what terms, and the packages they were taken from.
- LOINC, SNOMED CT, DICOM and UCUM codes, in `profiles`: each its owner's; the notices stand in the artefacts, and
  `fhir-bladder profiles check` prints them.
"""


def name_of(text: str) -> str:
    """The name of a package as the index writes it."""
    return re.sub(r"[-_.]+", "-", text).lower()


def direct() -> dict[str, list[Requirement]]:
    """What pyproject.toml names, by group; `base` is what every install brings."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    groups = {"base": project["dependencies"], **project["optional-dependencies"]}
    parsed = {group: [Requirement(text) for text in texts] for group, texts in groups.items()}
    return {group: [one for one in found if one.name != project["name"]] for group, found in parsed.items()}


def needed() -> dict[str, dict[str, bool]]:
    """Packages by group: those that it names (True), and what they need where no group before brought it."""
    groups: dict[str, dict[str, bool]] = {}
    seen: set[str] = set()
    for group, requirements in direct().items():
        found: set[tuple[str, str]] = set()
        for one in requirements:
            _follow(one, found)
        named = {name_of(one.name) for one in requirements}
        names = {name for name, _ in found}
        groups[group] = {name: name in named for name in sorted(names - seen | named)}
        seen |= names
    return groups


def _follow(requirement: Requirement, found: set[tuple[str, str]]) -> None:
    """Add a package and what it needs here, with the extras asked for."""
    name = name_of(requirement.name)
    for extra in {"", *requirement.extras}:
        if (name, extra) in found:
            continue
        found.add((name, extra))
        for text in metadata.requires(name) or ():
            inner = Requirement(text)
            if inner.marker is None or inner.marker.evaluate({"extra": extra}):
                _follow(inner, found)


def licence(name: str) -> str:
    """The licence of an installed package: its expression, else its classifiers, else its field, else its file."""
    data = metadata.metadata(name)
    classifiers = [
        line.rsplit(" :: ", 1)[-1] for line in data.get_all("Classifier") or () if line.startswith("License")
    ]
    field = (data.get("License") or "").split("\n")[0]
    said = data.get("License-Expression") or " or ".join(classifiers) or field or _first_line(name)
    return said.strip()


def _first_line(name: str) -> str:
    """The heading of the licence file that travels with a package."""
    for path in metadata.files(name) or ():
        if re.search(r"LICEN[CS]E|COPYING", path.name, re.IGNORECASE):
            return next(line.strip() for line in path.read_text().splitlines() if line.strip())
    return ""


def kinds(text: str) -> set[str]:
    """Kinds of licences that a wording names."""
    return {kind for kind, pattern in _KINDS.items() if re.search(pattern, text)}


def page() -> str:
    """docs/licences.md."""
    lines = [
        "# Licences", "",
        "fhir-bladder itself is under Apache-2.0. What it needs on Linux, with the licence that each package names in",
        "its own metadata; packages in italics are needed by the others and stand where they are needed first. Made by",
        "`python tests/licences.py`; tests hold it to `pyproject.toml` and to what is installed.", "",
    ]  # fmt: skip
    for group, names in needed().items():
        if not names:
            continue
        title = "Every install" if group == "base" else f"Extra `{group}`"
        lines += [
            f"## {title}{', for development' if group in DEVELOPMENT else ''}",
            "",
            "| package | licence |",
            "|---|---|",
        ]
        lines += [f"| {name if named else f'*{name}*'} | {licence(name)} |" for name, named in names.items()]
        lines.append("")
    return "\n".join([*lines, _SHIPPED])


def rows() -> dict[str, str]:
    """Package to licence, as the page says."""
    found = re.findall(r"^\| \*?([a-z0-9-]+)\*? \| ([^|]+) \|$", PAGE.read_text(), re.MULTILINE)
    return {name: said for name, said in found if name != "package"}


if __name__ == "__main__":
    PAGE.write_text(page())
