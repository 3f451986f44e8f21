"""Room `exchange`: the outbox, where every record is committed before anything is sent. May import errors, wire.

One SQLite file (WAL, `synchronous=FULL`, mode 0600). A row is one version of one exam for one server:

    waiting → sending → delivered | held | superseded | waiting again         held → waiting | dropped

`held` needs a person and has an age. Two processes may work on one file: a row is claimed by one of them, and what
a killed process had claimed is taken over.
"""

# ruff: noqa: S608 - every name put into a statement is a constant of this module, every value is bound
from __future__ import annotations

import contextlib
import datetime as dt
import os
import sqlite3
import threading
import time
import zlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fhir_bladder import wire
from fhir_bladder.errors import ConfigError, RecordError
from fhir_bladder.exchange import outbox_schema
from fhir_bladder.exchange.outbox_schema import STATES, Owner, explained, roll_back

__all__ = ["STATES", "Accepted", "Decision", "Item", "Outbox", "Result", "Row"]

RELEASABLE = frozenset({"unverified", "plausibility", "patient-unproven", "content-differs", "refused", "server-fails"})
"""Codes of holds that a person may release; the others need a corrected record or a corrected server."""

_COLUMNS = (
    "id, target, key, content, sha256, map_sha256, replaces, file, line, synthetic, status, state, code, reason, "
    "attempts, location, version, etag, issues, accepted_at, sent_at, delivered_at, held_since, updated_at"
)

_CLAIMABLE = (
    f"SELECT {_COLUMNS} FROM exam AS e WHERE target = ? AND state = 'waiting' AND not_before <= ? "
    "AND NOT EXISTS (SELECT 1 FROM exam AS o WHERE o.target = e.target AND o.key = e.key "
    "  AND (o.state = 'sending' OR (o.state = 'waiting' AND o.id < e.id))) "
    "AND (e.replaces = '' OR NOT EXISTS (SELECT 1 FROM exam AS o WHERE o.target = e.target "
    "  AND o.key = e.replaces AND o.state IN ('waiting', 'sending') AND o.id < e.id)) "
    "ORDER BY id LIMIT ?"
)


def now_text() -> str:
    """The present moment, UTC, as stored."""
    return dt.datetime.now(dt.UTC).isoformat(timespec="milliseconds")


@dataclass(slots=True)
class Item:
    """One record on its way in. `state` is waiting, or held with `code` and `reason`.

    key: exam key, empty where the record does not say it. content: hash of what would be sent, or of the bytes of an
    unreadable record. source: record as received. bundle: transaction Bundle as JSON bytes, empty where there is none.
    """

    sha256: str
    key: str = ""
    content: str = ""
    state: str = "waiting"
    code: str = ""
    reason: str = ""
    status: str = ""
    replaces: str = ""
    synthetic: bool = False
    file: str = ""
    line: int = 0
    map_sha256: str = ""
    source: bytes = b""
    bundle: bytes = b""


@dataclass(slots=True)
class Row:
    """One row as it stands. Times are ISO 8601 in UTC; `reason` says in words why it is where it is."""

    id: int
    target: str
    key: str
    content: str
    sha256: str
    map_sha256: str
    replaces: str
    file: str
    line: int
    synthetic: bool
    status: str
    state: str
    code: str
    reason: str
    attempts: int
    location: str
    version: str
    etag: str
    issues: list[dict[str, Any]]
    accepted_at: str
    sent_at: str
    delivered_at: str
    held_since: str
    updated_at: str

    @property
    def name(self) -> str:
        """What a person calls it: the exam key, or the number of a row without one."""
        return self.key or f"#{self.id}"

    def age(self, now: dt.datetime | None = None) -> dt.timedelta:
        """How long it has been held, else how long since it was accepted."""
        since = dt.datetime.fromisoformat(self.held_since or self.accepted_at)
        return (now or dt.datetime.now(dt.UTC)) - since


@dataclass(slots=True, frozen=True)
class Accepted:
    """What `accept` did with one item: the row, and whether it was new or is worked on again."""

    id: int
    state: str
    new: bool


@dataclass(slots=True)
class Result:
    """What became of a claimed row. `delay` (seconds) holds a waiting row back before it is tried again."""

    id: int
    state: str
    code: str = ""
    reason: str = ""
    location: str = ""
    version: str = ""
    etag: str = ""
    issues: list[dict[str, Any]] = field(default_factory=list)
    delay: float = 0.0


@dataclass(slots=True, frozen=True)
class Decision:
    """A release or a drop: by whom, why, when. Never changed, never deleted."""

    exam: int
    key: str
    what: str
    code: str
    by: str
    reason: str
    at: str


def _row(found: sqlite3.Row) -> Row:
    values = dict(found)
    values["issues"] = wire.loads(values["issues"].encode()) if values["issues"] else []
    values["synthetic"] = bool(values["synthetic"])
    return Row(**values)


class Outbox:
    """The outbox file. Safe to share between threads; other processes may have it open too.

    Raises ConfigError where the file cannot be used, UnfinishedError where the disk is full or the file locked.
    """

    def __init__(self, path: str | Path) -> None:
        self.path = Path(path)
        self._lock = threading.RLock()
        self._connection = outbox_schema.connect(self.path)
        with self._errors():
            self._owner = Owner(self._connection, self.path)

    def close(self) -> None:
        """Close the file; claims still open go back to waiting."""
        with self._lock:
            try:
                with contextlib.suppress(ConfigError, RecordError, sqlite3.Error):
                    self.give_back()
            finally:
                self._owner.close()
                self._connection.close()

    def __enter__(self) -> Outbox:
        return self

    def __exit__(self, *exception: object) -> None:
        self.close()

    # -- transactions

    @contextlib.contextmanager
    def _errors(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.IntegrityError:
            raise
        except sqlite3.Error as error:
            raise explained(error, self.path) from error

    @contextlib.contextmanager
    def _changing(self) -> Iterator[sqlite3.Connection]:
        """One write transaction; committed at the end, rolled back on any exception."""
        with self._lock, self._errors():
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield self._connection
                self._commit()
            except BaseException:
                roll_back(self._connection)
                raise

    def _commit(self) -> None:
        """The one place where anything becomes durable."""
        self._connection.execute("COMMIT")

    # -- settings

    def setting(self, name: str) -> str | None:
        """A setting kept in the file."""
        with self._lock, self._errors():
            found = self._connection.execute("SELECT value FROM setting WHERE name = ?", (name,)).fetchone()
        return found[0] if found else None

    def keep_key_system(self, system: str) -> None:
        """Keep the site's key system at the first use; a change later would double every exam and is refused."""
        with self._changing() as sql:
            sql.execute("INSERT OR IGNORE INTO setting VALUES ('key_system', ?)", (system,))
            kept = sql.execute("SELECT value FROM setting WHERE name = 'key_system'").fetchone()[0]
        if kept != system:
            raise ConfigError(
                f"this outbox writes exam keys of the system {kept}, not {system}",
                str(self.path),
                "keep the configured key system: with another one every exam would be sent again",
            )

    # -- records in

    def accept(self, target: str, items: Sequence[Item]) -> list[Accepted]:
        """Commit records, all in one transaction, in the order given; what is there already is not added again.

        A held row given again is worked on again (the server or the record system may have been put right since); its
        age goes on counting. Delivered, superseded and dropped rows stay as they are.
        """
        result: list[Accepted] = []
        now = now_text()
        with self._changing() as sql:
            for item in items:
                found = sql.execute(
                    "SELECT id, state FROM exam WHERE target = ? AND key = ? AND content = ?",
                    (target, item.key, item.content or item.sha256),
                ).fetchone()
                if found is None:
                    number = self._insert(sql, target, item, now)
                    result.append(Accepted(number, item.state, new=True))
                elif found["state"] == "held":
                    self._again(sql, found["id"], item, now)
                    result.append(Accepted(found["id"], item.state, new=False))
                else:
                    result.append(Accepted(found["id"], found["state"], new=False))
        return result

    def _insert(self, sql: sqlite3.Connection, target: str, item: Item, now: str) -> int:
        cursor = sql.execute(
            "INSERT INTO exam (target, key, content, sha256, map_sha256, replaces, file, line, synthetic, status, "
            "state, code, reason, accepted_at, held_since, updated_at) VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)",
            (
                target, item.key, item.content or item.sha256, item.sha256, item.map_sha256, item.replaces, item.file,
                item.line, int(item.synthetic), item.status, item.state, item.code, item.reason, now,
                now if item.state == "held" else "", now,
            ),
        )  # fmt: skip
        number = int(cursor.lastrowid or 0)
        sql.execute("INSERT INTO payload VALUES (?, ?, ?)", (number, _pack(item.source), _pack(item.bundle)))
        return number

    def _again(self, sql: sqlite3.Connection, number: int, item: Item, now: str) -> None:
        code, reason = item.code, item.reason
        if item.state == "held" and self._released(sql, number, item.code):
            item.state, code, reason = "waiting", "", ""
        sql.execute(
            "UPDATE exam SET state = ?, code = ?, reason = ?, file = ?, line = ?, not_before = 0, updated_at = ? "
            "WHERE id = ?",
            (item.state, code, reason, item.file, item.line, now, number),
        )
        if item.bundle:
            sql.execute("UPDATE payload SET bundle = ? WHERE exam = ?", (_pack(item.bundle), number))

    @staticmethod
    def _released(sql: sqlite3.Connection, number: int, code: str) -> bool:
        query = "SELECT 1 FROM decision WHERE exam = ? AND what = 'release' AND code = ?"
        return sql.execute(query, (number, code)).fetchone() is not None

    def answer_to(self, application: str, facility: str, control_id: str, content: str) -> bytes | None:
        """The acknowledgement given to this message before (MSH-3, MSH-4, MSH-10 and the hash of its bytes)."""
        with self._lock, self._errors():
            found = self._connection.execute(
                "SELECT answer FROM message WHERE application = ? AND facility = ? AND control_id = ? AND content = ?",
                (application, facility, control_id, content),
            ).fetchone()
        return bytes(found[0]) if found else None

    def accept_message(
        self, target: str, items: Sequence[Item], identity: tuple[str, str, str, str], answer: bytes
    ) -> bytes:
        """Commit the records of one message together with its acknowledgement; returns the one to send.

        identity: MSH-3, MSH-4, MSH-10, hash of the bytes. The same message again gives the stored acknowledgement,
        byte for byte, and adds nothing.
        """
        with self._changing() as sql:
            query = "SELECT answer FROM message WHERE (application, facility, control_id, content) = (?, ?, ?, ?)"
            if found := sql.execute(query, identity).fetchone():
                return bytes(found[0])
            now = now_text()
            for item in items:
                known = sql.execute(
                    "SELECT id, state FROM exam WHERE target = ? AND key = ? AND content = ?",
                    (target, item.key, item.content or item.sha256),
                ).fetchone()
                if known is None:
                    self._insert(sql, target, item, now)
                elif known["state"] == "held":
                    self._again(sql, known["id"], item, now)
            sql.execute("INSERT INTO message VALUES (?, ?, ?, ?, ?, ?)", (*identity, answer, now))
        return answer

    # -- work

    def claim(self, target: str, limit: int) -> list[Row]:
        """Claim up to `limit` waiting rows, oldest first, never two of one key and none whose key is in work.

        A row that replaces another exam waits until that one is no longer on its way.
        """
        with self._lock, self._errors():  # a worker with nothing to do writes nothing
            if self._connection.execute(_CLAIMABLE, (target, time.time(), 1)).fetchone() is None:
                return []
        with self._changing() as sql:
            found = sql.execute(_CLAIMABLE, (target, time.time(), limit)).fetchall()
            now, claimed = now_text(), time.time()
            sql.executemany(
                "UPDATE exam SET state = 'sending', owner = ?, claimed = ?, attempts = attempts + 1, "
                "sent_at = iif(sent_at = '', ?, sent_at), updated_at = ? WHERE id = ?",
                [(self._owner.id, claimed, now, now, row["id"]) for row in found],
            )
        rows = [_row(row) for row in found]
        for row in rows:
            row.state, row.attempts, row.sent_at = "sending", row.attempts + 1, row.sent_at or now
        return rows

    def take_over(self, target: str) -> int:
        """Put back what dead processes had claimed; returns how many rows. What they sent is looked up, not resent."""
        with self._lock, self._errors():
            query = "SELECT owner, min(claimed) FROM exam WHERE target = ? AND state = 'sending' GROUP BY owner"
            owners = self._connection.execute(query, (target,)).fetchall()
        dead = [owner for owner, claimed in owners if self._owner.is_dead(owner, claimed)]
        count = 0
        for owner in dead:
            with self._changing() as sql:
                count += sql.execute(
                    "UPDATE exam SET state = 'waiting', owner = 0, reason = 'the process sending it ended' "
                    "WHERE target = ? AND state = 'sending' AND owner = ?",
                    (target, owner),
                ).rowcount
        return count

    def wake(self, target: str) -> None:
        """Make every waiting row due now: a person runs push again."""
        with self._lock, self._errors():
            query = "SELECT max(not_before) FROM exam WHERE target = ? AND state = 'waiting'"
            if not self._connection.execute(query, (target,)).fetchone()[0]:
                return
        with self._changing() as sql:
            query = "UPDATE exam SET not_before = 0 WHERE target = ? AND state = 'waiting' AND not_before > 0"
            sql.execute(query, (target,))

    def give_back(self) -> int:
        """Put this process's open claims back to waiting."""
        with self._lock, self._errors():
            query = "SELECT 1 FROM exam WHERE state = 'sending' AND owner = ? AND owner <> 0 LIMIT 1"
            if self._connection.execute(query, (self._owner.id,)).fetchone() is None:
                return 0
        with self._changing() as sql:
            query = "UPDATE exam SET state = 'waiting', owner = 0 WHERE state = 'sending' AND owner = ? AND owner <> 0"
            return sql.execute(query, (self._owner.id,)).rowcount

    def record(self, results: Sequence[Result]) -> None:
        """Commit what became of claimed rows, all in one transaction.

        Older held rows of an exam that is now delivered are `superseded`: a later record of it has arrived.
        """
        if not results:
            return
        now = now_text()
        with self._changing() as sql:
            for result in results:
                changed = sql.execute(
                    "UPDATE exam SET state = ?, code = ?, reason = ?, location = iif(? = '', location, ?), "
                    "version = iif(? = '', version, ?), etag = iif(? = '', etag, ?), issues = ?, owner = 0, "
                    "not_before = ?, delivered_at = iif(? = 'delivered', ?, delivered_at), "
                    "held_since = CASE WHEN ? <> 'held' THEN held_since WHEN held_since = '' THEN ? "
                    "ELSE held_since END, updated_at = ? WHERE id = ? AND state = 'sending' AND owner = ?",
                    (
                        result.state, result.code, result.reason, result.location, result.location, result.version,
                        result.version, result.etag, result.etag, _json(result.issues),
                        time.time() + result.delay if result.delay else 0, result.state, now, result.state, now, now,
                        result.id, self._owner.id,
                    ),
                ).rowcount  # fmt: skip
                if changed and result.state == "delivered":
                    sql.execute(
                        "UPDATE exam SET state = 'superseded', code = 'later-record', updated_at = ?, "
                        "reason = 'a later record of this exam was delivered; was held: ' || reason "
                        "WHERE state = 'held' AND id < ? AND key <> '' "
                        "AND (target, key) = (SELECT target, key FROM exam WHERE id = ?)",
                        (now, result.id, result.id),
                    )

    def bundle(self, number: int) -> bytes:
        """The transaction Bundle of a row as JSON bytes; empty where it was purged or never made."""
        return self._payload(number, "bundle")

    def source(self, number: int) -> bytes:
        """The record as received; empty after a purge."""
        return self._payload(number, "source")

    def _payload(self, number: int, column: str) -> bytes:
        with self._lock, self._errors():
            found = self._connection.execute(f"SELECT {column} FROM payload WHERE exam = ?", (number,)).fetchone()
        return zlib.decompress(found[0]) if found and found[0] else b""

    def replaced_by(self, target: str, keys: Sequence[str]) -> dict[str, str]:
        """Of these exam keys, those that a delivered exam of this outbox replaces, and by which key."""
        marks = ",".join("?" * len(keys))
        query = f"SELECT replaces, key FROM exam WHERE target = ? AND state = 'delivered' AND replaces IN ({marks})"
        with self._lock, self._errors():
            return dict(self._connection.execute(query, (target, *keys)).fetchall())

    # -- what people ask and decide

    def counts(self, target: str | None = None) -> dict[str, int]:
        """Rows per state; every state is there, with 0 where it is empty."""
        where, values = ("WHERE target = ?", (target,)) if target else ("", ())
        with self._lock, self._errors():
            query = f"SELECT state, count(*) FROM exam {where} GROUP BY state"
            found = dict(self._connection.execute(query, values).fetchall())
        return {state: found.get(state, 0) for state in STATES}

    def states_of(self, numbers: Iterable[int]) -> dict[str, int]:
        """How many of these rows are in each state."""
        result = dict.fromkeys(STATES, 0)
        wanted = list(numbers)
        for start in range(0, len(wanted), 500):
            part = wanted[start : start + 500]
            query = f"SELECT state, count(*) FROM exam WHERE id IN ({','.join('?' * len(part))}) GROUP BY state"
            with self._lock, self._errors():
                for state, count in self._connection.execute(query, part).fetchall():
                    result[state] += count
        return result

    def next_due(self, target: str) -> float | None:
        """Seconds until the next waiting row may be tried (0 = now); None where nothing waits."""
        with self._lock, self._errors():
            query = "SELECT min(not_before) FROM exam WHERE target = ? AND state = 'waiting'"
            found = self._connection.execute(query, (target,)).fetchone()[0]
        return None if found is None else max(0.0, found - time.time())

    def row(self, number: int) -> Row:
        """One row by its number."""
        with self._lock, self._errors():
            found = self._connection.execute(f"SELECT {_COLUMNS} FROM exam WHERE id = ?", (number,)).fetchone()
        if found is None:
            raise RecordError(f"row #{number} is not in the outbox", str(self.path), "see outbox list")
        return _row(found)

    def rows(self, state: str = "", *, target: str = "", older_than: dt.timedelta | None = None) -> Iterator[Row]:
        """Rows in the order accepted, read page by page."""
        last, limit = 0, None
        if older_than is not None:
            limit = (dt.datetime.now(dt.UTC) - older_than).isoformat(timespec="milliseconds")
        while True:
            with self._lock, self._errors():
                page = self._connection.execute(
                    f"SELECT {_COLUMNS} FROM exam WHERE id > ? AND (? = '' OR state = ?) AND (? = '' OR target = ?) "
                    "AND (? IS NULL OR iif(held_since = '', accepted_at, held_since) < ?) ORDER BY id LIMIT 500",
                    (last, state, state, target, target, limit, limit),
                ).fetchall()
            if not page:
                return
            last = page[-1]["id"]
            yield from map(_row, page)

    def find(self, name: str) -> list[Row]:
        """Rows by exam key, by `#number`, or by the first 8 or more digits of the hash; newest last.

        Raises RecordError where there is none.
        """
        if name.startswith("#") and name[1:].isdigit():
            return [self.row(int(name[1:]))]
        with self._lock, self._errors():
            found = self._connection.execute(
                f"SELECT {_COLUMNS} FROM exam WHERE key = ? OR (? >= 8 AND sha256 GLOB ? || '*') ORDER BY id",
                (name, len(name), "".join(c for c in name if c.isalnum())),
            ).fetchall()
        if not found:
            raise RecordError(f"no exam {name!r} in the outbox", str(self.path), "see outbox list for keys and numbers")
        return [_row(row) for row in found]

    def decisions(self, number: int) -> list[Decision]:
        """Releases and drops of one row, oldest first."""
        with self._lock, self._errors():
            query = "SELECT exam, key, what, code, who, reason, at FROM decision WHERE exam = ? ORDER BY id"
            return [Decision(*row) for row in self._connection.execute(query, (number,)).fetchall()]

    def retry(self, name: str = "") -> int:
        """Let held rows (one exam, or all) and delayed ones be tried again by the next push; returns how many."""
        rows = self.find(name) if name else [*self.rows("held"), *self.rows("waiting")]
        numbers = [row.id for row in rows if row.state in ("held", "waiting")]
        count = 0
        with self._changing() as sql:
            for number in numbers:
                count += sql.execute(
                    "UPDATE exam SET state = 'waiting', not_before = 0, updated_at = ? WHERE id = ? AND (state = "
                    "'waiting' OR (state = 'held' AND code NOT IN ('unreadable', 'invalid', 'plausibility', "
                    "'unverified', 'no-patient')))",
                    (now_text(), number),
                ).rowcount
        return count

    def release(self, name: str, *, by: str, reason: str) -> Row:
        """A person lets a held exam go on; kept with name and reason. Raises RecordError where that cannot help."""
        row = self._held(name)
        if row.code not in RELEASABLE:
            raise RecordError(
                f"a hold of the kind {row.code!r} cannot be released", row.name, "correct the record or the server"
            )
        self._decide(row, "release", by, reason, "UPDATE exam SET state = 'waiting', not_before = 0, updated_at = ?")
        return self.row(row.id)

    def drop(self, name: str, *, by: str, reason: str) -> Row:
        """A person decides that an exam is not sent; kept with name and reason."""
        row = self._held(name, also=("waiting",))
        self._decide(row, "drop", by, reason, "UPDATE exam SET state = 'dropped', updated_at = ?")
        return self.row(row.id)

    def _held(self, name: str, also: tuple[str, ...] = ()) -> Row:
        rows = [row for row in self.find(name) if row.state in ("held", *also)]
        if not rows:
            raise RecordError("the exam is not held", name, "see outbox show")
        if len(rows) > 1:
            numbers = ", ".join(f"#{row.id}" for row in rows)
            raise RecordError(f"{len(rows)} versions of the exam are held", name, f"name one of them: {numbers}")
        return rows[0]

    def _decide(self, row: Row, what: str, by: str, reason: str, update: str) -> None:
        if not by.strip() or not reason.strip():
            raise RecordError(f"a {what} needs a name and a reason", row.name, "give --by and --reason")
        now = now_text()
        words = f"{'released' if what == 'release' else 'dropped'} by {by.strip()}: {reason.strip()}"
        with self._changing() as sql:
            query = f"{update}, reason = ? WHERE id = ? AND state = ?"
            if sql.execute(query, (now, words, row.id, row.state)).rowcount != 1:
                raise RecordError("the exam has moved on meanwhile", row.name, "see outbox show")
            sql.execute(
                "INSERT INTO decision (exam, key, what, code, who, reason, at) VALUES (?, ?, ?, ?, ?, ?, ?)",
                (row.id, row.key, what, row.code, by.strip(), reason.strip(), now),
            )

    def purge(self, older_than: dt.timedelta) -> int:
        """Delete the payloads of what was delivered, superseded or dropped longer ago; key and hash stay.

        The file is compacted and its side files emptied, so that nothing of them is left on the disk.
        """
        limit = (dt.datetime.now(dt.UTC) - older_than).isoformat(timespec="milliseconds")
        done = "state IN ('delivered', 'superseded', 'dropped') AND updated_at <= ?"
        with self._changing() as sql:
            count = sql.execute(
                f"DELETE FROM payload WHERE exam IN (SELECT id FROM exam WHERE {done})", (limit,)
            ).rowcount
            sql.execute(f"UPDATE exam SET issues = '', file = '' WHERE {done}", (limit,))
            sql.execute("DELETE FROM message WHERE at <= ?", (limit,))
        with self._lock, self._errors():
            self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            self._connection.execute("VACUUM")
            self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        return count

    def backup(self, path: str | Path) -> None:
        """Write a consistent copy (mode 0600) while work goes on; it appears under its name when complete."""
        path = Path(path)
        draft = path.with_name(path.name + ".part")
        try:
            os.close(os.open(draft, os.O_CREAT | os.O_WRONLY | os.O_TRUNC, 0o600))
            with contextlib.closing(sqlite3.connect(draft)) as copy, self._lock, self._errors():
                self._connection.backup(copy)
            with draft.open("rb") as handle:
                os.fsync(handle.fileno())
            draft.replace(path)
            folder = os.open(path.parent, os.O_RDONLY)
            try:
                os.fsync(folder)
            finally:
                os.close(folder)
        except OSError as error:
            raise ConfigError(
                f"the backup cannot be written: {error.strerror}", str(path), "name another file"
            ) from None


def _pack(data: bytes) -> bytes:
    return zlib.compress(data, 1) if data else b""


def _json(issues: list[dict[str, Any]]) -> str:
    return wire.dumps(issues).decode() if issues else ""
