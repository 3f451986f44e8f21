"""How much of a push is not waiting for the server, and whether memory stays flat.

    PYTHONPATH=. python tests/benchmarks/push_overhead.py overhead 10000     against the embedded server, own process
    PYTHONPATH=. python tests/benchmarks/push_overhead.py memory 1000        against a server that forgets at once

Prints one line: exams, seconds, exams a second, share of the wall time with no request under way, peak memory.
"""

from __future__ import annotations

import contextlib
import copy
import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from fhir_bladder import wire
from fhir_bladder.exchange.client import Client
from fhir_bladder.exchange.http_errors import Response
from fhir_bladder.exchange.outbox import Item, Outbox
from fhir_bladder.exchange.push import Push, PushOptions
from fhir_bladder.exchange.push_prepare import Preparer
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


class Forgetful:
    """Answers at once and keeps nothing but the keys of the transaction before, so that only push's memory counts."""

    def __init__(self) -> None:
        self._last: dict[str, Any] = {}

    def request(self, method: str, path: str, *, json: Any = None, headers: Any = None) -> Response:
        if path == "metadata":
            body: Any = {
                "resourceType": "CapabilityStatement",
                "fhirVersion": "4.0.1",
                "rest": [{"mode": "server", "interaction": [{"code": "transaction"}]}],
            }
        elif method == "GET":
            kind = path.partition("?")[0]
            found = []
            if kind in ("Patient", "Device"):
                token = path.partition("=")[2].partition("&")[0].split("%2C")
                for one in token:
                    system, _, value = one.replace("%3A", ":").replace("%2F", "/").partition("%7C")
                    identifier = [{"system": system, "value": value}]
                    found.append(
                        {"resourceType": kind, "id": value, "identifier": identifier, "birthDate": "1951-03-09"}
                    )
            else:
                found = [r for r in self._last.values() if r["resourceType"] == kind]
            body = {"resourceType": "Bundle", "type": "searchset", "entry": [{"resource": r} for r in found]}
        else:
            self._last = {}
            entries = []
            for number, entry in enumerate(json["entry"]):
                kind = entry["resource"]["resourceType"]
                name = entry["request"]["url"].partition("/")[2] or str(number)
                self._last[f"{kind}/{name}"] = entry["resource"] | {"id": name, "meta": {"versionId": "1"}}
                entries.append({"response": {"status": "201", "location": f"{kind}/{name}/_history/1"}})
            body = {"resourceType": "Bundle", "type": "transaction-response", "entry": entries}
        return Response(200, {}, body, b"", path, path.partition("?")[0])


@contextlib.contextmanager
def serving() -> Iterator[str]:
    process = subprocess.Popen(
        [sys.executable, "-c", SERVE], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT
    )
    try:
        yield process.stdout.readline().strip()
    finally:
        process.stdin.close()
        process.wait(20)


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
    with contextlib.ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        if kind == "overhead":
            url = stack.enter_context(serving())
            server: Any = stack.enter_context(Client(url))
            options = PushOptions(patients="create", concurrency=concurrency)
        else:
            url, server = "http://127.0.0.1/fhir", Forgetful()
            options = PushOptions(patients="match", concurrency=1)
        box = stack.enter_context(Outbox(folder / "outbox.db"))
        push = Push(box, server, url, options, key_system=preparer.key_system)
        cpu = time.process_time()
        summary = push.run(items(count, preparer))
        cpu = time.process_time() - cpu
    return {
        "exams": count,
        "delivered": summary.counts["delivered"],
        "seconds": round(summary.seconds, 2),
        "exams_a_second": round(count / summary.seconds, 1),
        "share_not_waiting": round(1 - summary.waited / summary.seconds, 4),
        "client_cpu_ms_an_exam": round(1000 * cpu / count, 3),
        "requests": summary.requests,
        "peak_memory_mb": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, 1),
    }


if __name__ == "__main__":
    print(json.dumps(measure(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]) if len(sys.argv) > 3 else 2)))
