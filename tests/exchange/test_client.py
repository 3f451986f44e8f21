"""The client against a server that misbehaves at socket level: deadlines, retries, limits, redirects, ambiguity."""

from __future__ import annotations

import email.utils
import socket
import threading
import time
from decimal import Decimal

import pytest

from fhir_bladder.errors import ServerError, UnfinishedError
from fhir_bladder.exchange.http.client import Client
from fhir_bladder.exchange.http.errors import AmbiguousOutcome, HttpError, UnreachableError
from fhir_bladder.exchange.http.limits import LimitError, Limits
from fhir_bladder.exchange.http.origin import OriginError
from fhir_bladder.exchange.http.retry import Deadline, Retry
from fhir_bladder.sandbox.hostile_http import FAULTS, HostileServer, Reply, script

OK = Reply(200, {"resourceType": "Bundle", "type": "searchset"})
QUICK = Retry(attempts=3, first=0.001, longest=0.002)


def client(server: HostileServer, **options) -> Client:
    options.setdefault("retry", QUICK)
    options.setdefault("deadline", 20.0)
    return Client(server.url, **options)


def test_a_good_answer_with_exact_decimals():
    body = b'{"resourceType":"Observation","valueQuantity":{"value":1.10}}'
    headers = {"ETag": 'W/"3"', "Location": "Observation/7/_history/3", "Content-Type": "application/fhir+json"}
    with HostileServer(script([Reply(201, body, headers)])) as server, client(server) as c:
        response = c.request("POST", "Observation", json={"value": Decimal("2.50")})
    assert response.status == 201
    assert response.ok
    assert response.body["valueQuantity"]["value"] == Decimal("1.10")
    assert str(response.body["valueQuantity"]["value"]) == "1.10"
    assert (response.version, response.location) == ("3", "Observation/7/_history/3")
    request = server.requests[0]
    assert request.body == b'{"value":2.50}'
    assert request.headers["accept"] == "application/fhir+json"
    assert "authorization" not in request.headers


@pytest.mark.parametrize(("etag", "version"), [('W/"1"', "1"), ('"1"', "1"), ("1", "1"), ("", "")])
def test_version_of_every_etag_seen_in_the_field(etag, version):
    reply = Reply(200, {}, {"ETag": etag} if etag else {})
    with HostileServer(script([reply])) as server, client(server) as c:
        assert c.request("GET", "x").version == version


SPOILT = [
    fault for fault in FAULTS if not fault.startswith(("stall", "drip")) and fault not in ("gzip-bomb", "unframed")
]
STUCK = ["stall", "stall-headers", "drip-headers", "drip-body"]


@pytest.mark.parametrize("fault", SPOILT)
def test_a_spoilt_answer_to_get_is_asked_for_again(fault):
    spoilt = Reply(200, {"resourceType": "Patient", "pad": "x" * 200}, fault=fault)
    with HostileServer(script([spoilt, OK])) as server, client(server) as c:
        assert c.request("GET", "Patient").body["resourceType"] == "Bundle"
        assert len(server.requests) == 2


@pytest.mark.parametrize("fault", SPOILT)
def test_a_spoilt_answer_to_every_try_is_one_plain_error(fault):
    spoilt = Reply(200, {"resourceType": "Patient", "pad": "x" * 200}, fault=fault)
    with HostileServer(script([spoilt])) as server, client(server) as c:
        with pytest.raises(HttpError) as caught:
            c.request("GET", "Patient")
        assert len(server.requests) == (2 if fault == "html" else 3)
    assert "\n" not in str(caught.value)
    assert not isinstance(caught.value, AmbiguousOutcome)


@pytest.mark.parametrize("fault", [*SPOILT, "gzip-bomb"])
def test_a_post_whose_answer_is_spoilt_is_sent_once_and_called_ambiguous(fault):
    spoilt = Reply(201, {"resourceType": "Patient", "pad": "x" * 200}, fault=fault)
    with HostileServer(script([spoilt])) as server, client(server) as c:
        with pytest.raises(AmbiguousOutcome):
            c.request("POST", "Patient", json={})
        assert len(server.requests) == 1


def test_an_answer_without_length_is_read_to_its_end():
    with HostileServer(script([Reply(200, {"a": "x" * 5000}, fault="unframed")])) as server, client(server) as c:
        assert c.request("GET", "Patient").body == {"a": "x" * 5000}


@pytest.mark.parametrize("status", [500, 502, 503, 504])
def test_a_server_error_after_a_post_is_ambiguous(status):
    reply = Reply(status, {"resourceType": "OperationOutcome"}, {"Retry-After": "7"})
    with HostileServer(script([reply])) as server, client(server) as c:
        with pytest.raises(AmbiguousOutcome) as caught:
            c.request("POST", "", json={})
        assert len(server.requests) == 1
    assert caught.value.status == status
    assert caught.value.retry_after == 7


@pytest.mark.parametrize("fault", STUCK)
@pytest.mark.parametrize("method", ["GET", "POST"])
def test_no_server_can_hold_a_call_beyond_its_deadline(fault, method):
    stuck = Reply(200, {"resourceType": "Bundle", "pad": "x" * 2000}, fault=fault)
    with HostileServer(script([stuck])) as server, client(server, deadline=0.7) as c:
        began = time.monotonic()
        with pytest.raises(ServerError) as caught:
            c.request(method, "Patient", json={} if method == "POST" else None)
        assert 0.6 <= time.monotonic() - began < 3
        assert len(server.requests) == 1
    assert isinstance(caught.value, AmbiguousOutcome) == (method == "POST")
    assert "deadline" in str(caught.value)


def test_a_silent_server_is_asked_again_after_the_idle_time_out():
    with HostileServer(script([Reply(200, OK.body, fault="stall"), OK])) as server, client(server, idle=0.2) as c:
        assert c.request("GET", "Patient").ok
        assert len(server.requests) == 2


def test_a_file_that_drips_is_cut_off_and_a_slow_one_is_not():
    body = b"x" * 3000
    with HostileServer(script([Reply(200, body, fault="drip-body", every=0.01)])) as server:
        with client(server, idle=0.1) as c:
            began = time.monotonic()
            with pytest.raises(HttpError), c.stream("file") as stream:
                b"".join(stream.chunks)
            assert time.monotonic() - began < 5
        with client(server, idle=20) as c, c.stream("file") as stream:
            assert b"".join(stream.chunks) == body


def test_a_stream_is_given_time_as_long_as_it_flows():
    size = 10 * 65536
    server = HostileServer(script([OK]))

    def answer(connection, request, reply):
        connection.sendall(f"HTTP/1.1 200 OK\r\nContent-Length: {size}\r\n\r\n".encode())
        for _ in range(10):
            time.sleep(0.45)  # each in time, together longer than one piece may take
            connection.sendall(b"x" * 65536)
        return False

    server._answer = answer
    with server, client(server, idle=0.8) as c:
        began = time.monotonic()
        with c.stream("file") as stream:
            assert sum(map(len, stream.chunks)) == size
        assert time.monotonic() - began > 5 * 0.8


def test_the_watchdog_leaves_a_finished_connection_alone():
    with HostileServer(script([OK])) as server, client(server, deadline=0.3) as c:
        c.request("GET", "Patient")
        time.sleep(0.5)  # beyond the first call's deadline
        assert c.request("GET", "Patient").ok


@pytest.mark.parametrize("status", [429, 503])
@pytest.mark.parametrize("form", ["seconds", "date"])
def test_retry_after_in_both_forms_is_obeyed(status, form):
    # the server's clock is an hour ahead: the date is read against its own Date header
    ahead = time.time() + 3600
    after = "4" if form == "seconds" else email.utils.formatdate(ahead + 4, usegmt=True)
    busy = Reply(status, {}, {"Retry-After": after, "Date": email.utils.formatdate(ahead, usegmt=True)})
    waits: list[float] = []
    with HostileServer(script([busy, OK])) as server, client(server, sleep=waits.append) as c:
        assert c.request("GET", "Patient").ok
    assert len(waits) == 1
    assert 4 <= waits[0] < 5


def test_429_is_a_refusal_and_a_post_may_be_sent_again():
    with HostileServer(script([Reply(429, {}), Reply(201, {})])) as server, client(server) as c:
        assert c.request("POST", "Patient", json={}).status == 201
        assert len(server.requests) == 2


def test_backoff_grows_within_its_jitter_and_stops_at_the_cap():
    waits: list[float] = []
    retry = Retry(attempts=6, first=1.0, longest=4.0)
    with HostileServer(script([Reply(503, {})])) as server, client(server, retry=retry, sleep=waits.append) as c:
        with pytest.raises(HttpError) as caught:
            c.request("GET", "Patient")
        assert len(server.requests) == 6
    assert caught.value.status == 503
    for wait, full in zip(waits, [1, 2, 4, 4, 4], strict=True):
        assert full / 2 <= wait <= full


def test_a_wait_beyond_the_deadline_is_not_begun():
    waits: list[float] = []
    busy = Reply(503, {}, {"Retry-After": "3600"})
    with (
        HostileServer(script([busy])) as server,
        client(server, sleep=waits.append) as c,
        pytest.raises(HttpError) as caught,
    ):
        c.request("GET", "Patient")
    assert waits == []
    assert caught.value.retry_after == 3600


def test_the_deadline_of_the_whole_command_is_unfinished_work():
    with HostileServer(script([Reply(503, {}, {"Retry-After": "50"})])) as server:
        with client(server, until=Deadline(5)) as c, pytest.raises(UnfinishedError) as caught:
            c.request("GET", "Patient")
        assert caught.value.exit_code == 5
        with client(server, until=Deadline(0)) as c, pytest.raises(UnfinishedError):
            c.request("GET", "Patient")
        assert len(server.requests) == 1


def test_a_server_that_is_not_there_was_surely_never_reached():
    with HostileServer(script([OK])) as server:
        pass
    with client(server) as c, pytest.raises(UnreachableError) as caught:
        c.request("POST", "Patient", json={})
    assert caught.value.exit_code == 4
    assert "3 tries" in str(caught.value)


SIX = Retry(attempts=6, first=0.001, longest=0.002)


def test_an_address_where_nobody_has_ever_been_is_not_waited_for(monkeypatch):
    """A wrong address shows at the first contact: a few tries, with the remedy for what it was."""
    with HostileServer(script([OK])) as server:
        pass
    with client(server, retry=SIX) as c, pytest.raises(UnreachableError, match=r"\(3 tries\).*address and port"):
        c.request("GET", "metadata")

    def nowhere(*_, **__):
        raise socket.gaierror(socket.EAI_NONAME, "no such name")

    monkeypatch.setattr(socket, "getaddrinfo", nowhere)
    words = r"name cannot be resolved \(2 tries\).*host name"
    with Client("https://records.example/fhir", retry=SIX) as c, pytest.raises(UnreachableError, match=words):
        c.request("GET", "metadata")


def test_a_server_that_was_there_and_goes_away_is_tried_on():
    with HostileServer(script([Reply(200, {}, {"Connection": "close"})])) as server, client(server, retry=SIX) as c:
        assert c.request("GET", "metadata", headers={"Connection": "close"}).ok
        server.__exit__()
        with pytest.raises(UnreachableError, match=r"\(6 tries\)"):
            c.request("GET", "Patient")


def test_an_interim_answer_is_no_answer():
    """What follows a 103 on the line would be taken for the answer to the next request."""
    with HostileServer(script([Reply(103, b""), OK])) as server, client(server) as c:
        assert c.request("GET", "Patient").status == 200
        assert len(server.requests) == 2
    with HostileServer(script([Reply(103, b"")])) as server, client(server) as c, pytest.raises(AmbiguousOutcome):
        c.request("POST", "Patient", json={})


def test_limits_on_bytes_and_depth():
    limits = Limits(bytes=1000, depth=10)
    with HostileServer(script([Reply(200, {"pad": "x" * 2000})])) as server, client(server, limits=limits) as c:
        with pytest.raises(LimitError):
            c.request("GET", "Patient")
        assert len(server.requests) == 1
    deep: dict = {}
    for _ in range(20):
        deep = {"a": deep}
    with (
        HostileServer(script([Reply(200, deep)])) as server,
        client(server, limits=limits) as c,
        pytest.raises(ServerError, match="nested too deep"),
    ):
        c.request("GET", "Patient")


def test_a_gzip_bomb_is_cut_off_by_its_ratio():
    with (
        HostileServer(script([Reply(200, {}, fault="gzip-bomb")])) as server,
        client(server) as c,
        pytest.raises(LimitError, match="-fold"),
    ):
        c.request("GET", "Patient")


def test_a_gzip_answer_is_read():
    import gzip

    body = gzip.compress(b'{"resourceType":"Patient","value":1.10}')
    reply = Reply(200, body, {"Content-Encoding": "gzip", "Content-Type": "application/fhir+json"})
    with HostileServer(script([reply])) as server, client(server) as c:
        assert str(c.request("GET", "Patient").body["value"]) == "1.10"
    assert server.requests[0].headers["accept-encoding"] == "gzip"


def test_a_coding_we_did_not_ask_for_is_refused():
    reply = Reply(200, b"\x00\x01", {"Content-Encoding": "br", "Content-Type": "application/fhir+json"})
    with (
        HostileServer(script([reply])) as server,
        client(server) as c,
        pytest.raises(ServerError, match="did not ask for"),
    ):
        c.request("GET", "Patient")


@pytest.mark.parametrize("status", [400, 403, 404, 409, 410, 412, 413, 422])
def test_a_refusal_is_an_answer_and_given_back(status):
    body = {"resourceType": "OperationOutcome", "issue": [{"severity": "error", "code": "conflict"}]}
    with HostileServer(script([Reply(status, body)])) as server, client(server) as c:
        response = c.request("PUT", "Patient/1", json={})
        assert len(server.requests) == 1
    assert response.status == status
    assert response.issues == [{"severity": "error", "code": "conflict"}]
    assert f"HTTP {status} (conflict)" in str(response.error("the update"))


def test_401_without_credentials_is_one_error():
    with HostileServer(script([Reply(401, {})])) as server, client(server) as c:
        with pytest.raises(HttpError, match="401"):
            c.request("GET", "Patient")
        assert len(server.requests) == 1


# -- redirects --------------------------------------------------------------------------------------------------------


def test_redirects_on_the_same_origin():
    def handler(request):
        if request.path == "/fhir/old":
            return Reply(302, b"", {"Location": "/fhir/new"})
        if request.path == "/fhir/relative":
            return Reply(301, b"", {"Location": "new"})
        if request.path == "/fhir/moved":
            return Reply(308, b"", {"Location": "/fhir/new"})
        if request.path == "/fhir/loop":
            return Reply(302, b"", {"Location": "/fhir/loop"})
        return Reply(200, {"path": request.path, "method": request.method, "sent": request.body.decode()})

    with HostileServer(handler) as server, client(server) as c:
        assert c.request("GET", "old").body["path"] == "/fhir/new"
        assert c.request("GET", "relative").body["path"] == "/fhir/new"
        kept = c.request("POST", "moved", json={"a": 1}).body
        assert (kept["method"], kept["sent"]) == ("POST", '{"a":1}')
        with pytest.raises(HttpError, match="redirects a POST"):
            c.request("POST", "old", json={})
        with pytest.raises(HttpError, match="more than 5 redirects"):
            c.request("GET", "loop")


@pytest.mark.parametrize("status", [301, 302, 303, 307, 308])
@pytest.mark.parametrize("method", ["POST", "PUT", "GET"])
def test_data_never_follows_a_redirect_to_another_origin(status, method):
    with HostileServer(script([OK])) as evil:
        handler = script([Reply(status, b"", {"Location": f"{evil.url}/Patient"})])
        with HostileServer(handler) as server, client(server) as c:
            with pytest.raises(ServerError):
                c.request(method, "Patient", json=None if method == "GET" else {"name": "HTEST"})
            if method != "GET":  # leave to follow is for reading only
                with pytest.raises(ServerError):
                    c.request(method, "Patient", json={"name": "HTEST"}, foreign=True)
                with pytest.raises(OriginError):
                    c.request(method, f"{evil.url}/Patient", json={"name": "HTEST"}, foreign=True)
        assert evil.requests == []


# -- pages ------------------------------------------------------------------------------------------------------------


def bundle(*, next_url: str = "", **more):
    links = [{"relation": "next", "url": next_url}] if next_url else []
    return {"resourceType": "Bundle", "type": "searchset", "link": links, "entry": [], **more}


def test_pages_are_followed_and_loops_refused():
    def handler(request):
        page = int(request.query.get("page", "1"))
        following = {1: 2, 2: 3, 3: 2 if "loop" in request.query else 0}[page]
        loop = "&loop=1" if "loop" in request.query else ""
        return Reply(200, bundle(next_url=f"/fhir/Observation?page={following}{loop}" if following else "", page=page))

    with HostileServer(handler) as server, client(server) as c:
        assert [page["page"] for page in c.pages("Observation")] == [1, 2, 3]
        with pytest.raises(ServerError, match="loops"):
            list(c.pages("Observation?loop=1"))


def test_pages_have_limits():
    counter = iter(range(1000))
    endless = HostileServer(lambda _: Reply(200, bundle(next_url=f"Observation?page={next(counter)}")))
    with endless as server, client(server, limits=Limits(pages=5)) as c:
        with pytest.raises(LimitError):
            list(c.pages("Observation"))
        assert len(server.requests) == 5
    many = Reply(200, {"resourceType": "Bundle", "entry": [{}] * 11})
    with (
        HostileServer(script([many])) as server,
        client(server, limits=Limits(entries=10)) as c,
        pytest.raises(LimitError),
    ):
        list(c.pages("Observation"))


def test_a_foreign_next_link_needs_leave():
    with HostileServer(script([OK])) as evil:
        handler = script([Reply(200, bundle(next_url=f"{evil.url}/Observation?page=2"))])
        with HostileServer(handler) as server, client(server) as c:
            with pytest.raises(OriginError):
                list(c.pages("Observation"))
            assert evil.requests == []
            assert len(list(c.pages("Observation", foreign=True))) == 2
            assert len(evil.requests) == 1


# -- threads ----------------------------------------------------------------------------------------------------------


def test_eight_threads_share_eight_connections():
    seen: set[str] = set()
    barrier = threading.Barrier(8, timeout=10)
    first = threading.local()

    def handler(request):
        seen.add(threading.current_thread().name + str(threading.get_ident()))
        return Reply(200, {"n": int(request.query["n"])})

    with HostileServer(handler) as server, client(server, concurrency=8) as c:
        wrong: list[int] = []

        def work(start: int) -> None:
            first.done = barrier.wait()
            for number in range(start, start + 25):
                if c.request("GET", f"x?n={number}").body["n"] != number:
                    wrong.append(number)

        threads = [threading.Thread(target=work, args=(100 * n,)) for n in range(8)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(30)
        assert wrong == []
        assert len(server.requests) == 200
        assert len(seen) <= 8  # one server thread a connection


def test_a_connection_the_server_closed_between_calls_is_replaced():
    served = 0

    def handler(request):
        nonlocal served
        served += 1
        return OK

    with HostileServer(handler) as server, client(server) as c:
        c.request("GET", "Patient")
        with server._lock:
            for connection in server._open:
                connection.shutdown(2)
        time.sleep(0.05)
        assert c.request("POST", "Patient", json={}).ok
    assert served == 2
