"""Room `exchange`: the outbox file itself: creating, migrating and refusing it, and who is at work on it.

May import errors. Every statement that changes rows lives in `outbox`; here are tables, versions and owner locks.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import time
from pathlib import Path

from fhir_bladder.errors import ConfigError, UnfinishedError

try:
    import fcntl
except ImportError:  # pragma: no cover - Windows: claims then end by their lease only
    fcntl = None  # type: ignore[assignment]

APPLICATION_ID = 0x46424F42
"""`FBOB`: tells our file from any other SQLite file."""

STATES = ("waiting", "sending", "delivered", "held", "superseded", "dropped")

LEASE_S = 900.0
"""A claim older than this is taken over where the owner's lock file cannot tell (no flock on this system)."""

_V1 = """
CREATE TABLE setting (name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE owner (id INTEGER PRIMARY KEY AUTOINCREMENT, pid INTEGER NOT NULL, since REAL NOT NULL);
CREATE TABLE exam (
  id INTEGER PRIMARY KEY,
  target TEXT NOT NULL,
  key TEXT NOT NULL,
  content TEXT NOT NULL,
  sha256 TEXT NOT NULL,
  map_sha256 TEXT NOT NULL DEFAULT '',
  replaces TEXT NOT NULL DEFAULT '',
  file TEXT NOT NULL DEFAULT '',
  line INTEGER NOT NULL DEFAULT 0,
  synthetic INTEGER NOT NULL DEFAULT 0,
  status TEXT NOT NULL DEFAULT '',
  state TEXT NOT NULL CHECK (state IN ('waiting', 'sending', 'delivered', 'held', 'superseded', 'dropped')),
  code TEXT NOT NULL DEFAULT '',
  reason TEXT NOT NULL DEFAULT '',
  attempts INTEGER NOT NULL DEFAULT 0,
  not_before REAL NOT NULL DEFAULT 0,
  owner INTEGER NOT NULL DEFAULT 0,
  claimed REAL NOT NULL DEFAULT 0,
  location TEXT NOT NULL DEFAULT '',
  version TEXT NOT NULL DEFAULT '',
  etag TEXT NOT NULL DEFAULT '',
  issues TEXT NOT NULL DEFAULT '',
  accepted_at TEXT NOT NULL,
  sent_at TEXT NOT NULL DEFAULT '',
  delivered_at TEXT NOT NULL DEFAULT '',
  held_since TEXT NOT NULL DEFAULT '',
  updated_at TEXT NOT NULL
);
CREATE UNIQUE INDEX exam_identity ON exam (target, key, content);
CREATE INDEX exam_work ON exam (target, state, id);
CREATE INDEX exam_order ON exam (target, key, state, id);
CREATE INDEX exam_owner ON exam (owner) WHERE owner <> 0;
CREATE INDEX exam_replaces ON exam (target, replaces) WHERE replaces <> '';
CREATE INDEX exam_sha256 ON exam (sha256);
CREATE TABLE payload (exam INTEGER PRIMARY KEY REFERENCES exam (id), source BLOB NOT NULL, bundle BLOB NOT NULL);
CREATE TABLE decision (
  id INTEGER PRIMARY KEY AUTOINCREMENT,
  exam INTEGER NOT NULL REFERENCES exam (id),
  key TEXT NOT NULL,
  what TEXT NOT NULL,
  code TEXT NOT NULL,
  who TEXT NOT NULL CHECK (trim(who) <> ''),
  reason TEXT NOT NULL CHECK (trim(reason) <> ''),
  at TEXT NOT NULL
);
CREATE INDEX decision_exam ON decision (exam);
CREATE TRIGGER decision_is_kept BEFORE DELETE ON decision BEGIN SELECT RAISE(ABORT, 'decisions are kept'); END;
CREATE TRIGGER decision_stands BEFORE UPDATE ON decision BEGIN SELECT RAISE(ABORT, 'decisions are kept'); END;
"""

_V2 = """
CREATE TABLE message (
  application TEXT NOT NULL,
  facility TEXT NOT NULL,
  control_id TEXT NOT NULL,
  content TEXT NOT NULL,
  answer BLOB NOT NULL,
  at TEXT NOT NULL,
  PRIMARY KEY (application, facility, control_id, content)
) WITHOUT ROWID;
"""

_V3 = """
ALTER TABLE exam ADD COLUMN failures INTEGER NOT NULL DEFAULT 0;
CREATE TABLE made (
  id INTEGER PRIMARY KEY,
  target TEXT NOT NULL,
  kind TEXT NOT NULL,
  name TEXT NOT NULL,
  reference TEXT NOT NULL,
  at TEXT NOT NULL,
  UNIQUE (target, kind, name)
);
"""

MIGRATIONS = (_V1, _V2, _V3)
"""Step n leads from version n to n + 1; a new file goes through all of them."""

VERSION = len(MIGRATIONS)


def connect(path: Path) -> sqlite3.Connection:
    """Open the outbox, made or migrated as needed; 0600, WAL, every commit synced to the disk.

    Raises ConfigError where it cannot be used: no folder, not writable, another kind of file, a newer version.
    """
    try:
        with contextlib.suppress(FileExistsError):
            os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
        if path.stat().st_mode & 0o077:
            path.chmod(0o600)
    except OSError as error:
        raise ConfigError(
            f"the outbox cannot be opened: {(error.strerror or str(error)).lower()}",
            str(path),
            "give a path in a folder that exists and can be written (--outbox)",
        ) from None
    connection = sqlite3.connect(path, timeout=30, isolation_level=None, check_same_thread=False)
    try:
        _prepare(connection, path)
    except sqlite3.DatabaseError as error:
        connection.close()
        raise explained(error, path) from None
    except BaseException:
        connection.close()
        raise
    return connection


def _prepare(connection: sqlite3.Connection, path: Path) -> None:
    connection.row_factory = sqlite3.Row
    connection.execute("PRAGMA busy_timeout = 30000")
    _to_wal(connection)
    for pragma in ("synchronous = FULL", "secure_delete = ON", "foreign_keys = ON"):
        connection.execute(f"PRAGMA {pragma}")
    version = _version(connection, path)
    if version < VERSION:
        connection.execute("BEGIN IMMEDIATE")
        try:
            for number in range(_version(connection, path), VERSION):
                _run(connection, MIGRATIONS[number])
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            connection.execute(f"PRAGMA user_version = {VERSION}")
            connection.execute("COMMIT")
        except BaseException:
            roll_back(connection)
            raise


def _to_wal(connection: sqlite3.Connection) -> None:
    """SQLite does not wait while the journal mode changes: of two processes that open a new file one is told busy."""
    end = time.monotonic() + 30
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY or time.monotonic() > end:
                raise
            time.sleep(0.02)
        else:
            return


def _run(connection: sqlite3.Connection, script: str) -> None:
    """Statement by statement: `executescript` would commit in between."""
    statement = ""
    for line in script.splitlines():
        statement += line + "\n"
        if sqlite3.complete_statement(statement):
            connection.execute(statement)
            statement = ""


def _version(connection: sqlite3.Connection, path: Path) -> int:
    # in this order: another process may be making the file, and commits tables, application and version together
    tables = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    application = connection.execute("PRAGMA application_id").fetchone()[0]
    version: int = connection.execute("PRAGMA user_version").fetchone()[0]
    if tables and application != APPLICATION_ID:
        raise ConfigError("this SQLite file is not an outbox", str(path), "name another file with --outbox")
    if version > VERSION:
        raise ConfigError(
            f"the outbox has version {version}, this program knows {VERSION}",
            str(path),
            "update fhir-bladder; an older program must not touch it",
        )
    return version


def roll_back(connection: sqlite3.Connection) -> None:
    """Roll back where there is something to: after a fatal error SQLite has done it already, and a blind ROLLBACK
    would hide the real error.
    """
    if connection.in_transaction:
        with contextlib.suppress(sqlite3.Error):
            connection.execute("ROLLBACK")


def explained(error: sqlite3.Error, path: Path) -> ConfigError | UnfinishedError:
    """A database error as one line with a remedy. A full disk or a long lock is safe to run again."""
    text = str(error).lower()
    if "full" in text or "disk i/o" in text:
        return UnfinishedError(f"the outbox cannot be written: {text}", str(path), "free space, then run it again")
    if "locked" in text or "busy" in text:
        return UnfinishedError("the outbox is locked by another process", str(path), "wait for it, then run it again")
    if "not a database" in text or "malformed" in text:
        return ConfigError(f"the outbox cannot be read: {text}", str(path), "restore a backup, or name another file")
    return ConfigError(f"the outbox cannot be used: {text}", str(path), "make the file and its folder writable")


class Owner:
    """This process (or thread) at work on the outbox. A held file lock says that it lives; the kernel drops it
    whatever way the process ends, so a killed one is recognised at once.
    """

    def __init__(self, connection: sqlite3.Connection, path: Path) -> None:
        self._path = path
        cursor = connection.execute("INSERT INTO owner (pid, since) VALUES (?, ?)", (os.getpid(), time.time()))
        self.id = int(cursor.lastrowid or 0)
        self._lock: int | None = None
        if fcntl is not None:
            self._lock = os.open(self._file(self.id), os.O_CREAT | os.O_RDWR, 0o600)
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)

    def _file(self, number: int) -> Path:
        return self._path.with_name(f"{self._path.name}-owner-{number}")

    def is_dead(self, number: int, claimed: float) -> bool:
        """True where the owner of a claim is certainly gone."""
        if number == self.id:
            return False
        if fcntl is None:
            return time.time() - claimed > LEASE_S
        try:
            handle = os.open(self._file(number), os.O_RDWR)
        except FileNotFoundError:
            return True
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return False
        finally:
            os.close(handle)
        self._file(number).unlink(missing_ok=True)
        return True

    def close(self) -> None:
        """Give up the lock; open claims of this owner can be taken over from now on."""
        if self._lock is not None:
            self._file(self.id).unlink(missing_ok=True)
            os.close(self._lock)
            self._lock = None
