"""Room `exchange`: bulk export (`$export`) to a folder, resumed by the same call until it is complete.

Kick-off, polling, manifest, files, proof, and only then the DELETE that lets the server forget the job. Each step is on
disk before the next begins, so that a killed process goes on where it stood. `search.py` is the way round for
servers without `$export`.
"""

from __future__ import annotations

import time
import uuid
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from fhir_bladder.errors import BladderError, ConfigError, UnfinishedError
from fhir_bladder.exchange.export import search
from fhir_bladder.exchange.export.download import Downloader, Expired, error_summary, write_tombstones
from fhir_bladder.exchange.export.events import Event, EventLog
from fhir_bladder.exchange.export.job import Job, JobGoneError
from fhir_bladder.exchange.export.ledger import FileEntry, Ledger, Run, boundary, disk, hash_of, read_ledger
from fhir_bladder.exchange.export.manifest import Item, Manifest
from fhir_bladder.exchange.export.options import ExportOptions, State, check_folder, locked, read_state
from fhir_bladder.exchange.http.client import Client
from fhir_bladder.exchange.http.retry import http_date, now_utc

_RESTARTS = 3


@dataclass(slots=True)
class ExportResult:
    """What came of it. state: complete, already-complete, cancelled, nothing-to-cancel. problems: each in one line."""

    folder: Path
    state: str = ""
    method: str = "bulk"
    transaction_time: str = ""
    files: int = 0
    resources: int = 0
    deleted: int = 0
    bytes: int = 0
    seconds: float = 0.0
    problems: list[str] = field(default_factory=list)
    may_miss: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    @property
    def exit_code(self) -> int:
        """0, or 1 where something did not fit and was kept and reported."""
        return 1 if self.problems else 0


class Export:
    """One export. Iterate over `run()`; then `result` holds what came of it.

    Raises ConfigError (folder or options), ServerError (refused), UnfinishedError (run the same again).
    """

    def __init__(self, client: Client, options: ExportOptions) -> None:
        options.check()
        self.client = client
        self.options = options
        self.result = ExportResult(options.folder)
        self._began = time.monotonic()

    def run(self) -> Iterator[Event]:
        """Do it; yields events as they happen."""
        folder = self.options.folder
        if folder.exists() and not folder.is_dir():
            raise ConfigError("it is no folder", str(folder), "name a folder")
        if self.options.cancel and not folder.is_dir():
            self.result.state = "nothing-to-cancel"
            return
        if read_ledger(folder) is None and not self.options.cancel:
            check_folder(folder)
        with locked(folder):
            self._log = EventLog(folder, str(uuid.uuid4()))
            self._job = Job(self.client, self.options, self._log)
            ledger = self._ledger()
            if self.options.cancel:
                yield from self._cancel(ledger)
                return
            run = next((one for one in ledger.runs if one.state == "running"), None)
            if run is None:
                complete = ledger.last_complete()
                if complete is not None and self.options.since != "auto":
                    yield from self._clean_up(complete)
                    self._sum_up(complete, "already-complete")
                    return
                run = self._new_run(ledger, complete)
            yield from self._work(ledger, run)
            self._sum_up(run, "complete")
            detail = {
                "files": self.result.files,
                "resources": self.result.resources,
                "bytes": self.result.bytes,
                "attachments": 0,
                "duration": round(self.result.seconds * 1000),
            }
            yield self._log.write(Event("export_complete", detail))

    # -- the folder ----------------------------------------------------------------------------------------------

    def _ledger(self) -> Ledger:
        base = self.client.base
        server = str(base.origin).partition("://")[2] + base.target
        ledger = read_ledger(self.options.folder)
        if ledger is None:
            ledger = Ledger(self.options.folder, server, self.options.parameters())
        if self.options.cancel:
            return ledger
        if ledger.server != server:
            raise ConfigError(
                f"the folder holds an export of {ledger.server}", str(ledger.folder), "choose another folder"
            )
        ours = self.options.parameters()
        if ledger.parameters != ours:
            other = ", ".join(name for name in ours if ours[name] != ledger.parameters.get(name))
            raise ConfigError(
                f"the folder was made with other parameters ({other})", str(ledger.folder), "choose another folder"
            )
        return ledger

    def _new_run(self, ledger: Ledger, complete: Run | None) -> Run:
        since = self.options.since
        if since == "auto":
            since = complete.transaction_time if complete else ""
        run = Run(
            number=max((one.number for one in ledger.runs), default=0) + 1,
            since=since,
            until=self.options.until,
            started=now_utc().isoformat(timespec="seconds"),
        )
        ledger.runs.append(run)
        ledger.save()
        return run

    def _sum_up(self, run: Run, state: str) -> None:
        result = self.result
        result.state, result.method, result.transaction_time = state, run.method, run.transaction_time
        output = [entry for entry in run.files if entry.kind == "output"]
        result.files = len(run.files)
        result.resources = sum(entry.lines for entry in output)
        result.bytes = sum(entry.bytes for entry in run.files)
        result.deleted = sum(entry.lines for entry in run.files if entry.kind == "deleted")
        result.problems = [f"{entry.name}: {one}" for entry in run.files for one in entry.problems] + run.problems
        result.may_miss, result.notes = list(run.may_miss), list(run.notes)
        asked = set(self.options.types)
        if asked and (more := sorted({entry.type for entry in output} - asked)):
            result.notes.append(f"the server sent types that were not asked for: {', '.join(more)}")
        promised = any(entry.count for entry in output)
        if not result.resources and not promised and not any(entry.kind == "error" for entry in run.files):
            result.notes.append("the export is empty: the server holds nothing that fits")
        result.seconds = time.monotonic() - self._began

    # -- the whole way -------------------------------------------------------------------------------------------

    def _work(self, ledger: Ledger, run: Run) -> Iterator[Event]:
        state = read_state(self.options.folder) or State(self.options.folder)
        for _ in range(_RESTARTS):
            try:
                if not state.status_url and not state.search:
                    yield from self._job.kick_off(run.since, state)
                if state.search:
                    yield from self._search(ledger, run, state)
                else:
                    yield from self._bulk(ledger, run, state)
            except JobGoneError as gone:
                yield self._log.write(Event("status_error", {"code": 404, "body": None, "reason": str(gone)}))
                self._discard(ledger, run)
                state.remove()
                state = State(self.options.folder)
                continue
            yield from self._clean_up(run)
            return
        raise UnfinishedError(
            "the server keeps losing the export job", str(self.client.base.origin), "run the same command again later"
        )

    def _discard(self, ledger: Ledger, run: Run) -> None:
        """Forget the files of a job that is gone: they belong to another moment."""
        with disk(self.options.folder):
            for entry in run.files:
                (self.options.folder / entry.name).unlink(missing_ok=True)
        run.files.clear()
        run.notes.clear()
        run.transaction_time = ""
        ledger.save()

    def _clean_up(self, run: Run) -> Iterator[Event]:
        """Everything is proven and on disk: the server may forget the job. Not where something did not fit."""
        state = read_state(self.options.folder)
        if state is None:
            return
        if state.status_url and not run.problems and not any(entry.problems for entry in run.files):
            boundary("before-delete")
            self._job.delete(state.status_url)
        state.remove()
        boundary("state-removed")
        yield from ()

    def _cancel(self, ledger: Ledger) -> Iterator[Event]:
        state = read_state(self.options.folder)
        run = next((one for one in ledger.runs if one.state == "running"), None)
        if state is None and run is None:
            self.result.state = "nothing-to-cancel"
            return
        status = self._job.delete(state.status_url) if state and state.status_url else 0
        if run is not None:
            run.state, run.finished = "cancelled", now_utc().isoformat(timespec="seconds")
            with disk(self.options.folder):
                for entry in run.files:
                    (self.options.folder / entry.name).unlink(missing_ok=True)
            run.files.clear()
            ledger.save()
        if state is not None:
            state.remove()
        self.result.state = "cancelled"
        if state and state.status_url and status not in (200, 202, 204, 404, 410):
            self.result.problems.append(f"the server did not confirm the cancellation (HTTP {status or 'no answer'})")
        yield self._log.write(Event("status_error", {"code": status, "body": None, "reason": "cancelled"}))

    # -- files ---------------------------------------------------------------------------------------------------

    def _bulk(self, ledger: Ledger, run: Run, state: State) -> Iterator[Event]:
        manifest, ends = yield from self._job.manifest(state)
        shapes = [list(item.shape) for item in manifest.items]
        known = (state.transaction_time, state.shapes)
        if run.files and (known != (manifest.transaction_time, shapes) or run.transaction_time != known[0]):
            self._discard(ledger, run)  # another job, another moment: nothing of the old one may stay
        state.transaction_time, state.shapes = manifest.transaction_time, shapes
        state.save()
        run.transaction_time = manifest.transaction_time
        run.notes = _notes(manifest, self.options)
        names = [_name(item, number, run.number) for number, item in enumerate(manifest.items, 1)]
        loader = Downloader(self.client, self._log, self.options.folder, self.options.longest_wait)
        number = refetched = 0
        saved = 0.0
        while number < len(manifest.items):
            item, name = manifest.items[number], names[number]
            if self._kept(run, name, item):
                number += 1
                continue
            try:
                entry = yield from loader.file(item, name, token=manifest.token, ends=ends)
            except Expired:
                refetched += 1
                if refetched > len(manifest.items) + 3:
                    raise UnfinishedError("file links end before they can be used", name, "run again") from None
                manifest, ends = yield from self._job.manifest(state)
                if [list(one.shape) for one in manifest.items] != shapes or (
                    manifest.transaction_time != run.transaction_time
                ):
                    raise JobGoneError("manifest-changed") from None
                continue
            run.files = [one for one in run.files if one.name != name] + [entry]
            number += 1
            # with very many files the ledger is written every second, not every time: a crash repeats that second
            if len(run.files) < 100 or time.monotonic() - saved > 1:
                ledger.save()
                saved = time.monotonic()
        order = {name: position for position, name in enumerate(names)}
        run.files.sort(key=lambda one: order[one.name])
        self._finish(ledger, run)

    def _kept(self, run: Run, name: str, item: Item) -> bool:
        """Whether the file is there from an earlier start, as the ledger says, byte for byte."""
        entry, path = run.file(name), self.options.folder / name
        return (
            entry is not None
            and (entry.kind, entry.type, entry.count) == item.shape
            and path.is_file()
            and path.stat().st_size == entry.bytes
            and hash_of(path) == entry.sha256
        )

    def _finish(self, ledger: Ledger, run: Run) -> None:
        folder = self.options.folder
        run.problems += error_summary(folder, run.files)
        run.problems += write_tombstones(folder, run)
        for entry in run.files:
            path = folder / entry.name
            if not path.is_file() or path.stat().st_size != entry.bytes:
                raise UnfinishedError("a file changed while the export ran", str(path), "run the same command again")
        run.state, run.finished = "complete", now_utc().isoformat(timespec="seconds")
        ledger.save()
        boundary("complete")

    # -- the way round -------------------------------------------------------------------------------------------

    def _search(self, ledger: Ledger, run: Run, state: State) -> Iterator[Event]:
        run.method, run.may_miss = "search", list(search.MAY_MISS)
        if not state.transaction_time:
            state.transaction_time = self._server_time()
            state.save()
        run.transaction_time = state.transaction_time
        types = search.types_of(self.client, self.options)
        if not self.options.types and not self.options.type_filters:
            run.may_miss.append(f"types other than {', '.join(types)}: name them with --type")
            run.may_miss = list(dict.fromkeys(run.may_miss))
        for number, kind in enumerate(types, 1):
            name = _name(Item("output", kind, ""), number, run.number)
            if self._kept(run, name, Item("output", kind, "")):
                continue
            entry = FileEntry(name, "output", kind)
            yield self._log.write(Event("download_request", {"file": name, "itemType": "output", "resourceType": kind}))
            for count in search.download_type(
                self.client, self.options, kind, run.since, entry, self.client.limits.line
            ):
                yield Event(
                    "status_progress", {"body": None, "xProgress": None, "retryAfter": None, "resources": count}
                )
            run.files = [one for one in run.files if one.name != name] + [entry]
            ledger.save()
            detail = {"file": name, "resourceCount": entry.lines, "fileSize": entry.bytes}
            yield self._log.write(Event("download_complete", detail))
        self._finish(ledger, run)

    def _server_time(self) -> str:
        """The server's clock a minute ago, as an instant; ours where it does not tell its own."""
        response = self.client.request("GET", "metadata")
        moment = http_date(response.headers.get("date", "")) or time.time()
        return time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(moment - 60))


def _notes(manifest: Manifest, options: ExportOptions) -> list[str]:
    """What a reader of the ledger should know of how the export was asked for and answered."""
    notes = []
    if manifest.repeated:
        told = "1 link" if manifest.repeated == 1 else f"{manifest.repeated:,} links"
        notes.append(f"the manifest repeats {told}: each file was fetched and counted once")
    if len(options.type_filters) > 1:
        notes.append("several type filters count as OR since Bulk Data STU3; an older server may have taken only one")
    return notes


def _name(item: Item, number: int, run: int) -> str:
    folder = {"output": "", "deleted": "deleted/", "error": "error/"}[item.kind]
    return f"{folder}{item.type}.{run:03}.{number:04}.ndjson"


def export(client: Client, options: ExportOptions) -> Iterator[Event]:
    """Shorthand for `Export(client, options).run()`."""
    return Export(client, options).run()


__all__ = ["BladderError", "Event", "Export", "ExportOptions", "ExportResult", "export"]
