"""Room `terminology`: local codes and their mappings to LOINC, SNOMED CT and DICOM, read from `profiles/`.

Nothing is invented here: a code of another system stands in `ConceptMap-bladder-ultrasound.json` with its certainty
and when it is written, or it comes from the site's own table (`sites.py`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

from fhir_bladder.terminology.artefacts import load
from fhir_bladder.terminology.names import CERTAINTY, LOCAL, USE

Coding = dict[str, str]

CERTAINTIES = {
    "A": "seen in the standard's own artefact",
    "B": "seen in an independent mapping artefact that copies the code system",
    "C": "seen in one secondary source only; check against the licensed release before use",
    "site": "stands in the site's own table, confirmed there",
    "local": "a code of our own: no standard code was found, though not every licensed release was searched",
}
"""What each mark means, for people."""


@dataclass(frozen=True, slots=True)
class Concept:
    """A local code. kind: exam, measurement, context, or the name of the list of values it belongs to. unit: UCUM."""

    code: str
    display: str
    definition: str
    kind: str
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Mapping:
    """A code of another system for a local concept.

    certainty: A, B or C (see CERTAINTIES). use: `default`, `report`, `site` (only through the site's table) or
    `never`. condition: what must hold, (name, value), or None. equivalence: of the target, as in FHIR R4.
    """

    concept: str
    system: str
    code: str
    display: str
    equivalence: str
    certainty: str
    use: str
    comment: str
    condition: tuple[str, str] | None = None


@cache
def concepts() -> dict[str, Concept]:
    """All local codes, in the order of the CodeSystem."""
    (system,) = (found for found in load("CodeSystem") if found["url"] == LOCAL)
    result = {}
    for item in system["concept"]:
        marks = {mark["code"]: mark["valueString"] for mark in item["property"]}
        result[item["code"]] = Concept(
            item["code"], item["display"], item["definition"], marks["kind"], marks.get("unit", "")
        )
    return result


@cache
def mappings() -> tuple[Mapping, ...]:
    """All rows of the ConceptMap."""
    rows = []
    for group in (group for table in load("ConceptMap") for group in table["group"]):
        for element in group["element"]:
            rows += [_row(element["code"], group["target"], target) for target in element["target"]]
    return tuple(rows)


def _row(concept: str, system: str, target: dict[str, Any]) -> Mapping:
    marks = {mark["url"]: mark["valueCode"] for mark in target["extension"]}
    condition = None
    if depends := target.get("dependsOn"):
        condition = (depends[0]["property"].rsplit("/", 1)[1], depends[0]["value"])
    return Mapping(
        concept, system, target["code"], target.get("display", ""), target["equivalence"],
        marks[CERTAINTY].removeprefix("certainty-").upper(), marks[USE].removeprefix("use-"), target["comment"],
        condition,
    )  # fmt: skip


@cache
def post_void_codes() -> frozenset[tuple[str, str]]:
    """(system, code) of every known code whose meaning includes that the patient had voided."""
    (values,) = (found for found in load("ValueSet") if found["id"] == "post-void-codes")
    return frozenset(
        (part["system"], concept["code"]) for part in values["compose"]["include"] for concept in part["concept"]
    )


@cache
def local(code: str) -> Coding:
    """The coding of a local concept; shared, never change it. KeyError for a code the CodeSystem does not hold."""
    return {"system": LOCAL, "code": code, "display": concepts()[code].display}


def certainty(system: str, code: str) -> str:
    """The certainty mark of a coding: A, B, C, `local`, or `site` for what only a site's table can have brought."""
    if system == LOCAL:
        return "local"
    return next((row.certainty for row in mappings() if (row.system, row.code) == (system, code)), "site")


def notices() -> list[str]:
    """The notices of the owners of the code systems used, each once, as they stand in the artefacts."""
    found: dict[str, None] = {}
    for kind in ("ConceptMap", "ValueSet", "CodeSystem"):
        for artefact in load(kind):
            for sentence in _owners(artefact.get("copyright", "")):
                found.setdefault(sentence)
    return list(found)


_OPENINGS = (
    "This material contains content from LOINC", "This material includes SNOMED", "DICOM®", "This product includes all",
)  # fmt: skip


def _owners(text: str) -> list[str]:
    starts = sorted(place for opening in _OPENINGS if (place := text.find(opening)) >= 0)
    ends = [*starts[1:], len(text)] if starts else []
    return [text[start:end].strip() for start, end in zip(starts, ends, strict=True)]


def notice() -> str:
    """The section of a NOTICE file about code systems."""
    return "Code systems\n\n" + "\n\n".join(notices()) + "\n"
