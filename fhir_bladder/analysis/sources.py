"""Room `analysis`: FHIR resources out of files, export folders and Bundles, as a stream. May import errors and wire.

Memory stays flat: one line, or one document that is not NDJSON, at a time. What cannot be read is handed on with its
file, line and reason; the rest goes on.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, NamedTuple

from fhir_bladder import wire
from fhir_bladder.analysis.decoding import UNREADABLE, WHOLE, Parser, everything
from fhir_bladder.analysis.keys import member
from fhir_bladder.errors import BladderError, InputError, UnfinishedError
from fhir_bladder.wire.files import open_stream

EXPORT_SUFFIXES = (".ndjson", ".ndjson.gz", ".jsonl", ".jsonl.gz")
_ASIDE = {"error", "errors", "outcome", "deleted", "older", "rejected"}
"""Parts of the file names that are not data: what an export folder and our own tables put beside it."""


class Piece(NamedTuple):
    """One resource: file (as given), 1-based line, its bytes (None inside a Bundle), what the parser made of it."""

    file: str
    line: int
    raw: bytes | None
    value: Any

    def whole(self) -> dict[str, Any]:
        """The whole resource as a dict."""
        found: dict[str, Any] = self.value if self.raw is None else everything(self.raw)
        return found

    def text(self) -> bytes:
        """The resource as one line of NDJSON."""
        return (self.raw.strip() if self.raw is not None else wire.dumps(self.value)) + b"\n"


@dataclass(frozen=True, slots=True)
class Rejected:
    """A piece of input that is no resource we can read: place, reason, and the start of its text."""

    file: str
    line: int
    reason: str
    text: str = ""


def expand(paths: Iterable[str | Path], on_error: Callable[[BladderError], None]) -> list[Path]:
    """The data files behind files and folders, in a fixed order. What is missing or unfinished goes to `on_error`."""
    found: list[Path] = []
    for given in paths:
        path = Path(given)
        if str(given) == "-":
            found.append(path)
        elif path.is_dir():
            inside = sorted(
                p for p in path.iterdir() if p.name.endswith(EXPORT_SUFFIXES) and not _ASIDE & set(p.name.split("."))
            )
            if not inside:
                on_error(InputError("no NDJSON file in the folder", str(path), "export into it first, or name files"))
            found += inside
            for problem in _ledger_problems(path):
                on_error(problem)
        elif path.exists():
            found.append(path)
        else:
            on_error(InputError("no such file or folder", str(given), "check the path"))
    return found


def _ledger_problems(folder: Path) -> Iterator[BladderError]:
    """What the ledger of an export folder says against taking it for the whole; nothing where there is no ledger."""
    path = folder / "ledger.json"
    if not path.is_file():
        return
    try:
        runs = wire.loads(path.read_bytes())["runs"]
        states = [run["state"] for run in runs]
        files = [file for run in runs if run["state"] == "complete" for file in run.get("files", ())]
        sizes = {file["name"]: file["bytes"] for file in files if file["kind"] == "output"}
    except (InputError, OSError, KeyError, TypeError):
        yield InputError("is no ledger of an export", str(path), "export again into a new folder")
        return
    if "running" in states or "complete" not in states:
        yield UnfinishedError("the export is not finished", str(folder), "run the same export again, then this")
    for name, size in sizes.items():
        if not (folder / name).is_file() or (folder / name).stat().st_size != size:
            yield InputError("is not as the ledger says", str(folder / name), "export again into a new folder")


class Batch:
    """Resources that follow one another in a file: what the parser made of them, and where each one stands.

    Batches exist because one step of a generator for each resource costs as much as reading some of its fields.
    """

    __slots__ = ("_text", "file", "line", "values")

    def __init__(self, file: str, line: int, values: list[Any], text: memoryview | None) -> None:
        """line: of the first value. text: their lines, one a value; None where all stand in one line, in a Bundle."""
        self.file, self.line, self.values, self._text = file, line, values, text

    def piece(self, index: int) -> Piece:
        """One of the resources with its place."""
        if self._text is None:
            return Piece(self.file, self.line, None, self.values[index])
        raw = bytes(self._text).split(b"\n")[index]
        return Piece(self.file, self.line + index, raw, self.values[index])


def pieces(path: Path, parse: Parser, on_rejected: Callable[[Rejected], None], digest: Any = None) -> Iterator[Piece]:
    """The resources of one file in order; see `batches`."""
    for batch in batches(path, parse, on_rejected, digest):
        yield from map(batch.piece, range(len(batch.values)))


def batches(path: Path, parse: Parser, on_rejected: Callable[[Rejected], None], digest: Any = None) -> Iterator[Batch]:
    """The resources of one file in order, Bundles opened. `parse` may keep only part of each resource.

    digest: a hashlib object that is fed the bytes read. Raises InputError where the file cannot be read.
    """
    name = str(path)
    with open_stream(path) as stream:
        first = stream.readline(wire.MAX_LINE + 2)
        if digest is not None:
            digest.update(first)
        if first and not _whole(first):
            yield from _document(name, first, stream, on_rejected, digest)
            return
        yield from _Lines(name, parse, on_rejected).of(first, stream, digest)


def _whole(line: bytes) -> bool:
    """Whether the first line stands for itself, so that the file is NDJSON."""
    text = line.strip().removeprefix(b"\xef\xbb\xbf")
    if not text.startswith((b"{", b"[")) or len(line) > wire.MAX_LINE:
        return True  # blank or broken first line: read on line by line, and report it
    if not text.endswith((b"}", b"]")):
        return b'":' in text and len(text) > 200  # a long line cut off, rather than the start of an indented document
    try:
        everything(text)
    except UNREADABLE as error:
        return "truncated" not in str(error)
    return True


def _no_resource(value: Any) -> str:
    """Why a JSON value is no resource."""
    if isinstance(value, dict) and "resourceType" not in value and {"exam_number", "record_version"} & set(value):
        return "an exam record, not FHIR: map it first (fhir-bladder map)"
    return "no FHIR resource: resourceType is missing"


_OPEN, _CLOSE = b"{}"
_BLOCK = 1 << 18
"""Bytes read at once; few enough that they are still in the processor's cache when they are parsed and hashed."""


class _Lines:
    """The resources of NDJSON, read in blocks; memory stays flat whatever the length of a line."""

    def __init__(self, name: str, parse: Parser, on_rejected: Callable[[Rejected], None]) -> None:
        self.name, self.parse, self.on_rejected = name, parse, on_rejected

    def of(self, first: bytes, stream: IO[bytes] | _Until, digest: Any = None) -> Iterator[Any]:
        """What `one` makes of the lines of a stream that begins with `first`: batches."""
        block, begun, number = first.removeprefix(b"\xef\xbb\xbf"), _Begun(), 0
        while True:
            view, at = memoryview(block), 0
            if begun.size and (end := block.find(b"\n")) >= 0:
                number, at = number + 1, end + 1
                yield from self.one(number, *begun.ended_by(view[:end]))
            last = block.rfind(b"\n") + 1
            quick = self.parse.quick if block.isascii() or _is_utf8(view[at:last]) else None
            while at < last:
                start, values = at, list[Any]()
                if quick is not None:
                    count = _usual(block, at, last)
                    whole = self._whole(view[at:last], count) if count else None
                    if whole is not None:
                        at, values = last, whole
                    else:
                        at = self._run(block, view, at, quick, values)
                    if values:
                        yield Batch(self.name, number + 1, values, view[start:at])
                        number += len(values)
                if at < last:  # a line that needs a look of its own
                    number, end = number + 1, block.find(b"\n", at)
                    yield from self.one(number, view[at:end], end - at > wire.MAX_LINE)
                    at = end + 1
            begun.add(view[last:])
            block = stream.read(_BLOCK)
            if not block:
                break
            if digest is not None:
                digest.update(block)
        if begun.size:
            yield from self.one(number + 1, *begun.ended_by(memoryview(b"")))

    def _whole(self, text: memoryview, count: int) -> list[Any] | None:
        """As many usual lines at once; None where one is out of the ordinary."""
        try:
            values = self.parse.many(text) if self.parse.many is not None else []
        except UNREADABLE:
            return None
        return values if len(values) == count and "Bundle" not in {value.k_resourceType for value in values} else None

    @staticmethod
    def _run(block: bytes, view: memoryview, at: int, quick: Callable[[memoryview], Any], values: list[Any]) -> int:
        """Parse lines from a position on until one is out of the ordinary; where that one, or the rest, starts."""
        find, append = block.find, values.append
        try:
            while (end := find(b"\n", at)) >= 0:
                value = quick(view[at:end])
                if value.k_resourceType == "Bundle":
                    break
                append(value)
                at = end + 1
        except UNREADABLE:
            pass
        return at

    def one(self, number: int, line: memoryview, long: bool) -> Iterator[Any]:
        """The resource, or the resources of the Bundle, of one line, whatever the line is; `long`: above the limit."""
        try:
            value = self.checked(line, long)
            kind = member(value, "resourceType")
            if kind == "Bundle":
                value = everything(line)
        except UNREADABLE as error:
            if not _is_blank(line):
                self.on_rejected(Rejected(self.name, number, _reason(error), _head(line)))
            return
        if kind == "Bundle":
            yield from _bundle(self.name, number, value, self.on_rejected)
        elif kind.__class__ is str:
            yield Batch(self.name, number, [value], line)
        else:
            value = value if value.__class__ is dict else everything(line)
            self.on_rejected(Rejected(self.name, number, _no_resource(value), _head(line)))

    def checked(self, line: memoryview, long: bool) -> Any:
        """What a line says; raises one of UNREADABLE."""
        if long:
            raise ValueError(f"a line above {wire.MAX_LINE:,} bytes")
        if not _is_utf8(line):
            raise ValueError("not UTF-8")
        return self.parse(line)


def _usual(block: bytes, at: int, last: int) -> int:
    """How many lines a part has, if every one starts with an object and ends with one; else 0.

    Then no line is blank and no object goes on in the next line, for JSON wants a comma between `}` and `{`; so where
    there are as many objects as lines, each line is one object.
    """
    find, count = block.find, 0
    if block[at] != _OPEN or block[last - 2] != _CLOSE:
        return 0
    while (at := find(b"\n", at) + 1) < last:
        if block[at - 2] != _CLOSE or block[at] != _OPEN:
            return 0
        count += 1
    return count + 1


def _is_blank(line: memoryview) -> bool:
    return not bytes(line[:80]).strip() and not bytes(line).strip()


def _is_utf8(text: memoryview) -> bool:
    """Whether it is UTF-8, also where a parser would skip it."""
    try:
        str(text, "utf-8")
    except UnicodeDecodeError:
        return False
    return True


class _Begun:
    """A line whose end has not been read yet, kept up to the limit."""

    def __init__(self) -> None:
        self._parts: list[memoryview] = []
        self.size = 0

    def add(self, part: memoryview) -> None:
        """The next bytes of the line."""
        self.size += part.nbytes
        if self.size <= wire.MAX_LINE or not self._parts:
            self._parts.append(part)

    def ended_by(self, part: memoryview) -> tuple[memoryview, bool]:
        """The line with its last bytes, or its start and True where it is above the limit; begins anew."""
        self.add(part)
        long, line = self.size > wire.MAX_LINE, b"".join(self._parts)
        self.size = 0
        self._parts.clear()
        return memoryview(line), long


def _document(
    name: str, first: bytes, stream: IO[bytes], on_rejected: Callable[[Rejected], None], digest: Any
) -> Iterator[Batch]:
    rest = stream.read(wire.MAX_BYTES + 1)
    if digest is not None:
        digest.update(rest)
    try:
        value = wire.loads(first + rest)
    except InputError as error:
        on_rejected(Rejected(name, 1, str(error), _head(first)))
        return
    for item in value if isinstance(value, list) else [value]:
        if not isinstance(item, dict) or not isinstance(item.get("resourceType"), str):
            on_rejected(Rejected(name, 1, _no_resource(item), _head(first)))
        elif item["resourceType"] == "Bundle":
            yield from _bundle(name, 1, item, on_rejected)
        else:
            yield Batch(name, 1, [item], None)


def _bundle(name: str, line: int, bundle: dict[str, Any], on_rejected: Callable[[Rejected], None]) -> Iterator[Batch]:
    entries, found = bundle.get("entry"), []
    for position, entry in enumerate(entries if isinstance(entries, list) else []):
        resource = entry.get("resource") if isinstance(entry, dict) else None
        if isinstance(resource, dict) and isinstance(resource.get("resourceType"), str):
            found.append(resource)
        elif resource is not None:
            on_rejected(Rejected(name, line, f"Bundle.entry[{position}].resource is no FHIR resource"))
    if found:
        yield Batch(name, line, found, None)


def _reason(error: Exception) -> str:
    """Why a line is no JSON, in words."""
    text = str(error)
    if text.startswith(("a line above", "not UTF-8", "number ")):
        return text
    if "truncated" in text:
        return "half a line: the JSON breaks off"
    if "trailing" in text:
        return "more than one JSON value in the line"
    if isinstance(error, RecursionError):
        return "nested too deep"
    return f"not JSON: {text[:120]}"


def _head(line: bytes | memoryview) -> str:
    return bytes(line[:80]).decode("utf-8", "replace").rstrip()


def values(path: Path, parse: Parser) -> Iterator[tuple[int, dict[str, Any], str]]:
    """Every JSON object of a file, whatever it is, Bundles opened: line, object, and a reason where it is none."""
    with open_stream(path) as stream:
        first = stream.readline(wire.MAX_LINE + 2)
        if _whole(first):
            yield from _Anything(str(path), parse, _ignore).of(first, stream)
            return
        try:
            value = wire.loads(first + stream.read(wire.MAX_BYTES + 1))
        except InputError as error:
            yield 1, {}, str(error)
            return
        yield from _objects(str(path), 1, value)


class _Anything(_Lines):
    """The same lines for `values`."""

    def one(self, number: int, line: memoryview, long: bool) -> Iterator[Any]:
        try:
            value = self.checked(line, long)
        except UNREADABLE as error:
            if not _is_blank(line):
                yield number, {}, _reason(error)
            return
        yield from _objects(self.name, number, value)


def _objects(name: str, number: int, value: Any) -> Iterator[tuple[int, dict[str, Any], str]]:
    bad: list[Rejected] = []
    for item in value if isinstance(value, list) else [value]:
        if not isinstance(item, dict):
            yield number, {}, "no JSON object"
        elif item.get("resourceType") == "Bundle":
            for batch in _bundle(name, number, item, bad.append):
                yield from ((number, one, "") for one in batch.values)
        else:
            yield number, item, ""
    yield from ((rejected.line, {}, rejected.reason) for rejected in bad)


def _ignore(_: Rejected) -> None:
    """Reasons are handed on otherwise."""


def is_plain_ndjson(path: Path) -> bool:
    """Whether a file can be read from any line: not packed, and no single document."""
    with path.open("rb") as raw:
        if raw.read(2) == b"\x1f\x8b":
            return False
    with open_stream(path) as stream:
        return _whole(stream.readline(wire.MAX_LINE + 2))


def range_pieces(
    path: Path, start: int, end: int, parse: Parser, on_rejected: Callable[[Rejected], None]
) -> Iterator[Piece]:
    """The resources of the lines that start in a range of bytes; line numbers count from the range's first line."""
    with path.open("rb") as stream:
        if start:
            stream.seek(start - 1)
            stream.readline()
        for batch in _Lines(str(path), parse, on_rejected).of(b"", _Until(stream, end)):
            yield from map(batch.piece, range(len(batch.values)))


def line_count(path: Path, start: int, end: int) -> int:
    """How many lines start in a range of bytes."""
    count, last = 0, b""
    with path.open("rb") as stream:
        if start:
            stream.seek(start - 1)
            stream.readline()
        limited = _Until(stream, end)
        while block := limited.read(_BLOCK):
            count += block.count(b"\n")
            last = block
    return count + (1 if last and not last.endswith(b"\n") else 0)


class _Until:
    """A stream that ends with the line in which a position lies."""

    def __init__(self, stream: IO[bytes], end: int) -> None:
        self._stream, self._end, self._done = stream, end, False

    def read(self, size: int) -> bytes:
        """The next bytes; empty at the end."""
        here = self._stream.tell()
        if self._done or here >= self._end:
            return b""
        data = self._stream.read(min(size, self._end - here))
        if here + len(data) >= self._end and not data.endswith(b"\n"):
            self._done = True
            data += self._stream.readline()
        return data


class Tombstones:
    """Resources that a bulk export reported deleted: `deleted/tombstones.<run>.ndjson` in its folder.

    A copy from the run that reported it, or from an earlier one, is void; a later copy counts again.
    """

    def __init__(self, files: Iterable[Path]) -> None:
        self._folders: dict[Path, dict[tuple[str, str], int]] = {}
        for folder in {path.parent for path in files}:
            found: dict[tuple[str, str], int] = {}
            for path in sorted((folder / "deleted").glob("tombstones.*.ndjson")):
                run = _run_of(path)
                for _, value, _ in values(path, WHOLE):
                    if isinstance(value.get("id"), str) and isinstance(value.get("resourceType"), str):
                        found[value["resourceType"], value["id"]] = run
            if found:
                self._folders[folder] = found

    def __bool__(self) -> bool:
        return bool(self._folders)

    def hold(self, file: str, resource: Any) -> bool:
        """Whether this copy of a parsed resource was deleted."""
        if not self._folders:
            return False
        path = Path(file)
        found = self._folders.get(path.parent)
        if found is None:
            return False
        kind, identity = member(resource, "resourceType"), member(resource, "id")
        deleted = found.get((kind, identity)) if isinstance(identity, str) else None
        return deleted is not None and _run_of(path) <= deleted


def _run_of(path: Path) -> int:
    """The number of the export run in a file name: Observation.002.0001.ndjson, tombstones.002.ndjson."""
    parts = path.name.split(".")
    return int(parts[1]) if len(parts) > 2 and parts[1].isdecimal() else 0


def new_digest() -> Any:
    """SHA-256, the hash that names inputs in manifests."""
    return hashlib.sha256()
