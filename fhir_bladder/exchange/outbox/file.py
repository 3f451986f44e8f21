"""Room `exchange`: the outbox file in use: its connection, its transactions, its settings. May import errors.

Everything durable goes through `_changing`, and every commit through `_commit`.
"""

from __future__ import annotations

import contextlib
import sqlite3
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Self

from fhir_bladder.errors import ConfigError
from fhir_bladder.exchange.outbox.schema import Owner, connect, explained, roll_back


class OutboxFile:
    """An open outbox file. Safe to share between threads; other processes may have it open too.

    Raises ConfigError where the file cannot be used, UnfinishedError where the disk is full or the file locked.
    """

    def __init__(self, path: str | Path) -> None:
        self.path = Path(path)
        self._lock = threading.RLock()
        self._grouping = False
        self._connection = connect(self.path)
        with self._errors():
            self._owner = Owner(self._connection, self.path)

    def close(self) -> None:
        """Close the file."""
        with self._lock:
            self._owner.close()
            self._connection.close()

    def __enter__(self) -> Self:
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
        """One write transaction; committed at the end, rolled back on any exception. Part of the group's, inside one.

        The lock is held by the grouping thread until its commit: others wait here and then find no group.
        """
        with self._lock, self._errors():
            if self._grouping:
                yield self._connection
                return
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield self._connection
                self._commit()
            except BaseException:
                roll_back(self._connection)
                raise

    @contextlib.contextmanager
    def together(self) -> Iterator[None]:
        """Everything accepted inside, by this thread, becomes durable at the end, all or none: one sync for many."""
        with self._changing():
            self._grouping = True
            try:
                yield
            finally:
                self._grouping = False

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
