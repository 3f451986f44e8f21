"""Room `exchange`: the dry run: the requests push would send, made by the same code against a server that is not there.

No socket is opened and the outbox is not touched: the run works on a copy of it. What only the server knows is
assumed, and each request says so: patients and orders are found as the records name them, no exam is there yet.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, urlsplit

from fhir_bladder import wire
from fhir_bladder.exchange.http.errors import Response
from fhir_bladder.exchange.outbox import Item, Outbox
from fhir_bladder.exchange.push.engine import Push, Summary
from fhir_bladder.exchange.push.options import PushOptions
from fhir_bladder.exchange.push.unit import Json, identifier_pair

Sink = Callable[[Json], None]


class DryServer:
    """Answers as a server would that has every patient and no exam; writes each request to `sink`."""

    def __init__(self, base: str, sink: Sink, *, patients_exist: bool) -> None:
        self._base = base
        self._sink = sink
        self._patients_exist = patients_exist
        self._patients: dict[tuple[str, str], Json] = {}
        self._written: dict[tuple[str, str, str], Json] = {}
        self._numbers = 0

    def learn(self, items: Iterable[Item]) -> Iterator[Item]:
        """Pass items through, keeping who their patients are said to be."""
        for item in items:
            if item.bundle and self._patients_exist:
                for entry in wire.loads(item.bundle)["entry"]:
                    resource = entry["resource"]
                    if resource["resourceType"] == "Patient" and resource.get("identifier"):
                        self._know(resource)
            yield item

    def _know(self, patient: Json) -> None:
        pair = identifier_pair(patient["identifier"][0])
        if pair not in self._patients:
            kept = {
                name: patient[name] for name in ("resourceType", "identifier", "name", "birthDate") if name in patient
            }
            self._patients[pair] = kept | {"id": f"assumed-{len(self._patients) + 1}"}

    def request(
        self, method: str, path: str, *, json: Any = None, headers: Mapping[str, str] | None = None
    ) -> Response:
        """Note one request and make up its answer."""
        url = f"{self._base}/{path}" if path else self._base
        note: Json = {"method": method, "url": url}
        if headers:
            note["headers"] = dict(headers)
        if json is not None:
            note["body"] = json
        answer, assumed = self._answer(method, path, json)
        note["assumed"] = assumed
        self._sink(note)
        return Response(200, {"content-type": "application/fhir+json"}, answer, b"", url, path.partition("?")[0])

    def _answer(self, method: str, path: str, body: Any) -> tuple[Json, str]:
        if path == "metadata":
            rest = [{"mode": "server", "interaction": [{"code": "transaction"}]}]
            return {
                "resourceType": "CapabilityStatement",
                "fhirVersion": "4.0.1",
                "rest": rest,
            }, "FHIR 4.0.1, transactions"
        if method == "GET":
            found = self._found(path)
            entries = [{"resource": resource} for resource in found]
            return {"resourceType": "Bundle", "type": "searchset", "entry": entries}, f"{len(found)} found"
        entries = [self._written_entry(entry) for entry in body["entry"]]
        return {
            "resourceType": "Bundle",
            "type": "transaction-response",
            "entry": entries,
        }, "every entry is carried out"

    def _found(self, path: str) -> list[Json]:
        parts = urlsplit(path)
        query = dict(parse_qsl(parts.query))
        found = []
        for token in query.get("identifier", "").split(","):
            system, _, value = token.partition("|")
            pair = (system.replace("\\", ""), value.replace("\\", ""))
            known = self._patients.get(pair) if parts.path == "Patient" else None
            written = known or self._written.get((parts.path, *pair))
            found += [written] if written else []
        return found

    def _written_entry(self, entry: Json) -> Json:
        self._numbers += 1
        resource = entry["resource"]
        kind = resource["resourceType"]
        number = entry["request"]["url"].partition("/")[2] or f"assumed-{kind.lower()}-{self._numbers}"
        for identifier in resource.get("identifier", ()):
            self._written[kind, *identifier_pair(identifier)] = resource | {"id": number, "meta": {"versionId": "1"}}
        response = {"status": "201 Created", "location": f"{kind}/{number}/_history/1", "etag": 'W/"1"'}
        return {"response": response}


def dry_run(
    outbox: str | Path | None,
    target: str,
    options: PushOptions,
    items: Iterable[Item],
    sink: Sink,
    *,
    key_system: str,
) -> Summary:
    """Give `sink` every request that a push of these items, and of what waits in the outbox, would send now.

    Raises ConfigError for an outbox that cannot be used.
    """
    server = DryServer(target.rstrip("/"), sink, patients_exist=options.patients != "create")
    with tempfile.TemporaryDirectory(prefix="fhir-bladder-dry-") as folder:
        copy = Path(folder) / "outbox.db"
        if outbox is not None and Path(outbox).exists():
            with Outbox(outbox) as real:
                real.backup(copy)
        with Outbox(copy) as box:
            from dataclasses import replace

            push = Push(box, server, target, replace(options, concurrency=1), key_system=key_system)
            return push.run(server.learn(items))
