"""Runs of push: what is never sent, deadlines, refusals, dry run, two processes, receipts."""

from __future__ import annotations

import threading
from typing import Any
from unittest.mock import Mock

import pytest

from fhir_bladder import wire
from fhir_bladder.errors import Finding, ServerError, UnfinishedError
from fhir_bladder.exchange.http.errors import AmbiguousOutcome, UnreachableError
from fhir_bladder.exchange.outbox import Outbox
from fhir_bladder.exchange.push.dry import dry_run
from fhir_bladder.exchange.push.engine import PushOptions
from fhir_bladder.exchange.push.fate import FIRST_DELAY_S, GIVE_UP, LONGEST_DELAY_S, failed
from fhir_bladder.exchange.push.link import Refused
from fhir_bladder.exchange.push.look import Job
from fhir_bladder.readers.items import record_item
from fhir_bladder.sandbox.hostile_faults import InProcess
from fhir_bladder.sandbox.hostile_fhir import outcome


def sent(bench: Any) -> int:
    return sum(1 for method, _, _ in bench.server.log if method != "GET")


def test_invalid_blocked_and_unreadable_are_never_sent(bench: Any) -> None:
    def validate(bundle: dict[str, Any]) -> list[Finding]:
        volume = "777" in str(bundle)
        return [Finding("x-1", "error", "not allowed", path="Bundle.entry[1]")] if volume else []

    preparer = bench.preparer(validate=validate)
    bad = [
        bench.record(1, volume=777),
        bench.record(2, volume=6000),
        bench.record(3, started_at="2036-11-18T10:42:00+00:00", voided_at=None, verified=None),
        bench.record(4, unknown_field=1),
    ]
    broken = record_item("ward.ndjson", 5, b"{", None)
    items = [*bench.items(bad, preparer), preparer.record(broken)]
    summary = bench.push(items=items, preparer=preparer)
    assert summary.counts["held"] == 5
    assert summary.exit_codes == {1}
    assert sent(bench) == 0
    codes = [code for states in bench.states().values() for _, code in states]
    assert codes == ["invalid", "plausibility", "plausibility", "unreadable", "unreadable"]
    assert all(r["state"] == "held" and r["reason"] for r in bench.receipts())


def test_unverified_can_be_held_and_released(bench: Any) -> None:
    holding = bench.preparer(hold_unverified=True)
    bench.push([bench.record(verified=None)], preparer=holding)
    assert bench.states() == {"LK-0093/E-1": [("held", "unverified")]}
    with Outbox(bench.outbox_path) as box:
        box.release("LK-0093/E-1", by="Dr Htest", reason="seen")
    bench.push()
    assert bench.states() == {"LK-0093/E-1": [("delivered", "")]}


def test_a_bad_record_is_bisected_out(bench: Any) -> None:
    """The server refuses whole transactions for one exam; that one stands alone, the others arrive."""

    class Picky(InProcess):
        def request(self, method: str, path: str, *, json: Any = None, headers: Any = None) -> Any:
            if method == "POST" and b"E-13<" in wire.dumps(json).replace(b'"', b"<"):
                raw = outcome(422, "business-rule", "no")
                response = super().request("GET", "metadata")
                response.status, response.body = raw.status, wire.loads(raw.body)
                return response
            return super().request(method, path, json=json, headers=headers)

    summary = bench.push([bench.record(n) for n in range(30)], server=Picky(bench.server))
    assert (summary.counts["delivered"], summary.counts["held"]) == (29, 1)
    [state] = bench.states()["LK-0093/E-13"]
    assert state == ("held", "refused")
    [receipt] = [r for r in bench.receipts() if r["state"] == "held"]
    assert receipt["issues"] == [{"severity": "error", "code": "business-rule"}]  # never the server's own words


@pytest.mark.parametrize("status", [422, 412])
def test_a_device_the_server_does_not_take_holds_up_no_other(bench: Any, status: int) -> None:
    """Seen with a serial whose search escape a server read wrongly: it answered 412 for every new Device with it."""

    class Picky(InProcess):
        def request(self, method: str, path: str, *, json: Any = None, headers: Any = None) -> Any:
            if method == "POST" and any(e["resource"].get("serialNumber") == "odd" for e in json["entry"]):
                raw = outcome(status, "conflict", "no")
                response = super().request("GET", "metadata")
                response.status, response.body = raw.status, wire.loads(raw.body)
                return response
            return super().request(method, path, json=json, headers=headers)

    records = [bench.record(n, device={"serial": serial}) for n, serial in enumerate(("one", "odd", "two"))]
    summary = bench.push(records, server=Picky(bench.server))
    assert summary.counts["delivered"] == 2
    assert bench.states()["odd/E-1"][0][0] != "delivered"


def test_nothing_is_asked_where_nothing_is_to_be_sent(bench: Any) -> None:
    class Silent:
        def request(self, *arguments: Any, **options: Any) -> Any:
            raise AssertionError("a request")

    summary = bench.push([bench.record(patient=None, voided_at="2026-11-18T11:35:00+00:00")], server=Silent())
    assert (summary.counts["held"], summary.error) == (1, None)


def test_server_that_is_away_leaves_everything_queued(bench: Any) -> None:
    class Away:
        def request(self, *arguments: Any, **options: Any) -> Any:
            raise UnreachableError("the server cannot be reached", "here", "start it")

    summary = bench.push([bench.record(n) for n in range(250)], server=Away())
    assert isinstance(summary.error, ServerError)
    assert summary.requests == 1  # an address where nobody is: push does not wait for it beyond the client's tries
    assert summary.exit_codes == {4, 5}
    assert summary.counts["waiting"] == 250
    assert bench.push().counts == dict.fromkeys(summary.counts, 0)
    with Outbox(bench.outbox_path) as box:
        assert box.counts()["delivered"] == 250


def test_server_that_goes_away_in_the_middle_is_waited_for(bench: Any) -> None:
    """After its metadata it is away for longer than one look-up's tries of the client, then back: nothing is left."""

    class Restarting(InProcess):
        away = 0

        def request(self, method: str, path: str, **options: Any) -> Any:
            if path != "metadata" and self.away < 5:
                self.away += 1
                raise UnreachableError("the server cannot be reached", "here", "start it")
            return super().request(method, path, **options)

    server = Restarting(bench.server)
    summary = bench.push([bench.record(n) for n in range(3)], server=server)
    assert server.away == 5
    assert (summary.error, summary.counts["delivered"]) == (None, 3)


class Failing(InProcess):
    """Reads as usual; `status` answers every transaction with exams, 0 lets no look-up be answered."""

    def __init__(self, server: Any, status: int) -> None:
        super().__init__(server)
        self.status = status

    def request(self, method: str, path: str, *, json: Any = None, headers: Any = None) -> Any:
        if not self.status and path != "metadata":
            raise AmbiguousOutcome("no answer")
        if method == "POST" and any(entry["resource"]["resourceType"] == "Observation" for entry in json["entry"]):
            response = super().request("GET", "metadata")
            raw = outcome(self.status, "exception", "no")
            response.status, response.body = raw.status, wire.loads(raw.body)
            return response
        return super().request(method, path, json=json, headers=headers)


@pytest.mark.parametrize("status", [503, 429, 0])
def test_a_server_that_is_busy_for_long_holds_no_exam(bench: Any, status: int) -> None:
    """Runs without end against a server that says it is busy, or cannot be read: nobody has to look at each exam."""
    bench.push([bench.record(n) for n in range(3)], server=Failing(bench.server, status))
    for _ in range(2 * GIVE_UP):
        bench.push(server=Failing(bench.server, status))
    assert {state for [(state, _)] in bench.states().values()} == {"waiting"}
    bench.push(server=Failing(bench.server, 500))  # many claims, one failure
    assert bench.states()["LK-0093/E-1"] == [("waiting", "server-fails")]
    assert bench.push().error is None
    assert {state for [(state, _)] in bench.states().values()} == {"delivered"}


def test_an_exam_the_server_keeps_failing_on_is_held_until_a_person_looks(bench: Any) -> None:
    server = Failing(bench.server, 500)
    bench.push([bench.record()], server=server)
    for _ in range(GIVE_UP - 2):
        assert bench.push(server=server).counts["held"] == 0
    assert bench.states() == {"LK-0093/E-1": [("waiting", "server-fails")]}
    bench.push(server=server)
    assert bench.states() == {"LK-0093/E-1": [("held", "server-fails")]}
    with Outbox(bench.outbox_path) as box:
        assert box.row(1).failures == GIVE_UP
        assert box.retry() == 1
    bench.push(server=server)
    assert bench.states() == {"LK-0093/E-1": [("waiting", "server-fails")]}  # the count has begun anew
    bench.push()
    assert bench.states() == {"LK-0093/E-1": [("delivered", "")]}


def test_a_listener_waits_longer_after_each_failure(bench: Any) -> None:
    delays = []
    for failures in range(GIVE_UP - 1):
        job = Job(Mock(attempts=99, failures=failures), Mock(), status=500)
        delays.append(failed(job).delay)
    lowest = [min(LONGEST_DELAY_S, FIRST_DELAY_S * 2**n) for n in range(GIVE_UP - 1)]
    assert all(low <= delay <= 2 * low for low, delay in zip(lowest, delays, strict=True))
    assert sum(lowest) > 3600


def test_one_scanner_is_looked_up_once_before_and_once_after_it_is_made(bench: Any) -> None:
    bench.push([bench.record()])
    lookups = [path for method, path, _ in bench.server.log if method == "GET" and path.startswith("Device?")]
    assert len(lookups) == 2
    bench.push([bench.record(2)], outbox=bench.folder / "second.db")
    assert len([1 for method, path, _ in bench.server.log if method == "GET" and path.startswith("Device?")]) == 3


def test_patients_made_by_an_answer_that_was_lost_are_not_made_again(bench: Any) -> None:
    """Without conditional creates: of three Patients the first and the third are made and their answers lost."""
    bench.character(transactions=False, conditional=False, client_ids=False)

    class Losing(InProcess):
        made = 0

        def request(self, method: str, path: str, **options: Any) -> Any:
            response = super().request(method, path, **options)
            if (method, path) == ("POST", "Patient"):
                self.made += 1
                if self.made in (1, 3):
                    raise AmbiguousOutcome("the connection broke", path)
            return response

    summary = bench.push([bench.record(n, patient=n) for n in range(3)], server=Losing(bench.server))
    assert summary.counts["delivered"] == 3
    assert bench.store.counts()["Patient"] == 3


def test_refused_credentials_stop_at_once(bench: Any) -> None:
    class Locked(InProcess):
        def request(self, method: str, path: str, **options: Any) -> Any:
            response = super().request("GET", "metadata")
            response.status = 403
            return response

    summary = bench.push([bench.record()], server=Locked(bench.server))
    assert isinstance(summary.error, Refused)
    assert summary.requests <= 2


@pytest.mark.parametrize("version", ["4.3.0", "5.0.0", "3.0.2", ""])
def test_another_fhir_version_is_refused_in_one_line(bench: Any, version: str) -> None:
    bench.character(fhir_version=version)
    summary = bench.push([bench.record()])
    assert "4.0.1" in str(summary.error)
    assert "\n" not in str(summary.error)
    assert sent(bench) == 0


def test_deadline(bench: Any) -> None:
    summary = bench.push([bench.record()], deadline=0.0)
    assert isinstance(summary.error, UnfinishedError)
    assert 5 in summary.exit_codes
    assert bench.push().left == 0


def test_retry_after_beyond_the_deadline_is_not_waited_for(bench: Any) -> None:
    class Busy(InProcess):
        def request(self, method: str, path: str, **options: Any) -> Any:
            response = super().request("GET", "metadata")
            response.status, response.headers = 429, {"retry-after": "3600"}
            return response

    summary = bench.push([bench.record()], server=Busy(bench.server), deadline=30)
    assert summary.seconds < 20
    assert summary.exit_codes == {5}


@pytest.mark.parametrize("shape", ["panel", "single"])
@pytest.mark.parametrize("limit", [1, 2, 8])
def test_small_transactions(bench: Any, shape: str, limit: int) -> None:
    """The public engine that refuses more than 8 entries does it with 400 and words of its own (servers.md)."""
    words = "Transaction requires strict isolation but has too many entries"
    bench.character(max_entries=limit, limit_status=400, limit_words=words)
    records = [bench.record(n) for n in range(12)]
    assert bench.push(records, preparer=bench.preparer(shape)).counts["delivered"] == 12
    counts = bench.store.counts()
    assert bench.push(records, preparer=bench.preparer(shape), outbox=bench.folder / "new.db").counts["delivered"] == 12
    assert bench.store.counts() == counts


def test_two_processes_with_the_same_keys_leave_no_double(bench: Any) -> None:
    records = [bench.record(n, patient=n % 5) for n in range(60)]
    options = PushOptions(patients="create", concurrency=8, chunk=5)
    threads = [threading.Thread(target=bench.push, args=(records,), kwargs={"options": options}) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    counts = bench.store.counts()
    assert (counts["Observation"], counts["Device"], counts["Patient"], counts["Provenance"]) == (60, 1, 5, 60)
    assert counts["versions"] == 60 * 3 + 6
    with Outbox(bench.outbox_path) as box:
        assert box.counts()["delivered"] == 60


def test_doubles_of_another_writer_are_told(bench: Any) -> None:
    bench.push([bench.record()])
    [ours] = bench.exams()
    bench.store.write({k: v for k, v in ours.items() if k != "id"})
    summary = bench.push([bench.record()], outbox=bench.folder / "second.db")
    assert summary.counts["held"] == 1
    receipt = bench.receipts()[-1]
    assert receipt["code"] == "doubled"
    assert "2 times" in receipt["reason"]


def test_dry_run_prints_the_requests_and_sends_none(bench: Any) -> None:
    """What it prints for a new exam is, request by request, what a real run then sends."""
    bench.patient()
    options = PushOptions(patients="match", concurrency=1)
    printed: list[dict[str, Any]] = []
    preparer = bench.preparer()
    dry_run(
        bench.outbox_path, bench.target, options, bench.items([bench.record()]), printed.append,
        key_system=preparer.key_system,
    )  # fmt: skip
    assert bench.server.log == []
    assert not bench.outbox_path.exists()
    real: list[tuple[str, str, Any]] = []

    class Noted(InProcess):
        def request(self, method: str, path: str, *, json: Any = None, headers: Any = None) -> Any:
            real.append((method, path, json))
            return super().request(method, path, json=json, headers=headers)

    bench.push([bench.record()], server=Noted(bench.server), options=options)
    assert [(p["method"], p["url"].removeprefix(bench.target).lstrip("/")) for p in printed] == [r[:2] for r in real]
    written = [(p["body"], r[2]) for p, r in zip(printed, real, strict=True) if p["method"] == "POST"]
    assert len(written) == 2  # the scanner, then the exam
    for ours, theirs in written:
        assert [e["request"] for e in ours["entry"]] == [e["request"] for e in theirs["entry"]]


def test_memory_holds_a_few_groups(bench: Any) -> None:
    """The input is taken in as it is worked on: the source is never more than a group ahead of the outbox."""
    ahead = 0
    preparer = bench.preparer()

    def source() -> Any:
        nonlocal ahead
        for n in range(450):
            with Outbox(bench.outbox_path) as box:
                ahead = max(ahead, n - sum(box.counts().values()))
            yield from bench.items([bench.record(n)], preparer)

    bench.push(items=source(), preparer=preparer)
    assert ahead <= 100
