"""Room `exchange`: delivering a chunk of exams: look, decide, send, look again, until the server shows each once.

    look ──► same, older, held ──► result
      ▲  └─► create, update, replace, complete ──► send ──┐
      └───────────────────────────────────────────────────┘

May import errors, wire. Nothing is concluded from an answer that the next look does not show.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from decimal import Decimal

import msgspec

from fhir_bladder.errors import RecordError
from fhir_bladder.exchange.outbox import Decision, Outbox, Result, Row
from fhir_bladder.exchange.push import fate
from fhir_bladder.exchange.push.act import Act, Sizes
from fhir_bladder.exchange.push.capability import Capability
from fhir_bladder.exchange.push.ensure import Ensurer, Latch
from fhir_bladder.exchange.push.judge import Judge
from fhir_bladder.exchange.push.link import Link
from fhir_bladder.exchange.push.look import Job, Looker
from fhir_bladder.exchange.push.made import Made
from fhir_bladder.exchange.push.options import PushOptions
from fhir_bladder.exchange.push.patients import Guard
from fhir_bladder.exchange.push.proof import Proof
from fhir_bladder.exchange.push.refer import References
from fhir_bladder.exchange.push.send import Sender
from fhir_bladder.exchange.push.unit import Exam, Json, resolve, take_apart

ROUNDS = 24
"""Most looks at one chunk; bisecting 200 exams takes 8."""

Settle = Callable[[Sequence[Result]], None]


class Delivery:
    """Delivers claimed rows. One object serves all workers."""

    def __init__(
        self, outbox: Outbox, target: str, link: Link, capability: Capability, options: PushOptions, sizes: Sizes
    ) -> None:
        self._outbox = outbox
        self._target = target
        self._link = link
        self._options = options
        proof = Proof(link, Made(outbox, target))
        self._looker = Looker(proof, capability)
        ensurer = Ensurer(link, proof, capability, Latch(outbox.path), sizes.entries)
        self._references = References(Guard(proof, ensurer, options.patients), ensurer, options)
        self._judge = Judge(link, proof, self._looker, capability, provenance=options.provenance == "on")
        self._act = Act(Sender(link, capability, proof), self._looker, capability, sizes)

    def deliver(self, rows: Sequence[Row], settle: Settle) -> None:
        """Work on claimed rows until each has a result; results are handed to `settle` as they come.

        Raises ServerError where the server cannot be read or refuses us, UnfinishedError at the deadline; rows without
        a result then stay claimed and are given back by the caller.
        """
        jobs, results = self._open(rows)
        settle(results)
        jobs = self._settled(jobs, self._references.subjects(jobs) | self._references.devices(jobs), settle)
        for job in jobs:
            resolve(job.exam, job.references)
        first = True
        for number in range(ROUNDS):
            if not jobs:
                return
            self._looker.look(jobs)
            if not first:
                self._judge.unseen(jobs)
            jobs = self._settled(jobs, self._judge.judged(jobs), settle)
            if not jobs:
                return
            asked = self._act.act(jobs)
            jobs = self._settled(jobs, fate.given_up(jobs), settle)
            if jobs and all(job.status and not job.clean for job in jobs) and any(map(fate.passing, jobs)):
                self._link.pause(min(number + 1, 6), asked)
            first = False
        settle([fate.failed(job) for job in jobs])

    def _open(self, rows: Sequence[Row]) -> tuple[list[Job], list[Result]]:
        jobs: list[Job] = []
        results: list[Result] = []
        system = self._outbox.setting("key_system") or ""
        replaced = self._outbox.replaced_by(self._target, [row.key for row in rows])
        numbers = [row.id for row in rows]
        bundles, decisions = self._outbox.bundles(numbers), self._outbox.decisions(numbers)
        for row in rows:
            if row.key in replaced and replaced[row.key] != row.key:
                words = f"exam {replaced[row.key]} has replaced it"
                results.append(Result(row.id, "superseded", "replaced", words))
            elif row.id not in bundles:
                words = "its content was purged or never made; give the record to push again"
                results.append(Result(row.id, "held", "no-content", words))
            else:
                try:
                    exam = take_apart(kept(bundles[row.id]), system)
                except RecordError as error:
                    results.append(Result(row.id, "held", "invalid", str(error)))
                    continue
                if self._options.provenance == "off":
                    exam.provenance = None
                releases = [one for one in decisions.get(row.id, ()) if one.what == "release"]
                _name_releases(exam, releases)
                jobs.append(Job(row, exam, frozenset(one.code for one in releases)))
        return jobs, results

    @staticmethod
    def _settled(jobs: list[Job], results: dict[int, Result], settle: Settle) -> list[Job]:
        if results:
            settle(list(results.values()))
        return [job for job in jobs if job.row.id not in results]


def _name_releases(exam: Exam, releases: Sequence[Decision]) -> None:
    """A release belongs into the Provenance, with its reason."""
    if exam.provenance is not None and releases:
        agents = exam.provenance.setdefault("agent", [])
        agents += [{"who": {"display": one.by}, "role": [{"text": f"released: {one.reason}"}]} for one in releases]


def kept(data: bytes) -> Json:
    """A Bundle out of the outbox: JSON that we wrote ourselves, so that the checks of foreign JSON are not needed."""
    bundle: Json = _DECODER.decode(data)
    return bundle


_DECODER = msgspec.json.Decoder(float_hook=Decimal)
