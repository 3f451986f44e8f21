"""Watched folders: complete files only, done or refused with the reason, nothing twice."""

from __future__ import annotations

import json
import os
import time
from pathlib import Path
from typing import Any

import pytest

from fhir_bladder.errors import ConfigError
from fhir_bladder.exchange.outbox import Outbox
from fhir_bladder.intake import Limits
from fhir_bladder.intake.status import Alert, Status

EXAMPLES = Path(__file__).parents[2] / "examples"
OLD = 10_000


def record(number: int, **fields: Any) -> bytes:
    return json.dumps(
        {
            "record_version": "1", "exam_number": f"F-{number}", "device": {"serial": "LK-1"},
            "patient": {"identifiers": [{"system": "https://records.example/mrn", "value": "1"}]},
            "started_at": "2026-11-18T10:42:00+00:00", "void_state": "pre-void", "synthetic": True,
            "scans": [{"scan_number": 1, "volume": {"value": 212, "unit": "mL"}}],
        } | fields
    ).encode() + b"\n"  # fmt: skip


def put(folder: Path, name: str, data: bytes, age: float = OLD) -> Path:
    """A file that was written `age` seconds ago. (Its change time is now; hence the short settling time here.)"""
    folder.mkdir(exist_ok=True)
    path = folder / name
    path.write_bytes(data)
    os.utime(path, (time.time() - age,) * 2)
    return path


@pytest.fixture
def watched(running: Any, tmp_path: Path) -> Any:
    def make(**options: Any) -> Any:
        (tmp_path / "in").mkdir(exist_ok=True)
        return running(folders=[tmp_path / "in"], settle=0.2, **options), tmp_path / "in"

    return make


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir() if path.is_file())


def test_good_files_are_done_and_bad_ones_refused_with_the_reason(watched: Any) -> None:
    one, folder = watched()
    put(folder, "good.ndjson", record(1) + record(2))
    put(folder, "half.ndjson", record(3) + record(4, void_state="after") + record(5))
    put(folder, "broken.json", b"{")
    put(folder, "unknown.bin", b"hello")
    put(folder, "message.hl7", (EXAMPLES / "hl7v2" / "post-void.hl7").read_bytes())
    put(folder, "empty.ndjson", b"")
    one.listener.once()
    codes = {e.handled.name: e.handled.exit_codes for e in one.events if e.handled}
    assert codes["half.ndjson"] == {1} and codes["broken.json"] == codes["unknown.bin"] == {3}
    assert codes["good.ndjson"] == codes["empty.ndjson"] == set()
    assert names(folder) == []
    assert names(folder / "done") == ["empty.ndjson", "good.ndjson", "message.hl7"]
    assert names(folder / "refused") == [
        "broken.json", "broken.json.why", "half.ndjson", "half.ndjson.why", "unknown.bin", "unknown.bin.why",
    ]  # fmt: skip
    why = (folder / "refused" / "half.ndjson.why").read_text()
    assert "2 records taken, 1 refused" in why
    assert "line 2, exam F-4, void_state" in why and "did you mean" not in why and "write pre-void" in why
    assert sorted(one.exams()) == sorted(
        [("", "held"), ("LK-0093/2026-00417", "waiting"), ("LK-1/F-4", "held")]
        + [(f"LK-1/F-{n}", "waiting") for n in (1, 2, 3, 5)]
    )
    assert {row.file for row in one.outbox.rows()} == {"good.ndjson", "half.ndjson", "broken.json", "message.hl7"}


def test_sheets_through_the_map(watched: Any) -> None:
    one, folder = watched(columns=EXAMPLES / "columns-kx.toml")
    put(folder, "sheet.csv", (EXAMPLES / "sheet-kx.csv").read_bytes())
    one.listener.once()
    assert names(folder / "refused") == ["sheet.csv", "sheet.csv.why"]  # its last row is bad, on purpose
    assert sum(state == "waiting" for _, state in one.exams()) == 4


@pytest.mark.parametrize("name", ["x.ndjson.tmp", "x.part", ".x.ndjson", "x.filepart", "x.crdownload", "x.why"])
def test_files_that_are_not_complete_are_left_alone(watched: Any, name: str) -> None:
    one, folder = watched()
    path = put(folder, name, record(1))
    one.listener.once()
    assert path.exists() and one.exams() == []
    path.rename(folder / "x.ndjson")
    one.listener.once()
    assert names(folder / "done") == ["x.ndjson"] and len(one.exams()) == 1


def test_a_file_that_grows_is_waited_for(watched: Any) -> None:
    one, folder = watched()
    port = one.start()
    assert not port
    path = folder / "slow.ndjson"
    with path.open("wb") as stream:
        for number in range(6):
            stream.write(record(number))
            stream.flush()
            time.sleep(0.1)
            assert one.exams() == []
    one.until(lambda: (folder / "done" / "slow.ndjson").exists())
    assert len(one.exams()) == 6


def test_links_and_folders_are_not_followed(watched: Any, tmp_path: Path) -> None:
    one, folder = watched()
    outside = put(tmp_path / "other", "x.ndjson", record(1))
    (folder / "link.ndjson").symlink_to(outside)
    (folder / "sub").mkdir()
    one.listener.once()
    assert one.exams() == [] and outside.exists()


def test_the_same_name_twice_keeps_both(watched: Any) -> None:
    one, folder = watched()
    for number in (1, 2, 3):
        put(folder, "day.ndjson", record(number))
        one.listener.once()
    assert names(folder / "done") == ["day.2.ndjson", "day.3.ndjson", "day.ndjson"]


def test_the_same_file_again_adds_nothing(watched: Any) -> None:
    one, folder = watched()
    for _ in range(2):
        put(folder, "day.ndjson", record(1) + record(2, void_state="x"))
        one.listener.once()
    assert len(one.exams()) == 2


def test_more_records_than_one_transaction(watched: Any) -> None:
    one, folder = watched()
    put(folder, "many.ndjson", b"".join(record(number) for number in range(450)))
    one.listener.once()
    assert len(one.exams()) == 450


def test_a_folder_that_cannot_be_used(running: Any, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(ConfigError, match="folder cannot be used"):
        running(folders=[tmp_path / "file"])
    with pytest.raises(ConfigError, match="nothing to listen on"):
        running()


def test_delivery_runs_when_something_arrives(watched: Any) -> None:
    class Deliver:
        runs = 0

        def run(self, *, respect_delays: bool = False) -> Any:
            assert respect_delays
            Deliver.runs += 1
            return None

        def stop(self) -> None:
            Deliver.runs += 1000

    one, folder = watched(deliver=Deliver())
    one.start()
    assert Deliver.runs == 0
    put(folder, "x.ndjson", record(1))
    one.until(lambda: Deliver.runs)
    one.stop()
    assert Deliver.runs > 1000


def test_a_thread_that_cannot_work_ends_the_listener(watched: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    one, folder = watched()
    monkeypatch.setattr(Outbox, "accept", lambda *_: 1 / 0)
    put(folder, "x.ndjson", record(1))
    one.start()
    one.thread.join(20)
    assert isinstance(one.error, ZeroDivisionError) and names(folder) == ["x.ndjson"]


# -- alerts


def test_alerts_come_up_once_and_clear(watched: Any, tmp_path: Path) -> None:
    import datetime as dt

    one, folder = watched()
    alerts: list[Alert] = []
    limits = Limits(queue=4, waiting=dt.timedelta(hours=1), held=dt.timedelta(seconds=0))
    status = Status(one.outbox, "http://127.0.0.1:1/fhir", tmp_path / "s.json", limits=limits, on_alert=alerts.append)
    assert status.write("running")["alerts"] == []
    put(folder, "x.ndjson", b"".join(record(n) for n in range(4)) + record(9, void_state="x"))
    one.listener.once()
    for _ in range(2):
        written = status.write("running")
    assert [(a.name, a.cleared) for a in alerts] == [("queue-grows", False), ("held-old", False)]
    assert written == json.loads((tmp_path / "s.json").read_text())
    assert "4 exams wait" in written["alerts"][0]["text"]
    one.outbox.drop("LK-1/F-9", by="Htest", reason="test")
    rows = one.outbox.claim("http://127.0.0.1:1/fhir", 1)
    status.write("running")  # three wait: still above half
    assert [(a.name, a.cleared) for a in alerts][2:] == [("held-old", True)]
    rows += one.outbox.claim("http://127.0.0.1:1/fhir", 2)
    assert len(rows) == 3
    status.write("running")
    assert [(a.name, a.cleared) for a in alerts][3:] == [("queue-grows", True)]
    status.server_trouble("it is away")
    status.write("running")
    status.server_trouble("")
    status.write("running")
    assert [(a.name, a.cleared) for a in alerts][4:] == [("server", False), ("server", True)]
    assert "1 waiting" in status.line()


def test_a_folder_that_is_not_there_is_not_made(running: Any, tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="cannot be used"):
        running(folders=[tmp_path / "mistyped"])
    assert not (tmp_path / "mistyped").exists()


def test_exams_held_for_a_person_are_told_and_count_for_the_exit_code(watched: Any) -> None:
    one, folder = watched()
    put(folder, "nobody.ndjson", record(1, patient={"family_name": "Htest-One"}) + record(2))
    one.listener.once()
    (event,) = [event for event in one.events if event.kind == "file"]
    assert event.handled.exit_codes == {1}
    assert event.handled.outcome == "done" and event.text.endswith("1 of those taken held for a person")


def test_what_cannot_be_read_at_all_is_not_said_to_be_in_the_outbox(watched: Any) -> None:
    one, folder = watched()
    put(folder, "unknown.bin", b"hello")
    one.listener.once()
    why = (folder / "refused" / "unknown.bin.why").read_text()
    assert "kept here only" in why and "outbox" not in why
