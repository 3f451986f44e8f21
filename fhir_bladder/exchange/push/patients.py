"""Room `exchange`: the patient guard. Whose exam it is must be proven before anything is sent. May import errors.

`match`: exactly one active, unmerged Patient by identifier and a second agreeing item: birth date, family name, or an
order or encounter of that patient. What contradicts or cannot be proven is held, with what a person must decide.
"""

from __future__ import annotations

import threading
import time
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from fhir_bladder.exchange.push.ensure import Ensurer, NotTaken, forget
from fhir_bladder.exchange.push.link import Unreadable
from fhir_bladder.exchange.push.proof import Pair, Proof
from fhir_bladder.exchange.push.unit import Exam, Json, identifier_pair
from fhir_bladder.exchange.shapes import relative, unfit

Mode = Literal["match", "logical", "create"]

REMEMBERED_S = 300.0
"""How long a look-up may be used again; patients are merged and put right while a listener runs."""

_NO_SUCH_SEARCH = frozenset({400, 404, 405, 410, 422, 501})
"""Answers of a server that has no orders or encounters, or no search for them."""


_UNREADABLE = "the server's Patient, order or encounter cannot be read as FHIR; ask its operator, or put it right"


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whose exam it is. reference: what the subject becomes (empty: its identifier stands alone), None where held.

    code, reason: why it is held. note: what the receipt says beside it.
    """

    reference: Json | None
    code: str = ""
    reason: str = ""
    note: str = ""


class Guard:
    """Judges the patients of exams, many in one look-up; remembers what it looked up for some minutes."""

    def __init__(self, proof: Proof, ensurer: Ensurer, mode: Mode) -> None:
        self._proof = proof
        self._ensurer = ensurer
        self.mode = mode
        self._known: dict[tuple[str, Pair], tuple[float, list[Json]]] = {}
        self._unsupported: set[str] = set()
        self._lock = threading.Lock()

    def judge(self, exams: Sequence[Exam], released: Sequence[bool]) -> list[Verdict]:
        """One verdict an exam. released: a person has let this exam go on without the second item."""
        wanted = [pair for exam in exams for pair in exam.subject_identifiers]
        orders = self._look("ServiceRequest", [p for exam in exams for p in _order(exam)])
        encounters = self._look("Encounter", [p for exam in exams for p in _encounter(exam)])
        patients = {} if self.mode == "logical" else self._look("Patient", wanted)
        failure = ""
        if self.mode == "create":
            try:
                patients = self._created(exams, patients)
            except NotTaken as error:
                failure = error.what
                patients = patients | error.found
        verdicts = []
        for exam, free in zip(exams, released, strict=True):
            visits = [orders.get(p, []) for p in _order(exam)] + [encounters.get(p, []) for p in _encounter(exam)]
            owners = [_owner(resource) for found in visits for resource in found]
            verdict = self._verdict(exam, patients, [o for o in owners if o[0] or o[1][1]], free=free)
            people = [patient for pair in exam.subject_identifiers for patient in patients.get(pair, ())]
            if any(map(unfit, [*people, *(resource for found in visits for resource in found)])):
                verdict = Verdict(None, "server-unreadable", _UNREADABLE)
            if failure and verdict.code == "patient-unknown":
                verdict = Verdict(None, "server-fails", failure)
            verdicts.append(verdict)
        return verdicts

    def _verdict(
        self, exam: Exam, patients: dict[Pair, list[Json]], owners: list[tuple[str, Pair]], *, free: bool
    ) -> Verdict:
        pairs = exam.subject_identifiers
        if not pairs:
            return Verdict(
                None, "no-patient", "the exam names no patient identifier; identify the patient in the record"
            )
        if self.mode == "logical":
            systems = dict(pairs)
            if any(systems.get(other[0], other[1]) != other[1] for _, other in owners if other[1]):
                return Verdict(None, "other-patient", "the order or encounter belongs to another patient")
            return Verdict({}, note="patient by identifier only, not verified")
        found = {p["id"]: p for pair in pairs for p in patients.get(pair, ())}
        usable = [p for p in found.values() if _usable(p)]
        if not usable:
            reason = (
                "the patient found is inactive or merged into another; correct the record's identifier"
                if found
                else "no patient with this identifier on the server; register the patient or correct the identifier"
            )
            return Verdict(None, "patient-unknown", reason)
        if len(usable) > 1:
            return Verdict(None, "patient-ambiguous", f"{len(usable)} patients match the identifiers; merge or correct")
        return self._second_item(exam, usable[0], owners, free=free)

    def _second_item(self, exam: Exam, patient: Json, owners: list[tuple[str, Pair]], *, free: bool) -> Verdict:
        reference = f"Patient/{patient['id']}"
        identifiers = {identifier_pair(i) for i in patient.get("identifier", ())}
        belongs = [owner[0] == reference if owner[0] else owner[1] in identifiers for owner in owners]
        if not all(belongs):
            return Verdict(None, "other-patient", "the order or encounter belongs to another patient")
        claimed = exam.patient or {}
        born, registered = str(claimed.get("birthDate", "")), str(patient.get("birthDate", ""))
        length = min(len(born), len(registered))
        if length >= 4 and born[:length] != registered[:length]:
            return Verdict(
                None, "patient-contradicts", "the birth date is not that of the patient with this identifier"
            )
        died, examined = str(patient.get("deceasedDateTime", ""))[:10], str(exam.main.get("effectiveDateTime", ""))
        if len(died) >= 4 and died < examined[: len(died)]:
            return Verdict(None, "patient-contradicts", "the server has this patient as dead before the exam")
        if self.mode == "create":
            return Verdict({"reference": reference})
        if length == 10 or any(belongs) or _families(claimed) & _families(patient):
            return Verdict({"reference": reference})
        if free:
            return Verdict({"reference": reference}, note="patient released by a person without a second item")
        return Verdict(
            None,
            "patient-unproven",
            "the identifier matches one patient, but no birth date, family name, order or encounter agrees; compare "
            "and release, or add the birth date",
        )

    def _created(self, exams: Sequence[Exam], patients: dict[Pair, list[Json]]) -> dict[Pair, list[Json]]:
        wanted: dict[Pair, Json] = {}
        for exam in exams:
            pairs = exam.subject_identifiers
            if exam.patient and pairs and not any(patients.get(pair) for pair in pairs):
                wanted.setdefault(identifier_pair(exam.patient["identifier"][0]), exam.patient)
        if not wanted:
            return patients
        return patients | self._ensurer.ensure("Patient", wanted)

    def _look(self, kind: str, pairs: Sequence[Pair]) -> dict[Pair, list[Json]]:
        if not pairs or kind in self._unsupported:
            return {}
        now = time.monotonic()
        with self._lock:
            kept = {p: self._known[kind, p][1] for p in pairs if self._known.get((kind, p), (0.0, []))[0] > now}
        missing = [pair for pair in dict.fromkeys(pairs) if pair not in kept]
        if missing:
            try:
                found = self._proof.by_identifier(kind, missing)
            except Unreadable as error:
                if kind == "Patient" or error.status not in _NO_SUCH_SEARCH:
                    raise
                self._unsupported.add(kind)  # a server without orders or encounters has nothing to contradict with
                return kept
            with self._lock:
                for pair, resources in found.items():
                    if resources:
                        self._known[kind, pair] = (now + REMEMBERED_S, resources)
                forget(self._known)
            kept |= found
        return kept


def _usable(patient: Json) -> bool:
    merged = any(link.get("type") == "replaced-by" for link in patient.get("link", ()))
    return patient.get("active") is not False and not merged


def _families(patient: Json) -> set[str]:
    names = (str(name.get("family", "")) for name in patient.get("name", ()))
    return {folded for name in names if (folded := unicodedata.normalize("NFKC", name).casefold().strip())}


def _order(exam: Exam) -> list[Pair]:
    found = [identifier_pair((b or {}).get("identifier")) for b in exam.main.get("basedOn", ())]
    return [pair for pair in found if pair[1]]


def _encounter(exam: Exam) -> list[Pair]:
    pair = identifier_pair((exam.main.get("encounter") or {}).get("identifier"))
    return [pair] if pair[1] else []


def _owner(resource: Json) -> tuple[str, Pair]:
    """Literal reference and identifier of an order's or encounter's patient."""
    subject = resource.get("subject") or {}
    return relative(subject.get("reference")), identifier_pair(subject.get("identifier"))
