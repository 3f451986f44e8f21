"""Kill -9 at every boundary of the listener: nothing acknowledged is lost, nothing is doubled."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from pathlib import Path
from typing import Any

import pytest

from fhir_bladder.exchange.outbox import Outbox
from fhir_bladder.intake.boundaries import POINTS
from fhir_bladder.readers import v2_parse

pytestmark = pytest.mark.crash
ROOT = Path(__file__).parents[2]
SCRIPT = Path(__file__).parent / "crash_listener.py"
MESSAGES = (1, 2, 3)
FILES = ("a.ndjson", "b.ndjson")


class Process:
    """The listener as a process of its own; its boundaries are collected as it reaches them."""

    def __init__(self, folder: Path, point: str = "none", occurrence: int = 0) -> None:
        self.process = subprocess.Popen(
            [sys.executable, str(SCRIPT), str(folder), point, str(occurrence)],
            stdout=subprocess.PIPE, text=True, cwd=ROOT, env=os.environ | {"PYTHONPATH": str(ROOT)},
        )  # fmt: skip
        self.points: list[str] = []
        self.port = 0
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            word = line.split()
            if word[0] == "PORT":
                self.port = int(word[1])
            else:
                self.points.append(word[0])

    def listening(self) -> bool:
        end = time.monotonic() + 30
        while not self.port and self.process.poll() is None and time.monotonic() < end:
            time.sleep(0.01)
        return bool(self.port)

    def ended(self, seconds: float = 30) -> int:
        code = self.process.wait(seconds)
        self._thread.join(5)
        return code

    def stop(self) -> int:
        self.process.send_signal(signal.SIGTERM)
        return self.ended()


def prepare(folder: Path, good: bytes, bad: bytes) -> None:
    (folder / "in").mkdir(parents=True)
    shutil.copy(ROOT / "examples" / "hl7v2" / "map.toml", folder / "map.toml")
    (folder / "in" / FILES[0]).write_bytes(good)
    (folder / "in" / FILES[1]).write_bytes(bad)


def send_all(port: int, client: Any, message: Any, left: set[int]) -> set[int]:
    """Send messages until the connection breaks; the numbers acknowledged."""
    acknowledged = set()
    try:
        with client(port) as sender:
            for number in sorted(left):
                answer = sender.ask(message(number))
                if not answer:
                    break
                msa = v2_parse.parse(answer).segments[1]
                assert (msa.text(1), msa.text(2)) == ("AA", str(number))
                acknowledged.add(number)
    except OSError:
        pass
    return acknowledged


def handled(folder: Path) -> bool:
    return not [path for path in (folder / "in").iterdir() if path.is_file()]


def until(what: Any, seconds: float = 30) -> None:
    end = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < end, "did not happen"
        time.sleep(0.02)


@pytest.fixture
def contents(line: Any) -> tuple[bytes, bytes]:
    return line("F-1") + line("F-2"), line("F-3") + line("F-4", void_state="x")


@pytest.fixture
def line() -> Any:
    import json

    def make(number: str, **fields: Any) -> bytes:
        return json.dumps(
            {
                "record_version": "1", "exam_number": number, "device": {"serial": "LK-1"}, "synthetic": True,
                "patient": {"identifiers": [{"system": "https://records.example/mrn", "value": "1"}]},
                "started_at": "2026-11-18T10:42:00+00:00", "void_state": "pre-void",
                "scans": [{"scan_number": 1, "volume": {"value": 212, "unit": "mL"}}],
            } | fields
        ).encode() + b"\n"  # fmt: skip

    return make


def run(folder: Path, client: Any, message: Any, point: str = "none", occurrence: int = 0) -> tuple[set[int], Process]:
    """One run: send the messages, wait for the files; ends by the kill, or by SIGTERM where there was none."""
    process = Process(folder, point, occurrence)
    acknowledged: set[int] = set()
    if process.listening():
        acknowledged = send_all(process.port, client, message, set(MESSAGES))
        if acknowledged == set(MESSAGES):
            until(lambda: handled(folder) or process.process.poll() is not None)
    if process.process.poll() is None and point == "none":
        assert process.stop() == 0
    else:
        try:
            process.ended(15)
        except subprocess.TimeoutExpired:
            process.process.kill()
            process.ended()
    return acknowledged, process


def test_the_trace_names_every_boundary(tmp_path: Path, client: Any, message: Any, contents: Any) -> None:
    prepare(tmp_path, *contents)
    acknowledged, process = run(tmp_path, client, message)
    assert acknowledged == set(MESSAGES)
    assert set(process.points) == {*POINTS, "in-transaction"}


EVERY = [(point, n) for point in (*POINTS, "in-transaction") for n in (1, 2)]
EVERY = [pair for pair in EVERY if pair != ("why-written", 2)]  # only one file is refused


@pytest.mark.parametrize(("point", "occurrence"), EVERY, ids=[f"{point}-{n}" for point, n in EVERY])
def test_killed_at(tmp_path: Path, client: Any, message: Any, contents: Any, point: str, occurrence: int) -> None:
    prepare(tmp_path, *contents)
    acknowledged, process = run(tmp_path, client, message, point, occurrence)
    assert process.process.returncode == -signal.SIGKILL, (process.points, process.process.returncode)
    with Outbox(tmp_path / "outbox.sqlite") as outbox:
        there = {row.key for row in outbox.rows()}
    assert {f"LK-1/E-{number}" for number in acknowledged} <= there, "acknowledged, but lost"
    # the sender sends again what was not acknowledged (and, as senders do, everything), to a listener that lives
    again, _ = run(tmp_path, client, message)
    assert again == set(MESSAGES)
    with Outbox(tmp_path / "outbox.sqlite") as outbox:
        rows = list(outbox.rows())
    counts = Counter(row.key for row in rows)
    assert counts == Counter([f"LK-1/E-{n}" for n in MESSAGES] + [f"LK-1/F-{n}" for n in (1, 2, 3, 4)])
    assert {row.key for row in rows if row.state == "held"} == {"LK-1/F-4"}
    assert sorted(p.name for p in (tmp_path / "in" / "done").iterdir()) == ["a.ndjson"]
    assert sorted(p.name for p in (tmp_path / "in" / "refused").iterdir()) == ["b.ndjson", "b.ndjson.why"]
