"""Room `exchange`: the outbox asked: counts, rows, decisions. Nothing here changes a row. May import errors."""

# ruff: noqa: S608 - every name put into a statement is a constant, every value is bound
from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable, Iterator, Sequence
from itertools import islice

from fhir_bladder.errors import RecordError
from fhir_bladder.exchange.outbox.file import OutboxFile
from fhir_bladder.exchange.outbox.rows import COLUMNS, Decision, Row, row_of
from fhir_bladder.exchange.outbox.schema import STATES

_HASH = re.compile("[0-9a-f]{8,64}")


class Ask(OutboxFile):
    """What people and commands ask."""

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
        wanted = iter(numbers)
        while part := list(islice(wanted, 500)):
            query = f"SELECT state, count(*) FROM exam WHERE id IN ({','.join('?' * len(part))}) GROUP BY state"
            with self._lock, self._errors():
                for state, count in self._connection.execute(query, part).fetchall():
                    result[state] += count
        return result

    def row(self, number: int) -> Row:
        """One row by its number."""
        with self._lock, self._errors():
            found = self._connection.execute(f"SELECT {COLUMNS} FROM exam WHERE id = ?", (number,)).fetchone()
        if found is None:
            raise RecordError(f"row #{number} is not in the outbox", str(self.path), "see outbox list")
        return row_of(found)

    def rows(self, state: str = "", *, target: str = "", older_than: dt.timedelta | None = None) -> Iterator[Row]:
        """Rows in the order accepted, read page by page."""
        last, limit = 0, None
        if older_than is not None:
            limit = (dt.datetime.now(dt.UTC) - older_than).isoformat(timespec="milliseconds")
        while True:
            with self._lock, self._errors():
                page = self._connection.execute(
                    f"SELECT {COLUMNS} FROM exam WHERE id > ? AND (? = '' OR state = ?) AND (? = '' OR target = ?) "
                    "AND (? IS NULL OR iif(held_since = '', accepted_at, held_since) < ?) ORDER BY id LIMIT 500",
                    (last, state, state, target, target, limit, limit),
                ).fetchall()
            if not page:
                return
            last = page[-1]["id"]
            yield from map(row_of, page)

    def find(self, name: str) -> list[Row]:
        """Rows by exam key, by `#number`, or by the first 8 or more digits of the hash; newest last.

        Raises RecordError where there is none.
        """
        if not name:
            raise RecordError("no exam is named", str(self.path), "name it by its key, its #number or its hash")
        if name.startswith("#") and name[1:].isdigit():
            return [self.row(int(name[1:]))]
        digits = name if _HASH.fullmatch(name) else ""
        with self._lock, self._errors():
            found = self._connection.execute(
                f"SELECT {COLUMNS} FROM exam WHERE key = ? OR (? <> '' AND sha256 GLOB ? || '*') ORDER BY id",
                (name, digits, digits),
            ).fetchall()
        if not found:
            raise RecordError(f"no exam {name!r} in the outbox", str(self.path), "see outbox list for keys and numbers")
        return [row_of(row) for row in found]

    def decisions(self, numbers: Sequence[int]) -> dict[int, list[Decision]]:
        """Releases and drops, oldest first, of up to 1,000 rows, by row number; rows without any are left out."""
        marks = ",".join("?" * len(numbers))
        query = f"SELECT exam, key, what, code, who, reason, at FROM decision WHERE exam IN ({marks}) ORDER BY id"
        with self._lock, self._errors():
            found = self._connection.execute(query, numbers).fetchall()
        result: dict[int, list[Decision]] = {}
        for row in found:
            result.setdefault(row["exam"], []).append(Decision(*row))
        return result
