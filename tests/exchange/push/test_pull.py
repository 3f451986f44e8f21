"""Pull: what was pushed comes back equal, paged, resumed, digits kept; what is not ours passes through."""

from __future__ import annotations

import stat
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from fhir_bladder import exam, wire
from fhir_bladder.errors import BladderError, ConfigError, ServerError
from fhir_bladder.exchange.http.client import Client
from fhir_bladder.exchange.http.retry import Retry
from fhir_bladder.exchange.pull import Query, patient_of, pull, pull_to_file
from fhir_bladder.exchange.push.link import OneTry
from fhir_bladder.sandbox.embedded import embedded_server
from fhir_bladder.sandbox.hostile_faults import serve_http


@pytest.fixture
def model(bench: Any) -> Iterator[Client]:
    with serve_http(bench.server) as url, Client(url, retry=Retry(attempts=3, first=0.001)) as client:
        yield client


def dumped(records: Any) -> list[Any]:
    """Records as compared: loaded, defaults filled in, in the order of their numbers."""
    loaded = [exam.dump(exam.load(record)) for record in records]
    for record in loaded:
        record.setdefault("status", "final" if record.get("verified") else "preliminary")
    return sorted((wire.loads(wire.dumps(record)) for record in loaded), key=lambda r: str(r["exam_number"]))


def ward(bench: Any) -> list[dict[str, Any]]:
    wall = {"scan_number": 2, "layer": "whole-wall", "thickness": {"value": wire.loads(b"1.10"), "unit": "mm"}}
    first = bench.record(1, patient=1, wall=wall)
    return [
        first,
        *[bench.record(n, patient=n % 3, verified=None if n % 4 == 2 else first["verified"]) for n in range(2, 8)],
    ]


@pytest.mark.parametrize("shape", ["panel", "single"])
def test_exams_come_back_equal_from_the_embedded_server(bench: Any, shape: str) -> None:
    """That server rewrites 1.10 to 1.1 (servers.md); the digits come back from quantity-precision."""
    pytest.importorskip("sekmet", reason="the embedded server (extra demo) is not installed")
    records = ward(bench)
    with embedded_server() as url, Client(url) as client:
        bench.push(records, server=OneTry(client), target=url, preparer=bench.preparer(shape))
        pulled = list(pull(client, Query(page=3), as_="exams", on_problem=_raise))
    assert dumped(pulled) == dumped(records)
    [one] = [r for r in pulled if r["exam_number"] == "E-1"]
    assert str(one["wall"]["thickness"]["value"]) == "1.10"


def _raise(error: BladderError) -> None:
    raise error


@pytest.mark.parametrize("shape", ["panel", "single"])
def test_exams_to_a_file(bench: Any, model: Client, shape: str) -> None:
    records = ward(bench)
    bench.push(records, server=OneTry(model), target=str(model.base), preparer=bench.preparer(shape))
    path = bench.folder / "pulled.ndjson"
    result = pull_to_file(model, Query(page=2), path, as_="exams", on_problem=_raise)
    assert result.lines == len(records)
    assert dumped(wire.loads(line) for line in path.read_bytes().splitlines()) == dumped(records)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert sorted(p.name for p in bench.folder.glob("pulled*")) == ["pulled.ndjson"]


def test_one_patient_and_a_span_of_time(bench: Any, model: Client) -> None:
    records = ward(bench)
    records[0]["started_at"] = records[0]["voided_at"] = "2026-10-01T08:00:00+00:00"
    bench.push(records, server=OneTry(model), target=str(model.base))
    asked = Query(patient=patient_of(f"{bench.mrn}|700-1"))
    assert len(list(pull(model, asked, on_problem=_raise))) == 3
    assert len(list(pull(model, Query(until="2026-10-31"), on_problem=_raise))) == 1
    assert len(list(pull(model, Query(since="2026-11-01"), on_problem=_raise))) == 6
    assert list(pull(model, Query(patient=(bench.mrn, "700-9")), on_problem=_raise)) == []


def test_a_patient_known_by_identifier_only(bench: Any, model: Client) -> None:
    from fhir_bladder.exchange.push.engine import PushOptions

    options = PushOptions(patients="logical", concurrency=1)
    bench.push([bench.record()], server=OneTry(model), target=str(model.base), options=options)
    assert len(list(pull(model, Query(patient=(bench.mrn, "700-431")), on_problem=_raise))) == 1


@pytest.mark.parametrize("text", ["x", "|x", "x|", ""])
def test_a_patient_is_named_by_system_and_value(text: str) -> None:
    with pytest.raises(ConfigError):
        patient_of(text)


@pytest.mark.parametrize("moment", ["yesterday", "18.11.2026", "2026-11-18T10:42"])
def test_times(moment: str) -> None:
    with pytest.raises(ConfigError):
        Query(since=moment)


def test_what_is_not_ours_passes_through_or_is_told(bench: Any, model: Client) -> None:
    bench.push([bench.record()], server=OneTry(model), target=str(model.base))
    foreign = bench.store.write(
        {
            "resourceType": "Observation",
            "status": "final",
            "code": {"coding": [{"system": "http://loinc.org", "code": "8867-4"}]},
            "valueQuantity": {"value": wire.loads(b"72.50"), "unit": "/min"},
        }
    )
    found = list(pull(model, Query(everything=True), on_problem=_raise))
    [other] = [r for r in found if r["id"] == foreign["id"]]
    assert wire.dumps(other) == wire.dumps(foreign)
    told: list[BladderError] = []
    exams = list(pull(model, Query(everything=True), as_="exams", on_problem=told.append))
    assert len(exams) == 1
    assert len(told) == 1
    assert foreign["id"] in str(told[0])


def test_a_pull_cut_off_is_resumed(bench: Any, model: Client) -> None:
    records = [bench.record(n) for n in range(20)]
    bench.push(records, server=OneTry(model), target=str(model.base))
    path = bench.folder / "pulled.ndjson"
    pages = 0

    def stop(lines: int) -> None:
        nonlocal pages
        pages += 1
        if pages == 4:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        pull_to_file(model, Query(page=3), path, on_problem=_raise, progress=stop)
    assert not path.exists()
    with (bench.folder / "pulled.ndjson.part").open("ab") as draft:
        draft.write(b'{"half a li')  # written, but not yet certain when the process ended
    before = len(bench.server.log)
    result = pull_to_file(model, Query(page=3), path, on_problem=_raise)
    assert (result.lines, result.resumed) == (20, 4)
    assert len(bench.server.log) - before == 3  # pages 5 to 7 of 7
    lines = [wire.loads(line) for line in path.read_bytes().splitlines()]
    assert len({line["id"] for line in lines}) == 20


def test_another_question_does_not_resume(bench: Any, model: Client) -> None:
    bench.push([bench.record(n) for n in range(6)], server=OneTry(model), target=str(model.base))
    path = bench.folder / "pulled.ndjson"

    def stop(lines: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        pull_to_file(model, Query(page=2), path, on_problem=_raise, progress=stop)
    result = pull_to_file(model, Query(page=2, since="2026-01-01"), path, on_problem=_raise)
    assert (result.lines, result.resumed) == (6, 0)


def test_a_next_link_that_loops_or_leads_away(bench: Any, model: Client) -> None:
    bench.push([bench.record(n) for n in range(6)], server=OneTry(model), target=str(model.base))
    honest = bench.store.handle

    def lead(url: str) -> None:
        def handle(method: str, path: str, headers: Any, body: bytes) -> Any:
            raw = honest(method, path, headers, body)
            bundle = wire.loads(raw.body)
            bundle["link"] = [{"relation": "next", "url": url}]
            raw.body = wire.dumps(bundle)
            return raw

        bench.store.handle = handle

    for url in (f"{model.base}/Observation?page=2", "http://elsewhere.example/fhir/Observation?page=2"):
        lead(url)
        with pytest.raises(ServerError):
            list(pull(model, Query(page=2), on_problem=_raise))
    path: Path = bench.folder / "pulled.ndjson"
    with pytest.raises(ServerError):
        pull_to_file(model, Query(page=2), path, on_problem=_raise)
    assert not path.exists()
