"""Many exams on a HAPI JPA server: eight requests at a time, then again from an empty outbox, then back."""

from __future__ import annotations

import json
import os
import urllib.request
import uuid
from typing import Any

import pytest

from fhir_bladder.exchange.http.client import Client
from fhir_bladder.exchange.push.engine import PushOptions
from fhir_bladder.exchange.push.link import OneTry

pytestmark = [pytest.mark.server, pytest.mark.long]

EXAMS = int(os.environ.get("FHIR_BLADDER_HAPI_EXAMS", "10000"))


def count(url: str, query: str) -> int:
    with urllib.request.urlopen(f"{url}/{query}&_summary=count") as answer:
        return int(json.load(answer)["total"])


def test_many_exams(bench: Any, large_hapi_url: str) -> None:
    mark = uuid.uuid4().hex[:8]

    def records() -> Any:
        for number in range(EXAMS):
            record = bench.record(number)
            record["device"]["serial"] = f"LK-{mark}-{number % 5}"
            record["patient"]["identifiers"][0]["value"] = f"{mark}-{number % 200}"
            yield record

    kinds = ("Observation?", "DiagnosticReport?", "Provenance?", "Device?", "Patient?")
    before = {kind: count(large_hapi_url, kind) for kind in kinds}
    options = PushOptions(patients="create", concurrency=8)
    with Client(large_hapi_url, concurrency=8) as client:
        for outbox in ("first.db", "second.db"):
            summary = bench.push(
                records(), server=OneTry(client), target=large_hapi_url, options=options, outbox=bench.folder / outbox
            )
            assert summary.counts["delivered"] == EXAMS, (summary, bench.receipts()[-1])
            added = {kind: count(large_hapi_url, kind) - before[kind] for kind in kinds}
            assert added == {
                "Observation?": EXAMS,
                "DiagnosticReport?": EXAMS,
                "Provenance?": EXAMS,
                "Device?": 5,
                "Patient?": min(EXAMS, 200),
            }
            print(f"{EXAMS} exams in {summary.seconds:.0f} s, {summary.requests} requests")
