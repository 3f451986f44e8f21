"""Run by test_crash.py: a warm process that forks one push per line of its input and kills it where told.

Each line is JSON: folder, url, give (records to push), kill (number of the boundary, 0 for none), commit (false takes
the outbox's commits out). Every boundary is written to `trace`; keys go to `acknowledged` once `accept` has returned,
as a listener would acknowledge them.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from fhir_bladder import wire
from fhir_bladder.exchange.http.client import Client
from fhir_bladder.exchange.http.retry import Retry
from fhir_bladder.exchange.outbox import Outbox
from fhir_bladder.exchange.push.engine import Push, PushOptions
from fhir_bladder.exchange.push.link import OneTry
from fhir_bladder.exchange.push.prepare import Preparer
from fhir_bladder.mapping import MapOptions
from fhir_bladder.readers.items import record_item


def run(order: dict[str, Any]) -> None:
    folder = Path(order["folder"])
    trace = os.open(folder / "trace", os.O_CREAT | os.O_WRONLY | os.O_TRUNC)
    acknowledged = os.open(folder / "acknowledged", os.O_CREAT | os.O_WRONLY | os.O_APPEND)
    passed = 0

    def boundary(name: str) -> None:
        nonlocal passed
        passed += 1
        os.write(trace, (name + "\n").encode())
        if passed == order["kill"]:
            os.kill(os.getpid(), signal.SIGKILL)

    commit, accept, request = Outbox._commit, Outbox.accept, OneTry.request

    def traced_commit(self: Outbox) -> None:
        boundary("before commit")
        commit(self)
        boundary("after commit")

    def traced_accept(self: Outbox, target: str, items: Any) -> Any:
        result = accept(self, target, items)
        os.write(acknowledged, "".join(f"{item.key}\n" for item in items).encode())
        return result

    def traced_request(self: OneTry, method: str, path: str, **options: Any) -> Any:
        boundary(f"before {method}")
        result = request(self, method, path, **options)
        boundary(f"after {method}")
        return result

    @contextlib.contextmanager
    def uncommitted(self: Outbox) -> Iterator[Any]:
        with self._lock:
            if not self._connection.in_transaction:
                self._connection.execute("BEGIN IMMEDIATE")
            yield self._connection

    Outbox._commit, Outbox.accept, OneTry.request = traced_commit, traced_accept, traced_request  # type: ignore[method-assign]
    if not order["commit"]:
        Outbox._changing = uncommitted  # type: ignore[method-assign, assignment]
    preparer = Preparer(MapOptions(as_="bundles", shape=order["shape"]), None, local=True)
    items = [preparer.record(record_item("w", n, wire.dumps(r), r)) for n, r in enumerate(order["give"], 1)]
    with Outbox(folder / "outbox.db") as box, Client(order["url"], retry=Retry(first=0.001)) as client:
        options = PushOptions(patients="create", concurrency=1, chunk=3)
        push = Push(box, OneTry(client), order["url"], options, key_system=preparer.key_system)
        summary = push.run(items)
    print(json.dumps(summary.counts), file=sys.stderr)


def main() -> None:
    for line in sys.stdin:
        child = os.fork()
        if child == 0:
            status = 1
            try:
                run(wire.loads(line.encode()))
                status = 0
            finally:
                os._exit(status)
        _, status = os.waitpid(child, 0)
        print(os.waitstatus_to_exitcode(status), flush=True)


if __name__ == "__main__":
    main()
