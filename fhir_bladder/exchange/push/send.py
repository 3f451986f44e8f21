"""Room `exchange`: sending entries and reading what became of each; a 200 is not success. May import errors, mapping.

`Outcome` never claims more than the answer proves: what it leaves open is looked up by `deliver`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from fhir_bladder.errors import ServerError, UnfinishedError
from fhir_bladder.exchange.http.errors import AmbiguousOutcome, Response
from fhir_bladder.exchange.http.retry import RETRIED, retry_after
from fhir_bladder.exchange.push.capability import Capability
from fhir_bladder.exchange.push.link import Link, Refused
from fhir_bladder.exchange.push.made import Resource
from fhir_bladder.exchange.push.proof import Proof
from fhir_bladder.exchange.push.unit import Json, identifier_pair
from fhir_bladder.exchange.shapes import relative

CONFLICT = frozenset({409, 412})
_ISSUES = 100
"""Most issues of a refusal that are kept."""
_LIMIT_CODES = frozenset({"too-costly", "too-long"})
_LIMIT_WORDS = ("too many", "limit", "exceed", "too large", "too big", "maximum", "at most")


@dataclass(slots=True)
class Entry:
    """What the server said of one entry. status 0: nothing that can be used."""

    status: int = 0
    location: str = ""
    issues: list[Json] = field(default_factory=list)

    @property
    def ok(self) -> bool:
        """Whether the entry was carried out."""
        return 200 <= self.status < 300


@dataclass(slots=True)
class Outcome:
    """What came of a request. status: HTTP status of the whole, 0 where there was no usable answer.

    entries: one for each sent, or none where the answer does not fit what was sent. asked: seconds of a Retry-After.
    limit: the server refuses so many entries or bytes at once; size: how many entries stood in the last request. whole:
    the answer says that it was one transaction, so that what is there of it is all there.
    """

    status: int = 0
    entries: list[Entry] = field(default_factory=list)
    issues: list[Json] = field(default_factory=list)
    words: str = ""
    asked: float | None = None
    limit: bool = False
    size: int = 0
    whole: bool = False

    @property
    def clean(self) -> bool:
        """Every entry was carried out, and the answer says so."""
        return bool(self.entries) and all(entry.ok for entry in self.entries)

    @property
    def passing(self) -> bool:
        """The same may work later: no answer, a busy or failing server, a conflict."""
        return self.status == 0 or self.status in RETRIED or self.status in CONFLICT or self.status >= 500


class Sender:
    """Sends entries as one transaction, or one by one where the server has no transactions or they are too many."""

    def __init__(self, link: Link, capability: Capability, proof: Proof) -> None:
        self._link = link
        self._capability = capability
        self._proof = proof

    def send(self, entries: Sequence[Json], most: int) -> Outcome:
        """Send the entries, `most` in a request; in pieces they go in the order given, each closed against the last."""
        if self._capability.transactions and len(entries) <= most:
            return self._transaction(entries)
        return self._pieces(entries, most if self._capability.transactions else 1)

    def _call(self, method: str, path: str, body: Json, headers: dict[str, str]) -> tuple[Response | None, str]:
        try:
            return self._link.once(method, path, json=body, headers=headers), ""
        except (Refused, UnfinishedError):
            raise
        except AmbiguousOutcome as error:
            return error.response, error.what
        except ServerError as error:
            return getattr(error, "response", None), error.what

    def _transaction(self, entries: Sequence[Json]) -> Outcome:
        bundle = {"resourceType": "Bundle", "type": "transaction", "entry": list(entries)}
        response, words = self._call("POST", "", bundle, {})
        if response is None:
            return Outcome(words=words or "no answer")
        if not response.ok:
            return _refusal(response, len(entries))
        body = response.body
        answers = body.get("entry") if isinstance(body, dict) and body.get("resourceType") == "Bundle" else None
        if not isinstance(answers, list) or len(answers) != len(entries):
            return Outcome(status=response.status, words="the answer does not fit what was sent")
        read = [_entry(answer) for answer in answers]
        if any(not _fits(entry, sent) for entry, sent in zip(read, entries, strict=True)):
            return Outcome(status=response.status, words="the answer's entries do not fit what was sent")
        self._remember(entries, read)
        whole = body.get("type") == "transaction-response"
        return Outcome(status=response.status, entries=read, size=len(entries), whole=whole)

    def _remember(self, entries: Sequence[Json], answers: Sequence[Entry]) -> None:
        """Tell the look-ups what the server says it has made, and where: its search may lag behind."""
        names = {e["fullUrl"]: relative(a.location) for e, a in zip(entries, answers, strict=True) if a.ok}
        made: list[Resource] = []
        for entry in entries:
            resource, name = entry["resource"], names.get(entry["fullUrl"], "")
            if not name:
                continue
            kind = resource["resourceType"]
            made += [(kind, identifier_pair(identifier), name) for identifier in resource.get("identifier", ())]
            if kind == "Provenance":
                targets = [str(target.get("reference", "")) for target in resource.get("target", ())]
                made += [(kind, names.get(target) or target, name) for target in targets]
        self._proof.made.add(made)

    def _pieces(self, entries: Sequence[Json], size: int) -> Outcome:
        """One after the other; stops at the first that fails. References to what went before become literal."""
        known: dict[str, Json] = {}
        done: list[Entry] = []
        for start in range(0, len(entries), size):
            piece = [_closed(entry, known) for entry in entries[start : start + size]]
            if any(_open_references(entry["resource"], {e["fullUrl"] for e in piece}) for entry in piece):
                return Outcome(words="a reference could not be resolved yet", entries=[])
            outcome = self._transaction(piece) if self._capability.transactions else self._single(piece[0])
            if not outcome.clean:
                return outcome
            done += outcome.entries
            for entry, answer in zip(piece, outcome.entries, strict=True):
                if name := relative(answer.location):
                    known[entry["fullUrl"]] = {"reference": name}
        return Outcome(status=200, entries=done)

    def _single(self, entry: Json) -> Outcome:
        request = entry["request"]
        headers = {}
        if "ifNoneExist" in request:
            headers["If-None-Exist"] = request["ifNoneExist"]
        if "ifMatch" in request:
            headers["If-Match"] = request["ifMatch"]
        response, words = self._call(request["method"], request["url"], entry["resource"], headers)
        if response is None:
            return Outcome(words=words or "no answer")
        if not response.ok:
            return _refusal(response, 1)
        location = response.location
        body = response.body
        kind = entry["resource"]["resourceType"]
        if not relative(location) and isinstance(body, dict) and body.get("resourceType") == kind and body.get("id"):
            location = f"{kind}/{body['id']}"
        if request["method"] == "PUT":
            location = location or request["url"]
        if not relative(location):
            return Outcome(words="the answer does not say where the resource is")  # the next look may show it
        done = [Entry(response.status, location)]
        self._remember([entry], done)
        return Outcome(status=response.status, entries=done, size=1)


def _refusal(response: Response, size: int) -> Outcome:
    issues = details(response.body)
    words = " ".join(str(issue.get("diagnostics", "")) for issue in issues).lower()
    limit = response.status == 413 or (
        400 <= response.status < 500
        and (any(issue.get("code") in _LIMIT_CODES for issue in issues) or any(word in words for word in _LIMIT_WORDS))
    )
    return Outcome(
        status=response.status,
        issues=issues,
        words=f"HTTP {response.status}",
        asked=retry_after(response.headers),
        limit=limit and size > 1,
        size=size,
    )


def details(outcome: Any) -> list[Json]:
    """Issues of an OperationOutcome: severity, code, expression and the server's words. For the outbox only: the
    words may echo personal data.
    """
    if not isinstance(outcome, dict) or outcome.get("resourceType") != "OperationOutcome":
        return []
    found: list[Json] = []
    issues = outcome.get("issue")
    for issue in issues[:_ISSUES] if isinstance(issues, list) else ():
        if isinstance(issue, dict):
            more = issue.get("details")
            words = _text(issue.get("diagnostics")) or _text(more.get("text") if isinstance(more, dict) else "")
            read: Json = {name: _text(issue.get(name))[:40] for name in ("severity", "code")}
            read["diagnostics"] = words[:500]
            places = issue.get("expression")
            if told := [place[:200] for place in places if isinstance(place, str)] if isinstance(places, list) else []:
                read["expression"] = told[:20]
            found.append(read)
    return found


def _text(value: Any) -> str:
    return value if isinstance(value, str) else ""


def _entry(answer: Any) -> Entry:
    response = answer.get("response") if isinstance(answer, dict) else None
    if not isinstance(response, dict):
        return Entry()
    text = str(response.get("status", ""))[:3]
    location = _text(response.get("location"))
    resource = answer.get("resource")
    if not location and isinstance(resource, dict) and isinstance(resource.get("id"), str):
        location = f"{resource.get('resourceType')}/{resource['id']}"
    return Entry(int(text) if text.isdigit() else 0, location, details(response.get("outcome")))


def _fits(entry: Entry, sent: Json) -> bool:
    """Whether an answer can belong to what stood in its place: its location names the type, and the id of a PUT."""
    name = relative(entry.location)
    if not name or not entry.ok:
        return True
    request = sent["request"]
    return name == request["url"] if request["method"] == "PUT" else name.startswith(request["url"] + "/")


def _closed(entry: Json, known: dict[str, Json]) -> Json:
    return entry | {"resource": _replaced(entry["resource"], known)} if known else entry


def _replaced(value: Any, known: dict[str, Json]) -> Any:
    if isinstance(value, dict):
        copied = {name: _replaced(child, known) for name, child in value.items()}
        reference = copied.get("reference")
        return copied | known[reference] if isinstance(reference, str) and reference in known else copied
    return [_replaced(child, known) for child in value] if isinstance(value, list) else value


def _open_references(value: Any, inside: set[str]) -> bool:
    if isinstance(value, dict):
        reference = value.get("reference")
        if isinstance(reference, str) and reference.startswith("urn:") and reference not in inside:
            return True
        return any(_open_references(child, inside) for child in value.values())
    return isinstance(value, list) and any(_open_references(child, inside) for child in value)
