"""Room `analysis`: `table`, from NDJSON, export folders and Bundles to one tidy table. May import errors and wire.

What stands beside the table: data dictionary, exclusion table, run manifest; older versions and rejected lines where
there are any. Memory stays flat. Nothing counts twice and nothing is left out without being counted.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import sys
import tempfile
from collections.abc import Callable, Collection, Iterator, Sequence
from pathlib import Path
from typing import IO, Any

from fhir_bladder import wire
from fhir_bladder.analysis import builtin, census, decoding, dictionary, sources, writers
from fhir_bladder.analysis.census import Census, Header
from fhir_bladder.analysis.codegen import Keys
from fhir_bladder.analysis.manifest import manifest
from fhir_bladder.analysis.request import Request, TableResult, request
from fhir_bladder.analysis.sources import Piece, Rejected
from fhir_bladder.errors import ConfigError, InputError, RecordError

Progress = Callable[[int], None]
"""Called now and then with the number of resources read so far."""


def table(
    paths: Sequence[str | Path],
    view: str | Path | dict[str, Any],
    out: str | Path | None = None,
    *,
    stream: IO[bytes] | None = None,
    kind: str = "csv",
    include: Collection[str] = (),
    key_system: str = "",
    pseudonyms: bytes | None = None,
    shift_dates: bool = False,
    engine: str = "local",
    progress: Progress | None = None,
) -> TableResult:
    """Make a table. With `out` (.csv, .ndjson, .parquet) the files beside it are written too; else to `stream`.

    view: a built-in name, a ViewDefinition file or dict. include: reasons not to leave out. key_system: the site's
    system of exam keys. pseudonyms: the secret; `shift_dates` moves dates as well. engine: `local` or `spark`.

    Raises ConfigError or UnsupportedError before anything is written.
    """
    if view == "deliveries":
        from fhir_bladder.analysis.deliveries import table as deliveries

        return deliveries(paths, out, stream=stream, kind=kind, pseudonyms=pseudonyms, shift_dates=shift_dates)
    asked = request(view, include=include, key_system=key_system, pseudonyms=pseudonyms, shift_dates=shift_dates)
    target = Path(out) if out is not None else None
    if target is not None:
        kind = writers.kind_of(target)
    if kind == "parquet":
        writers.arrow()
    if engine == "spark":
        from fhir_bladder.analysis.spark import table as by_spark

        return by_spark(paths, asked, target, stream=stream, kind=kind)
    if engine != "local":
        raise ConfigError(f"no engine {engine!r}", "--engine", "use local or spark")
    with _Run(paths, asked, target, progress) as run:
        return run.make(stream, kind)


class _Run:
    """One run: a survey where one is needed, then the rows; a second time only if a later version overturned some."""

    def __init__(
        self, paths: Sequence[str | Path], asked: Request, target: Path | None, progress: Progress | None
    ) -> None:
        self.asked = asked
        self.target = target
        self.progress = progress
        self.result = TableResult(columns=asked.columns)
        self.exit = contextlib.ExitStack()
        self.folder = Path(self.exit.enter_context(tempfile.TemporaryDirectory(prefix="fhir-bladder-")))
        self.files = sources.expand(_spooled(paths, self.folder), self.result.errors.append)
        self.census = self.exit.enter_context(Census(asked.include, asked.key_system))
        self.digests: dict[str, Any] = {}
        self.patients = builtin.Patients()
        self.exit.callback(self.patients.close)
        self.exams: builtin.Exams | None = None
        self.measurements: builtin.Measurements | None = None
        if asked.builtin == "exams":
            self.exams = builtin.Exams(asked.view.columns, self.patients, asked.hide)
            self.exit.callback(self.exams.close)
        elif asked.builtin == "measurements":
            self.measurements = builtin.Measurements(asked.view.columns, asked.hide)
        self.rejected: list[Rejected] = []
        self.misfits: list[Rejected] = []
        self.older: IO[bytes] | None = None
        self.older_count = 0

    def __enter__(self) -> _Run:
        return self

    def __exit__(self, *problem: object) -> None:
        self.exit.close()

    def make(self, stream: IO[bytes] | None, kind: str) -> TableResult:
        parts = self.folder / "rows"
        two_passes = bool(self.asked.builtin) or self.asked.hide is not None
        if two_passes:
            self._survey()
        first = not two_passes
        self._write(parts, kind, survey=first)
        if first and self.census.overturned:
            self._write(parts, kind, survey=False)
        self.result.counts = self.census.counts()
        self.result.resources = len(self.census.reasons)
        self.result.rejected = len(self.rejected) + len(self.misfits)
        if not self.result.resources and not self.result.errors:
            self.result.notes.append("the input is empty: no resource was found")
        if self.target is not None:
            self._beside(parts)
        elif stream is not None:
            with parts.open("rb") as made:
                shutil.copyfileobj(made, stream)
        return self.result

    # ------------------------------------------------------------------ passes

    def _pieces(self, parse: Callable[[bytes], Any], *, first: bool) -> Iterator[Piece]:
        note = self.rejected.append if first else _ignore
        count = 0
        for path in self.files:
            digest = sources.new_digest() if first else None
            if first:
                self.digests[str(path)] = digest
            try:
                for piece in sources.pieces(path, parse, note, digest):
                    yield piece
                    count += 1
                    if self.progress is not None and not count % 10_000:
                        self.progress(count)
            except InputError as error:
                if first:
                    self.result.errors.append(error)
            except OSError as error:
                if first:
                    self.result.errors.append(
                        InputError(f"cannot be read: {(error.strerror or '').lower()}", str(path), "check the file")
                    )

    def _survey(self) -> None:
        parse = decoding.pruned(census.header_keys())
        for piece in self._pieces(parse, first=True):
            resource = piece.value
            ordinal = len(self.census.reasons)
            head = census.header(resource, self.asked.key_system)
            self.census.see(head)
            if head.type == "Patient":
                self.patients.add(resource)
            elif self.exams is not None and head.key.startswith("exam "):
                self.exams.survey(ordinal, resource)
        if self.exams is not None:
            self.exams.settle(self.census.reasons)

    def _write(self, parts: Path, kind: str, *, survey: bool) -> None:
        asked, count, rows_of = self.asked, self.census, self.asked.view.rows
        keys = Keys(whole=True) if asked.hide is not None else merged(asked.view.keys, census.header_keys())
        header, key_system, wanted = census.header, asked.key_system, asked.view.resource
        self.misfits.clear()
        self.result.rows = 0
        with parts.open("wb") as made, self._older_file() as older:
            writer = writers.open_writer(kind, made, asked.columns)
            write = writer.write
            ordinal = -1
            for piece in self._pieces(decoding.pruned(keys), first=survey):
                ordinal += 1
                head = header(piece.value, key_system)
                reason = count.see(head) if survey else count.final(ordinal, head)
                if reason:
                    if reason == census.OLDER and older is not None and not survey:
                        older.write(_line(piece))
                    continue
                if head.type != wanted:
                    continue
                try:
                    rows = self._rows(piece, head, ordinal, rows_of)
                except RecordError as error:
                    self.misfits.append(Rejected(piece.file, piece.line, str(error)))
                    continue
                self.result.rows += len(rows)
                write(rows)
            writer.close()
        self.result.notes += [
            f"column {name}: {n:,} values do not fit its type and are empty; CSV and NDJSON keep them"
            for name, n in writer.notes.items()
        ]

    def _rows(
        self, piece: Piece, head: Header, ordinal: int, rows_of: Callable[[dict[str, Any]], list[tuple[Any, ...]]]
    ) -> list[tuple[Any, ...]]:
        resource = piece.value
        if self.asked.hide is not None:
            patient = self.patients.one(builtin.subject_key(resource))
            resource = self.asked.hide.resource(resource, patient, self.asked.key_system)
        rows = rows_of(resource)
        if self.exams is not None:
            return [self.exams.row(row, piece.value, head, ordinal) for row in rows]
        if self.measurements is not None:
            return [self.measurements.row(row, head) for row in rows]
        return rows

    @contextlib.contextmanager
    def _older_file(self) -> Iterator[IO[bytes] | None]:
        """Older versions go beside the table as they were, unless identities are to be hidden."""
        if self.target is None or self.asked.hide is not None:
            yield None
            return
        with (self.folder / "older").open("wb") as older:
            yield older

    # ------------------------------------------------------------------ what stands beside

    def _beside(self, parts: Path) -> None:
        assert self.target is not None
        self.target.parent.mkdir(parents=True, exist_ok=True)
        hide = self.asked.hide is not None
        self._place(self.target, parts)
        entries = dictionary.entries(self.asked.view, self.asked.columns)
        self._put("dictionary.csv", dictionary.as_csv(dictionary.HEADS, entries))
        self._put("excluded.csv", dictionary.as_csv(("step", "resources"), self._flow()))
        older = self.folder / "older"
        if older.exists() and older.stat().st_size:
            self._place(self.target.with_suffix(".older.ndjson"), older)
        if self.rejected or self.misfits:
            lines = [
                wire.dumps(
                    {"file": _shown(r.file, hide), "line": r.line, "reason": "not read" if hide else r.reason}
                    | ({} if hide else {"text": r.text})
                )
                for r in (*self.rejected, *self.misfits)
            ]
            self._put("rejected.ndjson", b"\n".join(lines) + b"\n")
        self._put(
            "manifest.json",
            manifest(self.asked, self.result, {name: d.hexdigest() for name, d in self.digests.items()}, self.target),
        )

    def _flow(self) -> list[tuple[str, int]]:
        counts = self.result.counts
        flow = [("read", self.result.resources + len(self.rejected)), ("rejected: not readable", len(self.rejected))]
        flow += [(f"left out: {reason}", counts[reason]) for reason in census.REASONS[1:]]
        flow += [("kept", counts["kept"]), ("rejected: does not fit the view", len(self.misfits))]
        return [*flow, ("rows of the table", self.result.rows)]

    def _put(self, suffix: str, data: bytes) -> None:
        assert self.target is not None
        path = self.folder / "beside"
        path.write_bytes(data)
        self._place(self.target.with_suffix("." + suffix), path)

    def _place(self, target: Path, made: Path) -> None:
        """Move a finished file to its name; a table that is there is whole."""
        near = target.with_name(f".{target.name}.part")
        shutil.copyfile(made, near)
        with near.open("rb+") as stream:
            os.fsync(stream.fileno())
        near.replace(target)
        self.result.files.append(target)


def merged(one: Keys, other: Keys) -> Keys:
    """The keys of both."""
    if one.whole or other.whole:
        return Keys(whole=True)
    if not one.children or not other.children:
        return Keys(whole=True)
    names = {**one.children, **other.children}
    return Keys(
        False,
        {
            name: merged(one.children[name], other.children[name])
            if name in one.children and name in other.children
            else child
            for name, child in names.items()
        },
    )


def _line(piece: Piece) -> bytes:
    return piece.raw.strip() + b"\n" if piece.raw is not None else wire.dumps(piece.value) + b"\n"


def _shown(file: str, hide: bool) -> str:
    return "" if hide else file


def _ignore(_: Rejected) -> None:
    """The first pass has reported it."""


def _spooled(paths: Sequence[str | Path], folder: Path) -> list[str | Path]:
    """Stdin can be read once only, so it is kept in a file for the second pass."""
    out: list[str | Path] = []
    for path in paths:
        if str(path) == "-":
            kept = folder / "stdin.ndjson"
            with kept.open("wb") as stream:
                shutil.copyfileobj(sys.stdin.buffer, stream)
            out.append(kept)
        else:
            out.append(path)
    return out
