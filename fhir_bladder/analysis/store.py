"""Room `analysis`: lookups that stay small in memory: a dict at first, a temporary SQLite file beyond a limit."""

from __future__ import annotations

import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path


class Store:
    """Text to text. Close it to remove its file."""

    LIMIT = 50_000

    def __init__(self) -> None:
        self._memory: dict[str, str] = {}
        self._disk: sqlite3.Connection | None = None
        self._folder: tempfile.TemporaryDirectory[str] | None = None

    def close(self) -> None:
        """Remove the temporary file, if there is one."""
        if self._disk is not None:
            self._disk.close()
        if self._folder is not None:
            self._folder.cleanup()

    def put(self, key: str, value: str) -> None:
        """Set a value."""
        self._memory[key] = value
        if len(self._memory) > self.LIMIT:
            self._folder, self._disk = _database(self._folder, self._disk, "entry (key TEXT PRIMARY KEY, value TEXT)")
            self._disk.executemany("INSERT OR REPLACE INTO entry VALUES (?, ?)", self._memory.items())
            self._memory.clear()

    def get(self, key: str) -> str | None:
        """A value, or None."""
        found = self._memory.get(key)
        if found is None and self._disk is not None:
            row = self._disk.execute("SELECT value FROM entry WHERE key = ?", (key,)).fetchone()
            found = row[0] if row else None
        return found

    def items(self) -> Iterator[tuple[str, str]]:
        """Every key with its value."""
        if self._disk is not None:
            for key, value in self._disk.execute("SELECT key, value FROM entry"):
                if key not in self._memory:
                    yield key, value
        yield from self._memory.items()


class Numbering:
    """Numbers the exams of each patient in the order of time. Close it to remove its file."""

    def __init__(self) -> None:
        self._batch: list[tuple[int, str, float]] = []
        self._folder, self._disk = _database(None, None, "exam (ordinal INTEGER PRIMARY KEY, who TEXT, moment REAL)")

    def close(self) -> None:
        """Remove the temporary file."""
        self._disk.close()
        self._folder.cleanup()

    def add(self, ordinal: int, who: str, moment: float) -> None:
        """An exam: its place in the input, whose it is, seconds since 1970."""
        self._batch.append((ordinal, who, moment))
        if len(self._batch) >= 10_000:
            self._flush()

    def _flush(self) -> None:
        self._disk.executemany("INSERT INTO exam VALUES (?, ?, ?)", self._batch)
        self._batch.clear()

    def numbers(self, patient: Callable[[str], str], counts: Callable[[int], bool]) -> Iterator[tuple[int, int]]:
        """Place in the input and number within the patient, from 1, of the exams that count; in input order.

        patient: the one key of a patient who is known by several.
        """
        self._flush()
        self._disk.create_function("patient", 1, patient, deterministic=True)
        self._disk.create_function("counts", 1, counts, deterministic=True)
        query = (
            "SELECT ordinal, row_number() OVER (PARTITION BY patient(who) ORDER BY moment, ordinal) AS number "
            "FROM exam WHERE counts(ordinal) AND who <> '' ORDER BY ordinal"
        )
        yield from self._disk.execute(query)


def _database(
    folder: tempfile.TemporaryDirectory[str] | None, disk: sqlite3.Connection | None, table: str
) -> tuple[tempfile.TemporaryDirectory[str], sqlite3.Connection]:
    if folder is None or disk is None:
        folder = tempfile.TemporaryDirectory(prefix="fhir-bladder-")
        disk = sqlite3.connect(Path(folder.name) / "store.sqlite")
        disk.executescript("PRAGMA journal_mode=OFF; PRAGMA synchronous=OFF; PRAGMA cache_size=-8000;")
        disk.execute(f"CREATE TABLE {table}")
    return folder, disk
