"""Run by test_push_race.py: one push in a process of its own, begun when a line comes in; prints what became of it.

Input line: JSON with outbox, url, serial, exams, mrn (the patients' identifier system), patients.
"""

from __future__ import annotations

import copy
import json
import sys
from typing import Any

from fhir_bladder import wire
from fhir_bladder.exchange.http.client import Client
from fhir_bladder.exchange.outbox import Outbox
from fhir_bladder.exchange.push.engine import Push, PushOptions
from fhir_bladder.exchange.push.prepare import Preparer
from fhir_bladder.mapping import MapOptions
from fhir_bladder.readers.items import record_item


def items(order: dict[str, Any], preparer: Preparer) -> Any:
    for number in range(order["exams"]):
        record = copy.deepcopy(order["record"])
        record["exam_number"] = f"E-{number}"
        record["device"]["serial"] = order["serial"]
        raw = wire.dumps(record)
        yield preparer.record(record_item("ward.ndjson", number + 1, raw, wire.loads(raw)))


def main() -> None:
    preparer = Preparer(MapOptions(as_="bundles"), None, local=True)
    print("ready", flush=True)
    order = wire.loads(sys.stdin.readline().encode())
    prepared = list(items(order, preparer))
    print("prepared", flush=True)
    sys.stdin.readline()
    options = PushOptions(patients="match", concurrency=8, chunk=5)
    with Outbox(order["outbox"]) as box, Client(order["url"], concurrency=8) as client:
        summary = Push(box, client, order["url"], options, key_system=preparer.key_system).run(prepared)
    print(json.dumps({"counts": summary.counts, "error": str(summary.error or "")}), flush=True)


if __name__ == "__main__":
    main()
