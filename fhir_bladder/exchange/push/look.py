"""Room `exchange`: looking at the exams of a chunk on the server, and deciding what each needs. May import errors.

Everything push does follows from what it sees here, before and after each request; an answer is never trusted alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from fhir_bladder.exchange.outbox import Row
from fhir_bladder.exchange.push import life
from fhir_bladder.exchange.push.capability import Capability
from fhir_bladder.exchange.push.life import Decision
from fhir_bladder.exchange.push.plan import observation_keys, own_identifier
from fhir_bladder.exchange.push.proof import Pair, Proof
from fhir_bladder.exchange.push.unit import Exam, Json, revised, with_revision
from fhir_bladder.exchange.shapes import Unfit, relative, usable

RETRACTED = "entered-in-error"


@dataclass(slots=True)
class Job:
    """One claimed row on its way. `exam` is under the revision of its key that stands on the server.

    found: its Observations there, the exam or group last. old: resources to retract with it. created: nothing was
    there and we sent it, in this run. sent: a request of this run carried it. clean: the answer to the last request
    said that every entry was carried out; whole: and it was one transaction that created everything, so that one part
    proves the others. size: exams in its next request, 0 for any. tries, alone, failures: requests counted.
    without_ids: see `act`. references: what fullUrls of the Bundle become.
    """

    row: Row
    exam: Exam
    released: frozenset[str] = frozenset()
    found: list[Json] = field(default_factory=list)
    old: list[Json] = field(default_factory=list)
    reports: list[Json] = field(default_factory=list)
    provenances: list[Json] = field(default_factory=list)
    decision: Decision = field(default_factory=lambda: Decision(""))
    references: dict[str, Json] = field(default_factory=dict)
    revision: int = 0
    created: bool = False
    sent: bool = False
    clean: bool = False
    whole: bool = False
    size: int = 0
    tries: int = 0
    alone: int = 0
    failures: int = 0
    without_ids: bool = False
    status: int = 0
    issues: list[Json] = field(default_factory=list)
    words: str = ""
    note: str = ""


def _doubled(what: str, resources: Sequence[Json]) -> Decision:
    names = ", ".join(f"Observation/{resource.get('id')}" for resource in resources)
    words = f"the server has {what} {len(resources)} times ({names}); remove all but one"
    return Decision(life.HELD, words, "doubled")


def unreadable(error: Unfit) -> Decision:
    """The decision on an exam of which the server has something that cannot be read."""
    return Decision(life.HELD, f"{error.what}; {error.remedy} to put it right", "server-unreadable")


class Looker:
    """Looks at chunks of exams."""

    def __init__(self, proof: Proof, capability: Capability) -> None:
        self._proof = proof
        self._capability = capability

    def look(self, jobs: Sequence[Job]) -> None:
        """See what the server has of each job and set `found`, `old` and `decision`."""
        bases = {job.row.id: (job.exam.system, revised(job.exam.key, 0)) for job in jobs}
        replaced = {job.row.id: (job.exam.system, job.exam.replaces) for job in jobs if job.exam.replaces}
        seen = self._proof.by_identifier("Observation", [*bases.values(), *replaced.values()])
        careful = not self._capability.conditional_create
        grouped = [
            job
            for job in jobs
            if len(job.exam.observations) > 1
            and (careful or job.sent or job.row.attempts > 1 or seen[bases[job.row.id]])
        ]
        members = [pair for job in grouped for pair in observation_keys(job.exam)[:-1]]
        seen_members = self._proof.by_identifier("Observation", members)
        for job in jobs:
            try:
                self._judge(job, seen[bases[job.row.id]], seen_members)
                if job.row.id in replaced and job.decision.action in (life.CREATE, life.SAME, life.UPDATE):
                    job.old = self._standing(seen[replaced[job.row.id]], replaced[job.row.id])
            except Unfit as error:
                job.decision = unreadable(error)

    def _judge(self, job: Job, mains: list[Json], members: dict[Pair, list[Json]]) -> None:
        """Walk the chain of revisions to the newest, then decide."""
        chain: list[Json] = []
        revision = 0
        system, key = job.exam.system, revised(job.exam.key, 0)
        while mains:
            usable(mains)
            if len(mains) > 1:
                job.decision = _doubled("this exam", mains)
                return
            chain.append(mains[0])
            if mains[0].get("status") != RETRACTED:
                break
            pair = (system, revised(key, revision + 1))
            mains = self._proof.by_identifier("Observation", [pair])[pair]
            revision += bool(mains)
        job.found, job.old = [], []
        own = {pair: members.get(pair, []) for pair in observation_keys(job.exam)[:-1]}
        usable(resource for resources in own.values() for resource in resources)
        for twice in (resources for resources in own.values() if len(resources) > 1):
            job.decision = _doubled("a measurement of this exam", twice)
            return
        if not chain:
            job.found = [resource for resources in own.values() for resource in resources]
            job.decision = life.decide(life.declared_status(job.exam.main), None, None)
            return
        self._set_revision(job, len(chain) - 1)
        job.found, dangling = self._members(job, chain[-1], own if len(chain) == 1 else None)
        ours = life.declared_status(job.exam.main)
        ours_itself = job.created or job.clean
        comparison = life.compare(job.exam.observations, job.found, context=not ours_itself)
        if dangling and life.compare(self._present(job), job.found).whole:
            job.decision = Decision(life.UPDATE, "members that the group names are not there")
            return
        if ours_itself and comparison.subject and comparison.measured:
            # what we wrote ourselves may come back rewritten by the server; that is no other content
            comparison = life.Comparison(subject=True, measured=True, whole=True)
        theirs = life.declared_status(chain[-1])
        decision = life.decide(ours, theirs, comparison)
        if decision.action != life.SAME and self._was_there(job, chain):
            decision = life.decide(ours, theirs, comparison, earlier=True)
        if decision.action == life.HELD and decision.code == "content-differs" and decision.code in job.released:
            decision = Decision(life.UPDATE, "released by a person")
        if decision.action == life.REPLACE:
            job.old = list(job.found)
        job.decision = decision

    def _set_revision(self, job: Job, revision: int) -> None:
        if revision != job.revision:
            job.exam = with_revision(job.exam, revision)
            job.revision = revision

    def _present(self, job: Job) -> list[Json]:
        """Our Observations that have a counterpart on the server."""
        there = {revised(own_identifier(o, job.exam.system)[1], 0) for o in job.found}
        return [o for o in job.exam.observations if revised(own_identifier(o, job.exam.system)[1], 0) in there]

    def _members(self, job: Job, main: Json, own: dict[Pair, list[Json]] | None) -> tuple[list[Json], bool]:
        """The members on the server, the group last: those with our keys, and those the group names besides; and
        whether it names one that is not there.
        """
        if len(job.exam.observations) == 1 and not main.get("hasMember"):
            return [main], False
        if own is None:
            own = self._proof.by_identifier("Observation", observation_keys(job.exam)[:-1])
            usable(resource for resources in own.values() for resource in resources)
        found = [resource for resources in own.values() for resource in resources[:1]]
        known = {f"Observation/{r.get('id')}" for r in found}
        dangling = False
        for reference in main.get("hasMember", ()):
            name = relative(reference.get("reference"))
            dangling = dangling or str(reference.get("reference", "")).startswith("urn:")
            if name and name not in known:
                other = self._proof.read(name)
                dangling = dangling or other is None
                found += [other] if other is not None else []
        live = [r for r in found if r.get("status") != RETRACTED or main.get("status") == RETRACTED]
        return [*live, main], dangling

    def _was_there(self, job: Job, chain: Sequence[Json]) -> bool:
        """Whether the server's history shows that the exam had our state before."""
        ours = job.exam.observations
        for observation in ours:
            versions = list(self._versions(job, observation, chain))
            status = life.declared_status(observation)
            if not any(
                life.declared_status(version) == status
                and (agreed := life.compare([observation], [version])).whole
                and agreed.subject
                for version in versions
            ):
                return False
        return True

    def _versions(self, job: Job, observation: Json, chain: Sequence[Json]) -> Iterable[Json]:
        if observation is job.exam.main:
            for resource in chain:
                yield from self._history(resource)
            return
        value = own_identifier(observation, job.exam.system)[1]
        pairs = [(job.exam.system, revised(value, number)) for number in range(len(chain))]
        for resources in self._proof.by_identifier("Observation", pairs).values():
            usable(resources)
            for resource in resources:
                yield from self._history(resource)

    def _history(self, resource: Json) -> Iterable[Json]:
        version = str((resource.get("meta") or {}).get("versionId", ""))
        return self._proof.history(f"Observation/{resource['id']}", version)

    def _standing(self, mains: list[Json], pair: Pair) -> list[Json]:
        """The Observations of a replaced exam that still stand, its newest revision's."""
        revision = 0
        usable(mains)
        while mains and mains[0].get("status") == RETRACTED:
            revision += 1
            following = (pair[0], revised(pair[1], revision))
            mains = self._proof.by_identifier("Observation", [following])[following]
            usable(mains)
        standing = []
        for main in mains:
            for reference in main.get("hasMember", ()):
                name = relative(reference.get("reference"))
                if name and (member := self._proof.read(name)) is not None:
                    standing.append(member)
            standing.append(main)
        return [resource for resource in standing if resource.get("status") != RETRACTED]

    def beside(self, jobs: Sequence[Job], *, provenance: bool) -> None:
        """Find reports and Provenance of exams that are there: `reports` and `provenances` of each job."""
        pairs = {j.row.id: own_identifier(j.exam.report, j.exam.system) for j in jobs if j.exam.report}
        reports = self._proof.by_identifier("DiagnosticReport", [p for p in pairs.values() if p[1]])
        targets = {job.row.id: f"Observation/{job.found[-1]['id']}" for job in jobs if job.found}
        provenances = self._proof.by_reference("Provenance", "target", list(targets.values())) if provenance else {}
        for job in jobs:
            job.reports = reports.get(pairs.get(job.row.id, ("", "")), [])
            job.provenances = provenances.get(targets.get(job.row.id, ""), [])

    def reports_of(self, jobs: Sequence[Job]) -> dict[int, list[Json]]:
        """Standing reports that name the resources a job retracts."""
        names = {job.row.id: [f"Observation/{r['id']}" for r in job.old] for job in jobs if job.old}
        found = self._proof.by_reference("DiagnosticReport", "result", [n for group in names.values() for n in group])
        result: dict[int, list[Json]] = {}
        for number, group in names.items():
            usable(report for name in group for report in found.get(name, ()))
            reports = {r["id"]: r for name in group for r in found.get(name, ()) if r.get("status") != RETRACTED}
            result[number] = list(reports.values())
        return result
