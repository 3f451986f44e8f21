"""The outbox: what is committed stays, claims are exclusive, decisions are kept, the file is private."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import os
import sqlite3
import stat
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import pytest

from fhir_bladder.errors import ConfigError, RecordError, UnfinishedError
from fhir_bladder.exchange.outbox import Item, Numbers, Outbox, Result, schema

T = "http://127.0.0.1/fhir"


def item(key: str, content: str = "", **fields: Any) -> Item:
    data = (key + content).encode()
    return Item(hashlib.sha256(data).hexdigest(), key, content or key, source=data, bundle=data, **fields)


def test_file_is_private_durable_and_versioned(tmp_path: Path) -> None:
    path = tmp_path / "o.db"
    old = os.umask(0)
    try:
        with Outbox(path) as box:
            box.accept(T, [item("a/1")])
            for name in path.parent.iterdir():
                assert stat.S_IMODE(name.stat().st_mode) == 0o600, name
            # SQLite's own answers: journal mode and synchronous = FULL (2)
            assert box._connection.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
            assert box._connection.execute("PRAGMA synchronous").fetchone()[0] == 2
            assert box._connection.execute("PRAGMA user_version").fetchone()[0] == schema.VERSION
    finally:
        os.umask(old)
    path.chmod(0o644)
    with Outbox(path):
        assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_same_record_is_one_row(tmp_path: Path) -> None:
    with Outbox(tmp_path / "o.db") as box:
        first, second, third = box.accept(T, [item("a/1"), item("a/1"), item("a/1", "amended")])
        assert (first.new, second.new, third.new) == (True, False, True)
        assert first.id == second.id != third.id
        [again] = box.accept("http://127.0.0.1/other", [item("a/1")])
        assert again.new  # another server is another delivery


def test_unreadable_records_are_kept_by_the_hash_of_their_bytes(tmp_path: Path) -> None:
    raw = b'{"exam_number": '
    bad = Item(hashlib.sha256(raw).hexdigest(), state="held", code="unreadable", reason="not JSON", source=raw)
    with Outbox(tmp_path / "o.db") as box:
        [first], [second] = box.accept(T, [bad]), box.accept(T, [bad])
        assert (first.id, first.new, second.new) == (second.id, True, False)
        assert box.source(first.id) == raw
        assert [row.id for row in box.find(bad.sha256[:12])] == [first.id]
        spelt = "/".join((bad.sha256[:4], bad.sha256[4:8]))
        for slip in ("--------", "********", "[0-9a-f]*", spelt, bad.sha256[:7], bad.sha256[:8].upper() + "-"):
            with pytest.raises(RecordError, match="no exam"):  # a slip of the keyboard finds nobody else's exam
                box.find(slip)


def test_claims_keep_the_order_of_a_key(tmp_path: Path) -> None:
    with Outbox(tmp_path / "o.db") as box:
        box.accept(T, [item("a/1"), item("a/1", "v2"), item("a/2"), item("a/3", replaces="a/2")])
        rows = box.claim(T, 10)
        assert [row.key for row in rows] == ["a/1", "a/2"]  # v2 waits for v1, a/3 for what it replaces
        assert box.claim(T, 10) == []
        box.record([Result(rows[0].id, "delivered"), Result(rows[1].id, "delivered")])
        assert [(row.key, row.content) for row in box.claim(T, 10)] == [("a/1", "v2"), ("a/3", "a/3")]


def test_two_outboxes_on_one_file_never_claim_the_same(tmp_path: Path) -> None:
    path = tmp_path / "o.db"
    with Outbox(path) as box:
        box.accept(T, [item(f"a/{n}") for n in range(200)])
    claimed: list[int] = []
    lock = threading.Lock()

    def work() -> None:
        with Outbox(path) as box:
            while rows := box.claim(T, 7):
                with lock:
                    claimed.extend(row.id for row in rows)
                box.record([Result(row.id, "delivered") for row in rows])

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(claimed) == len(set(claimed)) == 200


def test_a_killed_process_leaves_claims_that_are_taken_over(tmp_path: Path) -> None:
    path = tmp_path / "o.db"
    with Outbox(path) as box:
        box.accept(T, [item("a/1"), item("a/2")])
    code = (
        "import os, signal, sys\n"
        "from fhir_bladder.exchange.outbox import Outbox\n"
        "box = Outbox(sys.argv[1])\n"
        "assert len(box.claim(sys.argv[2], 1)) == 1\n"
        "os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    assert subprocess.run([sys.executable, "-c", code, str(path), T]).returncode == -9
    with Outbox(path) as living, Outbox(path) as other:
        assert [row.key for row in living.claim(T, 10)] == ["a/2"]
        assert other.take_over(T) == 1  # the dead one's, not the living one's
        assert [row.key for row in other.claim(T, 10)] == ["a/1"]
        assert other.take_over(T) == 0


def test_closing_gives_claims_back(tmp_path: Path) -> None:
    with Outbox(tmp_path / "o.db") as box:
        box.accept(T, [item("a/1")])
        box.claim(T, 1)
    with Outbox(tmp_path / "o.db") as box:
        assert box.counts()["waiting"] == 1
    assert not list(tmp_path.glob("*-owner-*"))


def test_a_result_of_a_lost_claim_is_not_taken(tmp_path: Path) -> None:
    """A process that was thought dead and comes back must not overwrite what the other one found."""
    with Outbox(tmp_path / "o.db") as slow, Outbox(tmp_path / "o.db") as fast:
        slow.accept(T, [item("a/1")])
        [row] = slow.claim(T, 1)
        slow.give_back()
        fast.claim(T, 1)
        fast.record([Result(row.id, "held", "refused", "no")])
        slow.record([Result(row.id, "delivered")])
        assert fast.row(row.id).state == "held"


def test_release_and_drop_are_kept(tmp_path: Path) -> None:
    with Outbox(tmp_path / "o.db") as box:
        box.accept(T, [item("a/1", state="held", code="unverified", reason="nobody")])
        box.accept(T, [item("a/2", state="held", code="other-subject", reason="differs")])
        with pytest.raises(RecordError, match="name and a reason"):
            box.release("a/1", by=" ", reason="x")
        assert box.release("a/1", by="Dr Htest", reason="seen on the scanner").state == "waiting"
        with pytest.raises(RecordError, match="cannot be released"):
            box.release("a/2", by="Dr Htest", reason="sure")
        assert box.drop("a/2", by="Dr Htest", reason="phantom exam").state == "dropped"
        [decision] = box.decisions([2])[2]
        assert (decision.what, decision.by, decision.reason) == ("drop", "Dr Htest", "phantom exam")
        for statement in ("DELETE FROM decision", "UPDATE decision SET who = 'x'"):
            with pytest.raises(sqlite3.IntegrityError, match="decisions are kept"):
                box._connection.execute(statement)
        assert box.accept(T, [item("a/2")])[0].state == "dropped"  # what a person dropped does not come back


def test_held_has_an_age_that_retries_do_not_reset(tmp_path: Path) -> None:
    with Outbox(tmp_path / "o.db") as box:
        box.accept(T, [item("a/1")])
        [row] = box.claim(T, 1)
        box.record([Result(row.id, "held", "patient-unknown", "no patient")])
        since = box.row(row.id).held_since
        assert since
        assert box.retry("a/1") == 1
        [row] = box.claim(T, 1)
        box.record([Result(row.id, "held", "patient-unknown", "no patient")])
        assert box.row(row.id).held_since == since
        assert list(box.rows("held", older_than=dt.timedelta(hours=1))) == []
        assert box.row(row.id).age(dt.datetime.now(dt.UTC) + dt.timedelta(days=2)) > dt.timedelta(days=1)


def test_a_later_record_frees_the_older_hold(tmp_path: Path) -> None:
    with Outbox(tmp_path / "o.db") as box:
        box.accept(T, [item("a/1", "bad", state="held", code="invalid", reason="volume"), item("a/1", "good")])
        [row] = box.claim(T, 5)
        box.record([Result(row.id, "delivered")])
        assert [r.state for r in box.find("a/1")] == ["superseded", "delivered"]


@pytest.mark.parametrize(
    ("time", "patient", "status", "state"),
    [
        ("2026-11-18T11:42:00+01:00", "H8", "final", "superseded"),  # the same moment: the exam, its patient put right
        ("2026-11-20T09:00:00Z", "H7", "final", "superseded"),  # the same patient: the exam, its time put right
        ("2026-11-20T09:00:00Z", "H8", "final", "held"),  # another exam: nobody has decided on the first
        ("2026-11-20T09:00:00Z", "", "final", "held"),
        ("2026-11-20T09:00:00Z", "H8", "amended", "superseded"),
        ("2026-11-20T09:00:00Z", "H8", "corrected", "superseded"),
        ("", "H8", "final", "superseded"),
    ],
)
def test_a_number_given_twice_does_not_drop_the_held_exam(
    tmp_path: Path, time: str, patient: str, status: str, state: str
) -> None:
    def bundle(at: str, who: str) -> bytes:
        exam: dict[str, Any] = {"resourceType": "Observation"} | ({"effectiveDateTime": at} if at else {})
        exam |= {"subject": {"identifier": {"system": "s", "value": who}}} if who else {}
        return json.dumps({"entry": [{"resource": {"resourceType": "Device"}}, {"resource": exam}]}).encode()

    first = Item("1", "a/1", "one", state="held", code="patient-unknown", bundle=bundle("2026-11-18T10:42:00Z", "H7"))
    second = Item("2", "a/1", "two", status=status, bundle=bundle(time, patient))
    with Outbox(tmp_path / "o.db") as box:
        box.accept(T, [first, second])
        [row] = box.claim(T, 5)
        box.record([Result(row.id, "delivered")])
        assert [r.state for r in box.find("a/1")] == [state, "delivered"]


def test_same_message_same_acknowledgement(tmp_path: Path) -> None:
    identity = ("SCANNER", "WARD", "4711", "hash-1")
    with Outbox(tmp_path / "o.db") as box:
        assert box.answer_to(*identity) is None
        assert box.accept_message(T, [item("a/1")], identity, b"MSA|AA|4711") == b"MSA|AA|4711"
        assert box.accept_message(T, [item("a/2")], identity, b"other") == b"MSA|AA|4711"
        assert box.answer_to(*identity) == b"MSA|AA|4711"
        assert box.accept_message(T, [item("a/3")], (*identity[:3], "hash-2"), b"new") == b"new"
        assert [row.key for row in box.rows()] == ["a/1", "a/3"]


def test_key_system_is_kept(tmp_path: Path) -> None:
    with Outbox(tmp_path / "o.db") as box:
        box.keep_key_system("https://site.example/exam")
        box.keep_key_system("https://site.example/exam")
        with pytest.raises(ConfigError, match="key"):
            box.keep_key_system("https://site.example/other")


def test_purge_leaves_key_and_hash_and_nothing_on_the_disk(tmp_path: Path) -> None:
    canary = b"Htest-Canary-7731"
    with Outbox(tmp_path / "o.db") as box:
        one = Item("0" * 64, "a/1", "c", source=canary * 50, bundle=os.urandom(400) + canary)
        box.accept(T, [one, item("a/2")])
        [row, other] = box.claim(T, 2)
        box.record([Result(row.id, "delivered", issues=[{"diagnostics": canary.decode()}])])
        assert any(canary in f.read_bytes() for f in tmp_path.iterdir())  # positive control
        assert box.purge(dt.timedelta(days=1)) == 0
        assert box.purge(dt.timedelta()) == 1
        assert (box.source(row.id), box.bundle(row.id)) == (b"", b"")
        assert box.bundle(other.id)  # what is not delivered stays
        assert (box.row(row.id).key, box.row(row.id).sha256) == ("a/1", "0" * 64)
        assert not any(canary in f.read_bytes() for f in tmp_path.iterdir())


def test_backup_opens(tmp_path: Path) -> None:
    with Outbox(tmp_path / "o.db") as box:
        box.accept(T, [item("a/1")])
        box.backup(tmp_path / "b.db")
        with pytest.raises(ConfigError, match="backup"):
            box.backup(tmp_path / "missing" / "b.db")
    assert stat.S_IMODE((tmp_path / "b.db").stat().st_mode) == 0o600
    with Outbox(tmp_path / "b.db") as copy:
        assert [row.key for row in copy.rows()] == ["a/1"]


def test_an_old_file_is_migrated_and_keeps_its_rows(tmp_path: Path) -> None:
    path = tmp_path / "o.db"
    connection = sqlite3.connect(path, isolation_level=None)
    schema._run(connection, schema.MIGRATIONS[0])
    connection.execute(f"PRAGMA application_id = {schema.APPLICATION_ID}")
    connection.execute("PRAGMA user_version = 1")
    connection.execute(
        "INSERT INTO exam (target, key, content, sha256, state, accepted_at, updated_at) VALUES (?, 'a/1', 'c', 'h', "
        "'waiting', '2026-01-01T00:00:00+00:00', '2026-01-01T00:00:00+00:00')",
        (T,),
    )
    connection.close()
    with Outbox(path) as box:
        assert [(row.key, row.failures) for row in box.rows()] == [("a/1", 0)]
        assert box.answer_to("", "", "", "") is None  # the table of version 2 is there


def test_a_newer_file_is_refused_and_untouched(tmp_path: Path) -> None:
    path = tmp_path / "o.db"
    Outbox(path).close()
    connection = sqlite3.connect(path)
    connection.execute(f"PRAGMA user_version = {schema.VERSION + 1}")
    connection.close()
    before = path.read_bytes()
    with pytest.raises(ConfigError, match="version"):
        Outbox(path)
    assert path.read_bytes() == before


@pytest.mark.parametrize("content", [b"no database at all, only text" * 50, b""])
def test_other_files_are_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "o.db"
    path.write_bytes(content)
    if content:
        with pytest.raises(ConfigError):
            Outbox(path)
        assert path.read_bytes() == content
    other = tmp_path / "other.db"
    connection = sqlite3.connect(other)
    connection.execute("CREATE TABLE t (x)")
    connection.close()
    with pytest.raises(ConfigError, match="not an outbox"):
        Outbox(other)


def test_folder_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="outbox cannot be opened"):
        Outbox(tmp_path / "missing" / "o.db")


def test_read_only_folder(tmp_path: Path) -> None:
    """The superuser writes into any folder but those of the kernel, so there /proc stands in for it."""
    folder = tmp_path if os.geteuid() else Path("/proc/self")
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(ConfigError):
            Outbox(folder / "o.db")
    finally:
        tmp_path.chmod(0o700)


def test_full_disk_is_one_line_and_loses_nothing(tmp_path: Path) -> None:
    """SQLite's own page limit stands in for a full disk: the error is the same SQLITE_FULL."""
    with Outbox(tmp_path / "o.db") as box:
        box.accept(T, [item("a/1")])
        box._connection.execute("PRAGMA max_page_count = 40")
        with pytest.raises(UnfinishedError, match="free space"):
            for n in range(2, 500):
                box.accept(T, [Item(f"{n:064}", f"a/{n}", "c", bundle=os.urandom(3000))])
        box._connection.execute("PRAGMA max_page_count = 100000")
        kept = sum(1 for _ in box.rows())
        assert kept >= 1
        box.accept(T, [item("b/1")])  # the connection goes on working: no transaction was left open
        assert sum(1 for _ in box.rows()) == kept + 1


def test_many_open_a_new_outbox_at_once(tmp_path: Path) -> None:
    """SQLite does not wait for a lock while the journal mode changes; whoever came second was told it was locked."""
    troubles: list[BaseException] = []

    def opened(path: Path) -> None:
        try:
            Outbox(path).close()
        except BaseException as error:
            troubles.append(error)

    for number in range(30):
        threads = [threading.Thread(target=opened, args=(tmp_path / f"{number}.db",)) for _ in range(6)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert troubles == []


def test_numbers_are_a_set_in_little_memory() -> None:
    """Against Python's own set."""
    given = [1, 7, 8, 9, 4095, 4096, 70_000, 7, 1]
    numbers = Numbers()
    numbers.update(given)
    assert list(numbers) == sorted(set(given))
    assert len(numbers) == len(set(given))
    assert [n in numbers for n in (0, 1, 2, 70_000, 70_001, 10**9)] == [False, True, False, True, False, False]
    numbers.update(range(1, 1_000_001))
    assert len(numbers) == 1_000_000
    assert len(numbers._bits) < 130_000


def test_what_is_accepted_together_is_kept_together(tmp_path: Path) -> None:
    with Outbox(tmp_path / "o.db") as box:
        with pytest.raises(ZeroDivisionError), box.together():
            box.accept(T, [item("a/1")])
            box.accept(T, [item("a/2")])
            raise ZeroDivisionError
        assert list(box.rows()) == []
        with box.together():
            box.accept(T, [item("a/1")])
            box.accept(T, [item("a/2")])
        box.accept(T, [item("a/3")])
        assert [row.key for row in box.rows()] == ["a/1", "a/2", "a/3"]


def test_an_empty_name_finds_no_row_without_a_key(tmp_path: Path) -> None:
    with Outbox(tmp_path / "o.db") as box:
        box.accept(T, [Item("0" * 64, state="held", code="unreadable", reason="no record")])
        with pytest.raises(RecordError, match="no exam is named"):
            box.find("")
