"""Room `exchange`: files that are whole or not there, and the ledger that says what an export folder holds.

A file is written under a temporary name, synced, renamed, and its folder synced (a rename is atomic but not durable);
only then does the ledger name it. Names, sizes and hashes stand in the ledger, no URLs: a file link may be a key by
itself.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import IO, Any

from fhir_bladder import wire
from fhir_bladder.errors import ConfigError, InputError, UnfinishedError
from fhir_bladder.wire.disk import sync, sync_folder

LEDGER = "ledger.json"
VERSION = 1
PART = ".part"


at_boundary: Callable[[str], None] | None = None
"""Set by tests that kill the process at a boundary."""


def boundary(name: str) -> None:
    """Called at every step after which a crash must leave a folder that the next run can finish."""
    if at_boundary is not None:
        at_boundary(name)


class AtomicFile:
    """A file that appears under its name only when it is complete and on disk. Mode 600."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._part = path.with_name(path.name + PART)
        self._stream: IO[bytes] | None = None
        self._hash = hashlib.sha256()
        self.bytes = 0

    @property
    def sha256(self) -> str:
        """Hash of what was written so far."""
        return self._hash.hexdigest()

    def __enter__(self) -> AtomicFile:
        with disk(self.path):
            self.path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            descriptor = os.open(self._part, os.O_CREAT | os.O_TRUNC | os.O_WRONLY, 0o600)
            self._stream = os.fdopen(descriptor, "wb", buffering=1 << 20)
        boundary("part-opened")
        return self

    def write(self, data: bytes) -> None:
        """Append bytes."""
        assert self._stream is not None
        with disk(self.path):
            self._stream.write(data)
        self._hash.update(data)
        self.bytes += len(data)

    def commit(self) -> None:
        """Sync, rename, sync the folder. A failed sync is never tried again: what the disk holds is then unknown."""
        assert self._stream is not None
        with disk(self.path):
            sync(self._stream)
            self._stream.close()
            boundary("part-synced")
            self._part.replace(self.path)
            boundary("renamed")
            sync_folder(self.path.parent)
        boundary("folder-synced")
        self._stream = None

    def __exit__(self, *_: object) -> None:
        if self._stream is not None:  # not committed: nothing may look complete
            with contextlib.suppress(OSError):
                self._stream.close()
            with contextlib.suppress(OSError):
                self._part.unlink()


@contextlib.contextmanager
def disk(path: Path) -> Iterator[None]:
    """Turn an error of the disk into one line: what is there stays, the same command goes on."""
    try:
        yield
    except OSError as error:
        raise UnfinishedError(
            f"cannot be written: {error.strerror or type(error).__name__}",
            str(path),
            "make room or check the rights, then run again",
        ) from None


def write_whole(path: Path, data: bytes) -> None:
    """Replace a small file, whole or not at all."""
    with AtomicFile(path) as file:
        file.write(data)
        file.commit()


def read_whole(path: Path) -> Any:
    """The JSON of a small file of ours, None where it is not there; raises ConfigError where it is not readable."""
    try:
        return wire.loads(path.read_bytes())
    except FileNotFoundError:
        return None
    except OSError as error:
        raise ConfigError(f"cannot be read: {error.strerror}", str(path), "check the rights") from None
    except InputError:
        raise ConfigError("is not readable as JSON", str(path), "choose a new folder") from None


@dataclass(slots=True)
class FileEntry:
    """One file of a run. kind: output, deleted or error. count: lines the manifest promised, None if it did not say.

    types: resource type → lines. broken: lines that are no JSON object, or longer than the limit. problems: what did
    not fit, in words; the file is kept all the same.
    """

    name: str
    kind: str
    type: str
    lines: int = 0
    bytes: int = 0
    sha256: str = ""
    count: int | None = None
    broken: int = 0
    types: dict[str, int] = field(default_factory=dict)
    problems: list[str] = field(default_factory=list)


@dataclass(slots=True)
class Run:
    """One export into the folder. method: bulk or search. state: running, complete or cancelled.

    transaction_time: of the manifest; for a search the server's time when it began, a minute back. may_miss: what a
    search cannot promise.
    """

    number: int
    method: str = "bulk"
    state: str = "running"
    since: str = ""
    until: str = ""
    started: str = ""
    finished: str = ""
    transaction_time: str = ""
    may_miss: list[str] = field(default_factory=list)
    files: list[FileEntry] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def file(self, name: str) -> FileEntry | None:
        """The entry of a name."""
        return next((one for one in self.files if one.name == name), None)


@dataclass(slots=True)
class Ledger:
    """What a folder holds: server (host and path), parameters, and its runs."""

    folder: Path
    server: str
    parameters: dict[str, Any]
    runs: list[Run] = field(default_factory=list)

    def save(self) -> None:
        """Write `ledger.json`, durably."""
        content = {
            "ledger_version": VERSION,
            "server": self.server,
            "parameters": self.parameters,
            "runs": [
                {name: value for name, value in asdict(run).items() if value not in ("", [])} for run in self.runs
            ],
        }
        write_whole(self.folder / LEDGER, wire.dumps(content) + b"\n")
        boundary("ledger-saved")

    def last_complete(self) -> Run | None:
        """The newest completed run."""
        return next((run for run in reversed(self.runs) if run.state == "complete"), None)


def read_ledger(folder: Path) -> Ledger | None:
    """The ledger of a folder, None where there is none; raises ConfigError where it is not one this version reads."""
    path = folder / LEDGER
    content = read_whole(path)
    if content is None:
        return None
    if not isinstance(content, dict) or content.get("ledger_version") != VERSION:
        raise ConfigError("is a ledger of another version", str(path), "use the program that made it, or a new folder")
    try:
        runs = [
            Run(**{**run, "files": [FileEntry(**file) for file in run.get("files", [])]}) for run in content["runs"]
        ]
        return Ledger(folder, content["server"], content["parameters"], runs)
    except (KeyError, TypeError):
        raise ConfigError("is no ledger of ours", str(path), "choose a new folder") from None


def hash_of(path: Path) -> str:
    """SHA-256 of a file."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
