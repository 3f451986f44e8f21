"""Room `exchange`: what becomes of an exam that the server refuses or fails on: tried again, or held for a person.

May import errors. Nothing here talks to a server.
"""

from __future__ import annotations

import random
from collections.abc import Sequence

from fhir_bladder.exchange.outbox.rows import Result
from fhir_bladder.exchange.push.look import Job
from fhir_bladder.exchange.push.send import CONFLICT, Outcome

TRIES = 6
"""Most requests for one exam in a run, those sent while a chunk is bisected not counted."""

GIVE_UP = 12
"""Failures after which an exam that the server keeps failing on is held instead of tried again."""

BUSY = frozenset({429, 503})
"""The server says that it cannot do anything now: that is no failure on this exam, however often it is said."""

FIRST_DELAY_S, LONGEST_DELAY_S = 30.0, 900.0
"""A listener waits so long after the first failure, twice as long after each more, at most the longest: 12 failures
take some two hours, which outlasts a server's restart.
"""

NO_ANSWER = 599
"""Stands for the status of a request without a usable answer."""


def passing(job: Job) -> bool:
    """Whether what came of the job's last request may be better next time."""
    return Outcome(status=job.status if job.status != NO_ANSWER else 0).passing


def told(job: Job) -> str:
    """In words, what came of the job's last request; codes of the server's issues, never its own words."""
    codes = ", ".join(dict.fromkeys(str(issue.get("code", "")) for issue in job.issues if issue.get("code")))
    if job.clean:
        return "the server says that it took the exam, and shows nothing under its key"
    found = job.words or (f"HTTP {job.status}" if job.status not in (0, NO_ANSWER) else "no usable answer")
    return f"{found} ({codes})" if codes else found


def given_up(jobs: Sequence[Job]) -> dict[int, Result]:
    """Exams that the server refuses for good, or fails on too often; each was sent alone at least twice."""
    results: dict[int, Result] = {}
    for job in jobs:
        if job.clean or not job.status:
            continue
        if not passing(job) and job.alone >= 2:
            results[job.row.id] = Result(job.row.id, "held", "refused", told(job), issues=job.issues)
        elif job.tries >= TRIES:
            results[job.row.id] = failed(job)
    return results


def failed(job: Job) -> Result:
    """Wait and try again in a later run; after many failures a person has to look."""
    if job.status in CONFLICT and job.alone >= 2:
        return Result(job.row.id, "held", "refused", told(job), issues=job.issues)
    counts = job.status not in BUSY
    failures = job.row.failures + counts
    if failures >= GIVE_UP:
        words = f"the server still fails on this exam, after {failures} tries: {told(job)}"
        return Result(job.row.id, "held", "server-fails", words, issues=job.issues, failed=True)
    delay = min(LONGEST_DELAY_S, FIRST_DELAY_S * 2.0**job.row.failures)
    delay *= 1 + random.random()  # noqa: S311 - spreads load, no secret
    return Result(job.row.id, "waiting", "server-fails", told(job), issues=job.issues, delay=delay, failed=counts)
