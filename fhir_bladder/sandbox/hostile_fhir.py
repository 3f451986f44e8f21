"""Room `sandbox`: a small FHIR server model in memory, honest by itself, for tests of push and pull.

It keeps versions, searches by identifier, reference, code and date, pages, takes conditional creates and atomic
transactions with `urn:uuid` references, and honours If-Match. `hostile_faults` makes it misbehave.
"""

from __future__ import annotations

import contextlib
import copy
import datetime as dt
import itertools
import threading
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import parse_qsl, unquote, urlsplit

from fhir_bladder import wire
from fhir_bladder.errors import InputError

Json = dict[str, Any]


@dataclass(slots=True)
class Raw:
    """An answer on the wire. `lost`: the connection breaks instead, `sent` says whether the request had arrived."""

    status: int = 200
    body: bytes = b""
    headers: dict[str, str] = field(default_factory=lambda: {"content-type": "application/fhir+json"})
    lost: bool = False


class Refusal(Exception):
    """A request that the server refuses, with its status and issue code."""

    def __init__(self, status: int, code: str, words: str = "") -> None:
        super().__init__(words or code)
        self.status, self.code = status, code


@dataclass(slots=True)
class Character:
    """What kind of server it is. max_entries: most entries of a transaction, 0 for any.

    short_history: a history gives the current version only. limit_status, limit_words: how it refuses too many
    entries. stale: status for a stale If-Match. bare_etags, absolute: how transaction answers write ETags and
    locations. page: most resources of a page.
    """

    transactions: bool = True
    conditional: bool = True
    client_ids: bool = True
    history: bool = True
    short_history: bool = False
    lists: bool = True
    max_entries: int = 0
    limit_status: int = 413
    limit_words: str = "too many entries"
    stale: int = 412
    bare_etags: bool = False
    absolute: bool = False
    page: int = 1000
    fhir_version: str = "4.0.1"


class Store:
    """The resources: (type, id) → versions, newest last; None stands for deleted."""

    def __init__(self, character: Character | None = None, base: str = "http://127.0.0.1/fhir") -> None:
        self.character = character or Character()
        self.base = base
        self.lock = threading.RLock()
        self.resources: dict[tuple[str, str], list[Json | None]] = {}
        self._ids: dict[tuple[str, str, str], set[str]] = {}
        self._numbers = itertools.count(1)
        self._clock = itertools.count()
        self._journals: list[list[tuple[str, str]]] = []

    # -- reading

    def current(self, kind: str = "") -> Iterator[Json]:
        """Every resource that is there."""
        for (name, _), versions in list(self.resources.items()):
            if versions[-1] is not None and (not kind or name == kind):
                yield versions[-1]

    def versions(self, kind: str, number: str) -> list[Json | None]:
        """All versions of one resource."""
        return self.resources.get((kind, number), [])

    def by_identifier(self, kind: str, system: str, value: str) -> list[Json]:
        """Resources of one type with this identifier."""
        numbers = sorted(self._ids.get((kind, system, value), ()))
        found = [self.resources[kind, number][-1] for number in numbers if (kind, number) in self.resources]
        return [r for r in found if r is not None and (system, value) in _identifiers(r)]

    def counts(self) -> dict[str, int]:
        """Resources by type, and `versions` of all together."""
        result: dict[str, int] = {}
        for resource in self.current():
            result[resource["resourceType"]] = result.get(resource["resourceType"], 0) + 1
        result["versions"] = sum(len(versions) for versions in self.resources.values())
        return result

    # -- writing

    def write(self, resource: Json, number: str = "") -> Json:
        """Store a new version; a new resource gets the next number."""
        kind = str(resource["resourceType"])
        number = number or f"x{next(self._numbers)}"
        versions = self.resources.setdefault((kind, number), [])
        moment = dt.datetime(2026, 1, 1, tzinfo=dt.UTC) + dt.timedelta(seconds=next(self._clock))
        meta = dict(resource.get("meta") or {}) | {
            "versionId": str(len(versions) + 1),
            "lastUpdated": moment.isoformat(),
        }
        stored = copy.deepcopy(resource) | {"id": number, "meta": meta}
        versions.append(stored)
        for journal in self._journals:
            journal.append((kind, number))
        for system, value in _identifiers(stored):
            self._ids.setdefault((kind, system, value), set()).add(number)
        return stored

    def delete(self, kind: str, number: str) -> None:
        """Delete; reading it then gives 410."""
        self.resources[kind, number].append(None)

    # -- one request

    def handle(self, method: str, path: str, headers: Mapping[str, str], body: bytes) -> Raw:
        """Carry out one request as an honest server would."""
        with self.lock:
            try:
                return self._route(method, path.removeprefix(self.base).lstrip("/"), headers, body)
            except Refusal as refusal:
                return outcome(refusal.status, refusal.code, str(refusal))
            except InputError as error:
                return outcome(400, "structure", str(error))

    def _route(self, method: str, path: str, headers: Mapping[str, str], body: bytes) -> Raw:
        parts = urlsplit(path)
        names = [unquote(name) for name in parts.path.split("/") if name]
        if method == "GET":
            return self._read(names, parts.query)
        resource = wire.loads(body)
        if method == "POST" and not names:
            return self._transaction(resource)
        if method == "POST" and len(names) == 1:
            status, stored = self.create(resource, headers.get("If-None-Exist", ""))
            return self._stored(status, stored)
        if method == "PUT" and len(names) == 2:
            status, stored = self.update(resource, names[1], headers.get("If-Match", ""))
            return self._stored(status, stored)
        raise Refusal(405, "not-supported")

    def create(self, resource: Json, condition: str = "") -> tuple[int, Json]:
        """Create, or find what the condition names; 412 where it matches several."""
        if condition and self.character.conditional:
            found = self.matches(str(resource["resourceType"]), condition)
            if len(found) > 1:
                raise Refusal(412, "multiple-matches", "several match the condition")
            if found:
                return 200, found[0]
        return 201, self.write(resource)

    def update(self, resource: Json, number: str, match: str = "") -> tuple[int, Json]:
        """Update one resource, or create it under the client's id."""
        kind = str(resource["resourceType"])
        versions = self.resources.get((kind, number))
        if versions is None:
            if not self.character.client_ids:
                raise Refusal(405, "not-supported", "client ids are not taken")
            return 201, self.write(resource, number)
        if versions[-1] is None:
            raise Refusal(410, "deleted")
        if match and match.removeprefix("W/").strip('"') != versions[-1]["meta"]["versionId"]:
            raise Refusal(self.character.stale, "conflict", "stale version")
        return 200, self.write(resource, number)

    def matches(self, kind: str, condition: str) -> list[Json]:
        """What an ifNoneExist condition of the form `identifier=system|value` finds."""
        query = dict(parse_qsl(condition))
        system, _, value = query.get("identifier", "|").partition("|")
        return self.by_identifier(kind, system, value)

    def _stored(self, status: int, stored: Json) -> Raw:
        version = stored["meta"]["versionId"]
        location = f"{self.base}/{stored['resourceType']}/{stored['id']}/_history/{version}"
        raw = answer(status, stored)
        raw.headers |= {"etag": f'W/"{version}"', "location": location}
        return raw

    # -- transactions

    def check_entries(self, bundle: Json) -> list[Json]:
        """The entries of a transaction, refused where this server would not take them."""
        entries = bundle.get("entry", [])
        if not self.character.transactions:
            raise Refusal(400, "not-supported", "no transactions here")
        if self.character.max_entries and len(entries) > self.character.max_entries:
            raise Refusal(self.character.limit_status, "too-costly", self.character.limit_words)
        seen: set[tuple[str, str]] = set()
        for entry in entries:
            request = entry["request"]
            identity = (request["url"], request.get("ifNoneExist", ""))
            if request["method"] == "PUT" and request["url"] in {url for url, _ in seen}:
                raise Refusal(400, "invariant", "the same resource twice")
            if identity[1] and identity in seen:
                raise Refusal(400, "invariant", "the same condition twice")
            seen.add(identity)
        return list(entries)

    def _transaction(self, bundle: Json) -> Raw:
        if bundle.get("resourceType") != "Bundle":
            raise Refusal(400, "structure", "no Bundle")
        entries = self.check_entries(bundle)
        journal: list[tuple[str, str]] = []
        self._journals.append(journal)
        try:
            results = self.apply(entries)
        except Refusal:
            self._take_back(journal)
            raise
        finally:
            self._journals.remove(journal)
        return self.respond(results)

    @contextlib.contextmanager
    def undone(self) -> Iterator[None]:
        """What is written inside is taken back at the end."""
        journal: list[tuple[str, str]] = []
        self._journals.append(journal)
        try:
            yield
        finally:
            self._journals.remove(journal)
            self._take_back(journal)

    def _take_back(self, journal: list[tuple[str, str]]) -> None:
        for name in reversed(journal):
            for outer in self._journals:
                if outer is not journal and name in outer:
                    outer.remove(name)
            versions = self.resources.get(name)
            if versions:
                versions.pop()
                if not versions:
                    del self.resources[name]
        journal.clear()

    def apply(self, entries: list[Json]) -> list[tuple[int, Json]]:
        """Carry out entries: creates are numbered first, so that references between them resolve."""
        known: dict[str, str] = {}
        planned: list[tuple[int, str, Json | None]] = []
        for entry in entries:
            request = entry["request"]
            kind = entry["resource"]["resourceType"]
            found: list[Json] = []
            if request["method"] == "POST":
                condition = request.get("ifNoneExist", "")
                found = self.matches(kind, condition) if condition and self.character.conditional else []
                if len(found) > 1:
                    raise Refusal(412, "multiple-matches", "several match the condition")
                number = found[0]["id"] if found else f"x{next(self._numbers)}"
            else:
                number = request["url"].rpartition("/")[2]
            known[entry["fullUrl"]] = f"{kind}/{number}"
            planned.append((200 if found else 201, number, found[0] if found else None))
        results = []
        for entry, (status, number, there) in zip(entries, planned, strict=True):
            resource = _resolved(entry["resource"], known)
            for reference in _references(resource):
                if reference.startswith("urn:"):
                    raise Refusal(400, "invalid", "a reference does not resolve")
            if there is not None:
                results.append((200, there))
            elif entry["request"]["method"] == "POST":
                results.append((status, self.write(resource, number)))
            else:
                results.append(self.update(resource, number, entry["request"].get("ifMatch", "")))
        return results

    def respond(self, results: list[tuple[int, Json]]) -> Raw:
        """A transaction-response."""
        entries = []
        for status, stored in results:
            version = stored["meta"]["versionId"]
            name = f"{stored['resourceType']}/{stored['id']}/_history/{version}"
            location = f"{self.base}/{name}" if self.character.absolute else name
            etag = version if self.character.bare_etags else f'W/"{version}"'
            entries.append({"response": {"status": f"{status} OK", "location": location, "etag": etag}})
        return answer(200, {"resourceType": "Bundle", "type": "transaction-response", "entry": entries})

    # -- searching

    def _read(self, names: list[str], query: str) -> Raw:
        if names == ["metadata"]:
            return answer(200, self._metadata())
        if len(names) == 2:
            return self._one(names[0], names[1])
        if len(names) == 3 and names[2] == "_history":
            return self._history(names[0], names[1])
        if len(names) == 4 and names[2] == "_history":
            found = [v for v in self.versions(names[0], names[1]) if v and v["meta"]["versionId"] == names[3]]
            return self._stored(200, found[0]) if found else outcome(404, "not-found")
        if len(names) != 1:
            raise Refusal(404, "not-found")
        return self._search(names[0], query)

    def _one(self, kind: str, number: str) -> Raw:
        versions = self.resources.get((kind, number))
        if not versions:
            raise Refusal(404, "not-found")
        if versions[-1] is None:
            raise Refusal(410, "deleted")
        return self._stored(200, versions[-1])

    def _history(self, kind: str, number: str) -> Raw:
        if not self.character.history:
            raise Refusal(405, "not-supported")
        versions = [v for v in reversed(self.versions(kind, number)) if v is not None]
        if self.character.short_history:
            versions = versions[:1]
        return answer(200, {"resourceType": "Bundle", "type": "history", "entry": [{"resource": v} for v in versions]})

    def _search(self, kind: str, query: str) -> Raw:
        pairs = parse_qsl(query, keep_blank_values=True)
        start, count = 0, self.character.page
        found = sorted(self.current(kind), key=lambda r: int(str(r["id"])[1:]) if str(r["id"])[1:].isdigit() else 0)
        for name, value in pairs:
            if name == "_count":
                count = max(1, min(count, int(value)))
            elif name == "_start":
                start = int(value)
            else:
                found = self._filtered(kind, found, name, value)
        page = found[start : start + count]
        bundle: Json = {
            "resourceType": "Bundle",
            "type": "searchset",
            "total": len(found),
            "link": [],
            "entry": [{"resource": r, "search": {"mode": "match"}} for r in page],
        }
        if start + count < len(found):
            rest = "&".join(part for part in query.split("&") if not part.startswith("_start="))
            url = f"{self.base}/{kind}?{rest}&_start={start + count}"
            bundle["link"] = [{"relation": "next", "url": url}]
        return answer(200, bundle)

    def _filtered(self, kind: str, found: list[Json], name: str, value: str) -> list[Json]:
        values = value.split(",")
        if len(values) > 1 and not self.character.lists:
            raise Refusal(400, "not-supported", "no lists of values here")
        if name == "identifier":
            pairs = [_unescaped(token).partition("|")[::2] for token in values]
            ids = {r["id"] for system, v in pairs for r in self.by_identifier(kind, system, v)}
            return [r for r in found if r["id"] in ids]
        if name in ("target", "result", "subject", "patient", "encounter"):
            element = "subject" if name == "patient" else name
            wanted = {v if "/" in v else f"Patient/{v}" for v in values}
            return [r for r in found if wanted & set(_references(r.get(element)))]
        if name == "_id":
            return [r for r in found if r["id"] in values]
        if name == "code":
            return [r for r in found if any(_has_code(r, v) for v in values)]
        if name == "subject:identifier":
            pairs = [_unescaped(token).partition("|")[::2] for token in values]
            return [r for r in found if _pair((r.get("subject") or {}).get("identifier")) in pairs]
        if name == "date":
            return [r for r in found if _date_fits(str(r.get("effectiveDateTime", "")), value)]
        if name in ("_sort", "_elements"):
            return found
        raise Refusal(400, "not-supported", f"unknown parameter {name}")

    def _metadata(self) -> Json:
        c = self.character
        kinds = ("Observation", "Device", "Patient", "DiagnosticReport", "Provenance", "ServiceRequest", "Encounter")
        resources = [{"type": k, "conditionalCreate": c.conditional, "updateCreate": c.client_ids} for k in kinds]
        interactions = [{"code": "transaction"}] if c.transactions else []
        return {
            "resourceType": "CapabilityStatement",
            "fhirVersion": c.fhir_version,
            "rest": [{"mode": "server", "resource": resources, "interaction": interactions}],
        }


def answer(status: int, body: Json) -> Raw:
    """A FHIR answer."""
    return Raw(status, wire.dumps(body))


def outcome(status: int, code: str, words: str = "") -> Raw:
    """An OperationOutcome."""
    issue = {"severity": "error", "code": code, "diagnostics": words}
    return answer(status, {"resourceType": "OperationOutcome", "issue": [issue]})


def _identifiers(resource: Json) -> list[tuple[str, str]]:
    return [_pair(i) for i in resource.get("identifier", ())]


def _pair(identifier: Any) -> tuple[str, str]:
    return ((identifier or {}).get("system", ""), (identifier or {}).get("value", ""))


def _resolved(value: Any, known: dict[str, str]) -> Any:
    if isinstance(value, dict):
        copied = {name: _resolved(child, known) for name, child in value.items()}
        if copied.get("reference") in known:
            copied["reference"] = known[copied["reference"]]
        return copied
    return [_resolved(child, known) for child in value] if isinstance(value, list) else value


def _references(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        if isinstance(value.get("reference"), str):
            yield value["reference"]
        for child in value.values():
            yield from _references(child)
    elif isinstance(value, list):
        for child in value:
            yield from _references(child)


def _has_code(resource: Json, token: str) -> bool:
    system, _, code = token.partition("|")
    codings = (resource.get("code") or {}).get("coding", ())
    return any(c.get("system") == system and (not code or c.get("code") == code) for c in codings)


def _date_fits(moment: str, value: str) -> bool:
    prefix, text = (value[:2], value[2:]) if value[:2].isalpha() else ("eq", value)
    if not moment:
        return False
    ours = dt.datetime.fromisoformat(moment)
    theirs = dt.datetime.fromisoformat(text)
    theirs = theirs if theirs.tzinfo else theirs.replace(tzinfo=dt.UTC)
    return {"ge": ours >= theirs, "gt": ours > theirs, "le": ours <= theirs, "lt": ours < theirs}.get(
        prefix, ours == theirs
    )


def _unescaped(token: str) -> str:
    return token.replace("\\|", "\x00").replace("\\", "").replace("\x00", "|")
