"""Room `sandbox`: how the server model misbehaves: by a script, or at random from a seed; in process or over HTTP.

Each fault is one that a server or something in front of it was seen to show. A fault touches one request.
"""

from __future__ import annotations

import contextlib
import email.utils
import http.server
import random
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from fhir_bladder import wire
from fhir_bladder.errors import BladderError, InputError
from fhir_bladder.exchange.http.errors import AmbiguousOutcome, HttpError, Response, UnreachableError
from fhir_bladder.exchange.http.origin import OriginError
from fhir_bladder.exchange.http.retry import RETRIED
from fhir_bladder.sandbox.hostile_fhir import Raw, Store, answer, outcome

WRITE_FAULTS = (
    "lost-before", "lost-after", "busy-429", "busy-503", "busy-503-date", "busy-503-after", "error-500",
    "error-500-after", "error-500-mid", "truncated", "wrong-type", "all-failed", "shuffled", "too-few", "race",
    "gone-410", "conflict-412", "conflict-409", "redirect", "lie",
)  # fmt: skip
READ_FAULTS = (
    "lost-before", "busy-429", "busy-503", "busy-503-date", "error-500", "truncated", "wrong-type", "redirect", "loop",
)  # fmt: skip
DOUBLING = ("race",)
"""Faults that put a second resource there which no client can prevent; it must be found and told."""


class HostileServer:
    """The model with faults. `script`: request number (from 1) → fault; `schedule`: picks one from (number, method).

    `log` keeps (method, path, fault) of every request; `raced` the identifier values a race doubled.
    """

    def __init__(
        self,
        store: Store | None = None,
        *,
        script: Mapping[int, str] | None = None,
        schedule: Callable[[int, str], str] | None = None,
        seed: int = 0,
    ) -> None:
        self.store = store or Store()
        self.script = dict(script or {})
        self.schedule = schedule
        self.log: list[tuple[str, str, str]] = []
        self.raced: set[str] = set()
        self._random = random.Random(seed)  # noqa: S311 - reproducible on purpose
        self._lock = threading.RLock()

    def handle(self, method: str, path: str, headers: Mapping[str, str], body: bytes) -> Raw:
        """Answer one request, with the fault that is due."""
        with self._lock:
            number = len(self.log) + 1
            fault = self.script.get(number, "")
            if not fault and self.schedule is not None:
                fault = self.schedule(number, method)
            self.log.append((method, path, fault))
            return (
                self._faulty(fault, method, path, headers, body) if fault else self._honest(method, path, headers, body)
            )

    def _honest(self, method: str, path: str, headers: Mapping[str, str], body: bytes) -> Raw:
        return self.store.handle(method, path, headers, body)

    def _faulty(self, fault: str, method: str, path: str, headers: Mapping[str, str], body: bytes) -> Raw:
        if fault == "lost-before":
            return Raw(lost=True)
        if fault in ("busy-429", "busy-503", "busy-503-date"):
            raw = outcome(int(fault[5:8]), "throttled")
            raw.headers["retry-after"] = email.utils.formatdate(time.time(), usegmt=True) if fault[8:] else "0"
            return raw
        if fault == "error-500":
            return outcome(500, "exception")
        if fault in ("gone-410", "conflict-412", "conflict-409"):
            return outcome(int(fault[-3:]), "processing")
        if fault == "redirect":
            return Raw(307, b"", {"location": "http://elsewhere.example/fhir"})
        if fault == "all-failed":
            return self._all_failed(method, path, body)
        if fault == "error-500-mid":
            return self._half(method, path, body)
        if fault == "lie":
            return self._lie(method, path, headers, body)
        if fault == "race":
            return self._race(method, path, headers, body)
        raw = self._honest(method, path, headers, body)
        return self._spoiled(fault, raw)

    def _spoiled(self, fault: str, raw: Raw) -> Raw:
        """The request was carried out; its answer is spoiled on the way."""
        if fault == "lost-after":
            return Raw(lost=True)
        if fault == "error-500-after":
            return outcome(500, "exception")
        if fault == "busy-503-after":
            late = outcome(503, "throttled")
            late.headers["retry-after"] = "0"
            return late
        if fault == "truncated":
            raw.body = raw.body[: len(raw.body) * 2 // 3]
        elif fault == "wrong-type":
            raw.body, raw.headers = b"<html>signed out</html>", {"content-type": "text/html"}
        elif fault in ("shuffled", "too-few", "loop") and raw.status == 200:
            raw.body = self._rearranged(fault, raw.body)
        return raw

    def _rearranged(self, fault: str, body: bytes) -> bytes:
        bundle = wire.loads(body)
        entries = bundle.get("entry") or []
        if fault == "shuffled":
            self._random.shuffle(entries)
        elif fault == "too-few" and entries:
            entries.pop()
        elif fault == "loop" and bundle.get("type") == "searchset":
            bundle["link"] = [
                {"relation": "next", "url": f"{self.store.base}/{self.log[-1][1].removeprefix(self.store.base + '/')}"}
            ]
        return wire.dumps(bundle)

    def _all_failed(self, method: str, path: str, body: bytes) -> Raw:
        if method != "POST" or path:
            return outcome(400, "processing")
        entries = wire.loads(body).get("entry", [])
        failed = {"status": "422 Unprocessable", "outcome": {"resourceType": "OperationOutcome", "issue": []}}
        return answer(
            200,
            {
                "resourceType": "Bundle",
                "type": "transaction-response",
                "entry": [{"response": failed} for _ in entries],
            },
        )

    def _half(self, method: str, path: str, body: bytes) -> Raw:
        """A server whose transactions are not atomic breaks down in the middle of one."""
        if method == "POST" and not path and self.store.character.transactions:
            entries = wire.loads(body).get("entry", [])
            with contextlib.suppress(Exception):
                creates = [e for e in entries if e["request"]["method"] == "POST"]
                self.store.apply(creates[: max(1, len(creates) // 2)])
        return outcome(500, "exception")

    def _lie(self, method: str, path: str, headers: Mapping[str, str], body: bytes) -> Raw:
        """The answer says done, nothing is kept (a write-behind cache that lost it)."""
        if method == "GET":
            return self._honest(method, path, headers, body)
        with self.store.undone():
            return self._honest(method, path, headers, body)

    def _race(self, method: str, path: str, headers: Mapping[str, str], body: bytes) -> Raw:
        """Another writer's create of our first new Observation slips in beside ours, past the condition."""
        if method != "POST" or path:
            return self._honest(method, path, headers, body)
        entries = wire.loads(body).get("entry") or []
        new = [
            entry["request"]["ifNoneExist"]
            for entry in entries
            if entry["request"].get("ifNoneExist") and entry["resource"]["resourceType"] == "Observation"
            if not self.store.matches("Observation", entry["request"]["ifNoneExist"])
        ]
        raw = self._honest(method, path, headers, body)
        if raw.status == 200 and new:
            ours = self.store.matches("Observation", new[0])[0]
            self.store.write({name: value for name, value in ours.items() if name != "id"})
            self.raced.update(i["value"] for i in ours["identifier"])
        return raw

    def quiet(self) -> None:
        """From now on it behaves."""
        self.script, self.schedule = {}, None


def random_schedule(seed: int, rate: float, until: int) -> Callable[[int, str], str]:
    """Faults at random, reproducible: each request up to number `until` meets one with probability `rate`."""
    source = random.Random(seed)  # noqa: S311 - reproducible on purpose

    def pick(number: int, method: str) -> str:
        if number > until or source.random() >= rate:
            return ""
        return source.choice(READ_FAULTS if method == "GET" else WRITE_FAULTS)

    return pick


class InProcess:
    """The model as push's server, without sockets; answers come and fail as through our HTTP client."""

    def __init__(self, server: HostileServer) -> None:
        self.server = server

    def request(
        self, method: str, path: str, *, json: Any = None, headers: Mapping[str, str] | None = None
    ) -> Response:
        """One request, one try."""
        raw = self.server.handle(method, path, headers or {}, wire.dumps(json) if json is not None else b"")
        if raw.lost:
            error = HttpError if method == "GET" else AmbiguousOutcome
            raise error("the connection broke", path.partition("?")[0])
        if raw.status in (301, 302, 307, 308):
            raise OriginError("the server points to another origin", "elsewhere", "ask its operator")
        response = Response(raw.status, raw.headers, None, raw.body, path, path.partition("?")[0])
        if "json" in raw.headers.get("content-type", ""):
            try:
                response.body = wire.loads(raw.body) if raw.body else None
            except InputError:
                if response.ok:
                    raise self._unread(method, "the answer is not readable as JSON") from None
        elif response.ok:
            raise self._unread(method, "the answer is not JSON")
        if method != "GET" and response.status in RETRIED and response.status != 429:
            raise AmbiguousOutcome(f"HTTP {response.status} after data was sent", path, response=response)
        return response

    @staticmethod
    def _unread(method: str, words: str) -> BladderError:
        return HttpError(words) if method == "GET" else AmbiguousOutcome(words)


@contextlib.contextmanager
def serve_http(server: HostileServer) -> Iterator[str]:
    """The model over HTTP on 127.0.0.1, any port; gives its base URL."""

    class Handler(http.server.BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"
        wbufsize = 1 << 16  # head and body in one segment, else each answer waits for a delayed acknowledgement

        def _any(self) -> None:
            length = int(self.headers.get("Content-Length") or 0)
            body = self.rfile.read(length)
            path = self.path.removeprefix("/fhir").lstrip("/")
            raw = server.handle(self.command, path, dict(self.headers.items()), body)
            if raw.lost:
                self.close_connection = True
                return
            self.send_response(raw.status)
            for name, value in raw.headers.items():
                self.send_header(name, value)
            self.send_header("Content-Length", str(len(raw.body)))
            self.end_headers()
            self.wfile.write(raw.body)

        do_GET = do_POST = do_PUT = _any

        def log_message(self, format: str, *arguments: Any) -> None:
            """Nothing is logged."""

    web = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    web.daemon_threads = True
    url = f"http://127.0.0.1:{web.server_address[1]}/fhir"
    server.store.base = url
    thread = threading.Thread(target=web.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True)
    thread.start()
    try:
        yield url
    finally:
        web.shutdown()
        thread.join(5)
        web.server_close()


__all__ = [
    "READ_FAULTS",
    "WRITE_FAULTS",
    "HostileServer",
    "InProcess",
    "UnreachableError",
    "random_schedule",
    "serve_http",
]
