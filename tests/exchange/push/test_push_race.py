"""Two processes push the same exams at the same moment, eight requests at a time.

On one outbox there is no double. With an outbox each nothing can prevent them (the server decides); every double there
is must then be held as `doubled` and named by at least one of the two.
"""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
import threading
import urllib.request
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest

from fhir_bladder import wire
from fhir_bladder.exchange.outbox import Outbox
from fhir_bladder.sandbox.embedded import embedded_server

EXAMS = 40
SYSTEM = "https://w3id.org/fhir-bladder/NamingSystem/exam-key"


@pytest.fixture(scope="module")
def embedded() -> Iterator[str]:
    pytest.importorskip("sekmet", reason="the embedded server (extra demo) is not installed")
    with embedded_server() as url:
        yield url


@pytest.fixture
def careless(other_server: Any) -> Iterator[str]:
    """No transaction isolation and no conditions."""
    with other_server.OtherServer(conditional=False) as running:
        yield running.url


@pytest.fixture
def racing(other_server: Any) -> Iterator[str]:
    """The same, and the first exam is written only when both processes have looked for it: a double for certain."""
    with other_server.OtherServer(conditional=False) as running:
        both = threading.Condition(running.lock)
        writes = 0

        def meet(request: Any) -> None:
            nonlocal writes
            if request.method == "POST" and b'/E-0"' in request.body:
                writes += 1
                both.notify_all()
                both.wait_for(lambda: writes > 1, timeout=30)

        running.before = meet
        yield running.url


def ask(url: str, path: str, body: Any = None) -> Any:
    data = json.dumps(body).encode() if body is not None else None
    request = urllib.request.Request(f"{url}/{path}", data, {"Content-Type": "application/fhir+json"})
    with urllib.request.urlopen(request) as answer:
        return json.load(answer)


def keys(url: str, serial: str) -> dict[str, int]:
    """Exam number → how many Observations the server has under its key."""
    found = {}
    for number in range(EXAMS):
        token = quote(f"{SYSTEM}|{serial}/E-{number}", safe="")
        found[f"{serial}/E-{number}"] = len(ask(url, f"Observation?identifier={token}").get("entry", []))
    return found


def run_two(bench: Any, url: str, outboxes: list[Path]) -> tuple[str, list[dict[str, Any]]]:
    """Two processes at once; the scanner's serial and what each says."""
    serial, mrn = f"LK-{uuid.uuid4().hex[:10]}", uuid.uuid4().hex[:8]
    record = bench.record()
    record["patient"]["identifiers"][0]["value"] = mrn
    patient = {"resourceType": "Patient", "active": True, "birthDate": "1951-03-09"}
    ask(url, "Patient", patient | {"identifier": [{"system": bench.mrn, "value": mrn}]})
    device = {"system": "https://w3id.org/fhir-bladder/NamingSystem/device-serial", "value": serial}
    ask(url, "Device", {"resourceType": "Device", "identifier": [device], "serialNumber": serial})
    script = Path(__file__).with_name("race_driver.py")
    with contextlib.ExitStack() as stack:
        processes = []
        for outbox in outboxes:
            process = stack.enter_context(
                subprocess.Popen(
                    [sys.executable, str(script)],
                    stdin=subprocess.PIPE,
                    stdout=subprocess.PIPE,
                    cwd=Path(__file__).parents[3],
                    env={"PYTHONPATH": "."},
                    text=True,
                )
            )
            stack.callback(process.kill)
            processes.append(process)
            order = {"outbox": str(outbox), "url": url, "serial": serial, "exams": EXAMS, "record": record}
            assert process.stdout.readline() == "ready\n"
            process.stdin.write(wire.dumps(order).decode() + "\n")
            process.stdin.flush()
        for process in processes:
            assert process.stdout.readline() == "prepared\n"
        for process in processes:
            process.stdin.write("\n")
            process.stdin.flush()
        told = [json.loads(process.stdout.readline()) for process in processes]
    assert [one["error"] for one in told] == ["", ""]
    return serial, told


HAPI = pytest.param("hapi_url", marks=pytest.mark.server)


@pytest.mark.parametrize("where", ["careless", "embedded", HAPI])
def test_one_outbox_two_processes_no_double(bench: Any, request: pytest.FixtureRequest, where: str) -> None:
    url = request.getfixturevalue(where)
    serial, _ = run_two(bench, url, [bench.outbox_path, bench.outbox_path])
    assert set(keys(url, serial).values()) == {1}
    with Outbox(bench.outbox_path) as box:
        assert box.counts()["delivered"] == EXAMS


@pytest.mark.parametrize("where", ["racing", "embedded", HAPI])
def test_two_outboxes_every_double_is_told(bench: Any, request: pytest.FixtureRequest, where: str) -> None:
    url = request.getfixturevalue(where)
    paths = [bench.folder / "one.db", bench.folder / "two.db"]
    serial, _ = run_two(bench, url, paths)
    found = keys(url, serial)
    assert min(found.values()) >= 1
    states: dict[str, list[tuple[str, str, str]]] = {}
    for path in paths:
        with Outbox(path) as box:
            for row in box.rows():
                states.setdefault(row.key, []).append((row.state, row.code, row.reason))
    for key, count in found.items():
        told = [reason for state, code, reason in states[key] if (state, code) == ("held", "doubled")]
        if count > 1:
            assert told, (key, count, states[key])
            assert all(f"{count} times" in reason and "Observation/" in reason for reason in told), (key, count, told)
        else:
            assert [state for state, _, _ in states[key]] == ["delivered", "delivered"], (key, states[key])
    doubles = sum(count > 1 for count in found.values())
    print(f"{doubles} of {EXAMS} exams doubled on the server by two outboxes, each told")
    assert doubles or where != "racing"
