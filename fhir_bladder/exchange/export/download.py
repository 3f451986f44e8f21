"""Room `exchange`: one file of a bulk export, from its link to its place on disk, proven as far as it can be.

A manifest has no checksums. A file that looks wrong (fewer lines than promised, a broken line, no way to tell its end)
is fetched again; what comes the same twice is what the server has, is kept, and reported.
"""

from __future__ import annotations

import time
from collections.abc import Generator, Iterator
from itertools import chain
from pathlib import Path

import msgspec

from fhir_bladder import wire
from fhir_bladder.errors import BladderError, InputError, UnfinishedError
from fhir_bladder.exchange.export.events import Event, EventLog
from fhir_bladder.exchange.export.ledger import AtomicFile, FileEntry, Run, boundary, write_whole
from fhir_bladder.exchange.export.lines import LineWriter
from fhir_bladder.exchange.export.manifest import Item
from fhir_bladder.exchange.http.client import Client, Stream
from fhir_bladder.exchange.http.errors import HttpError
from fhir_bladder.exchange.http.limits import BrokenBodyError, Limits, decoded
from fhir_bladder.exchange.http.retry import retry_after

_GZIP = b"\x1f\x8b"
_GONE = (403, 404, 410)
_TYPES = ("ndjson", "octet-stream", "fhir+json", "text/plain", "application/json", "x-ndjson", "gzip")


class Expired(Exception):
    """The link no longer works: the manifest must be fetched again."""


class _Try(Exception):
    """One try failed; another may work."""

    def __init__(self, told: str, status: int = 0, wait: float | None = None) -> None:
        super().__init__(told)
        self.told, self.status, self.wait = told, status, wait


class Downloader:
    """Fetches files of a manifest into a folder."""

    def __init__(self, client: Client, events: EventLog, folder: Path, longest_wait: float) -> None:
        self.client = client
        self.folder = folder
        self._log = events
        self._longest_wait = longest_wait

    def file(
        self, item: Item, name: str, *, token: bool, ends: float | None = None
    ) -> Generator[Event, None, FileEntry]:
        """Fetch one file under `name`; yields events, returns its ledger entry.

        token: `requiresAccessToken` of the manifest; even then the token goes to the server's own origin only.
        ends: monotonic time at which the links end. Raises Expired then and after 403, 404 or 410; UnfinishedError
        where all tries fail.
        """
        if ends is not None and time.monotonic() >= ends:
            raise Expired
        yield self._log.write(
            Event("download_request", {"file": name, "itemType": item.kind, "resourceType": item.type})
        )
        suspect = ""
        attempts = self.client.retry.attempts
        for attempt in range(1, attempts + 1):
            boundary("before-download")
            try:
                entry = self._fetch(item, name, token=token, suspect=suspect)
            except _Try as failed:
                yield self._log.write(Event("download_error", {"file": name, "code": failed.status, "body": None}))
                if attempt == attempts:
                    raise UnfinishedError(
                        f"{failed.told} ({attempt} tries)", name, "run the same command again"
                    ) from None
                wait = min(self.client.retry.wait(attempt, failed.wait), self._longest_wait)
                self.client.wait(wait, self.client.until)
                continue
            if isinstance(entry, str):
                suspect = entry
                yield self._log.write(Event("download_error", {"file": name, "code": 200, "body": None}))
                continue
            detail = {"file": name, "resourceCount": entry.lines, "fileSize": entry.bytes}
            yield self._log.write(Event("download_complete", detail))
            return entry
        raise UnfinishedError("the file comes different each time", name, "run the same command again")

    def _fetch(self, item: Item, name: str, *, token: bool, suspect: str) -> FileEntry | str:
        """One try: the entry, or the hash of a suspicious file that must come the same again to be believed."""
        headers = {"Accept": "application/fhir+ndjson"}
        try:
            with self.client.stream(item.url, headers=headers, credential=token) as stream:
                self._judge(stream)
                return self._write(stream, item, name, suspect)
        except (HttpError, BrokenBodyError) as error:
            raise _Try(error.what, getattr(error, "status", 0), getattr(error, "retry_after", None)) from None

    def _judge(self, stream: Stream) -> None:
        if stream.status in _GONE:
            raise Expired
        if stream.status != 200:
            told = f"HTTP {stream.status}"
            if stream.status == 401 and not stream.trusted:
                told = "another host wants a credential for the file, and gets none"
            raise _Try(told, stream.status, retry_after(stream.headers))
        kind = stream.headers.get("content-type", "").partition(";")[0].strip().lower()
        if kind and not any(one in kind for one in _TYPES):
            raise _Try("the file is not NDJSON", 200)

    def _write(self, stream: Stream, item: Item, name: str, suspect: str) -> FileEntry | str:
        with AtomicFile(self.folder / name) as file:
            lines = LineWriter(file, self.client.limits.line)
            packed, chunks = _opened(stream.chunks, self.client.limits)
            for chunk in chunks:
                lines.write(chunk)
                boundary("chunk-written")
            whole = lines.finish()
            entry = FileEntry(name, item.kind, item.type, lines.lines, file.bytes, file.sha256, item.count)
            entry.broken, entry.types = lines.broken, dict(lines.types)
            entry.problems = _problems(entry, lines, whole=whole)
            unproven = item.count is None and not (packed or _framed(stream))
            if (entry.problems or unproven) and file.sha256 != suspect:
                return file.sha256
            file.commit()
            return entry


def _opened(chunks: Iterator[bytes], limits: Limits) -> tuple[bool, Iterator[bytes]]:
    """Whether a file is gzip by its first bytes though no header says so, as storage services send it; its text."""
    head = b""
    for chunk in chunks:
        head += chunk
        if len(head) >= len(_GZIP):
            break
    whole = chain((head,), chunks)
    if not head.startswith(_GZIP):
        return False, whole
    return True, decoded(whole, "gzip", most=limits.file, ratio=limits.ratio)


def _framed(stream: Stream) -> bool:
    """Whether the answer's end can be told from a cut connection."""
    headers = stream.headers
    packed = "gzip" in headers.get("content-encoding", "")
    return packed or "content-length" in headers or "chunked" in headers.get("transfer-encoding", "").lower()


def _problems(entry: FileEntry, lines: LineWriter, *, whole: bool) -> list[str]:
    found = []
    if entry.count is not None and entry.count != entry.lines:
        found.append(f"{entry.lines:,} lines, the manifest says {entry.count:,}")
    if not whole:
        found.append(f"the last line, {lines.lines:,}, is cut off")
    elif entry.broken:
        told = "line is" if entry.broken == 1 else "lines are"
        found.append(f"{entry.broken:,} {told} no JSON object or too long, the first is line {lines.first_broken:,}")
    expected = {"deleted": "Bundle", "error": "OperationOutcome"}.get(entry.kind, entry.type)
    other = sum(count for name, count in entry.types.items() if name != expected)
    if other and expected != "Resource":
        found.append(f"{other:,} lines are not {expected}")
    return found


class _Issue(msgspec.Struct):
    severity: str = ""


class _Outcome(msgspec.Struct):
    issue: list[_Issue] = []


def error_summary(folder: Path, files: list[FileEntry]) -> list[str]:
    """One line a file for the errors the server reports about its own export (manifest `error` or `outcome`)."""
    told = []
    decoder = msgspec.json.Decoder(_Outcome)
    for entry in files:
        bad = 0
        if entry.kind == "error":
            with (folder / entry.name).open("rb") as stream:
                for line in wire.iter_lines(stream):
                    try:
                        bad += any(one.severity in ("error", "fatal") for one in decoder.decode(line.data).issue)
                    except (msgspec.MsgspecError, RecursionError):
                        bad += 1
        if bad:
            told.append(f"the server reports {bad:,} errors of its export: see {entry.name}")
    return told


def write_tombstones(folder: Path, run: Run) -> list[str]:
    """Write `deleted/tombstones.<run>.ndjson`: one {resourceType, id} a deletion. Returns problems.

    Deletions come as NDJSON of transaction Bundles with DELETE entries (Bulk Data Access, `deleted`).
    """
    stones: dict[tuple[str, str], None] = {}
    odd = 0
    for entry in run.files:
        if entry.kind != "deleted":
            continue
        with (folder / entry.name).open("rb") as stream:
            for line in wire.iter_lines(stream):
                try:
                    bundle = wire.loads(line.data)
                    for one in bundle["entry"]:
                        kind, _, identity = one["request"]["url"].rpartition("/")
                        kind = kind.rpartition("/")[2]
                        if one["request"]["method"] != "DELETE" or not kind.isalpha() or not identity:
                            odd += 1
                        else:
                            stones[kind, identity] = None
                except (BladderError, InputError, KeyError, TypeError, AttributeError):
                    odd += 1
    if stones:
        lines = [wire.dumps({"resourceType": kind, "id": identity}) for kind, identity in stones]
        write_whole(folder / "deleted" / f"tombstones.{run.number:03}.ndjson", b"\n".join(lines) + b"\n")
    return [f"{odd:,} entries of the deletions cannot be read"] if odd else []
