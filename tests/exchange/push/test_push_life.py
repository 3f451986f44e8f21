"""The life of an exam end to end, on the model and on the embedded server, in both shapes.

After every step the same records go in once more, from an outbox that knows nothing: nothing may be added.
"""

from __future__ import annotations

import copy
import json
import urllib.request
import uuid
from collections.abc import Iterator
from typing import Any

import pytest

from fhir_bladder.exchange.http.client import Client
from fhir_bladder.exchange.push.engine import Summary
from fhir_bladder.exchange.push.link import OneTry
from fhir_bladder.sandbox.embedded import embedded_server

KINDS = ("Observation", "DiagnosticReport", "Provenance", "Device", "Patient")


@pytest.fixture(scope="module")
def embedded() -> Iterator[str]:
    pytest.importorskip("sekmet", reason="the embedded server (extra demo) is not installed")
    with embedded_server() as url:
        yield url


class Site:
    """One server and one device, whose exams no other test has."""

    def __init__(self, bench: Any, url: str, serial: str, shape: str) -> None:
        self.bench, self.url, self.serial, self.shape = bench, url, serial, shape
        self.given: list[dict[str, Any]] = []

    def push(self, *records: dict[str, Any], fresh: bool = False) -> Summary:
        for record in records:
            record["device"]["serial"] = self.serial
        options: dict[str, Any] = {"preparer": self.bench.preparer(self.shape)}
        if fresh:
            options["outbox"] = self.bench.folder / f"fresh-{len(self.bench.summaries)}.db"
        if not self.url:
            return self.bench.push(records, **options)
        with Client(self.url) as client:
            return self.bench.push(records, server=OneTry(client), target=self.url, **options)

    def step(self, record: dict[str, Any], state: str = "delivered") -> None:
        """Push one more version; then all of them again, with this outbox and with an empty one."""
        summary = self.push(copy.deepcopy(record))
        assert summary.counts[state] == 1, (summary, self.bench.states())
        self.given.append(record)
        before = self.counts()
        self.push(*copy.deepcopy(self.given))
        assert self.counts() == before
        again = self.push(*copy.deepcopy(self.given), fresh=True)
        assert self.counts() == before
        assert again.counts["waiting"] == again.counts["sending"] == 0

    def all(self, kind: str) -> list[dict[str, Any]]:
        if not self.url:
            return list(self.bench.store.current(kind))
        found, link = [], f"{self.url}/{kind}?_count=500"
        while link:
            with urllib.request.urlopen(link) as answer:
                bundle = json.load(answer)
            found += [e["resource"] for e in bundle.get("entry", [])]
            link = next((one["url"] for one in bundle.get("link", ()) if one["relation"] == "next"), "")
        return found

    def mine(self, kind: str = "Observation") -> list[dict[str, Any]]:
        found = self.all(kind)
        return [r for r in found if any(i["value"].startswith(f"{self.serial}/") for i in r.get("identifier", ()))]

    def main(self, key: str = "E-1") -> dict[str, Any]:
        [found] = [r for r in self.mine() if r["identifier"][0]["value"] == f"{self.serial}/{key}"]
        return found

    def counts(self) -> dict[str, Any]:
        """Resources and versions of every type."""
        found = {kind: self.all(kind) for kind in KINDS}
        return {k: (len(rs), sum(int(r["meta"]["versionId"]) for r in rs)) for k, rs in found.items()}


HAPI = [pytest.param(f"hapi-{shape}", marks=pytest.mark.server) for shape in ("panel", "single")]


@pytest.fixture(params=["model-panel", "model-single", "embedded-panel", "embedded-single", *HAPI])
def site(request: Any, bench: Any) -> Site:
    where, shape = request.param.split("-")
    serial = f"LK-{uuid.uuid4().hex[:12]}"
    url = {"model": "", "embedded": "embedded", "hapi": "hapi_url"}[where]
    return Site(bench, request.getfixturevalue(url) if url else "", serial, shape)


def test_push_push_again_and_push_without_local_files(site: Site) -> None:
    site.step(site.bench.record())
    assert site.main()["status"] == "final"


def test_verified_later(site: Site) -> None:
    site.step(site.bench.record(verified=None))
    assert site.main()["status"] == "preliminary"
    site.step(site.bench.record())
    assert site.main()["status"] == "final"
    assert site.mine("DiagnosticReport")[0]["status"] == "final"


def test_preliminary_changes_and_is_cancelled(site: Site) -> None:
    site.step(site.bench.record(verified=None))
    site.step(site.bench.record(verified=None, volume=190))
    site.step(site.bench.record(verified=None, volume=190, status="cancelled"))
    assert site.main()["status"] == "cancelled"


def test_amended_twice_then_retracted(site: Site) -> None:
    site.step(site.bench.record())
    site.step(site.bench.record(status="amended", volume=196))
    site.step(site.bench.record(status="amended", volume=197, reason="check"))
    assert site.main()["status"] == "amended"
    site.step(site.bench.record(status="entered-in-error", volume=197, reason="check"))
    assert site.main()["status"] == "entered-in-error"
    assert site.mine("DiagnosticReport")[0]["status"] == "entered-in-error"


def test_a_history_that_leaves_versions_out(bench: Any) -> None:
    """HAPI caches the length of a history for a minute (seen with 8.8.0): older versions are then read one by one."""
    bench.character(short_history=True)
    versions = [bench.record(), *[bench.record(status="amended", volume=190 + n) for n in range(3)]]
    for version in versions:
        bench.push([version])
    counts = bench.store.counts()
    summary = bench.push(versions, outbox=bench.folder / "fresh.db")
    assert bench.store.counts() == counts
    assert (summary.counts["superseded"], summary.counts["delivered"]) == (3, 1)


def test_a_measurement_goes_with_an_amendment(site: Site) -> None:
    site.step(site.bench.record())
    site.step(site.bench.record(status="amended", wall=None))
    if site.shape == "single":
        wall = [r for r in site.mine() if "wall-thickness" in r["identifier"][0]["value"]]
        assert [r["status"] for r in wall] == ["entered-in-error"]


def test_an_older_version_is_superseded(site: Site) -> None:
    site.step(site.bench.record())
    version = site.main()["meta"]["versionId"]
    site.step(site.bench.record(verified=None), "superseded")
    assert site.main()["meta"]["versionId"] == version


def test_other_content_without_saying_so_is_held(site: Site) -> None:
    site.step(site.bench.record())
    site.step(site.bench.record(volume=386), "held")
    assert site.main()["status"] == "final"


def test_other_subject_without_saying_so_is_held(site: Site) -> None:
    site.step(site.bench.record(patient=1))
    site.step(site.bench.record(patient=2), "held")
    site.step(site.bench.record(patient=2, status="amended"), "held")
    assert site.main()["status"] == "final"


def test_wrong_patient_set_right(site: Site) -> None:
    """Never an update: the old one retracted, its key retired, a new one with a revision in the key, linked."""
    site.step(site.bench.record(patient=1))
    old = site.main()
    site.step(site.bench.record(patient=2, status="corrected"))
    retired, new = site.main(), site.main("E-1/r1")
    assert retired["id"] == old["id"]
    assert retired["status"] == "entered-in-error"
    assert retired["subject"]["reference"] == old["subject"]["reference"]
    assert new["status"] == "corrected"
    assert new["subject"]["reference"] != old["subject"]["reference"]
    notes = [p for p in site.all("Provenance") if any(t.get("reference", "").endswith(new["id"]) for t in p["target"])]
    linked = [e["what"]["reference"] for p in notes for e in p.get("entity", ()) if e["role"] == "revision"]
    assert any(reference.endswith(old["id"]) for reference in linked)
    assert {r["identifier"][0]["value"][-3:]: r["status"] for r in site.mine("DiagnosticReport")} == {
        "E-1": "entered-in-error",
        "/r1": "corrected",
    }
    # set right once more, to a third patient
    site.step(site.bench.record(patient=3, status="corrected"))
    assert site.main("E-1/r1")["status"] == "entered-in-error"
    assert site.main("E-1/r2")["status"] == "corrected"


def test_supersedes(site: Site) -> None:
    site.step(site.bench.record(1))
    site.step(site.bench.record(2, supersedes="E-1", volume=200))
    assert site.main("E-1")["status"] == "entered-in-error"
    assert site.main("E-2")["status"] == "final"


def test_superseding_exam_in_one_go_and_in_the_wrong_order(site: Site) -> None:
    first, second = site.bench.record(1), site.bench.record(2, supersedes="E-1", volume=200)
    site.push(copy.deepcopy(second), copy.deepcopy(first))
    assert {r["identifier"][0]["value"].split("/")[1]: r["status"] for r in site.mine()}["E-2"] == "final"
    assert not [r for r in site.mine() if r["status"] == "final" and "/E-1" in r["identifier"][0]["value"]]
