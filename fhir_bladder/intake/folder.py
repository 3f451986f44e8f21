"""Room `intake`: a watched folder. Files that are complete are read, committed and moved to `done/` or `refused/`.

Complete: put there by rename, or not changed for a while. Names ending in .tmp, .part, .filepart, .crdownload or
starting with a dot are left alone until they are renamed. What is moved to `refused/` has a `.why` beside it.
"""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from fhir_bladder.errors import ConfigError, Finding
from fhir_bladder.exchange import log
from fhir_bladder.exchange.outbox import Accepted, Item
from fhir_bladder.intake.boundaries import reached
from fhir_bladder.intake.commit import Prepares, unexpected
from fhir_bladder.readers.items import ReadItem, ReadOptions
from fhir_bladder.readers.reading import Maps, maps_of, read_file
from fhir_bladder.wire import disk

UNFINISHED = (".tmp", ".part", ".partial", ".filepart", ".crdownload", ".why")
SETTLE_S = 2.0
"""How long size and time of a file must stay the same before it counts as complete."""
GROUP = 200


class Accepts(Protocol):
    """What a folder needs of an outbox."""

    def accept(self, target: str, items: Sequence[Item]) -> list[Accepted]:
        """Commit records in one transaction."""
        ...


@dataclass(slots=True)
class Handled:
    """What became of a file: `done` or `refused`, records taken and refused, and why; exit codes of its parts.

    held: of the records taken, those that wait for a person.
    """

    name: str
    outcome: str
    records: int = 0
    refused: int = 0
    held: int = 0
    findings: list[Finding] = field(default_factory=list)
    exit_codes: set[int] = field(default_factory=set)


class Folder:
    """One watched folder. Raises ConfigError where it is no folder that can be written."""

    def __init__(
        self,
        path: str | Path,
        outbox: Accepts,
        target: str,
        preparer: Prepares,
        options: ReadOptions,
        *,
        settle: float = SETTLE_S,
    ) -> None:
        self.path = Path(path)
        self._outbox, self._target, self._preparer, self._options = outbox, target, preparer, options
        self._maps: Maps = maps_of(options)
        self._settle = settle
        self._seen: dict[str, tuple[int, int, float]] = {}
        for folder in (self.path / "done", self.path / "refused"):
            try:
                folder.mkdir(exist_ok=True)  # not the folder itself: a name mistyped would be watched for ever
            except OSError as error:
                raise ConfigError(
                    f"the folder cannot be used: {(error.strerror or str(error)).lower()}", str(self.path),
                    "give a folder that exists and can be written (--folder)",
                ) from None  # fmt: skip
        if not os.access(self.path, os.W_OK | os.X_OK):
            raise ConfigError("the folder cannot be written", str(self.path), "files are moved inside it; allow that")

    def once(self) -> Iterator[Handled]:
        """Handle every file; those that still grow are waited for once and then left for the next run."""
        yield from self.poll()
        if self._seen:
            time.sleep(self._settle + 0.05)
            yield from self.poll()

    def poll(self) -> Iterator[Handled]:
        """Handle the files that are complete by now, in the order of their names."""
        there = set()
        for name in self._names():
            there.add(name)
            if self._is_complete(name):
                self._seen.pop(name, None)
                yield self._handle(self.path / name)
        for name in set(self._seen) - there:
            del self._seen[name]

    def _names(self) -> list[str]:
        try:
            with os.scandir(self.path) as entries:
                return sorted(
                    e.name
                    for e in entries
                    if e.is_file(follow_symlinks=False)
                    and not e.name.startswith(".")
                    and not e.name.lower().endswith(UNFINISHED)
                )
        except OSError as error:
            raise ConfigError(
                f"the folder cannot be read: {(error.strerror or '').lower()}", str(self.path), "check it"
            ) from None

    def _is_complete(self, name: str) -> bool:
        """Unchanged for a while: by its own time where that is past, else as seen from poll to poll."""
        try:
            stat = (self.path / name).stat()
        except OSError:
            return False
        size, changed, since = self._seen.get(name, (-1, -1, 0.0))
        now = time.monotonic()
        if (size, changed) != (stat.st_size, stat.st_mtime_ns):
            self._seen[name] = (stat.st_size, stat.st_mtime_ns, now)
            since = now
        newest = max(stat.st_mtime, stat.st_ctime)
        return self._settle <= time.time() - newest < 10**9 or now - since >= self._settle

    def _handle(self, path: Path) -> Handled:
        reached("file-found")
        handled = Handled(path.name, "done")
        group: list[Item] = []
        for item in read_file(str(path), self._options, self._maps):
            handled.findings += item.findings
            self._count(handled, item)
            if item.about_file:
                continue
            prepared = self._prepared(_named(item, path.name))
            if item.record is not None and prepared.state == "held":
                handled.held += 1
                handled.exit_codes.add(1)
            group.append(prepared)
            if len(group) >= GROUP:
                self._outbox.accept(self._target, group)
                group = []
        reached("file-read")
        if group:
            self._outbox.accept(self._target, group)
        reached("file-committed")
        try:
            self._move(path, handled)
        except FileNotFoundError:
            handled.outcome = "gone"  # somebody took it away while it was read; what was in it is kept
        except OSError as error:
            raise ConfigError(
                f"a file cannot be moved: {(error.strerror or str(error)).lower()}", str(path), "allow it, or move it"
            ) from None
        reached("file-moved")
        log.event("intake.file", kind=handled.outcome, count=handled.records)
        return handled

    def _prepared(self, item: ReadItem) -> Item:
        try:
            return self._preparer.record(item)
        except Exception as error:  # noqa: BLE001 - a fault of ours must not block the folder
            return unexpected(item.raw, item.file, error, item.line)

    @staticmethod
    def _count(handled: Handled, item: ReadItem) -> None:
        if item.record is not None:
            handled.records += 1
        elif not item.about_file:
            handled.refused += 1
        if item.exit_code:
            handled.outcome = "refused"
            handled.exit_codes.add(item.exit_code)

    def _move(self, path: Path, handled: Handled) -> None:
        folder = self.path / handled.outcome
        goal = _free(folder, path.name)
        if handled.outcome == "refused":
            disk.replace(goal.with_name(goal.name + ".why"), _why(handled))
            reached("why-written")
        path.replace(goal)
        _sync(folder)
        _sync(self.path)


def _named(item: ReadItem, name: str) -> ReadItem:
    item.file = name  # the outbox names the file, not the folder of this machine
    return item


def _why(handled: Handled) -> bytes:
    kept = f"{handled.records} records taken, {handled.refused} refused (kept in the outbox as held)."
    if not handled.records and not handled.refused:
        kept = "The file could not be read; it is kept here only."
    lines = [f"{kept} Put a corrected file into the folder; what is taken already is not taken twice."]
    for finding in handled.findings:
        if finding.severity in ("fatal", "error"):
            place = f"line {finding.line}" if finding.line else ""
            parts = (place, finding.exam_number and f"exam {finding.exam_number}", finding.field)
            where = ", ".join(part for part in parts if part)
            lines.append(" — ".join(part for part in (where, finding.message, finding.hint) if part))
    return ("\n".join(" ".join(line.split()) for line in lines) + "\n").encode("utf-8", "replace")


def _free(folder: Path, name: str) -> Path:
    """A name in the folder that is not taken: an earlier file of the same name stays."""
    goal, number = folder / name, 1
    while goal.exists():
        number += 1
        goal = folder / f"{Path(name).stem}.{number}{Path(name).suffix}"
    return goal


def _sync(folder: Path) -> None:
    """Make a rename durable; not every system lets a folder be synced."""
    with contextlib.suppress(OSError):
        disk.sync_folder(folder)
