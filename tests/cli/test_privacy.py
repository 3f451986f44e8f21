"""Marked words, numbers and dates in every field that can name a person: they stand in the outbox and nowhere else."""

from __future__ import annotations

import json
import sqlite3
import threading
import zlib
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

WORDS = ("Canary", "1944-04-04", "2019-07-23", "137.4567", "T0ken-Canary")


def _record(folder: Path, **changes: Any) -> dict[str, Any]:
    record = json.loads((folder / "exam.json").read_text())
    one = {"system": "https://records.example/x", "value": "Canary-7"}
    record |= {
        "patient": {
            "identifiers": [{"system": "https://records.example/mrn", "value": "Canary-431", "type": "MR"}],
            "birth_date": "1944-04-04", "administrative_gender": "female",
            "family_name": "Canary", "given_names": ["Canary"],
        },
        "order": one, "encounter": one, "episode": one, "reason": "Canary reason",
        "operator": {"identifier": one, "display": "Canary operator"}, "location": "Canary ward",
        "started_at": "2019-07-23T10:42:00+00:00", "voided_at": "2019-07-23T10:35:00+00:00",
        "voided_volume": {"value": 137.4567, "unit": "mL"},
        "verified": {"by": "Canary verifier", "at": "2019-07-23T10:44:00+00:00", "note": "Canary note"},
        "action": {"what": "escalated", "note": "Canary action"},
    }  # fmt: skip
    return record | changes


class _Echo(BaseHTTPRequestHandler):
    """A server that fails and says everything it was told."""

    def _answer(self) -> None:
        body = self.rfile.read(int(self.headers.get("content-length", 0))).decode("utf-8", "replace")
        if self.path.endswith("/metadata"):
            status, answer = 200, {"resourceType": "CapabilityStatement", "fhirVersion": "4.0.1", "rest": [
                {"mode": "server", "interaction": [{"code": "transaction"}],
                 "resource": [{"type": "Observation", "conditionalCreate": True}]}]}  # fmt: skip
        elif self.command == "GET":
            status, answer = 200, {"resourceType": "Bundle", "type": "searchset", "entry": []}
        else:
            told = f"{self.path} {dict(self.headers)} {body} Canary"
            issue = {"severity": "error", "code": "invalid", "diagnostics": told, "details": {"text": told}}
            status, answer = 422, {"resourceType": "OperationOutcome", "issue": [issue]}
        data = json.dumps(answer).encode()
        self.send_response(status)
        self.send_header("Content-Type", "application/fhir+json")
        self.send_header("Content-Length", str(len(data)))
        self.end_headers()
        self.wfile.write(data)

    do_GET = do_POST = do_PUT = do_DELETE = _answer

    def log_message(self, *_: Any) -> None:
        pass


@pytest.fixture
def echo() -> Any:
    server = ThreadingHTTPServer(("127.0.0.1", 0), _Echo)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    yield f"http://127.0.0.1:{server.server_port}/fhir"
    server.shutdown()
    server.server_close()


def _payloads(path: Path) -> bytes:
    with sqlite3.connect(path) as connection:
        rows = connection.execute("SELECT source, bundle FROM payload").fetchall()
    return b"".join(zlib.decompress(part) for row in rows for part in row if part)


def _files(folder: Path, name: str) -> bytes:
    return b"".join(path.read_bytes() for path in folder.glob(f"{name}*"))


@pytest.mark.parametrize("where", ["server", "echo", "nowhere"])
def test_canaries_stand_in_the_outbox_and_nowhere_else(run, folder: Path, where: str, request: Any) -> None:
    url = "http://127.0.0.1:9/fhir" if where == "nowhere" else request.getfixturevalue(where)
    records = [
        _record(folder, exam_number=f"P-{where}"),
        _record(folder, exam_number=f"Q-{where}", patient={"administrative_gender": "Canary", "family_name": 7}),
        _record(folder, exam_number=f"R-{where}", verified={"by": ["Canary"], "at": 5}),
        _record(folder, exam_number=f"S-{where}", canary_field="Canary"),
        _record(folder, exam_number=f"T-{where}", voided_at="2019-07-23T11:35:00+00:00"),
        _record(folder, exam_number=f"U-{where}", patient={"identifiers": "Canary", "birth_date": "Canary"}),
    ]
    (folder / "c.ndjson").write_text("".join(json.dumps(record) + "\n" for record in records))
    (folder / "token").write_text("T0ken-Canary\n")
    (folder / "auth.toml").write_text('kind = "bearer"\ntoken_file = "token"\n[headers]\nX-Site = "Canary"\n')
    for name in ("token", "auth.toml"):
        (folder / name).chmod(0o600)
    shown = ""
    common = ("--server", url, "--patients", "create", "--deadline", "4s", "--debug")
    for verb in (
        ("push", "c.ndjson", *common, "--receipts", "receipts.ndjson", "--auth", "auth.toml"),
        ("push", *common),
        ("outbox", "list"),
        ("outbox", "list", "--state", "held", "--output-format", "json"),
        ("pull", "--server", url, "--patient", "https://records.example/mrn|Canary-431", "-o", "pulled.ndjson",
         "--deadline", "4s", "--auth", "auth.toml"),
    ):  # fmt: skip
        done = run(*verb)
        shown += done.stdout + done.stderr
    shown += (folder / "receipts.ndjson").read_text()
    assert b"Canary verifier" in _payloads(folder / "fhir-bladder-outbox.db")  # the check can fail: they are there
    for word in WORDS:
        # An unknown field is refused by its name; values are quoted only of fields that do not describe a person.
        assert word not in shown, [line for line in shown.splitlines() if word in line]
    listed = run("outbox", "list", "--output-format", "json").stdout
    for row in map(json.loads, listed.splitlines()):
        if row["state"] in ("held", "waiting"):
            assert run("outbox", "drop", f"#{row['id']}", "--by", "tester", "--reason", "over").returncode == 0
    assert run("outbox", "purge", "--older-than", "0s").returncode == 0
    assert b"Canary" not in _payloads(folder / "fhir-bladder-outbox.db")
    assert b"Canary" not in _files(folder, "fhir-bladder-outbox.db")
