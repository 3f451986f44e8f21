"""Room `exchange`: records into the outbox, each once, together with the acknowledgement of their message."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence

from fhir_bladder.exchange.outbox.file import OutboxFile
from fhir_bladder.exchange.outbox.rows import Accepted, Item, now_text, pack

_Payload = tuple[bytes, bytes]
"""Source and Bundle of an item as they are kept."""


def _packed(item: Item) -> _Payload:
    return pack(item.source), pack(item.bundle)


def _found(sql: sqlite3.Connection, target: str, item: Item) -> sqlite3.Row | None:
    """Number and state of the row that holds this item already."""
    query = "SELECT id, state FROM exam WHERE target = ? AND key = ? AND content = ?"
    found: sqlite3.Row | None = sql.execute(query, (target, item.key, item.content or item.sha256)).fetchone()
    return found


class Intake(OutboxFile):
    """What takes records in."""

    def accept(self, target: str, items: Sequence[Item]) -> list[Accepted]:
        """Commit records, all in one transaction, in the order given; what is there already is not added again.

        A held row given again is worked on again (the server or the record system may have been put right since); its
        age goes on counting. Delivered, superseded and dropped rows stay as they are.
        """
        now = now_text()
        with self._lock, self._errors():
            known = [_found(self._connection, target, item) for item in items]
        # Packed before the transaction: workers that deliver need not wait for it.
        payloads = [None if found else _packed(item) for item, found in zip(items, known, strict=True)]
        with self._changing() as sql:
            return [self._take(sql, target, item, now, payload) for item, payload in zip(items, payloads, strict=True)]

    def _take(
        self, sql: sqlite3.Connection, target: str, item: Item, now: str, payload: _Payload | None = None
    ) -> Accepted:
        found = _found(sql, target, item)
        if found is None:
            return Accepted(self._insert(sql, target, item, now, payload or _packed(item)), item.state, new=True)
        if found["state"] == "held":
            self._again(sql, found["id"], item, now)
            return Accepted(found["id"], item.state, new=False)
        return Accepted(found["id"], found["state"], new=False)

    @staticmethod
    def _insert(sql: sqlite3.Connection, target: str, item: Item, now: str, payload: _Payload) -> int:
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
        sql.execute("INSERT INTO payload VALUES (?, ?, ?)", (number, *payload))
        return number

    def _again(self, sql: sqlite3.Connection, number: int, item: Item, now: str) -> None:
        code, reason = item.code, item.reason
        if item.state == "held" and self._released(sql, number, item.code):
            item.state, code, reason = "waiting", "", ""
        sql.execute(
            "UPDATE exam SET state = ?, code = ?, reason = ?, file = ?, line = ?, not_before = 0, failures = 0, "
            "updated_at = ? WHERE id = ?",
            (item.state, code, reason, item.file, item.line, now, number),
        )
        if item.bundle:
            sql.execute("UPDATE payload SET bundle = ? WHERE exam = ?", (pack(item.bundle), number))

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
                self._take(sql, target, item, now)
            sql.execute("INSERT INTO message VALUES (?, ?, ?, ?, ?, ?)", (*identity, answer, now))
        return answer
