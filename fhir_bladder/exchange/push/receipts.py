"""Room `exchange`: receipts, one NDJSON line an exam and outcome. May import errors, wire.

A receipt names the exam by its key and what became of it; it holds no value, no name and no server's own words.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from fhir_bladder import wire
from fhir_bladder.errors import ConfigError
from fhir_bladder.exchange.outbox import Row

_QUOTING = frozenset({"unreadable", "invalid"})
"""Holds whose words may quote the record; a receipt then says where the words are."""


def receipt(row: Row) -> dict[str, Any]:
    """The receipt of a row: fixed keys, empty ones left out."""
    found = {
        "key": row.key,
        "row": row.id,
        "state": row.state,
        "status": row.status,
        "code": row.code,
        "reason": f"{row.code}: see outbox show '#{row.id}'" if row.code in _QUOTING else row.reason,
        "location": row.location,
        "version": row.version,
        "etag": row.etag,
        "attempts": row.attempts,
        "issues": [{k: v for k, v in issue.items() if k != "diagnostics"} for issue in row.issues],
        "accepted_at": row.accepted_at,
        "sent_at": row.sent_at,
        "delivered_at": row.delivered_at,
        "held_since": row.held_since,
        "file": row.file,
        "line": row.line,
        "sha256": row.sha256,
        "map_sha256": row.map_sha256,
        "synthetic": row.synthetic,
        "server": row.target,
    }
    return {name: value for name, value in found.items() if value not in ("", [], 0) or name in ("attempts",)}


class Receipts:
    """A receipts file, appended to; mode 0600. Safe to use from several threads."""

    def __init__(self, path: str | Path) -> None:
        self._path = Path(path)
        self._lock = threading.Lock()
        try:
            self._file = os.open(self._path, os.O_CREAT | os.O_APPEND | os.O_WRONLY, 0o600)
        except OSError as error:
            words = f"receipts cannot be written: {(error.strerror or '').lower()}"
            raise ConfigError(words, str(self._path), "name another file with --receipts") from None

    def write(self, rows: Iterable[Row]) -> None:
        """Append a line for each row."""
        lines = b"".join(wire.dumps(receipt(row)) + b"\n" for row in rows)
        with self._lock:
            try:
                while lines:
                    lines = lines[os.write(self._file, lines) :]
            except OSError as error:
                words = f"receipts cannot be written: {(error.strerror or '').lower()}"
                raise ConfigError(words, str(self._path), "free space, or name another file") from None

    def close(self) -> None:
        """Make them durable and close the file."""
        os.fsync(self._file)
        os.close(self._file)

    def __enter__(self) -> Receipts:
        return self

    def __exit__(self, *exception: object) -> None:
        self.close()
