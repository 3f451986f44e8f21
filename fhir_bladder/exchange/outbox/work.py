"""Room `exchange`: the outbox at work: claims, take-overs, results. A row is claimed by one process at a time."""

# ruff: noqa: S608 - every name put into a statement is a constant, every value is bound
from __future__ import annotations

import datetime as dt
import sqlite3
import time
import zlib
from collections.abc import Sequence

from fhir_bladder import wire
from fhir_bladder.errors import BladderError
from fhir_bladder.exchange.outbox.file import OutboxFile
from fhir_bladder.exchange.outbox.rows import COLUMNS, Result, Row, issues_text, now_text, row_of

_CLAIMABLE = (
    f"SELECT {COLUMNS} FROM exam AS e WHERE target = ? AND state = 'waiting' AND not_before <= ? "
    "AND NOT EXISTS (SELECT 1 FROM exam AS o WHERE o.target = e.target AND o.key = e.key "
    "  AND (o.state = 'sending' OR (o.state = 'waiting' AND o.id < e.id))) "
    "AND (e.replaces = '' OR NOT EXISTS (SELECT 1 FROM exam AS o WHERE o.target = e.target "
    "  AND o.key = e.replaces AND o.state IN ('waiting', 'sending') AND o.id < e.id)) "
    "ORDER BY id LIMIT ?"
)


class Work(OutboxFile):
    """What push needs of the outbox while it delivers."""

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
        rows = [row_of(row) for row in found]
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

        Older held rows of an exam that is now delivered are `superseded`: a later record of it has arrived. See
        `_supersede`.
        """
        if not results:
            return
        now = now_text()
        with self._changing() as sql:
            for result in results:
                changed = sql.execute(
                    "UPDATE exam SET state = ?, code = ?, reason = ?, location = iif(? = '', location, ?), "
                    "version = iif(? = '', version, ?), etag = iif(? = '', etag, ?), issues = ?, owner = 0, "
                    "not_before = ?, failures = failures + ?, delivered_at = iif(? = 'delivered', ?, delivered_at), "
                    "held_since = CASE WHEN ? <> 'held' THEN held_since WHEN held_since = '' THEN ? "
                    "ELSE held_since END, updated_at = ? WHERE id = ? AND state = 'sending' AND owner = ?",
                    (
                        result.state, result.code, result.reason, result.location, result.location, result.version,
                        result.version, result.etag, result.etag, issues_text(result.issues),
                        time.time() + result.delay if result.delay else 0, result.failed, result.state, now,
                        result.state, now, now, result.id, self._owner.id,
                    ),
                ).rowcount  # fmt: skip
                if changed and result.state == "delivered":
                    self._supersede(sql, result.id, now)

    def _supersede(self, sql: sqlite3.Connection, number: int, now: str) -> None:
        """Held rows that a delivered one of the same key has overtaken: of its time or patient, or all where it
        says that it was changed. One of neither may be another exam under a number given twice; it stays held.
        """
        older = sql.execute(
            "SELECT id FROM exam WHERE state = 'held' AND id < ? AND key <> '' "
            "AND (target, key) = (SELECT target, key FROM exam WHERE id = ?)",
            (number, number),
        ).fetchall()
        if not older:
            return
        status = sql.execute("SELECT status FROM exam WHERE id = ?", (number,)).fetchone()[0]
        marks = set() if status in ("amended", "corrected") else _marks_of(self.bundle(number))
        for (one,) in older:
            others = _marks_of(self.bundle(one)) if marks else set()
            if not others or others & marks:
                sql.execute(
                    "UPDATE exam SET state = 'superseded', code = 'later-record', updated_at = ?, "
                    "reason = 'a later record of this exam was delivered; was held: ' || reason WHERE id = ?",
                    (now, one),
                )

    def bundle(self, number: int) -> bytes:
        """The transaction Bundle of a row as JSON bytes; empty where it was purged or never made."""
        return self._payloads([number], "bundle").get(number, b"")

    def source(self, number: int) -> bytes:
        """The record as received; empty after a purge."""
        return self._payloads([number], "source").get(number, b"")

    def bundles(self, numbers: Sequence[int]) -> dict[int, bytes]:
        """The transaction Bundles of up to 1,000 rows; rows whose Bundle was purged or never made are left out."""
        return self._payloads(numbers, "bundle")

    def _payloads(self, numbers: Sequence[int], column: str) -> dict[int, bytes]:
        query = f"SELECT exam, {column} FROM payload WHERE exam IN ({','.join('?' * len(numbers))})"
        with self._lock, self._errors():
            found = self._connection.execute(query, numbers).fetchall()
        return {number: zlib.decompress(data) for number, data in found if data}

    def replaced_by(self, target: str, keys: Sequence[str]) -> dict[str, str]:
        """Of these exam keys, those that a delivered exam of this outbox replaces, and by which key."""
        marks = ",".join("?" * len(keys))
        query = f"SELECT replaces, key FROM exam WHERE target = ? AND state = 'delivered' AND replaces IN ({marks})"
        with self._lock, self._errors():
            return dict(self._connection.execute(query, (target, *keys)).fetchall())

    def made(self, target: str, most: int) -> list[tuple[str, str, str]]:
        """What `keep_made` kept for a server, the newest `most`, oldest first: type, name, `Type/id`."""
        query = "SELECT kind, name, reference FROM made WHERE target = ? ORDER BY id DESC LIMIT ?"
        with self._lock, self._errors():
            return [tuple(row) for row in reversed(self._connection.execute(query, (target, most)).fetchall())]

    def keep_made(self, target: str, new: Sequence[tuple[str, str, str]], gone: Sequence[tuple[str, str]]) -> None:
        """Drop what need not be kept any more (type, name), then commit what a server says it has made (type, name,
        `Type/id`): what went and was made again is kept.
        """
        now = now_text()
        with self._changing() as sql:
            sql.executemany(
                "DELETE FROM made WHERE target = ? AND kind = ? AND name = ?", [(target, *one) for one in gone]
            )
            sql.executemany(
                "INSERT OR REPLACE INTO made (target, kind, name, reference, at) VALUES (?, ?, ?, ?, ?)",
                [(target, *one, now) for one in new],
            )

    def next_due(self, target: str) -> float | None:
        """Seconds until the next waiting row may be tried (0 = now); None where nothing waits."""
        with self._lock, self._errors():
            query = "SELECT min(not_before) FROM exam WHERE target = ? AND state = 'waiting'"
            found = self._connection.execute(query, (target,)).fetchone()[0]
        return None if found is None else max(0.0, found - time.time())


def _marks_of(bundle: bytes) -> set[str]:
    """When, in UTC, and of whom the Observations of a Bundle are; empty where the time cannot be told."""
    try:
        resources = [entry["resource"] for entry in wire.loads(bundle)["entry"]]
        exams = [one for one in resources if one["resourceType"] == "Observation"]
        times = {dt.datetime.fromisoformat(one["effectiveDateTime"]).astimezone(dt.UTC).isoformat() for one in exams}
    except (BladderError, ValueError, KeyError, TypeError):
        return set()
    patients = [one.get("subject", {}).get("identifier", {}) for one in exams]
    return times | {f"{one.get('system', '')}|{one['value']}" for one in patients if one.get("value")}
