"""Room `exchange`: keeping house in the outbox: purging payloads, backups. May import errors."""

# ruff: noqa: S608 - every name put into a statement is a constant, every value is bound
from __future__ import annotations

import contextlib
import datetime as dt
import os
import sqlite3
from pathlib import Path

from fhir_bladder.errors import ConfigError
from fhir_bladder.exchange.outbox.file import OutboxFile
from fhir_bladder.wire import disk


class Keep(OutboxFile):
    """Purge and backup."""

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
            sql.execute("DELETE FROM made WHERE at <= ?", (limit,))
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
                disk.sync(handle)
            draft.replace(path)
            disk.sync_folder(path.parent)
        except OSError as error:
            raise ConfigError(
                f"the backup cannot be written: {error.strerror}", str(path), "name another file"
            ) from None
