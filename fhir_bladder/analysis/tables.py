"""Room `analysis`: `table`, from NDJSON, export folders and Bundles to one tidy table. May import errors and wire.

What stands beside the table: data dictionary, exclusion table, run manifest; older versions and rejected lines where
there are any. Memory stays flat. Nothing counts twice and nothing is left out without being counted.
"""

from __future__ import annotations

import contextlib
import gc
import shutil
import sys
import tempfile
from collections.abc import Callable, Collection, Iterator, Sequence
from pathlib import Path
from typing import IO, Any

from fhir_bladder.analysis import builtin, census, csv_lines, decoding, headers, sources, writers
from fhir_bladder.analysis.beside import write_beside
from fhir_bladder.analysis.census import Census
from fhir_bladder.analysis.csv_lines import CsvWriter
from fhir_bladder.analysis.headers import Header
from fhir_bladder.analysis.keys import member
from fhir_bladder.analysis.request import Request, TableResult, request, told, why_empty
from fhir_bladder.analysis.sources import Batch, Rejected
from fhir_bladder.analysis.views import Reader
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
    with _calm(), _Run(paths, asked, target, progress) as run:
        return run.make(stream, kind)


@contextlib.contextmanager
def _calm() -> Iterator[None]:
    """Look for reference cycles less often: a table makes millions of objects and none of them is in a cycle."""
    usual = gc.get_threshold()
    gc.set_threshold(max(usual[0], 100_000) if usual[0] else 0, *usual[1:])
    try:
        yield
    finally:
        gc.set_threshold(*usual)


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
        self.deleted = sources.Tombstones(self.files)
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
        self.reader = reader(asked)

    def __enter__(self) -> _Run:
        return self

    def __exit__(self, *problem: object) -> None:
        self.exit.close()

    def make(self, stream: IO[bytes] | None, kind: str) -> TableResult:
        if not self.files and self.result.errors:
            return self.result  # nothing was there to read: a table that stands is left alone
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
        self.result.refused = told(self.rejected, self.misfits, self.asked)
        self.result.notes += why_empty(self.result, self.asked, self.rejected)
        if self.target is not None:
            digests = {name: digest.hexdigest() for name, digest in self.digests.items()}
            older = self.folder / "older"
            write_beside(
                self.target, parts, self.result, self.asked, self.rejected, self.misfits, digests,
                older if older.exists() and older.stat().st_size else None,
            )  # fmt: skip
        elif stream is not None:
            with parts.open("rb") as made:
                shutil.copyfileobj(made, stream)
        return self.result

    # ------------------------------------------------------------------ passes

    def _batches(self, *, first: bool) -> Iterator[Batch]:
        note, parse = self.rejected.append if first else _ignore, self.reader.parse
        count = told = 0
        for path in self.files:
            digest = sources.new_digest() if first else None
            if first:
                self.digests[str(path)] = digest
            try:
                for batch in sources.batches(path, parse, note, digest):
                    yield batch
                    count += len(batch.values)
                    if self.progress is not None and count // 10_000 > told:
                        told = count // 10_000
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
        for batch in self._batches(first=True):
            for index, resource in enumerate(batch.values):
                ordinal = len(self.census.reasons)
                if self.deleted.hold(batch.file, resource):
                    self.census.skip(census.DELETED)
                    continue
                head = headers.header(resource, self.asked.key_system)
                self.census.see(head)
                if head.type == "Patient":
                    self.patients.add(batch.piece(index).whole())
                elif self.exams is not None and head.key.startswith("exam "):
                    self.exams.survey(ordinal, headers.subject_key(resource), member(resource, "effectiveDateTime"))
        if self.exams is not None:
            self.exams.settle(self.census.reasons)

    def _write(self, parts: Path, kind: str, *, survey: bool) -> None:
        asked, count, key_system = self.asked, self.census, self.asked.key_system
        header, wanted = headers.header, asked.view.resource
        held = self.deleted.hold if self.deleted else None
        self.misfits.clear()
        self.result.rows = 0
        with parts.open("wb") as made, self._older_file() as older:
            writer = writers.open_writer(kind, made, asked.columns)
            first = 0
            for batch in self._batches(first=survey):
                kept: list[tuple[int, Header]] = []
                for ordinal, resource in enumerate(batch.values, first):
                    head = header(resource, key_system)
                    if not survey:
                        reason = count.final(ordinal, head)
                    elif held is not None and held(batch.file, resource):
                        reason = count.skip(census.DELETED)
                    else:
                        reason = count.see(head)
                    if not reason:
                        if head.type == wanted:
                            kept.append((ordinal, head))
                    elif reason == census.OLDER and older is not None:
                        older.write(batch.piece(ordinal - first).text())
                self._rows_of(batch, first, kept, writer)
                first += len(batch.values)
            writer.close()
        self.result.notes += [
            f"column {name}: {n:,} values do not fit its type and are empty; CSV and NDJSON keep them"
            for name, n in writer.notes.items()
        ]

    def _rows_of(self, batch: Batch, first: int, kept: list[tuple[int, Header]], writer: writers.Writer) -> None:
        """Write the rows of what counts in a batch; first: ordinal of its first resource."""
        lines = self.reader.lines
        if lines is not None and isinstance(writer, CsvWriter):
            values = batch.values
            try:
                made = lines(values if len(kept) == len(values) else [values[ordinal - first] for ordinal, _ in kept])
                if writer.write_lines(made):
                    self.result.rows += len(made)
                    return
            except (*csv_lines.ODD, RecordError):
                pass
        for ordinal, head in kept:
            try:
                rows = self._rows(batch.values[ordinal - first], head, ordinal)
            except RecordError as error:
                piece = batch.piece(ordinal - first)
                self.misfits.append(Rejected(piece.file, piece.line, str(error)))
            else:
                self.result.rows += len(rows)
                writer.write(rows)

    def _rows(self, resource: Any, head: Header, ordinal: int) -> list[tuple[Any, ...]]:
        """The rows with what a view cannot compute, or of what may be shown."""
        seen, asked = resource, self.asked
        if asked.hide is not None:
            patient = self.patients.one(headers.subject_key(resource))
            seen = asked.hide.resource(resource, patient, asked.key_system)
        rows = self.reader.rows(seen)
        if self.exams is not None:
            name, effective = headers.subject_key(resource), member(resource, "effectiveDateTime")
            return [self.exams.row(row, name, effective, head.exam, ordinal) for row in rows]
        if self.measurements is not None:
            return [self.measurements.row(row, head.exam) for row in rows]
        return rows

    @contextlib.contextmanager
    def _older_file(self) -> Iterator[IO[bytes] | None]:
        """Older versions go beside the table as they were, unless identities are to be hidden."""
        if self.target is None or self.asked.hide is not None:
            yield None
            return
        with (self.folder / "older").open("wb") as older:
            yield older


def reader(asked: Request) -> Reader:
    """The view over JSON text, with what the counting rules read; the whole resource where it is to be hidden."""
    if asked.hide is not None:
        return Reader(decoding.WHOLE, asked.view.rows)
    built_in = bool(asked.builtin)
    return asked.view.reader(headers.header_keys(people=built_in), lines=not built_in)


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
