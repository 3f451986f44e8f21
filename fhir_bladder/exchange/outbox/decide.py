"""Room `exchange`: what people decide about held exams: retry, release, drop. Append-only. May import errors."""

from __future__ import annotations

from fhir_bladder.errors import RecordError
from fhir_bladder.exchange.outbox.ask import Ask
from fhir_bladder.exchange.outbox.rows import Row, now_text

RELEASABLE = frozenset({"unverified", "plausibility", "patient-unproven", "content-differs", "refused", "server-fails"})

_ANEW = "UPDATE exam SET state = 'waiting', not_before = 0, failures = 0, updated_at = ?"


class Decide(Ask):
    """What a person decides, kept with name and reason."""

    def retry(self, name: str = "") -> int:
        """Let held rows (one exam, or all) and delayed ones be tried again by the next push; returns how many."""
        rows = self.find(name) if name else [*self.rows("held"), *self.rows("waiting")]
        numbers = [row.id for row in rows if row.state in ("held", "waiting")]
        count = 0
        with self._changing() as sql:
            for number in numbers:
                count += sql.execute(
                    f"{_ANEW} WHERE id = ? AND (state = 'waiting' OR (state = 'held' AND code NOT IN "
                    "('unreadable', 'invalid', 'plausibility', 'unverified', 'no-patient')))",
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
        self._decide(row, "release", by, reason, _ANEW)
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
