"""Room `sandbox`: a bulk export server in memory that goes wrong by schedule, for the tests of `export`.

It keeps resources, takes a snapshot for each job, and serves status, manifest, files and searches. A fault plan decides
for each request whether it is spoilt and how. Every job sees other data than the one before (`drift`), so that files of
two jobs in one folder cannot pass for a whole export.
"""

from __future__ import annotations

import email.utils
import gzip
import random
import secrets
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any
from urllib.parse import parse_qs

from fhir_bladder import wire
from fhir_bladder.sandbox.hostile_http import Reply, Request

TRANSIENT = {"resourceType": "OperationOutcome", "issue": [{"severity": "error", "code": "transient"}]}
FATAL = {"resourceType": "OperationOutcome", "issue": [{"severity": "fatal", "code": "processing"}]}
_START = datetime(2026, 11, 1, tzinfo=UTC)

Faults = Callable[[str, "BulkModel"], Reply | None]
"""Given the kind of request (kickoff, status, manifest, file, delete, search, metadata): a reply that spoils it."""


def busy(status: int, seconds: int, *, as_date: bool) -> Reply:
    """429, 503 or 202 with Retry-After in one of its two forms."""
    text = email.utils.formatdate(time.time() + seconds, usegmt=True) if as_date else str(seconds)
    return Reply(status, b"", {"Retry-After": text, "Date": email.utils.formatdate(usegmt=True)})


@dataclass(slots=True)
class Job:
    """One export job: its snapshot as (kind, type, lines), polls still to come, and the generation of its links."""

    number: int
    transaction_time: str
    files: list[tuple[str, str, list[bytes]]]
    polls: int
    generation: int = 0
    deleted: bool = False


@dataclass(slots=True)
class BulkModel:
    """The server. url: its base URL, to be set once known; file_url: base of file links, another host if wanted.

    per_file: lines a file; polls: 202 answers before the manifest; page: files a manifest page, 0 for one page.
    outcome: the STU4 name of `error`. counts: whether the manifest says them. token: `requiresAccessToken`.
    bearer: required Authorization value, none if empty. verbs: kick-off methods taken; none means no `$export`.
    draft: the STU4 draft's parameters, one value each. listed: STU2's `_typeFilter`, one list with commas between.
    packed: gzip where it is taken; unlabelled: gzip without a header that says so. repeat: each link stands twice.
    """

    faults: Faults = lambda _kind, _model: None
    per_file: int = 7
    polls: int = 1
    page: int = 0
    outcome: bool = False
    counts: bool = True
    token: bool = True
    bearer: str = ""
    packed: bool = False
    unlabelled: bool = False
    repeat: bool = False
    listed: bool = False
    drift: bool = True
    verbs: tuple[str, ...] = ("GET", "POST")
    draft: bool = False
    expires: str = ""
    url: str = ""
    file_url: str = ""
    resources: dict[tuple[str, str], dict[str, Any]] = field(default_factory=dict)
    gone: list[tuple[str, str]] = field(default_factory=list)
    errors: list[dict[str, Any]] = field(default_factory=list)
    jobs: dict[int, Job] = field(default_factory=dict)
    clock: datetime = _START
    asked: list[tuple[str, dict[str, Any]]] = field(default_factory=list)
    key: str = field(default_factory=lambda: secrets.token_hex(8))

    # -- data ----------------------------------------------------------------------------------------------------

    def put(self, kind: str, identity: str, **content: Any) -> None:
        """Create or update a resource at the next second of the model's clock."""
        self.clock += timedelta(seconds=1)
        meta = {"lastUpdated": self.now}
        self.resources[kind, identity] = {"resourceType": kind, "id": identity, "meta": meta, **content}

    def remove(self, kind: str, identity: str) -> None:
        """Delete a resource; the next export says so."""
        self.clock += timedelta(seconds=1)
        del self.resources[kind, identity]
        self.gone.append((kind, identity))

    @property
    def now(self) -> str:
        """The model's clock as an instant."""
        return self.clock.strftime("%Y-%m-%dT%H:%M:%S.000Z")

    def fill(self, observations: int, patients: int = 3) -> None:
        """Invented data: patients, and observations of them."""
        for number in range(patients):
            self.put("Patient", f"htest-{number}")
        for number in range(observations):
            reference = {"reference": f"Patient/htest-{number % patients}"}
            self.put("Observation", f"o{number}", status="final", subject=reference, valueString="é" * (number % 50))

    def selected(self, parameters: dict[str, Any]) -> list[dict[str, Any]]:
        """What an export with these parameters holds, in the server's order."""
        types, since, until = parameters.get("_type", []), parameters.get("_since", ""), parameters.get("_until", "")
        return [
            one
            for (kind, _), one in self.resources.items()
            if (not types or kind in types)
            and (not since or one["meta"]["lastUpdated"] > since)
            and (not until or one["meta"]["lastUpdated"] <= until)
        ]

    # -- requests ------------------------------------------------------------------------------------------------

    def __call__(self, request: Request) -> Reply:
        """Answer a request; the handler of a HostileServer."""
        kind, answer = self._route(request)
        reply = self.faults(kind, self)
        if reply is None:
            return answer()
        if reply.status < 300 and reply.fault not in ("", "html"):
            whole = answer()  # the work is done, the answer is spoilt
            return Reply(whole.status, whole.body, whole.headers, reply.fault, cut=reply.cut)
        return reply

    def _route(self, request: Request) -> tuple[str, Callable[[], Reply]]:
        path = request.path
        if path.endswith("/metadata"):
            return "metadata", self._metadata
        if self.bearer and "/files/" not in path and request.headers.get("authorization") != self.bearer:
            return "refused", lambda: Reply(401, {})
        if path.endswith("/$export"):
            return "kickoff", lambda: self._kick_off(request)
        if "/status/" in path:
            job = self.jobs.get(int(path.split("/")[-1]))
            if job is None or job.deleted:
                return "gone", lambda: Reply(404, FATAL)
            if request.method == "DELETE":
                return "delete", lambda: self._delete(job)
            return ("manifest" if job.polls <= 0 else "status"), lambda: self._status(job, request)
        if "/files/" in path:
            return "file", lambda: self._file(request)
        return "search", lambda: self._search(request)

    def _metadata(self) -> Reply:
        operations = [{"name": "export"}] if self.verbs else []
        rest = {"mode": "server", "operation": operations, "resource": [{"type": "Observation"}, {"type": "Patient"}]}
        return Reply(200, {"resourceType": "CapabilityStatement", "fhirVersion": "4.0.1", "rest": [rest]})

    def _kick_off(self, request: Request) -> Reply:
        if request.method not in self.verbs:
            return Reply(405 if self.verbs else 404, {})
        parameters: dict[str, Any] = {}
        if self.listed and (request.target + str(request.body)).count("_typeFilter") > 1:
            return Reply(400, FATAL)
        if request.method == "GET":
            for name, texts in parse_qs(request.target.partition("?")[2]).items():
                parameters[name] = texts[-1].split(",") if name == "_type" else texts[-1]
        else:
            for one in request.json["parameter"]:
                text = one.get("valueString", one.get("valueInstant"))
                if one["name"] == "_type":
                    if self.draft and "," in text:
                        return Reply(400, FATAL)
                    # as HAPI does: of several _type parameters only the first counts, unless the draft is spoken
                    if self.draft or "_type" not in parameters:
                        parameters.setdefault("_type", []).extend(text.split(","))
                else:
                    parameters[one["name"]] = text
        self.asked.append((request.method, parameters))
        if request.headers.get("prefer") != "respond-async":
            return Reply(400, {})
        number = len(self.jobs) + 1
        if self.drift and number > 1:  # the world moves on between jobs
            self.put("Observation", f"late{number}", status="final")
            self.put("Observation", "o0", status="amended", valueString=str(number))
        self.jobs[number] = Job(number, self.now, self._snapshot(parameters), self.polls)
        return Reply(202, b"", {"Content-Location": f"{self.url}/status/{number}"})

    def _snapshot(self, parameters: dict[str, Any]) -> list[tuple[str, str, list[bytes]]]:
        by_type: dict[str, list[bytes]] = {}
        for resource in self.selected(parameters):
            by_type.setdefault(resource["resourceType"], []).append(wire.dumps(resource))
        files = [
            ("output", kind, lines[at : at + self.per_file])
            for kind, lines in by_type.items()
            for at in range(0, len(lines), self.per_file)
        ]
        if self.gone and parameters.get("_since"):
            entries = [{"request": {"method": "DELETE", "url": f"{kind}/{one}"}} for kind, one in self.gone]
            files.append(
                ("deleted", "Bundle", [wire.dumps({"resourceType": "Bundle", "type": "transaction", "entry": entries})])
            )
        if self.errors:
            files.append(("error", "OperationOutcome", [wire.dumps(one) for one in self.errors]))
        return files

    def _status(self, job: Job, request: Request) -> Reply:
        if job.polls > 0:
            job.polls -= 1
            return Reply(202, b"", {"X-Progress": f"{10 * job.polls}% of HTEST done", "Retry-After": "0"})
        start = int(request.query.get("from", "0"))
        end = start + self.page if self.page else len(job.files)
        manifest: dict[str, Any] = {
            "transactionTime": job.transaction_time,
            "request": f"{self.url}/$export",
            "requiresAccessToken": self.token,
            "output": [],
            "outcome" if self.outcome else "error": [],
        }
        for number in range(start, min(end, len(job.files))):
            kind, name, lines = job.files[number]
            entry: dict[str, Any] = {"type": name}
            entry["url"] = f"{self.file_url or self.url}/files/{job.number}/{job.generation}/{number}?key={self.key}"
            if self.counts:
                entry["count"] = len(lines)
            entries = manifest.setdefault("outcome" if kind == "error" and self.outcome else kind, [])
            entries += [entry, dict(entry)] if self.repeat else [entry]
        if end < len(job.files):
            manifest["link"] = [{"relation": "next", "url": f"{self.url}/status/{job.number}?from={end}"}]
        headers = {"Content-Type": "application/json", "Date": email.utils.formatdate(usegmt=True)}
        return Reply(200, manifest, headers | ({"Expires": self.expires} if self.expires else {}))

    def _file(self, request: Request) -> Reply:
        number, generation, index = request.path.split("/")[-3:]
        job = self.jobs.get(int(number))
        if job is None or job.deleted or int(generation) != job.generation or request.query.get("key") != self.key:
            return Reply(410, {})
        if self.bearer and self.token and not self.file_url and request.headers.get("authorization") != self.bearer:
            return Reply(401, {})
        body = b"".join(line + b"\n" for line in job.files[int(index)][2])
        headers = {"Content-Type": "application/fhir+ndjson"}
        if self.unlabelled:
            return Reply(200, gzip.compress(body), {"Content-Type": "application/gzip"})
        if self.packed and "gzip" in request.headers.get("accept-encoding", ""):
            return Reply(200, gzip.compress(body), headers | {"Content-Encoding": "gzip"})
        return Reply(200, body, headers)

    def expire_links(self) -> None:
        """All file links given out so far are dead; the manifest gives new ones."""
        for job in self.jobs.values():
            job.generation += 1

    def lose_jobs(self) -> None:
        """The server forgets its jobs."""
        for job in self.jobs.values():
            job.deleted = True

    def _delete(self, job: Job) -> Reply:
        job.deleted = True
        return Reply(202, b"")

    def _search(self, request: Request) -> Reply:
        kind, query = request.path.split("/")[-1], parse_qs(request.target.partition("?")[2])
        if request.path.split("/")[-2] == "Group":
            members = [{"entity": {"reference": "Patient/htest-0"}}, {"entity": {"reference": "Patient/htest-1"}}]
            return Reply(200, {"resourceType": "Group", "id": "g", "member": members})
        found = [one for one in self.resources.values() if one["resourceType"] == kind]
        for bound in query.get("_lastUpdated", []):
            late, text = bound.startswith("ge"), bound[2:]
            moments = [(one, one["meta"]["lastUpdated"]) for one in found]
            found = [one for one, moment in moments if (moment >= text if late else moment <= text)]
        if "patient" in query:
            wanted = f"Patient/{query['patient'][0].removeprefix('Patient/')}"
            found = [one for one in found if one.get("subject", {}).get("reference") == wanted]
        if "_id" in query:
            found = [one for one in found if one["id"] == query["_id"][0]]
        start = int(query.get("_start", ["0"])[0])
        bundle: dict[str, Any] = {"resourceType": "Bundle", "type": "searchset", "total": len(found)}
        bundle["entry"] = [
            {"resource": one, "search": {"mode": "match"}} for one in found[start : start + self.per_file]
        ]
        if start + self.per_file < len(found):
            rest = "&".join(f"{name}={text}" for name, texts in query.items() if name != "_start" for text in texts)
            link = f"{self.url}/{kind}?{rest}&_start={start + self.per_file}".replace("+", "%2B")
            bundle["link"] = [{"relation": "next", "url": link}]
        return Reply(200, bundle)


_LOST = ("drop", "reset", "truncate", "truncate-chunked")
_UNREADABLE = ("truncate-json", "html", "garbage", "unframed-cut")


def seeded(seed: int, *, budget: int = 14, likely: float = 0.35) -> Faults:
    """A random but repeatable plan of every fault the model knows, at most `budget` of them."""
    choice = random.Random(seed)  # noqa: S311 - a test schedule
    left = budget

    def plan(kind: str, model: BulkModel) -> Reply | None:
        nonlocal left
        if left <= 0 or choice.random() > likely:
            return None
        left -= 1
        form = choice.random() < 0.5
        simple = [busy(429, 0, as_date=form), busy(503, 0, as_date=form), Reply(500, b""), Reply(502, b"")]
        spoilt = [Reply(200, b"", fault=name) for name in _LOST]
        unreadable = [Reply(200, b"", fault=name) for name in _UNREADABLE]
        if kind in ("kickoff", "metadata", "search"):
            return choice.choice(simple + spoilt + (unreadable if kind != "kickoff" else []))
        if kind in ("status", "manifest"):
            if kind == "status" and choice.random() < 0.1:
                model.lose_jobs()
                return Reply(404, FATAL)
            more = [busy(202, 0, as_date=form), Reply(500, TRANSIENT), Reply(503, TRANSIENT), Reply(404, TRANSIENT)]
            return choice.choice(simple + spoilt + unreadable + more)
        if kind == "file":
            odd = choice.random()
            if odd < 0.15:
                model.expire_links()
                return None
            if odd < 0.25:
                return Reply(200, b"", fault="unframed")
            if odd < 0.4:
                return Reply(200, b"", fault="unframed-cut", cut=choice.randrange(1, 400))
            if odd < 0.45:
                model.lose_jobs()
                return None
            return choice.choice(
                simple + spoilt + [Reply(200, b"", fault="html"), Reply(200, b"", fault="gzip-truncate")]
            )
        return choice.choice(simple + spoilt) if kind == "delete" else None

    return plan
