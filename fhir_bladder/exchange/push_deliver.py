"""Room `exchange`: delivering a chunk of exams: look, decide, send, look again, until the server shows each once.

    look ──► same, older, held ──► result
      ▲  └─► create, update, replace, complete ──► send ──┐
      └───────────────────────────────────────────────────┘

May import errors, wire. Nothing is concluded from an answer that the next look does not show.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from decimal import Decimal

import msgspec

from fhir_bladder.errors import RecordError
from fhir_bladder.exchange import life, push_plan
from fhir_bladder.exchange.outbox import Outbox, Result, Row
from fhir_bladder.exchange.patients import Guard
from fhir_bladder.exchange.proof import Proof
from fhir_bladder.exchange.push_capability import Capability
from fhir_bladder.exchange.push_ensure import Ensurer, Latch, NotTaken
from fhir_bladder.exchange.push_link import Link
from fhir_bladder.exchange.push_look import Job, Looker
from fhir_bladder.exchange.push_options import PushOptions
from fhir_bladder.exchange.push_send import CONFLICT, Entry, Outcome, Sender
from fhir_bladder.exchange.push_unit import Exam, Json, resolve, take_apart, with_revision

ROUNDS = 24
"""Most looks at one chunk; bisecting 200 exams takes 8."""

TRIES = 6
"""Most requests for one exam in a run, those sent while a chunk is bisected not counted."""

GIVE_UP = 12
"""Claims after which an exam that the server keeps failing on is held instead of tried again."""

NO_ANSWER = 599
"""Stands for the status of a request without a usable answer."""

Settle = Callable[[Sequence[Result]], None]


@dataclass(slots=True)
class Sizes:
    """How many entries go into one request; all workers share it, and it only shrinks."""

    entries: int


class Delivery:
    """Delivers claimed rows. One object serves all workers."""

    def __init__(
        self, outbox: Outbox, target: str, link: Link, capability: Capability, options: PushOptions, sizes: Sizes
    ) -> None:
        self._outbox = outbox
        self._target = target
        self._link = link
        self._capability = capability
        self._options = options
        self._sizes = sizes
        self._proof = Proof(link)
        self._looker = Looker(self._proof, capability)
        self._sender = Sender(link, capability)
        ensurer = Ensurer(link, self._proof, capability, Latch(outbox.path), sizes.entries)
        self._ensurer = ensurer
        self._guard = Guard(self._proof, ensurer, options.patients)

    def deliver(self, rows: Sequence[Row], settle: Settle) -> None:
        """Work on claimed rows until each has a result; results are handed to `settle` as they come.

        Raises ServerError where the server cannot be read or refuses us, UnfinishedError at the deadline; rows without
        a result then stay claimed and are given back by the caller.
        """
        jobs, results = self._open(rows)
        settle(results)
        jobs = self._settled(jobs, self._subjects(jobs) | self._devices(jobs), settle)
        for job in jobs:
            resolve(job.exam, job.references)
        first = True
        for number in range(ROUNDS):
            if not jobs:
                return
            self._looker.look(jobs)
            if not first:
                self._unseen(jobs)
            jobs = self._settled(jobs, self._judged(jobs), settle)
            if not jobs:
                return
            asked = self._act(jobs)
            jobs = self._settled(jobs, self._given_up(jobs), settle)
            if jobs and all(job.status and not job.clean for job in jobs) and any(map(_passing, jobs)):
                self._link.pause(min(number + 1, 6), asked)
            first = False
        settle([self._failed(job) for job in jobs])

    # -- before the first look

    def _open(self, rows: Sequence[Row]) -> tuple[list[Job], list[Result]]:
        jobs: list[Job] = []
        results: list[Result] = []
        system = self._outbox.setting("key_system") or ""
        replaced = self._outbox.replaced_by(self._target, [row.key for row in rows])
        for row in rows:
            data = self._outbox.bundle(row.id)
            if row.key in replaced and replaced[row.key] != row.key:
                words = f"exam {replaced[row.key]} has replaced it"
                results.append(Result(row.id, "superseded", "replaced", words))
            elif not data:
                words = "its content was purged or never made; give the record to push again"
                results.append(Result(row.id, "held", "no-content", words))
            else:
                try:
                    exam = take_apart(kept(data), system)
                except RecordError as error:
                    results.append(Result(row.id, "held", "invalid", str(error)))
                    continue
                if self._options.provenance == "off":
                    exam.provenance = None
                job = Job(row, exam, frozenset(d.code for d in self._outbox.decisions(row.id) if d.what == "release"))
                self._name_release(job)
                jobs.append(job)
        return jobs, results

    def _name_release(self, job: Job) -> None:
        """A release belongs into the Provenance, with its reason."""
        if job.exam.provenance is None or not job.released:
            return
        reasons = [d for d in self._outbox.decisions(job.row.id) if d.what == "release"]
        agents = job.exam.provenance.setdefault("agent", [])
        agents += [{"who": {"display": d.by}, "role": [{"text": f"released: {d.reason}"}]} for d in reasons]

    def _subjects(self, jobs: list[Job]) -> dict[int, Result]:
        released = ["patient-unproven" in job.released for job in jobs]
        verdicts = self._guard.judge([job.exam for job in jobs], released)
        results: dict[int, Result] = {}
        for job, verdict in zip(jobs, verdicts, strict=True):
            job.note = verdict.note
            if verdict.code == "server-fails":
                job.words = verdict.reason
                results[job.row.id] = self._failed(job)
            elif verdict.reference is None:
                results[job.row.id] = Result(job.row.id, "held", verdict.code, verdict.reason)
            else:
                job.references = set_subject(job.exam, verdict.reference, unverified=self._guard.mode == "logical")
        return results

    def _devices(self, jobs: list[Job]) -> dict[int, Result]:
        results: dict[int, Result] = {}
        mode = self._options.devices
        if mode == "logical":
            for job in jobs:
                job.references |= set_device(job.exam, {})
            return results
        wanted = {job.exam.serial: job.exam.device for job in jobs if job.exam.serial[1]}
        to_make = {pair: device for pair, device in wanted.items() if device is not None and mode == "create"}
        found = self._ensurer.find("Device", list(wanted))
        failure = ""
        try:
            found |= self._ensurer.ensure("Device", to_make)
        except NotTaken as error:
            failure = error.what
            found |= error.found
        for job in jobs:
            devices = found.get(job.exam.serial, [])
            if failure and not devices:
                job.words = failure
                results[job.row.id] = self._failed(job)
                continue
            if len(devices) == 1:
                job.references |= set_device(job.exam, {"reference": f"Device/{devices[0]['id']}"})
            elif mode == "create" and job.exam.device is None and not devices:
                job.references |= set_device(job.exam, {})
            else:
                told = f"the server has the scanner {len(devices)} times" if devices else "the scanner is not there"
                words = f"{told}; put its Device right, or use --devices logical"
                results[job.row.id] = Result(job.row.id, "held", "device", words)
        return results

    # -- after a look

    def _unseen(self, jobs: Sequence[Job]) -> None:
        """What the server says it has made but a search does not show is not sent again at once."""
        for job in jobs:
            if job.clean and job.decision.action == life.CREATE and job.tries <= TRIES:
                self._link.pause(job.tries)
                again = self._proof.by_identifier("Observation", [(job.exam.system, job.exam.key)], singly=True)
                if any(again.values()):
                    self._looker.look([job])

    def _judged(self, jobs: Sequence[Job]) -> dict[int, Result]:
        """Results of those that need nothing more."""
        there = [job for job in jobs if job.decision.action == life.SAME and not (job.whole and not job.old)]
        there += [job for job in jobs if job.decision.action == life.UPDATE]
        there += [job for job in jobs if job.decision.action == life.CREATE and (job.found or self._may_be_there(job))]
        if there:
            self._looker.beside(there, provenance=self._options.provenance == "on")
        results: dict[int, Result] = {}
        for job in jobs:
            action, decision = job.decision.action, job.decision
            if action == life.SUPERSEDED:
                results[job.row.id] = self._located(job, "superseded", decision.code or "older", decision.reason)
            elif action == life.HELD:
                results[job.row.id] = self._located(job, "held", decision.code, decision.reason)
            elif action in (life.SAME, life.UPDATE) and len(job.reports) > 1:
                names = ", ".join(f"DiagnosticReport/{report.get('id')}" for report in job.reports)
                words = f"the server has the report of this exam {len(job.reports)} times ({names}); remove all but one"
                results[job.row.id] = self._located(job, "held", "doubled", words)
            elif action == life.SAME and not self._missing(job):
                results[job.row.id] = self._located(job, "delivered", "", job.note)
        return results

    def _may_be_there(self, job: Job) -> bool:
        """Whether parts of an exam that is not there may be: sent before, without a condition to stop a double."""
        return not self._capability.conditional_create and (job.sent or job.row.attempts > 1)

    def _missing(self, job: Job) -> list[Json]:
        """Entries that a delivered exam still lacks."""
        entries = push_plan.retract(job.old) if job.old else []
        if not job.whole:
            entries += push_plan.complete(job.exam, job.found, job.reports, job.provenances, self._capability)
        return entries

    def _located(self, job: Job, state: str, code: str, reason: str) -> Result:
        main = job.found[-1] if job.found else {}
        version = str((main.get("meta") or {}).get("versionId", ""))
        return Result(
            job.row.id,
            state,
            code,
            reason,
            location=f"Observation/{main['id']}" if main.get("id") else "",
            version=version,
            etag=f'W/"{version}"' if version else "",
            issues=job.issues if state == "held" else [],
        )

    # -- sending

    def _act(self, jobs: Sequence[Job]) -> float | None:
        """Send what the jobs need; returns the longest wait a server asked for."""
        asked: list[float] = []
        reports = self._looker.reports_of(jobs) if any(job.old for job in jobs) else {}
        together: list[tuple[Job, list[Json]]] = []
        for job in jobs:
            entries = self._entries(job, reports.get(job.row.id, []))
            if job.decision.action == life.CREATE and not job.old and len(entries) <= self._sizes.entries:
                together.append((job, entries))
            else:
                asked.append(self._send([(job, entries)]))
        while together:
            taken = self._fill(together)
            asked.append(self._send(together[:taken]))
            together = together[taken:]
        return max(asked, default=0.0) or None

    def _entries(self, job: Job, old_reports: list[Json]) -> list[Json]:
        action = job.decision.action
        if action == life.UPDATE:
            entries = push_plan.update(job.exam, job.found, job.reports, job.provenances, self._capability)
            return push_plan.retract([*old_reports, *job.old]) + entries
        if action == life.SAME:
            return push_plan.retract([*old_reports, *job.old]) + self._missing_beside(job)
        exam = job.exam
        if action == life.CREATE and (job.found or job.reports):  # parts of it: what is there is not sent again
            return push_plan.update(exam, job.found, job.reports, [], self._capability)
        if action == life.REPLACE:
            exam = with_revision(exam, job.revision + 1)
        if job.old:
            push_plan.linked(exam, job.old)
        return push_plan.retract([*old_reports, *job.old]) + push_plan.create(exam, self._capability)

    def _missing_beside(self, job: Job) -> list[Json]:
        if job.whole:
            return []
        return push_plan.complete(job.exam, job.found, job.reports, job.provenances, self._capability)

    def _fill(self, together: Sequence[tuple[Job, list[Json]]]) -> int:
        """How many of the next exams go into one request."""
        entries, size, taken = 0, 0, 0
        for job, needed in together:
            size = min(size or job.size or len(together), job.size or len(together))
            entries += len(needed)
            if taken and (entries > self._sizes.entries or taken >= size):
                break
            taken += 1
        return max(1, taken)

    def _send(self, piece: Sequence[tuple[Job, list[Json]]]) -> float:
        """Send one request for these jobs and note what became of each."""
        entries = [entry for _, needed in piece for entry in needed]
        outcome = self._sender.send(entries, self._sizes.entries)
        if outcome.limit:
            self._sizes.entries = min(self._sizes.entries, max(1, outcome.size // 2))
        place = 0
        for job, needed in piece:
            answers = outcome.entries[place : place + len(needed)]
            place += len(needed)
            self._note(job, outcome, answers, together=len(piece))
            job.whole = job.clean and job.decision.action == life.CREATE and outcome.size == len(entries)
        return outcome.asked or 0.0

    def _note(self, job: Job, outcome: Outcome, answers: Sequence[Entry], *, together: int) -> None:
        """Keep what became of a job's entries, and how it goes into the next request."""
        job.sent = True
        job.created = job.created or job.decision.action == life.CREATE
        job.clean = bool(answers) and all(answer.ok for answer in answers)
        if job.clean:
            job.status, job.words, job.issues, job.tries = 0, "", [], job.tries + 1
            return
        alone = together == 1
        job.status, job.words, job.issues = outcome.status or NO_ANSWER, outcome.words, outcome.issues
        failed = next((answer for answer in answers if not answer.ok), None)
        if failed is not None:
            job.status, job.issues = failed.status or NO_ANSWER, failed.issues
            job.words = f"the server refused an entry (HTTP {job.status})"
            job.size = 1
        if outcome.limit:
            return  # not the exam's fault: the next request is smaller
        busy = outcome.status in (429, 503)
        job.tries += alone or busy
        job.alone += alone
        if not alone and not busy and failed is None:
            if not outcome.passing or job.failures:
                job.size = max(1, together // 2)
            job.failures += 1
        if alone and not outcome.passing:
            self._try_without_ids(job)

    def _try_without_ids(self, job: Job) -> None:
        """A server that takes no client ids refuses the whole set for its Provenance: try it once under the server's
        own id; where that is refused too, the id was not the reason.
        """
        if job.exam.provenance is None:
            return
        if job.alone == 1 and self._capability.client_ids:
            self._capability.client_ids, job.without_ids = False, True
        elif job.without_ids:
            self._capability.client_ids, job.without_ids = True, False

    def _given_up(self, jobs: Sequence[Job]) -> dict[int, Result]:
        """Exams that the server refuses for good, or fails on too often; each was sent alone at least twice."""
        results: dict[int, Result] = {}
        for job in jobs:
            if job.clean or not job.status:
                continue
            if not _passing(job) and job.alone >= 2:
                results[job.row.id] = Result(job.row.id, "held", "refused", _words(job), issues=job.issues)
            elif job.tries >= TRIES:
                results[job.row.id] = self._failed(job)
        return results

    def _failed(self, job: Job) -> Result:
        """Wait and try again in a later run; after many of them a person has to look."""
        if job.status in CONFLICT and job.alone >= 2:
            return Result(job.row.id, "held", "refused", _words(job), issues=job.issues)
        if job.row.attempts >= GIVE_UP:
            words = f"the server failed on this exam {job.row.attempts} times: {_words(job)}"
            return Result(job.row.id, "held", "server-fails", words, issues=job.issues)
        delay = 30.0 * (1 + random.random())  # noqa: S311 - spreads load, no secret
        return Result(job.row.id, "waiting", "server-fails", _words(job), issues=job.issues, delay=delay)

    @staticmethod
    def _settled(jobs: list[Job], results: dict[int, Result], settle: Settle) -> list[Job]:
        if results:
            settle(list(results.values()))
        return [job for job in jobs if job.row.id not in results]


def _passing(job: Job) -> bool:
    return Outcome(status=job.status if job.status != NO_ANSWER else 0).passing


def _words(job: Job) -> str:
    codes = ", ".join(dict.fromkeys(str(issue.get("code", "")) for issue in job.issues if issue.get("code")))
    told = job.words or (f"HTTP {job.status}" if job.status not in (0, NO_ANSWER) else "no usable answer")
    return f"{told} ({codes})" if codes else told


def kept(data: bytes) -> Json:
    """A Bundle out of the outbox: JSON that we wrote ourselves, so that the checks of foreign JSON are not needed."""
    bundle: Json = _DECODER.decode(data)
    return bundle


_DECODER = msgspec.json.Decoder(float_hook=Decimal)


def set_subject(exam: Exam, reference: Json, *, unverified: bool = False) -> dict[str, Json]:
    """Put the patient found in place of the Bundle's own; its identifier stays. Unverified ones are tagged.

    Returns what the Patient's fullUrl is to be replaced by.
    """
    url = exam.urls.get("Patient", "")
    identifier = {"identifier": _plain_identifier(exam.patient)} if exam.patient and url else {}
    resources = [*exam.observations, exam.report]
    for resource in resources:
        if resource is None:
            continue
        subject = resource.setdefault("subject", {})
        subject.update(reference)
        if not reference:
            subject.pop("reference", None)
        if unverified:
            tags = resource.setdefault("meta", {}).setdefault("tag", [])
            tags.append({"display": "patient identity not verified by the sender"})
    return {url: identifier | reference} if url else {}


def _plain_identifier(patient: Json) -> Json:
    first = patient["identifier"][0]
    return {name: first[name] for name in ("system", "value") if name in first}


def set_device(exam: Exam, reference: Json) -> dict[str, Json]:
    """Put the Device found in place of the Bundle's own; without one its identifier stands alone.

    Returns what the Device's fullUrl is to be replaced by.
    """
    url = exam.urls.get("Device", "")
    system, value = exam.serial
    for observation in exam.observations:
        if "device" in observation:
            observation["device"].update(reference)
    return {url: {"identifier": {"system": system, "value": value}} | reference} if url else {}
