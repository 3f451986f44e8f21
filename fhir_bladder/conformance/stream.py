"""Room `conformance`: files in, judgements out, with bounded memory. Belongs here: reading, splitting, workers.

NDJSON is judged line by line. A large Bundle is read in windows and judged in runs of entries against one index of all
entries, so that neither memory nor the cost of an entry grows with it.
"""

from __future__ import annotations

import io
import sys
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

from fhir_bladder import wire
from fhir_bladder.conformance.limits import MAX_BYTES
from fhir_bladder.conformance.validator import Validator
from fhir_bladder.errors import Finding
from fhir_bladder.wire.files import Chained
from fhir_bladder.wire.workers import attend

BIG_BUNDLE = 1024 * 1024
_RUN = 400
_SUFFIXES = (".ndjson", ".jsonl", ".ldjson")


@dataclass(frozen=True, slots=True)
class Options:
    """What to judge against. Picklable, so that workers can make their own validator.

    profiles: canonical URLs; packages: folders or .tgz files; local: the project's own profiles; workers: processes.
    """

    packages: tuple[str, ...] = ()
    profiles: tuple[str, ...] = ()
    local: bool = True
    workers: int = 1
    max_line: int = wire.MAX_LINE

    def validator(self) -> Validator:
        """A validator for these options."""
        return Validator(self.packages, self.profiles, local=self.local)


@dataclass(slots=True)
class Judged:
    """One resource and what was found. line: of the file, 0 for a whole file.

    notice: no resource was judged; the findings are about a package, or about a file that is empty or cannot be opened.
    """

    file: str
    line: int
    resource: str
    findings: list[Finding] = field(default_factory=list)
    unreadable: bool = False
    notice: bool = False

    @property
    def valid(self) -> bool:
        """No error and readable."""
        return not any(f.severity in ("error", "fatal") for f in self.findings)


def validate_files(
    paths: Iterable[str | Path], options: Options = Options(), validator: Validator | None = None
) -> Iterator[Judged]:
    """Judge every resource of the files, `-` being standard input; results in the order of the input.

    A file that cannot be read gives one `Judged` with `unreadable`; the others go on. A dependency of a package that is
    not given is warned of first, in a `Judged` of its own that names the package.
    """
    made = validator or options.validator()
    for finding in made.lacking:
        yield Judged(finding.file, 0, "", [finding], notice=True)
    if options.workers > 1:
        yield from _in_parallel(paths, options)
        return
    for path in paths:
        for piece in _pieces(str(path), options):
            yield from _judge(made, piece)


@dataclass(slots=True)
class _Piece:
    """Work that can be sent to another process: numbered lines, a whole text, or a finding instead."""

    file: str
    lines: list[tuple[int, bytes]] = field(default_factory=list)
    whole: bytes | None = None
    big: str = ""
    refused: list[tuple[int, Finding]] = field(default_factory=list)
    unreadable: bool = False


def _judge(validator: Validator, piece: _Piece) -> Iterator[Judged]:
    refused = dict(piece.refused)
    for number, finding in piece.refused:
        if not any(number == n for n, _ in piece.lines):
            yield Judged(piece.file, number, "", [finding], piece.unreadable, notice=not number)
    if piece.big:
        yield from _big_bundle(validator, piece.file, piece.big)
    elif piece.whole is not None:
        yield judge(validator, piece.whole, piece.file)
    for number, data in piece.lines:
        yield (
            Judged(piece.file, number, "", [refused[number]])
            if number in refused
            else judge(validator, data, piece.file, number)
        )


def judge(validator: Validator, data: bytes, file: str = "", line: int = 0) -> Judged:
    """Judge one resource."""
    findings = validator.validate(data, file=file, line=line)
    name = findings[0].resource if findings else _label(data)
    return Judged(
        file,
        line,
        name,
        findings,
        # a line that is not JSON is one bad record among others; a text of its own that is not JSON is a bad file
        not line and bool(findings) and findings[0].id.startswith("json-") and findings[0].severity == "fatal",
    )


def _label(data: bytes) -> str:
    import orjson

    try:
        value = orjson.loads(data)
        return f"{value['resourceType']}/{value['id']}" if "id" in value else str(value["resourceType"])
    except (ValueError, KeyError, TypeError):
        return ""


# reading


def _pieces(path: str, options: Options) -> Iterator[_Piece]:
    if path == "-":
        yield from _of_stream(sys.stdin.buffer, "-", options, by_line=None)
        return
    source = Path(path)
    try:
        if source.is_dir():
            yield _failed(path, "is a folder", "give the files in it")
            return
        with source.open("rb") as stream:
            size = source.stat().st_size
            by_line = True if source.suffix.lower() in _SUFFIXES else None
            if by_line is None and size > BIG_BUNDLE and not _looks_like_lines(stream):
                yield _Piece(path, big=path)
                return
            stream.seek(0)
            yield from _of_stream(stream, path, options, by_line=by_line)
    except FileNotFoundError:
        yield _failed(path, "no such file", "check the name")
    except OSError as error:
        yield _failed(path, f"cannot be read: {error.strerror}", "check its permissions")


def _failed(path: str, what: str, hint: str) -> _Piece:
    return _Piece(path, refused=[(0, Finding("file-unreadable", "fatal", what, file=path, hint=hint))], unreadable=True)


def _looks_like_lines(stream: IO[bytes]) -> bool:
    """Whether the first line is a whole object and another follows."""
    first = stream.readline(1024 * 1024).strip()
    second = stream.read(1)
    return first.startswith(b"{") and first.endswith(b"}") and second == b"{"


def _of_stream(stream: IO[bytes], name: str, options: Options, by_line: bool | None) -> Iterator[_Piece]:
    if by_line is None and stream.seekable():
        by_line = _looks_like_lines(stream)
        stream.seek(0)
    elif by_line is None:
        head, full = b"", list[bytes]()
        while len(full) < 2 and (line := stream.readline(MAX_BYTES + 1)):
            head += line
            full += [line.strip()] if line.strip() else []
        by_line = len(full) > 1 and full[0].endswith(b"}") and all(text.startswith(b"{") for text in full)
        stream = io.BufferedReader(Chained(head, stream), 1 << 16)
    if not by_line:
        yield _whole(name, stream.read(MAX_BYTES + 1))
        return
    piece, empty = _Piece(name), True
    for text in wire.iter_lines(stream, max_line=options.max_line):
        empty = False
        if text.too_long:
            finding = Finding(
                "line-too-long", "fatal", f"line above {options.max_line:,} bytes", file=name, line=text.number,
                hint="put each resource on its own line, or give the file as JSON",
            )  # fmt: skip
            piece.refused.append((text.number, finding))
        piece.lines.append((text.number, b"" if text.too_long else text.data))
        if len(piece.lines) >= _RUN:
            yield piece
            piece = _Piece(name)
    if piece.lines:
        yield piece
    if empty:
        yield _empty(name)


def _empty(name: str) -> _Piece:
    finding = Finding(
        "file-empty", "warning", "the file holds no resource", file=name, hint="check that its source has finished"
    )
    return _Piece(name, refused=[(0, finding)])


def _whole(name: str, data: bytes) -> _Piece:
    if not data.strip():
        return _empty(name)
    return _Piece(name, whole=data)


# large Bundles


def _big_bundle(validator: Validator, name: str, path: str) -> Iterator[Judged]:
    from fhir_bladder.conformance.big import judge_big

    findings, label, unreadable = judge_big(validator, Path(path))
    yield Judged(name, 0, label, findings, unreadable)


# workers

_WORKER: dict[str, Validator] = {}


def _start(options: Options) -> None:
    attend()
    _WORKER["validator"] = options.validator()


def _work(piece: _Piece) -> list[Judged]:
    return list(_judge(_WORKER["validator"], piece))


def _in_parallel(paths: Iterable[str | Path], options: Options) -> Iterator[Judged]:
    """The same with several processes; at most three pieces a worker are in flight."""
    waiting: deque[Future[list[Judged]]] = deque()
    with ProcessPoolExecutor(options.workers, initializer=_start, initargs=(options,)) as pool:
        for path in paths:
            for piece in _pieces(str(path), options):
                waiting.append(pool.submit(_work, piece))
                while len(waiting) >= options.workers * 3:
                    yield from waiting.popleft().result()
        while waiting:
            yield from waiting.popleft().result()


LEVELS = ("fatal", "error", "warning", "information")


def at_level(findings: Sequence[Finding], level: str) -> list[Finding]:
    """The findings of `level` and worse."""
    limit = LEVELS.index(level)
    return [f for f in findings if f.severity in LEVELS[: limit + 1]]


__all__ = ["Judged", "Options", "at_level", "judge", "validate_files"]
