"""A second FHIR server for the tests of push, independent of the sandbox's: raw sockets, a store of its own.

It is honest by itself; a test spoils it by `before` (answers instead of the server, nothing is done), `after` (changes
an answer, all is done) or by changing how it works (`lag`, `search`, `location`, …).
"""

from __future__ import annotations

import contextlib
import copy
import json
import re
import socket
import struct
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import parse_qsl, unquote

Json = dict[str, Any]
OUTCOME = {"resourceType": "OperationOutcome", "issue": [{"severity": "error", "code": "processing"}]}


@dataclass
class Request:
    """number counts from 1; path without the base."""

    method: str
    path: str
    query: str
    headers: dict[str, str]
    body: bytes
    number: int

    @property
    def json(self) -> Any:
        return json.loads(self.body)

    @property
    def transaction(self) -> bool:
        return self.method == "POST" and not self.path


@dataclass
class Answer:
    """how: `http10`, `chunked`, `pieces`, `close` (after it, unannounced), `drop`, `reset`. first: bytes before it."""

    status: int = 200
    body: Any = None
    headers: list[tuple[str, str]] = field(default_factory=list)
    how: str = ""
    first: bytes = b""
    last: bytes = b""

    @property
    def data(self) -> bytes:
        if self.body is None:
            return b""
        return self.body if isinstance(self.body, bytes) else json.dumps(self.body).encode()


class OtherServer:
    """Use it in a `with` block. lag: requests until a search (and a condition) shows what is new.

    lock: held while a request is answered, `before` and `after` included.
    """

    def __init__(self, *, conditional: bool = True, transactions: bool = True, client_ids: bool = True) -> None:
        self.conditional, self.transactions, self.client_ids = conditional, transactions, client_ids
        self.before: Callable[[Request], Answer | None] = lambda _: None
        self.after: Callable[[Request, Answer], Answer] = lambda _, answer: answer
        self.lag = 0
        self.location = "{}"
        self.etag = 'W/"{}"'
        self.log: list[Request] = []
        self.versions: dict[tuple[str, str], list[Json]] = {}
        self._born: dict[tuple[str, str], int] = {}
        self._number = 0
        self.lock = threading.RLock()
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.url = f"http://127.0.0.1:{self._listener.getsockname()[1]}/fhir"

    def __enter__(self) -> OtherServer:
        threading.Thread(target=self._accept, daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()

    def behave(self) -> None:
        """From now on it is honest; `search` is the test's own to put back."""
        self.before, self.after, self.lag = lambda _: None, lambda _, answer: answer, 0

    # -- the store

    def all(self, kind: str) -> list[Json]:
        return [found[-1] for (name, _), found in self.versions.items() if name == kind]

    def by_identifier(self, kind: str, system: str, value: str) -> list[Json]:
        return [r for r in self.all(kind) if (system, value) in _pairs(r)]

    def write(self, resource: Json, number: str = "") -> Json:
        number = number or self._next()
        name = (resource["resourceType"], number)
        self._born.setdefault(name, len(self.log))
        found = self.versions.setdefault(name, [])
        meta = dict(resource.get("meta") or {}) | {"versionId": str(len(found) + 1)}
        found.append(copy.deepcopy(resource) | {"id": number, "meta": meta})
        return found[-1]

    def _next(self) -> str:
        self._number += 1
        return f"s{self._number}"

    def _shown(self, kind: str) -> list[Json]:
        return [r for r in self.all(kind) if self._born[kind, r["id"]] + self.lag <= len(self.log)]

    # -- requests

    def honest(self, request: Request) -> Answer:
        names = [unquote(part) for part in request.path.split("/") if part]
        if request.method == "GET":
            return self._get(names, request.query)
        resource = request.json
        if request.transaction:
            return self._transaction(resource["entry"])
        if request.method == "POST":
            there = self._condition(names[0], request.headers.get("if-none-exist", ""))
            if len(there) > 1:
                return Answer(412, OUTCOME)
            return self._stored(200, there[0]) if there else self._stored(201, self.write(resource))
        return self._put(resource, names[1], request.headers.get("if-match", ""))

    def _stored(self, status: int, resource: Json) -> Answer:
        return Answer(status, resource, [("Location", f"{self.url}/{_name(resource)}"), ("ETag", self._tag(resource))])

    def _tag(self, resource: Json) -> str:
        return self.etag.format(resource["meta"]["versionId"])

    def _condition(self, kind: str, condition: str) -> list[Json]:
        if not condition or not self.conditional:
            return []
        wanted = _token(dict(parse_qsl(condition))["identifier"])
        return [r for r in self._shown(kind) if wanted in _pairs(r)]

    def _put(self, resource: Json, number: str, match: str) -> Answer:
        there = self.versions.get((resource["resourceType"], number))
        if there is None and not self.client_ids:
            return Answer(405, OUTCOME)
        if there and match and match != f'W/"{len(there)}"':
            return Answer(412, OUTCOME)
        return self._stored(200 if there else 201, self.write(resource, number))

    def _transaction(self, entries: list[Json]) -> Answer:
        if not self.transactions:
            return Answer(400, OUTCOME)
        saved = copy.deepcopy((self.versions, self._born))
        answers = self.entries(entries)
        if isinstance(answers, Answer):
            self.versions, self._born = saved
            return answers
        return Answer(200, {"resourceType": "Bundle", "type": "transaction-response", "entry": answers})

    def entries(self, entries: list[Json], *, resolve: bool = True) -> list[Json] | Answer:
        """Carry entries out, one after the other, or say what stops them. resolve: `urn:` references."""
        known: dict[str, str] = {}
        there: list[Json | None] = []
        for entry in entries:
            kind, request = entry["resource"]["resourceType"], entry["request"]
            found = self._condition(kind, request.get("ifNoneExist", "")) if request["method"] == "POST" else []
            if len(found) > 1:
                return Answer(412, OUTCOME)
            there.append(found[0] if found else None)
            if request["method"] == "POST":
                known[entry["fullUrl"]] = f"{kind}/{found[0]['id'] if found else self._next()}"
        done = []
        for entry, found in zip(entries, there, strict=True):
            resource, request = entry["resource"], entry["request"]
            if resolve:
                resource = _resolved(resource, known)
                if '"reference": "urn:' in json.dumps(resource):
                    return Answer(400, OUTCOME)
            if found is not None:
                answer = self._stored(200, found)
            elif request["method"] == "POST":
                answer = self._stored(201, self.write(resource, known[entry["fullUrl"]].partition("/")[2]))
            else:
                answer = self._put(resource, request["url"].partition("/")[2], request.get("ifMatch", ""))
            if answer.status >= 400:
                return answer
            location = self.location.format(_name(answer.body))
            response = {"status": f"{answer.status} OK", "location": location, "etag": self._tag(answer.body)}
            done.append({"response": response})
        return done

    def _get(self, names: list[str], query: str) -> Answer:
        if names == ["metadata"]:
            kinds = ("Observation", "Provenance", "Device", "Patient", "DiagnosticReport")
            told = {"conditionalCreate": self.conditional, "updateCreate": self.client_ids}
            interaction = [{"code": "transaction"}] if self.transactions else []
            rest = {"mode": "server", "interaction": interaction, "resource": [{"type": kind} | told for kind in kinds]}
            return Answer(200, {"resourceType": "CapabilityStatement", "fhirVersion": "4.0.1", "rest": [rest]})
        if len(names) == 1:
            return self.search(names[0], query)
        found = self.versions.get((names[0], names[1]))
        if not found:
            return Answer(404, OUTCOME)
        if len(names) == 2:
            return self._stored(200, found[-1])
        return Answer(200, {"resourceType": "Bundle", "type": "history", "entry": [{"resource": r} for r in found]})

    def search(self, kind: str, query: str) -> Answer:
        found = self._shown(kind)
        for name, text in parse_qsl(query):
            values = text.split(",")
            if name == "identifier":
                wanted = {_token(value) for value in values}
                found = [r for r in found if wanted & _pairs(r)]
            elif name in ("target", "result"):
                found = [r for r in found if any(t.get("reference") in values for t in r.get(name, []))]
        entries = [{"resource": r, "search": {"mode": "match"}} for r in found]
        return Answer(200, {"resourceType": "Bundle", "type": "searchset", "entry": entries})

    # -- the wire

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            threading.Thread(target=self._serve, args=(connection,), daemon=True).start()

    def _serve(self, connection: socket.socket) -> None:
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        with contextlib.suppress(OSError, ValueError), connection, connection.makefile("rb") as reader:
            while line := reader.readline():
                method, target, _ = line.decode().split()
                headers: dict[str, str] = {}
                while text := reader.readline().strip():
                    name, _, value = text.decode().partition(":")
                    headers[name.lower()] = value.strip()
                body = reader.read(int(headers.get("content-length", 0)))
                path, _, query = target.removeprefix("/fhir").lstrip("/").partition("?")
                with self.lock:
                    request = Request(method, path, query, headers, body, len(self.log) + 1)
                    self.log.append(request)
                    answer = self.before(request) or self.after(request, self.honest(request))
                if not _send(connection, answer):
                    return


def _send(connection: socket.socket, answer: Answer) -> bool:
    """Write an answer; whether the connection stays open."""
    if answer.how == "reset":
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    if answer.how in ("drop", "reset"):
        return False
    data = answer.data
    headers = list(answer.headers)
    if data and not any(name == "Content-Type" for name, _ in headers):
        headers.append(("Content-Type", "application/fhir+json"))
    if answer.how == "chunked":
        headers.append(("Transfer-Encoding", "chunked"))
        pieces = [data[start : start + 97] for start in range(0, len(data), 97)]
        data = b"".join(b"%x;ext=1\r\n%s\r\n" % (len(piece), piece) for piece in pieces) + b"0\r\nTrailer: x\r\n\r\n"
    elif answer.how != "http10":
        headers.append(("Content-Length", str(len(data))))
    head = f"HTTP/{'1.0' if answer.how == 'http10' else '1.1'} {answer.status} Told\r\n"
    head += "".join(f"{name}: {value}\r\n" for name, value in headers)
    whole = answer.first + head.encode("latin-1") + b"\r\n" + data + answer.last
    step = 150 if answer.how == "pieces" else len(whole) or 1
    for start in range(0, len(whole), step):
        connection.sendall(whole[start : start + step])
    return answer.how not in ("http10", "close")


def _name(resource: Json) -> str:
    return f"{resource['resourceType']}/{resource['id']}/_history/{resource['meta']['versionId']}"


def _pairs(resource: Json) -> set[tuple[str, str]]:
    return {(i.get("system", ""), i.get("value", "")) for i in resource.get("identifier", [])}


def _token(text: str) -> tuple[str, str]:
    system, _, value = re.sub(r"\\(.)", r"\1", text).partition("|")
    return system, value


def _resolved(resource: Json, known: dict[str, str]) -> Json:
    text = json.dumps(resource)
    for url, name in known.items():
        text = text.replace(json.dumps(url), json.dumps(name))
    resolved: Json = json.loads(text)
    return resolved
