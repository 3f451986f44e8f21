"""Kill push at every commit and network boundary; afterwards every acknowledged exam is on the server exactly once.

The boundaries come from a run without kills. A record counts as acknowledged once the outbox has accepted it; after
the kill only the others are given again, as a scanner would that got its acknowledgement.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from fhir_bladder import wire
from fhir_bladder.exchange.outbox import Outbox
from fhir_bladder.sandbox.hostile_faults import HostileServer, serve_http
from fhir_bladder.sandbox.hostile_fhir import Character, Store

pytestmark = pytest.mark.crash

EXAMS = 4
Driver = Callable[..., int]


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    """In memory where there is such a place: a killed process loses nothing of it, and no sync has to be waited for."""
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else tmp_path) as name:
        yield Path(name)


@pytest.fixture
def driver() -> Iterator[Driver]:
    script = Path(__file__).with_name("crash_driver.py")
    with subprocess.Popen(
        [sys.executable, str(script)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        cwd=Path(__file__).parents[3],
        text=True,
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None

        def order(folder: Path, url: str, give: list[Any], shape: str, *, kill: int = 0, commit: bool = True) -> int:
            line = {"folder": str(folder), "url": url, "give": give, "shape": shape, "kill": kill, "commit": commit}
            process.stdin.write(wire.dumps(line).decode() + "\n")
            process.stdin.flush()
            return int(process.stdout.readline())

        yield order
        process.stdin.close()


class Trial:
    """One folder, one empty server, some exams: an amended one and one that replaces another among them."""

    def __init__(self, bench: Any, server: HostileServer, url: str, folder: Path, driver: Driver, shape: str) -> None:
        folder.mkdir()
        self.server, self.url, self.folder, self.driver, self.shape = server, url, folder, driver, shape
        character = server.store.character
        server.store = Store(character, url)
        self.records = [bench.record(n, patient=n % 3) for n in range(EXAMS - 1)]
        self.records.append(bench.record(0, patient=0, status="amended", volume=199))
        self.records.append(bench.record(EXAMS, patient=1, supersedes="E-1"))

    def run(self, give: list[Any], **options: Any) -> int:
        return self.driver(self.folder, self.url, give, self.shape, **options)

    def trace(self) -> list[str]:
        return (self.folder / "trace").read_text().splitlines()

    def not_acknowledged(self) -> list[Any]:
        """Records that the outbox had not accepted: all or none here, they are one group."""
        return [] if (self.folder / "acknowledged").read_text() else self.records

    def check(self) -> None:
        store = self.server.store
        system = "https://w3id.org/fhir-bladder/NamingSystem/exam-key"
        with Outbox(self.folder / "outbox.db") as box:
            rows = list(box.rows())
        assert len(rows) == len(self.records)
        assert {row.state for row in rows} <= {"delivered", "superseded"}
        for number in [*range(EXAMS - 1), EXAMS]:
            [found] = store.by_identifier("Observation", system, f"LK-0093/E-{number}")
            expected = {0: "amended", 1: "entered-in-error"}.get(number, "final")
            assert found["status"] == expected, (number, found["status"])
            [report] = store.by_identifier("DiagnosticReport", system, f"LK-0093/E-{number}")
            assert report["status"] == expected
            name = f"Observation/{found['id']}"
            notes = [p for p in store.current("Provenance") if any(t["reference"] == name for t in p["target"])]
            assert len(notes) == 1


@pytest.mark.parametrize(
    ("shape", "character"),
    [
        ("panel", Character()),
        ("panel", Character(transactions=False, stale=409)),
        ("single", Character(max_entries=4)),
        ("panel", Character(transactions=False, conditional=False, client_ids=False)),
    ],
    ids=["transactions", "single-requests", "small-transactions", "nothing-conditional"],
)
def test_killed_at_every_boundary(bench: Any, folder: Path, driver: Driver, shape: str, character: Character) -> None:
    server = HostileServer(Store(character))
    with serve_http(server) as url:
        clean = Trial(bench, server, url, folder / "clean", driver, shape)
        assert clean.run(clean.records) == 0
        clean.check()
        boundaries = clean.trace()
        counts = server.store.counts()
        assert boundaries.count("before commit") >= 6
        assert sum("POST" in b or "PUT" in b for b in boundaries) >= 10
        for number in range(1, len(boundaries) + 1):
            trial = Trial(bench, server, url, folder / str(number), driver, shape)
            assert trial.run(trial.records, kill=number) == -9, number
            assert trial.trace() == boundaries[:number], number
            again = trial.not_acknowledged()
            assert trial.run(again) == 0, (number, boundaries[number - 1])
            trial.check()
            found = server.store.counts()
            if shape != "panel" or not character.transactions:
                # pieces of an update that was cut off are written again where the exam itself had not been reached
                found["versions"] = counts["versions"]
            assert found == counts, (number, boundaries[number - 1])
        print(f"{len(boundaries)} boundaries")


def test_it_fails_without_the_commit(bench: Any, folder: Path, driver: Driver) -> None:
    """The proof can fail: with the outbox's commits taken out the same check finds lost exams."""
    server = HostileServer()
    with serve_http(server) as url:
        clean = Trial(bench, server, url, folder / "clean", driver, "panel")
        assert clean.run(clean.records, commit=False) == 0
        boundaries = clean.trace()
        first_write = next(n for n, name in enumerate(boundaries, 1) if name == "before POST")
        trial = Trial(bench, server, url, folder / "killed", driver, "panel")
        assert trial.run(trial.records, kill=first_write, commit=False) == -9
        assert trial.not_acknowledged() == []
        assert trial.run([]) == 0
        with pytest.raises(AssertionError):
            trial.check()
