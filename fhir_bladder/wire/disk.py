"""Room `wire`: files that are whole or not there, for their owner only. OSError is left to the caller to explain."""

from __future__ import annotations

import os
from pathlib import Path
from typing import IO, Any


def sync(stream: IO[Any]) -> None:
    """Make what was written to a file durable."""
    stream.flush()
    os.fsync(stream.fileno())


def sync_folder(folder: Path) -> None:
    """Make a folder's entries durable: a rename alone is atomic, not durable."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def replace(path: Path, data: bytes) -> None:
    """Write a file (mode 0600), whole or not at all; its folder is not synced.

    The draft is made anew: one that stands there may be open to others or point elsewhere. It does not stay behind.
    """
    draft = path.with_name(f".{path.name}.part")
    draft.unlink(missing_ok=True)
    handle = os.open(draft, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            sync(stream)
        draft.replace(path)
    except BaseException:
        draft.unlink(missing_ok=True)
        raise
