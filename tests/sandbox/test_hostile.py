"""The hostile server does on the wire what each fault says, seen with plain sockets."""

from __future__ import annotations

import gzip
import json
import socket
import time

import pytest

from fhir_bladder.sandbox.bulk_model import BulkModel, seeded
from fhir_bladder.sandbox.hostile_http import FAULTS, HostileServer, Reply, Request, bomb, script

BODY = b'{"resourceType":"Patient","pad":"' + b"x" * 300 + b'"}'


def talk(server: HostileServer, wait: float = 0.6) -> tuple[bytes, str]:
    """Everything a GET brings, and how it ended: closed, reset, or still open after `wait` seconds."""
    with socket.create_connection(("127.0.0.1", server.port), timeout=wait) as connection:
        connection.sendall(b"GET /fhir/Patient/1?a=b HTTP/1.1\r\nHost: x\r\nX-A: b\r\n\r\n")
        received = b""
        end = time.monotonic() + wait
        try:
            while time.monotonic() < end:
                piece = connection.recv(1 << 20)
                if not piece:
                    return received, "closed"
                received += piece
                if len(received) > 30_000_000:
                    return received, "much"
        except ConnectionResetError:
            return received, "reset"
        except TimeoutError:
            pass
        return received, "open"


def spoilt(fault: str) -> tuple[bytes, bytes, str]:
    bomb()  # made once, before the clock runs
    with HostileServer(script([Reply(200, BODY, fault=fault, every=0.01)])) as server:
        received, end = talk(server)
        assert len(server.requests) == 1
    head, _, body = received.partition(b"\r\n\r\n")
    return head, body, end


def test_a_good_reply_keeps_the_connection():
    head, body, end = spoilt("")
    assert (body, end) == (BODY, "open")
    assert b"Content-Length: %d" % len(BODY) in head


@pytest.mark.parametrize("fault", FAULTS)
def test_each_fault(fault):
    head, body, end = spoilt(fault)
    checks = {
        "drop": lambda: (head, end) == (b"", "closed"),
        "reset": lambda: (head, end) == (b"", "reset"),
        "stall": lambda: (head, end) == (b"", "open"),
        "stall-headers": lambda: head == b"HTTP/1.1 200 Scripted\r\nContent-Ty" and end == "open",
        "drip-headers": lambda: 0 < len(head) < 100 and end == "open" and not body,
        "drip-body": lambda: b"Content-Length" in head and 0 < len(body) < 100 and end == "open",
        "truncate": lambda: len(body) == len(BODY) // 2 and end == "closed" and b"%d" % len(BODY) in head,
        "truncate-chunked": lambda: b"chunked" in head and not body.endswith(b"0\r\n\r\n") and end == "closed",
        "truncate-json": lambda: b"Content-Length: %d" % len(body) in head and not _is_json(body),
        "gzip-truncate": lambda: b"gzip" in head and len(body) < len(gzip.compress(BODY)),
        "gzip-bomb": lambda: len(body) * 500 < len(gzip.decompress(body)),
        "unframed-cut": lambda: b"Content-Length" not in head and len(body) == len(BODY) // 2 and end == "closed",
        "unframed": lambda: b"Content-Length" not in head and body == BODY and end == "closed",
        "html": lambda: b"text/html" in head and body.startswith(b"<html>"),
        "garbage": lambda: not head.startswith(b"HTTP"),
        "endless-headers": lambda: len(head) + len(body) > 1_000_000,
    }
    assert checks[fault]()


def _is_json(data: bytes) -> bool:
    try:
        json.loads(data)
    except ValueError:
        return False
    return True


def test_requests_are_recorded_as_they_came():
    with HostileServer(script([Reply(200, BODY)])) as server:
        talk(server, 0.2)
    request = server.requests[0]
    assert (request.method, request.path, request.query) == ("GET", "/fhir/Patient/1", {"a": "b"})
    assert request.headers["x-a"] == "b"


def test_a_seeded_plan_repeats_itself_and_ends():
    def drawn(seed: int) -> list[str]:
        model = BulkModel()
        plan = seeded(seed)
        kinds = ["kickoff", "status", "manifest", "file", "delete"] * 60
        return [
            repr(reply and (reply.status, reply.fault, reply.cut)) for reply in (plan(kind, model) for kind in kinds)
        ]

    assert drawn(7) == drawn(7)
    assert drawn(7) != drawn(8)
    assert drawn(7)[-50:] == ["None"] * 50  # the budget is spent


def test_the_model_answers_as_the_standard_says():
    """Bulk Data Access: 202 with Content-Location, 202 while it works, 200 with a manifest, 404 after DELETE."""
    model = BulkModel(url="http://h/fhir", polls=1)
    model.fill(3)

    def ask(method: str, target: str, **headers: str) -> Reply:
        return model(Request(method, target, headers, b"", 0))

    kicked = ask("GET", "/fhir/$export?_type=Observation", prefer="respond-async")
    status = kicked.headers["Content-Location"].removeprefix("http://h")
    assert (kicked.status, ask("GET", status).status) == (202, 202)
    manifest = ask("GET", status).body
    assert set(manifest) == {"transactionTime", "request", "requiresAccessToken", "output", "error"}
    assert [(one["type"], one["count"]) for one in manifest["output"]] == [("Observation", 3)]
    file = ask("GET", manifest["output"][0]["url"].removeprefix("http://h"))
    assert file.headers["Content-Type"] == "application/fhir+ndjson"
    assert len(file.body.splitlines()) == 3
    assert ask("DELETE", status).status == 202
    assert ask("GET", status).status == 404
