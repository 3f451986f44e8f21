"""How much of a push is not waiting for the server, and whether memory stays flat.

    PYTHONPATH=. python tests/benchmarks/push_overhead.py overhead 10000     against the embedded server
    PYTHONPATH=. python tests/benchmarks/push_overhead.py memory 100000      against a fast model that forgets

The server is always a process of its own, spoken to over HTTP. Prints one line: exams, seconds, exams a second, share
of the wall time with no request under way, peak memory of the client, and for `memory` the peak by tenths of the way.
"""

from __future__ import annotations

import contextlib
import copy
import http.server
import itertools
import json
import re
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl

import msgspec

from fhir_bladder import wire
from fhir_bladder.exchange.http.client import Client
from fhir_bladder.exchange.outbox import Item, Outbox
from fhir_bladder.exchange.push.engine import Push, PushOptions
from fhir_bladder.exchange.push.prepare import Preparer
from fhir_bladder.mapping import MapOptions
from fhir_bladder.readers.items import record_item

ROOT = Path(__file__).parents[2]
EXAMPLE = """{"record_version":"1","exam_number":"E-1","device":{"serial":"LK-0093","software_version":"2.4"},
"patient":{"identifiers":[{"system":"https://records.example/mrn","value":"700-431","type":"MR"}],
"birth_date":"1951-03-09"},"started_at":"2026-11-18T10:42:00+00:00","void_state":"post-void",
"voided_at":"2026-11-18T10:35:00+00:00","voided_volume":{"value":260,"unit":"mL"},"void_measured":true,
"scans":[{"scan_number":1,"volume":{"value":171,"unit":"mL"}},
{"scan_number":2,"volume":{"value":186,"unit":"mL"},"centring":"centred","pubic_shadow":false}],"reported_scan":2,
"wall":{"scan_number":2,"layer":"whole-wall","thickness":{"value":2.40,"unit":"mm"}},
"verified":{"by":"operator 12","at":"2026-11-18T10:44:00+00:00"},"synthetic":true}"""

SERVE = """
import sys
from fhir_bladder.sandbox.embedded import embedded_server
with embedded_server() as url:
    print(url, flush=True)
    sys.stdin.read()
"""


FORGETFUL = """
import sys
sys.path.insert(0, "tests/benchmarks")
from push_overhead import serve_forgetful
serve_forgetful()
"""

KEPT = 20_000
"""Resources that the model remembers: those of some hundred exams on their way are looked up again."""


class Forgetful:
    """A server model that has every Patient and Device and keeps the newest `KEPT` of what is written."""

    def __init__(self) -> None:
        self._kept: dict[tuple[str, str], Any] = {}
        self._numbers = itertools.count(1)
        self._lock = threading.Lock()

    def answer(self, method: str, path: str, body: Any) -> Any:
        """The body of the answer; every request is carried out at once."""
        if path == "metadata":
            rest = [{"mode": "server", "interaction": [{"code": "transaction"}]}]
            return {"resourceType": "CapabilityStatement", "fhirVersion": "4.0.1", "rest": rest}
        with self._lock:
            if method == "GET":
                return self._found(*path.split("?", 1))
            entries = [self._written(entry) for entry in body["entry"]]
        return {"resourceType": "Bundle", "type": "transaction-response", "entry": entries}

    def _found(self, kind: str, query: str) -> Any:
        tokens = dict(parse_qsl(query))["identifier"].split(",")
        found = []
        for token in tokens:
            system, _, value = token.replace("\\", "").partition("|")
            if kind in ("Patient", "Device"):
                identifier = [{"system": system, "value": value}]
                found.append({"resourceType": kind, "id": value, "identifier": identifier, "birthDate": "1951-03-09"})
            elif (kind, value) in self._kept:
                found.append(self._kept[kind, value])
        return {"resourceType": "Bundle", "type": "searchset", "entry": [{"resource": one} for one in found]}

    def _written(self, entry: Any) -> Any:
        resource = entry["resource"]
        kind = resource["resourceType"]
        number = entry["request"]["url"].partition("/")[2] or str(next(self._numbers))
        for identifier in resource.get("identifier", ()):
            self._kept[kind, identifier["value"]] = resource | {"id": number, "meta": {"versionId": "1"}}
            if len(self._kept) > KEPT:
                del self._kept[next(iter(self._kept))]
        return {"response": {"status": "201", "location": f"{kind}/{number}/_history/1"}}


def serve_forgetful() -> None:
    """Serve the model on 127.0.0.1, any port, until standard input ends; prints its base URL."""
    model = Forgetful()

    class Handler(http.server.BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"
        wbufsize = 1 << 16

        def _any(self) -> None:
            data = self.rfile.read(int(self.headers.get("Content-Length") or 0))
            path = self.path.removeprefix("/fhir").lstrip("/")
            body = msgspec.json.encode(model.answer(self.command, path, msgspec.json.decode(data) if data else None))
            self.send_response(200)
            self.send_header("Content-Type", "application/fhir+json")
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        do_GET = do_POST = _any

        def log_message(self, *_: Any) -> None:
            """Nothing is logged."""

    web = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    web.daemon_threads = True
    threading.Thread(target=web.serve_forever, daemon=True).start()
    print(f"http://127.0.0.1:{web.server_address[1]}/fhir", flush=True)
    sys.stdin.read()


@contextlib.contextmanager
def serving(script: str) -> Iterator[str]:
    process = subprocess.Popen(
        [sys.executable, "-c", script], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT
    )
    try:
        yield process.stdout.readline().strip()
    finally:
        process.stdin.close()
        process.terminate()
        process.wait()


def items(count: int, preparer: Preparer) -> Iterator[Item]:
    base = wire.loads(EXAMPLE.encode())
    for number in range(count):
        record = copy.deepcopy(base)
        record["exam_number"] = f"E-{number}"
        record["device"]["serial"] = f"LK-{number % 20}"
        record["patient"]["identifiers"][0]["value"] = f"700-{number % 1000}"
        raw = wire.dumps(record)
        yield preparer.record(record_item("ward.ndjson", number + 1, raw, wire.loads(raw)))


def measure(kind: str, count: int, concurrency: int = 2) -> dict[str, Any]:
    from fhir_bladder.conformance.validator import Validator

    preparer = Preparer(MapOptions(as_="bundles"), Validator().validate, local=True)
    peaks: list[float] = []

    def seen(given: Iterator[Item]) -> Iterator[Item]:
        for number, item in enumerate(given, 1):
            yield item
            if number * 10 % count < 10:
                peaks.append(peak())
                print(f"{number} exams taken in: {peaks[-1]} MB", file=sys.stderr, flush=True)

    with contextlib.ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        url = stack.enter_context(serving(SERVE if kind == "overhead" else FORGETFUL))
        server = stack.enter_context(Client(url, concurrency=concurrency))
        options = PushOptions(patients="create" if kind == "overhead" else "match", concurrency=concurrency)
        box = stack.enter_context(Outbox(folder / "outbox.db"))
        push = Push(box, server, url, options, key_system=preparer.key_system)
        cpu = time.process_time()
        summary = push.run(seen(items(count, preparer)))
        cpu = time.process_time() - cpu
    return {
        "exams": count,
        "delivered": summary.counts["delivered"],
        "seconds": round(summary.seconds, 2),
        "exams_a_second": round(count / summary.seconds, 1),
        "share_not_waiting": round(1 - summary.waited / summary.seconds, 4),
        "client_cpu_ms_an_exam": round(1000 * cpu / count, 3),
        "requests": summary.requests,
        "peak_memory_mb": peak(),
    } | ({"peak_by_tenths_mb": peaks} if kind == "memory" else {})


def peak() -> float:
    """Peak resident memory of this process in MB; what getrusage tells counts the pages of whoever started it."""
    return round(int(re.search(r"VmHWM:\s+(\d+)", Path("/proc/self/status").read_text())[1]) / 1024, 1)


if __name__ == "__main__":
    print(json.dumps(measure(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]) if len(sys.argv) > 3 else 2)))
