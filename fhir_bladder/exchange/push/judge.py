"""Room `exchange`: after a look: which exams of a chunk need nothing more, and what each came to. May import errors."""

from __future__ import annotations

from collections.abc import Sequence

from fhir_bladder.exchange.outbox.rows import Result
from fhir_bladder.exchange.push import life, plan
from fhir_bladder.exchange.push.capability import Capability
from fhir_bladder.exchange.push.fate import TRIES
from fhir_bladder.exchange.push.link import Link
from fhir_bladder.exchange.push.look import Job, Looker, unreadable
from fhir_bladder.exchange.push.proof import Proof
from fhir_bladder.exchange.push.unit import Json
from fhir_bladder.exchange.shapes import Unfit, usable


class Judge:
    """Judges exams by what the server shows of them."""

    def __init__(self, link: Link, proof: Proof, looker: Looker, capability: Capability, *, provenance: bool) -> None:
        self._link = link
        self._proof = proof
        self._looker = looker
        self._capability = capability
        self._provenance = provenance

    def unseen(self, jobs: Sequence[Job]) -> None:
        """What the server says it has made but a search does not show is not sent again at once."""
        for job in jobs:
            if job.clean and job.decision.action == life.CREATE and job.tries <= TRIES:
                self._link.pause(job.tries)
                again = self._proof.by_identifier("Observation", [(job.exam.system, job.exam.key)], singly=True)
                if any(again.values()):
                    self._looker.look([job])

    def judged(self, jobs: Sequence[Job]) -> dict[int, Result]:
        """Results of those that need nothing more."""
        there = [job for job in jobs if job.decision.action == life.SAME and not (job.whole and not job.old)]
        there += [job for job in jobs if job.decision.action == life.UPDATE]
        there += [job for job in jobs if job.decision.action == life.CREATE and (job.found or self._may_be_there(job))]
        if there:
            self._looker.beside(there, provenance=self._provenance)
        results: dict[int, Result] = {}
        for job in jobs:
            try:
                usable([*job.reports, *job.provenances])
            except Unfit as error:
                job.decision = unreadable(error)
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
        entries = plan.retract(job.old) if job.old else []
        if not job.whole:
            entries += plan.complete(job.exam, job.found, job.reports, job.provenances, self._capability)
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
