"""Room `exchange`: sending what a chunk of exams needs, in requests that the server takes. May import errors.

What became of each exam's entries is noted in its job; whether that is true the next look shows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fhir_bladder.exchange.push import life, plan
from fhir_bladder.exchange.push.capability import Capability
from fhir_bladder.exchange.push.fate import BUSY, NO_ANSWER
from fhir_bladder.exchange.push.look import Job, Looker
from fhir_bladder.exchange.push.send import Entry, Outcome, Sender
from fhir_bladder.exchange.push.unit import Json, with_revision


@dataclass(slots=True)
class Sizes:
    """How many entries go into one request; all workers share it, and it only shrinks."""

    entries: int


class Act:
    """Sends the entries of jobs: many in a request, fewer where the server refuses so many, each alone at last."""

    def __init__(self, sender: Sender, looker: Looker, capability: Capability, sizes: Sizes) -> None:
        self._sender = sender
        self._looker = looker
        self._capability = capability
        self._sizes = sizes

    def act(self, jobs: Sequence[Job]) -> float | None:
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
            entries = plan.update(job.exam, job.found, job.reports, job.provenances, self._capability)
            return plan.retract([*old_reports, *job.old]) + entries
        if action == life.SAME:
            return plan.retract([*old_reports, *job.old]) + self._missing_beside(job)
        exam = job.exam
        if action == life.CREATE and (job.found or job.reports):  # parts of it: what is there is not sent again
            return plan.update(exam, job.found, job.reports, [], self._capability)
        if action == life.REPLACE:
            exam = with_revision(exam, job.revision + 1)
        if job.old:
            plan.linked(exam, job.old)
        return plan.retract([*old_reports, *job.old]) + plan.create(exam, self._capability)

    def _missing_beside(self, job: Job) -> list[Json]:
        if job.whole:
            return []
        return plan.complete(job.exam, job.found, job.reports, job.provenances, self._capability)

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
            job.whole = (
                job.clean and job.decision.action == life.CREATE and outcome.whole and outcome.size == len(entries)
            )
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
        busy = outcome.status in BUSY
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
