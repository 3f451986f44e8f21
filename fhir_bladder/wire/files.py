"""Room `wire`: JSON and NDJSON files of any size as a stream of parsed documents. May import errors only.

A file whose first line is a whole JSON value is NDJSON; anything else is one JSON document. `-` is stdin; a gzip
file is unpacked as it is read, within the limits.
"""

from __future__ import annotations

import gzip
import io
import sys
import zlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from fhir_bladder import wire
from fhir_bladder.errors import BladderError, InputError, RecordError

MAX_RATIO = 200
"""Most that a gzip file may grow while it is read; more is taken for an attack."""


@dataclass(frozen=True, slots=True)
class Document:
    """One JSON document: the file's name as given, 1-based line, its bytes, and what they say."""

    file: str
    line: int
    raw: bytes
    value: Any


class _Unpacked(io.RawIOBase):
    """A gzip stream that refuses to grow beyond the ratio."""

    def __init__(self, name: str, packed: IO[bytes]) -> None:
        self._name, self._packed, self._stream, self._out = name, packed, gzip.GzipFile(fileobj=packed), 0

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        try:
            data = self._stream.read(len(buffer))
        except (OSError, EOFError, zlib.error) as error:
            raise InputError(f"broken gzip data: {error}", self._name, "pack the file again") from None
        self._out += len(data)
        if self._out > (1 << 20) + MAX_RATIO * self._packed.tell():
            raise InputError(f"gzip data grows more than {MAX_RATIO} times", self._name, "unpack it yourself first")
        buffer[: len(data)] = data
        return len(data)


def open_stream(path: str | Path) -> IO[bytes]:
    """A file, or stdin for `-`, as bytes, unpacked. Raises InputError where it cannot be read."""
    if str(path) == "-":
        return sys.stdin.buffer
    path = Path(path)
    if path.is_dir():
        raise InputError("a folder, not a file", str(path), "name the files in it")
    try:
        stream = path.open("rb")
    except OSError as error:
        raise InputError(
            f"cannot read the file: {(error.strerror or '').lower()}", str(path), "check the path"
        ) from None
    if stream.peek(2)[:2] == b"\x1f\x8b":
        return io.BufferedReader(_Unpacked(str(path), stream), 1 << 16)
    return stream


def head(path: str | Path, size: int = 4096) -> bytes:
    """The first bytes of a file, unpacked; of stdin, which stays whole. Raises InputError where it cannot be read."""
    stream = open_stream(path)
    try:
        start: bytes = stream.peek(size)[:size] if hasattr(stream, "peek") else b""
    finally:
        if str(path) != "-":
            stream.close()
    return start


def documents(
    paths: Iterable[str | Path], *, on_error: Callable[[BladderError], None], max_bytes: int = wire.MAX_BYTES
) -> Iterator[Document]:
    """Every JSON document of the files, in order. What cannot be read goes to `on_error`; the rest goes on."""
    for path in paths:
        try:
            with open_stream(path) as stream:
                yield from _of_stream(str(path), stream, on_error, max_bytes)
        except InputError as error:
            on_error(error if error.where else InputError(error.what, str(path), error.remedy))
        except OSError as error:
            on_error(InputError(f"cannot be read: {(error.strerror or '').lower()}", str(path), "check the file"))


def _of_stream(
    name: str, stream: IO[bytes], on_error: Callable[[BladderError], None], max_bytes: int
) -> Iterator[Document]:
    first = stream.readline(wire.MAX_LINE + 2)
    while first and not first.strip():
        first = stream.readline(wire.MAX_LINE + 2)
    if not first:
        return
    if not _is_whole(first):
        raw = first + stream.read(max_bytes + 1)
        try:
            yield Document(name, 1, raw, wire.loads(raw, max_bytes=max_bytes))
        except InputError as error:
            raise InputError(error.what, f"{name} {error.where}".strip(), error.remedy) from None
        return
    joined = io.BufferedReader(Chained(first, stream), 1 << 16)
    for line in wire.iter_lines(joined):
        where = f"{name}:{line.number}"
        if line.too_long:
            on_error(RecordError(f"a line above {wire.MAX_LINE:,} bytes", where, "write one resource a line"))
            continue
        try:
            yield Document(name, line.number, line.data, wire.loads(line.data))
        except InputError as error:
            on_error(RecordError(error.what, f"{where} {error.where}".strip(), error.remedy))


def _is_whole(line: bytes) -> bool:
    """Whether the first line can stand for itself, so that the file is NDJSON."""
    text = line.strip().removeprefix(b"\xef\xbb\xbf")
    if not text.startswith((b"{", b"[")) or not text.endswith((b"}", b"]")):
        return len(line) > wire.MAX_LINE
    try:
        wire.loads(text)
    except InputError as error:
        return not error.what.startswith("not JSON")
    return True


class Chained(io.RawIOBase):
    """What was read of a stream, then the rest of it."""

    def __init__(self, first: bytes, rest: IO[bytes]) -> None:
        self._first, self._rest = memoryview(first), rest

    def readable(self) -> bool:
        """It can be read."""
        return True

    def readinto(self, buffer: Any) -> int:
        """Read into a buffer: how many bytes; 0 at the end."""
        data: bytes | memoryview
        if self._first:
            data, self._first = self._first[: len(buffer)], self._first[len(buffer) :]
        else:
            data = self._rest.read1(len(buffer)) if hasattr(self._rest, "read1") else self._rest.read(len(buffer))
        buffer[: len(data)] = data
        return len(data)


def resources(
    paths: Iterable[str | Path], *, on_error: Callable[[BladderError], None], unbundle: bool = False
) -> Iterator[Document]:
    """Every FHIR resource of the files; with `unbundle`, the resources inside Bundles instead of the Bundles."""
    for document in documents(paths, on_error=on_error):
        values = document.value if isinstance(document.value, list) else [document.value]
        for value in values:
            if not isinstance(value, dict) or not isinstance(value.get("resourceType"), str):
                on_error(
                    RecordError(
                        "no FHIR resource: resourceType is missing", f"{document.file}:{document.line}", "map it first"
                    )
                )
            elif unbundle and value["resourceType"] == "Bundle":
                for entry in value.get("entry") or ():
                    if isinstance(entry, dict) and isinstance(entry.get("resource"), dict):
                        yield Document(document.file, document.line, document.raw, entry["resource"])
            else:
                yield Document(document.file, document.line, document.raw, value)
