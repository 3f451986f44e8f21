"""Push against a second hostile server (`other_server.py`), over real sockets, one oddity after the other.

After each run: every exam exactly once on the server, or held or waiting with a reason that is true; the exit codes say
so. After an honest run on top: every exam delivered, nothing doubled. The oracle is that server's own store.
"""

from __future__ import annotations

import gzip
import importlib.util
import json
import re
import sys
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from fhir_bladder.exchange.http.client import Client
from fhir_bladder.exchange.http.retry import Deadline, Retry
from fhir_bladder.exchange.outbox import Outbox
from fhir_bladder.exchange.push.engine import Push, PushOptions, Summary
from fhir_bladder.exchange.push.made import Made

_PLACE = Path(__file__).with_name("other_server.py")
_SPEC = importlib.util.spec_from_file_location("bladder_other_server", _PLACE)
assert _SPEC is not None
assert _SPEC.loader is not None
other = importlib.util.module_from_spec(_SPEC)
sys.modules[_SPEC.name] = other  # a dataclass looks its own module up there
_SPEC.loader.exec_module(other)
Answer = other.Answer
Spoil = Callable[[Any], None]

EXAMS = 3
MRN = "https://records.example/mrn"
QUICK = Retry(attempts=4, first=0.001, longest=0.003)


@pytest.fixture
def server() -> Iterator[Any]:
    with other.OtherServer() as running:
        yield running


def push(bench: Any, server: Any, shape: str = "panel", *, until: float = 60.0, **options: Any) -> Summary:
    preparer = bench.preparer(shape)
    items = list(bench.items([bench.record(n, patient=n % 2) for n in range(EXAMS)], preparer))
    choices = PushOptions(patients="create", concurrency=2, chunk=2, **options)
    end = Deadline(until)
    with (
        Outbox(bench.outbox_path) as box,
        Client(server.url, retry=QUICK, deadline=20.0, until=end, idle=5.0) as client,
    ):
        return Push(box, client, server.url, choices, key_system=preparer.key_system, deadline=end, retry=QUICK).run(
            items
        )


def rows(bench: Any) -> list[Any]:
    with Outbox(bench.outbox_path) as box:
        return list(box.rows())


def troubles(bench: Any, server: Any) -> list[str]:
    """What the promises forbid, as found on the server and in the outbox."""
    found = []
    for row in rows(bench):
        mains = server.by_identifier("Observation", bench.preparer().key_system, row.key)
        reports = server.by_identifier("DiagnosticReport", bench.preparer().key_system, row.key)
        told = f"{row.key} {row.state} {row.code}"
        if len(mains) > 1 or len(reports) > 1:
            found.append(f"{told}: {len(mains)} Observations, {len(reports)} reports")
        if row.state == "delivered":
            names = {f"Observation/{main['id']}" for main in mains}
            notes = [p for p in server.all("Provenance") if names & {t["reference"] for t in p["target"]}]
            if (len(mains), len(reports), len(notes)) != (1, 1, 1):
                found.append(f"{told}: {len(mains)} Observations, {len(reports)} reports, {len(notes)} Provenances")
        elif row.state == "held" and not row.reason:
            found.append(f"{told} without a reason")
    for kind in ("Device", "Patient"):
        values = [value for r in server.all(kind) for _, value in other._pairs(r)]
        if len(values) != len(set(values)):
            found.append(f"doubled {kind}: {values}")
    return found


def settle(bench: Any, server: Any, shape: str = "panel") -> None:
    """An honest server from now on: everything arrives, once."""
    server.behave()
    for _ in range(3):
        if not push(bench, server, shape).exit_codes:
            break
    assert [(row.state, row.code) for row in rows(bench)] == [("delivered", "")] * EXAMS
    assert troubles(bench, server) == []


SPOILS: dict[str, Spoil] = {}


def spoil(function: Spoil) -> Spoil:
    SPOILS[function.__name__] = function
    return function


def first(count: int) -> Callable[[], bool]:
    left = [count]

    def due() -> bool:
        left[0] -= 1
        return left[0] >= 0

    return due


# -- answers to what was sent: all of these end with every exam delivered in the first run


@spoil
def outcome_instead_of_bundle(server: Any) -> None:
    server.after = lambda q, a: Answer(200, other.OUTCOME) if q.transaction else a


@spoil
def no_location_no_etag(server: Any) -> None:
    def after(q: Any, a: Any) -> Any:
        if q.transaction:
            a.body["entry"] = [{"response": {"status": e["response"]["status"]}} for e in a.body["entry"]]
        return a

    server.after = after


@spoil
def single_requests_without_location(server: Any) -> None:
    """201 without Location, body or ETag: what was made is found by its key."""
    server.transactions = False
    server.after = lambda q, a: Answer(a.status) if q.method == "POST" else a


@spoil
def locations_on_another_base(server: Any) -> None:
    server.location = "http://internal.example:8080/base/R4/{}"


@spoil
def strong_etags(server: Any) -> None:
    server.etag = '"{}"'


@spoil
def no_versions_at_all(server: Any) -> None:
    def after(q: Any, a: Any) -> Any:
        a.headers = []
        if a.body is not None:
            a.body = json.loads(re.sub(r'"versionId": "\d+"', '"source": "#x"', json.dumps(a.body)))
        return a

    server.after = after


@pytest.mark.parametrize("kind", [None, "batch-response", "searchset", [], 7])
@pytest.mark.parametrize("name", ["Bundle", "bundle", None])
def test_transaction_answer_of_another_type(bench: Any, server: Any, kind: Any, name: Any) -> None:
    server.after = lambda q, a: Answer(200, a.body | {"type": kind, "resourceType": name}) if q.transaction else a
    assert push(bench, server).exit_codes == set()
    assert troubles(bench, server) == []
    settle(bench, server)


@pytest.mark.parametrize("shape", ["panel", "single"])
def test_carried_out_as_a_batch(bench: Any, server: Any, shape: str) -> None:
    """Entries one by one, `urn:` references left as they are: what dangles is written again."""

    def before(q: Any) -> Any:
        if q.transaction:
            entries = server.entries(q.json["entry"], resolve=False)
            return Answer(200, {"resourceType": "Bundle", "type": "batch-response", "entry": entries})
        return None

    server.before = before
    push(bench, server, shape)
    assert [(row.state, row.code) for row in rows(bench)] == [("delivered", "")] * EXAMS
    assert troubles(bench, server) == []
    assert '"reference": "urn:' not in json.dumps([server.all(kind) for kind in ("Observation", "DiagnosticReport")])


@spoil
def entry_answers_of_every_shape(server: Any) -> None:
    junk = [None, "x", 7, [], {}, {"response": None}, {"response": []}, {"response": {"status": None, "location": 7}}]

    def after(q: Any, a: Any) -> Any:
        if q.transaction:
            a.body["entry"] = [junk[(q.number + n) % len(junk)] for n, _ in enumerate(a.body["entry"])]
        return a

    server.after = after


@spoil
def bodies_of_every_shape(server: Any) -> None:
    bodies = [b"null", b"[]", b'"x"', b"7", b"{}", b"", b"{", b'{"resourceType":"Bundle","entry":{}}', b"\xff\xfe"]
    headers = [("Content-Type", "application/fhir+json")]
    server.after = lambda q, a: Answer(200, bodies[q.number % len(bodies)], headers) if q.transaction else a


@spoil
def status_words(server: Any) -> None:
    words = [201, "201", "HTTP/1.1 201 Created", "Created", " 201"]

    def after(q: Any, a: Any) -> Any:
        for n, entry in enumerate(a.body["entry"] if q.transaction else ()):
            entry["response"]["status"] = words[(q.number + n) % len(words)]
        return a

    server.after = after


# -- the wire


def each(how: str, every: int = 1) -> Spoil:
    def function(server: Any) -> None:
        def after(q: Any, a: Any) -> Any:
            a.how = how if q.number % every == 0 else a.how
            return a

        server.after = after

    return function


for name, every in (("chunked", 1), ("http10", 1), ("pieces", 1), ("close", 1), ("drop", 3), ("reset", 3)):
    SPOILS[f"wire_{name}"] = each(name, every)


@spoil
def wire_gzip(server: Any) -> None:
    headers = [("Content-Encoding", "gzip"), ("Content-Type", "application/fhir+json")]
    server.after = lambda q, a: Answer(a.status, gzip.compress(a.data), a.headers + headers)


@spoil
def wire_deflate_for_writes(server: Any) -> None:
    headers = [("Content-Encoding", "deflate"), ("Content-Type", "application/fhir+json")]
    server.after = lambda q, a: Answer(200, zlib.compress(a.data), headers) if q.transaction else a


@spoil
def wire_interim_answers(server: Any) -> None:
    """100 and 103 before the answer: it must not be left on the line for the next request."""

    def after(q: Any, a: Any) -> Any:
        status = b"103 Early Hints" if q.number % 3 == 0 else b"100 Continue"
        a.first = b"HTTP/1.1 " + status + b"\r\nLink: </x>\r\n\r\n"
        return a

    server.after = after


@spoil
def wire_an_answer_too_many(server: Any) -> None:
    empty = b'{"resourceType":"Bundle","type":"searchset","entry":[]}'
    head = b"HTTP/1.1 200 OK\r\nContent-Type: application/fhir+json\r\nContent-Length: %d\r\n\r\n" % len(empty)

    def after(_: Any, a: Any) -> Any:
        a.last = head + empty
        return a

    server.after = after


@spoil
def wire_byte_order_mark(server: Any) -> None:
    server.after = lambda q, a: Answer(a.status, b"\xef\xbb\xbf" + a.data, a.headers) if a.body is not None else a


# -- statuses


for status in (408, 409, 412, 425, 429, 500, 502, 503, 504, 599):

    def _status(server: Any, status: int = status) -> None:
        due = first(3)
        server.after = lambda q, a: Answer(status, other.OUTCOME) if q.method != "GET" and due() else a

    def _unread(server: Any, status: int = status) -> None:
        due = first(2)
        busy = status in (408, 425, 429, 500, 502, 503, 504)
        server.before = lambda q: Answer(status, other.OUTCOME) if q.method == "GET" and busy and due() else None

    SPOILS[f"status_{status}_after_it_was_done"] = _status
    SPOILS[f"status_{status}_of_a_look"] = _unread


for text in ("-5", "soon", "1e3", "Wed, 99 Foo 20 99", "", "9" * 400, "3, 4", "0"):

    def _busy(server: Any, text: str = text) -> None:
        due = first(2)
        headers = [("Retry-After", text)]
        server.before = lambda q: Answer(503, other.OUTCOME, headers) if q.number > 1 and due() else None

    SPOILS[f"retry_after_{text[:8]!r}"] = _busy


@pytest.mark.parametrize("method", ["GET", "POST"])
@pytest.mark.parametrize("text", ["1000000000", "86400", "Wed, 21 Oct 2099 07:28:00 GMT"])
def test_a_wait_beyond_reason_ends_the_run(bench: Any, server: Any, method: str, text: str) -> None:
    """Without any deadline: it says so and ends; it does not sleep for thirty years."""
    headers = [("Retry-After", text)]
    server.before = lambda q: Answer(429, other.OUTCOME, headers) if q.method == method and q.number > 1 else None
    summary = push(bench, server, until=10**12)
    assert summary.seconds < 20
    assert summary.exit_codes == {5}
    assert "wait" in str(summary.error)
    settle(bench, server)


# -- limits and refusals


@spoil
def limit_of_two_entries(server: Any) -> None:
    server.before = lambda q: Answer(413) if q.transaction and len(q.json["entry"]) > 2 else None


@spoil
def limit_of_bytes_in_html(server: Any) -> None:
    page = [("Content-Type", "text/html")]
    server.before = lambda q: Answer(413, b"<html>", page) if q.transaction and len(q.body) > 9000 else None


def test_one_exam_that_is_refused_holds_up_no_other(bench: Any, server: Any) -> None:
    issue = {"severity": "error", "code": "invariant", "expression": ["Bundle.entry[3]"]}
    refusal = {"resourceType": "OperationOutcome", "issue": [issue, None, {"code": {}, "details": [], "severity": 7}]}
    server.before = lambda q: Answer(422, refusal) if q.transaction and b'/E-1"' in q.body else None
    assert push(bench, server).exit_codes == {1}
    assert [row.state for row in rows(bench)] == ["delivered", "held", "delivered"]
    assert "invariant" in rows(bench)[1].reason
    assert troubles(bench, server) == []
    settle(bench, server)


def test_credentials_refused_in_the_middle(bench: Any, server: Any) -> None:
    server.before = lambda q: Answer(401, other.OUTCOME) if q.number > 6 else None
    summary = push(bench, server)
    assert summary.exit_codes == {4, 5}
    assert "credentials" in str(summary.error)
    assert troubles(bench, server) == []
    settle(bench, server)


def test_a_create_answered_with_another_resource(bench: Any, server: Any) -> None:
    """200 and the location of a resource that is not ours: never taken for delivered."""
    stranger = {"resourceType": "Observation", "status": "final", "code": {"text": "x"}}
    name = server.write(stranger | {"identifier": [{"system": bench.preparer().key_system, "value": "LK-0093/E-99"}]})

    def before(q: Any) -> Any:
        if not q.transaction or all(e["resource"]["resourceType"] != "Observation" for e in q.json["entry"]):
            return None
        entries = [
            {"response": {"status": "200", "location": f"{e['resource']['resourceType']}/{name['id']}/_history/1"}}
            for e in q.json["entry"]
        ]
        return Answer(200, {"resourceType": "Bundle", "type": "transaction-response", "entry": entries})

    server.before = before
    assert push(bench, server).exit_codes == {5}
    assert {row.reason for row in rows(bench)} == {
        "the server says that it took the exam, and shows nothing under its key"
    }
    settle(bench, server)


# -- searches


@spoil
def search_ignores_its_parameters(server: Any) -> None:
    """Everything comes back, strangers too; nothing of it may count as a match."""
    for number in range(20):
        identifier = [{"system": MRN, "value": f"900-{number}"}]
        server.write({"resourceType": "Patient", "birthDate": "1951-03-09", "identifier": identifier})
        server.write({"resourceType": "Device", "identifier": identifier})
        server.write({"resourceType": "Observation", "status": "final", "identifier": identifier})
    honest = server.search
    server.search = lambda kind, query: honest(kind, "")


@spoil
def search_in_pages_of_one_with_relative_links(server: Any) -> None:
    honest = server.search

    def search(kind: str, query: str) -> Any:
        start = int((re.findall(r"_start=(\d+)", query) or ["0"])[0])
        query = re.sub(r"&_start=\d+", "", query)
        answer = honest(kind, query)
        entries = answer.body["entry"]
        answer.body["entry"] = entries[start : start + 1]
        if start + 1 < len(entries):
            link = {"relation": "next", "url": f"{kind}?{query}&_start={start + 1}"}
            answer.body["link"] = [None, {"relation": "self"}, link]
        return answer

    server.search = search


@spoil
def search_gives_entries_thrice_and_other_types(server: Any) -> None:
    honest = server.search

    def search(kind: str, query: str) -> Any:
        answer = honest(kind, query)
        for another in {"Observation", "DiagnosticReport", "Patient", "Device"} - {kind}:
            answer.body["entry"] += honest(another, query).body["entry"]
        answer.body["entry"] *= 3
        answer.body["entry"] += [None, "x", {}, {"resource": []}, {"search": [], "resource": other.OUTCOME}]
        return answer

    server.search = search


@spoil
def search_counts_wrong(server: Any) -> None:
    totals = [0, 99, -1, "7", None, True]

    def after(q: Any, a: Any) -> Any:
        if isinstance(a.body, dict) and a.body.get("type") == "searchset":
            a.body["total"] = totals[q.number % len(totals)]
        return a

    server.after = after


@pytest.mark.parametrize("lag", [10, 10**9], ids=["a-while", "for-ever"])
@pytest.mark.parametrize("kind", ["transactions", "single-requests", "no-conditions"])
@pytest.mark.parametrize("shape", ["panel", "single"])
def test_a_search_that_lags_behind_writes(bench: Any, server: Any, lag: int, kind: str, shape: str) -> None:
    """Indexes that are brought up to date later (so do several cloud services): sent again, all would be doubled."""
    server.transactions, server.conditional = kind != "single-requests", kind != "no-conditions"
    server.lag = lag
    assert push(bench, server, shape).exit_codes == set()
    assert troubles(bench, server) == []
    settle(bench, server, shape)


@pytest.mark.parametrize("kind", ["transactions", "single-requests", "no-conditions"])
@pytest.mark.parametrize("shape", ["panel", "single"])
def test_ended_between_an_answer_and_a_search_that_shows_it(
    bench: Any, server: Any, monkeypatch: pytest.MonkeyPatch, kind: str, shape: str
) -> None:
    """The next process knows only what is in the outbox, and the server's search shows nothing yet."""
    server.transactions, server.conditional = kind != "single-requests", kind != "no-conditions"
    server.lag = 10**9
    honest = Made.add

    def ended(made: Made, resources: Any) -> None:
        honest(made, resources)
        if any(resource[0] == "Observation" for resource in resources):
            raise KeyboardInterrupt

    ends = 0
    with monkeypatch.context() as patch:
        patch.setattr(Made, "add", ended)
        while ends < 20:
            try:
                push(bench, server, shape)
                break
            except KeyboardInterrupt:
                ends += 1
    assert 0 < ends < 20
    assert push(bench, server, shape).exit_codes == set()
    assert troubles(bench, server) == []
    settle(bench, server, shape)


def test_nothing_conditional_and_answers_lost(bench: Any, server: Any) -> None:
    """What a lost answer made is looked for before any of it is sent again, Patients and Devices too."""
    server.conditional = server.transactions = server.client_ids = False
    server.after = each_fourth_lost
    push(bench, server)
    assert troubles(bench, server) == []
    settle(bench, server)


def each_fourth_lost(q: Any, a: Any) -> Any:
    a.how = "drop" if q.number % 4 == 0 else ""
    return a


@pytest.mark.parametrize("name", sorted(SPOILS))
def test_spoiled(bench: Any, server: Any, name: str) -> None:
    honest = server.search
    SPOILS[name](server)
    shape = "single" if sum(name.encode()) % 3 == 0 else "panel"
    summary = push(bench, server, shape)
    assert (summary.exit_codes, summary.counts["delivered"]) == (set(), EXAMS), (summary, rows(bench))
    assert troubles(bench, server) == []
    server.search = honest
    settle(bench, server, shape)


# -- what is no FHIR is never judged


JUNK: list[Any] = [None, "x", 7, True, [None], ["x"], [[]], {"a": 1}, 1.5]
PLACES = {
    "Observation": "id meta subject hasMember component extension code status effectiveDateTime note device issued",
    "DiagnosticReport": "id meta status result",
    "Provenance": "id meta target",
    "Patient": "id meta link name birthDate active",
    "Device": "id meta",
}


@pytest.mark.parametrize("kind", PLACES)
def test_junk_in_what_a_look_finds(bench: Any, server: Any, kind: str) -> None:
    """Held for a person or ended with a reason, never an error of ours, never a double; then honest again."""
    names = PLACES[kind].split()

    def after(q: Any, a: Any) -> Any:
        if q.method == "GET" and isinstance(a.body, dict):
            a.body = json.loads(json.dumps(a.body))
            for n, entry in enumerate(a.body.get("entry", ())):
                if entry["resource"]["resourceType"] == kind:
                    entry["resource"][names[(q.number + n) % len(names)]] = JUNK[(q.number * 5 + n) % len(JUNK)]
        return a

    server.after = after
    for _ in range(4):
        push(bench, server)
        assert troubles(bench, server) == []
        assert all(row.reason for row in rows(bench) if row.state == "held")
    settle(bench, server)


def test_an_id_that_climbs_out_of_a_path_is_never_used(bench: Any, server: Any) -> None:
    def after(q: Any, a: Any) -> Any:
        if q.method == "GET" and isinstance(a.body, dict):
            a.body = json.loads(re.sub(r'"id": "s\d+"', '"id": "../../admin?x=1#"', json.dumps(a.body)))
        return a

    server.after = after
    assert push(bench, server).exit_codes
    assert {(row.state, row.code) for row in rows(bench)} <= {("held", "server-unreadable"), ("waiting", "")}
    assert all("admin" not in request.path for request in server.log)
    settle(bench, server)


def test_members_that_point_elsewhere_are_never_asked_for(bench: Any, server: Any) -> None:
    members = [{"reference": "http://127.0.0.1:9/x/Observation/1"}, {"reference": "../../../etc/passwd"}, {}]

    def after(q: Any, a: Any) -> Any:
        if q.method == "GET" and isinstance(a.body, dict):
            for entry in a.body.get("entry", ()):
                if entry["resource"]["resourceType"] == "Observation":
                    entry["resource"] = entry["resource"] | {"hasMember": members}
        return a

    server.after = after
    push(bench, server)
    assert all(re.fullmatch(r"(metadata|[A-Z][A-Za-z]+(/[A-Za-z0-9.-]+)*)?", request.path) for request in server.log)
    assert troubles(bench, server) == []


@pytest.mark.parametrize(
    "change",
    [
        {"rest": None},
        {"rest": [None]},
        {"rest": {}},
        {"rest": [{"mode": "server", "resource": None, "interaction": None}]},
        {"rest": [{"interaction": ["transaction"], "resource": ["x", None, {"type": []}]}]},
        {"fhirVersion": None},
        {"fhirVersion": ["4.0.1"]},
        {"fhirVersion": "5.0.0\n"},
        {"resourceType": "Bundle"},
    ],
    ids=str,
)
def test_metadata_of_every_shape(bench: Any, server: Any, change: dict[str, Any]) -> None:
    """Single requests where no transactions are told; another version or no server at all in one line."""
    server.after = lambda q, a: Answer(200, a.body | change) if q.path == "metadata" else a
    summary = push(bench, server)
    if "rest" in change:
        assert summary.exit_codes == set()
    else:
        assert summary.exit_codes == {4, 5}
        assert "\n" not in str(summary.error)
    assert troubles(bench, server) == []
    settle(bench, server)
