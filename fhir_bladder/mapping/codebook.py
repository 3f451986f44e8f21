"""Room `mapping`: the CodeableConcept of each concept, built once for each text. May import terminology, exam.

The local coding comes first, then what the ConceptMap writes by default, then the site's own. What is handed out is
shared between resources: read, never change it.
"""

from __future__ import annotations

from typing import Any

from fhir_bladder.exam import ExamRecord
from fhir_bladder.terminology import codes
from fhir_bladder.terminology.names import EXAM_CODE
from fhir_bladder.terminology.sites import SiteCode, SiteCodes

_MOST = 4096  # texts carry scan numbers; a stream of odd ones must not grow the cache without bound

Element = dict[str, Any]


class Codebook:
    """Codes of every concept under one site table."""

    def __init__(self, site: SiteCodes) -> None:
        self._rows = site.rows
        self._cache: dict[tuple[str, str, bool, tuple[SiteCode, ...]], Element] = {}
        self.bodies: dict[tuple[str, bool | str, tuple[SiteCode, ...]], Element] = {}
        self._default: dict[str, list[tuple[codes.Coding, bool]]] = {}
        for row in codes.mappings():
            if row.use == "default":
                coding = {"system": row.system, "code": row.code}
                self._default.setdefault(row.concept, []).append((coding, row.condition == ("three-diameters", "true")))

    def extras(self, record: ExamRecord, three_diameters: bool) -> tuple[SiteCode, ...]:
        """The site's rows that hold for a record."""
        if not self._rows:
            return ()
        facts = {
            "void_state": record.void_state,
            "void_attempt": record.void_attempt,
            "void_measured": record.void_measured,
            "layer": record.wall.layer if record.wall is not None else None,
            "choice_rule": record.choice_rule,
            "three_diameters": three_diameters,
        }
        return tuple(row for row in self._rows if row.holds(facts))

    def code(
        self, concept: str, text: str, three_diameters: bool = False, extras: tuple[SiteCode, ...] = ()
    ) -> Element:
        """`code` of a component or Observation. three_diameters: whether the volume was computed from them."""
        key = (concept, text, three_diameters, extras)
        found = self._cache.get(key)
        if found is None:
            if len(self._cache) >= _MOST:
                self._cache.clear()
            found = self._cache[key] = self._build(*key)
        return found

    def _build(self, concept: str, text: str, three_diameters: bool, extras: tuple[SiteCode, ...]) -> Element:
        codings: list[Element] = [dict(codes.local(concept))]
        codings += [
            coding for coding, needs_three in self._default.get(concept, ()) if three_diameters or not needs_three
        ]
        known = {(coding["system"], coding["code"]) for coding in codings}
        for row in extras:
            if row.concept == concept and (row.system, row.code) not in known:
                codings.append(row.coding)
                known.add((row.system, row.code))
        return {"coding": codings, "text": text}


def report_coding(post_void: bool) -> codes.Coding:
    """The document code of the report: LOINC 69388-7 after a void, else 25019-1, as the ConceptMap says."""
    wanted = ("void-state", "post-void" if post_void else "other than post-void")
    row = next(m for m in codes.mappings() if m.concept == EXAM_CODE and m.use == "report" and m.condition == wanted)
    return {"system": row.system, "code": row.code}
