"""Room `analysis`: the same table in PySpark (extra `spark`): the compiled view over byte ranges of NDJSON shards.

May import errors and wire. Two stages with `mapInArrow`: headers and rows are made in parallel; what counts is settled
between them on the driver, in the order of the input, by the same `Census`, so that the rows are the same, one by one.
Every worker opens the shards by their paths, so they must lie where all workers reach them.
"""

from __future__ import annotations

import importlib
import os
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import IO, Any, cast

from fhir_bladder import wire
from fhir_bladder.analysis import builtin, census, decoding, sources, views, writers
from fhir_bladder.analysis.beside import write_beside
from fhir_bladder.analysis.census import Census
from fhir_bladder.analysis.headers import Header, header, header_keys, subject_key
from fhir_bladder.analysis.keys import member
from fhir_bladder.analysis.pseudonyms import Pseudonyms
from fhir_bladder.analysis.request import Request, TableResult, told, why_empty
from fhir_bladder.analysis.sources import Rejected
from fhir_bladder.errors import RecordError, UnsupportedError

RANGE = 32 * 1024 * 1024
"""Bytes of one task."""


@dataclass(frozen=True)
class Part:
    """A range of a file: lines that start in it. end -1: to the end, for what is not plain NDJSON."""

    number: int
    path: str
    start: int
    end: int


@dataclass(frozen=True)
class Plan:
    """What every worker has to know: the view as JSON, whether it is one of ours, and who is to be left out."""

    view: bytes
    built_in: bool
    key_system: str
    secret: bytes | None
    shift: bool
    deleted: sources.Tombstones

    def reader(self) -> views.Reader:
        """The view over JSON text."""
        return _reader(self.view, self.built_in, self.secret is not None)


@dataclass(frozen=True)
class Settled:
    """What stage one settled: ordinal of each part's first resource, reasons by ordinal, keys of patients by name."""

    firsts: list[int]
    reasons: bytes
    names: dict[str, str]


def table(
    paths: Sequence[str | Path], asked: Request, target: Path | None, *, stream: IO[bytes] | None, kind: str
) -> TableResult:
    """Make the table with Spark; see `tables.table`. Raises UnsupportedError where PySpark is not installed."""
    session, ours = _session()
    try:
        with tempfile.TemporaryDirectory(prefix="fhir-bladder-") as folder, _Job(session, paths, asked) as job:
            if not job.files and job.result.errors:
                return job.result
            made = Path(folder) / "rows"
            job.make(made, kind)
            if target is not None:
                write_beside(target, made, job.result, asked, job.rejected, job.misfits, job.digests, None)
            elif stream is not None:
                with made.open("rb") as rows:
                    shutil.copyfileobj(rows, stream)
            return job.result
    finally:
        if ours:
            session.stop()


def _session() -> tuple[Any, bool]:
    """The session to use, and whether we made it. Under spark-submit the cluster's own settings hold."""
    try:
        for name in ("pyarrow", "pandas"):  # PySpark asks for both in mapInArrow
            importlib.import_module(name)
        from pyspark.sql import SparkSession
    except ImportError as error:
        raise UnsupportedError(
            f"the Spark engine needs {error.name or 'PySpark'}", "--engine spark", "pip install '.[spark]' in the clone"
        ) from None
    active = SparkSession.getActiveSession()
    if active is not None:
        return active, False
    os.environ.setdefault("PYSPARK_PYTHON", sys.executable)
    build = SparkSession.builder.appName("fhir-bladder table")
    if "PYSPARK_GATEWAY_PORT" not in os.environ:
        build = (
            build.master(os.environ.get("FHIR_BLADDER_SPARK_MASTER", "local[*]"))
            .config("spark.driver.bindAddress", "127.0.0.1")
            .config("spark.driver.host", "127.0.0.1")
            .config("spark.ui.enabled", "false")
        )
    try:
        session = build.getOrCreate()
    except Exception as error:  # noqa: BLE001 - the gateway raises whatever the Java side did
        raise UnsupportedError(
            f"Spark does not start: {str(error).splitlines()[0][:120]}",
            "--engine spark",
            "install Java 17 and set JAVA_HOME",
        ) from None
    return session, True


class _Job:
    def __init__(self, session: Any, paths: Sequence[str | Path], asked: Request) -> None:
        self.session = session
        self.asked = asked
        self.result = TableResult(columns=asked.columns)
        self.files = sources.expand(paths, self.result.errors.append)
        self.parts = _parts(self.files)
        hide = asked.hide
        self.plan = Plan(
            wire.dumps(asked.view.view), bool(asked.builtin), asked.key_system, hide.secret if hide else None,
            hide is not None and hide.shift, sources.Tombstones(self.files),
        )  # fmt: skip
        self.rejected: list[Rejected] = []
        self.misfits: list[Rejected] = []
        self.digests: dict[str, Any] = {}
        self.census = Census(asked.include, asked.key_system)
        self.patients = builtin.Patients()
        self.exams = builtin.Exams(asked.view.columns, self.patients, asked.hide) if asked.builtin == "exams" else None
        self.measurements = (
            builtin.Measurements(asked.view.columns, asked.hide) if asked.builtin == "measurements" else None
        )

    def __enter__(self) -> _Job:
        self.census.__enter__()
        return self

    def __exit__(self, *problem: Any) -> None:
        self.census.__exit__(*problem)
        self.patients.close()
        if self.exams is not None:
            self.exams.close()

    def _run(self, work: Callable[[Iterator[Any]], Iterator[Any]]) -> Iterator[tuple[int, bytes]]:
        """Run one stage over all parts, in parallel; the results in the order of the input."""
        from pyspark import StorageLevel

        rows = [(part.number, part.path, part.start, part.end) for part in self.parts]
        frame = self.session.sparkContext.parallelize(rows, max(len(rows), 1)).toDF(
            "number int, path string, start long, end long"
        )
        made = frame.mapInArrow(work, "number int, payload binary").persist(StorageLevel.DISK_ONLY)
        try:
            made.count()
            for row in made.toLocalIterator():
                yield row["number"], bytes(row["payload"])
        finally:
            made.unpersist()

    def make(self, made: Path, kind: str) -> None:
        """Both stages, and the table."""
        counts = self._survey() if self.parts else []
        with made.open("wb") as out:
            writer = writers.open_writer(kind, out, self.asked.columns)
            if self.parts:
                self._rows(writer, counts)
            writer.close()
        self.result.counts = self.census.counts()
        self.result.resources = len(self.census.reasons)
        self.result.rejected = len(self.rejected) + len(self.misfits)
        self.result.refused = told(self.rejected, self.misfits, self.asked)
        self.result.notes += why_empty(self.result, self.asked, self.rejected)
        self.result.notes += [
            f"column {name}: {n:,} values do not fit its type and are empty; CSV and NDJSON keep them"
            for name, n in writer.notes.items()
        ]
        for path in self.files:
            digest = sources.new_digest()
            with path.open("rb") as data:
                while block := data.read(1 << 20):
                    digest.update(block)
            self.digests[str(path)] = digest.hexdigest()

    def _survey(self) -> list[int]:
        """Stage one; how many resources each part has."""
        shared = self.session.sparkContext.broadcast(self.plan)
        try:
            counts = self._counted(self._run(_surveyor(shared)))
        finally:
            shared.destroy()
        if self.exams is not None:
            self.exams.settle(self.census.reasons)
        return counts

    def _counted(self, found: Iterator[tuple[int, bytes]]) -> list[int]:
        counts = [0] * len(self.parts)
        lines_before = 0
        last = ""
        for number, payload in found:
            part = self.parts[number]
            if part.path != last:
                last, lines_before = part.path, 0
            kind, *rest = decoding.everything(payload)
            if kind == "rejected":
                line, reason, text = rest
                self.rejected.append(Rejected(part.path, line + lines_before, reason, text))
            elif kind == "lines":
                lines_before += rest[0]
            elif kind == "deleted":
                counts[number] += 1
                self.census.skip(census.DELETED)
            else:
                head = Header(*rest[0])
                ordinal = len(self.census.reasons)
                counts[number] += 1
                self.census.see(head)
                if kind == "patient":
                    self.patients.add(rest[1])
                elif kind == "exam" and self.exams is not None:
                    self.exams.survey(ordinal, rest[1], rest[2])
        return counts

    def _rows(self, writer: writers.Writer, counts: list[int]) -> None:
        """Stage two: rows of what counts, from the workers; columns that need the other resources are added here."""
        firsts = [sum(counts[:number]) for number in range(len(counts))]
        names = self.patients.names() if self.asked.hide is not None else {}
        shared = self.session.sparkContext.broadcast((self.plan, Settled(firsts, bytes(self.census.reasons), names)))
        try:
            for number, payload in self._run(_rower(shared)):
                self._write(writer, number, decoding.everything(payload))
        finally:
            shared.destroy()

    def _write(self, writer: writers.Writer, number: int, found: list[Any]) -> None:
        ordinal, line, fields, rows, misfit, subject, effective = found
        head = Header(*fields)
        if self.census.final(ordinal, head):
            return
        if misfit:
            self.misfits.append(Rejected(self.parts[number].path, line, misfit))
            return
        if self.exams is not None:
            rows = [self.exams.row(row, subject, effective, head.exam, ordinal) for row in rows]
        elif self.measurements is not None:
            rows = [self.measurements.row(row, head.exam) for row in rows]
        self.result.rows += len(rows)
        writer.write(rows)


def _parts(files: Sequence[Path]) -> list[Part]:
    parts: list[Part] = []
    for path in files:
        size = path.stat().st_size
        if sources.is_plain_ndjson(path):
            ranges = [(start, min(start + RANGE, size)) for start in range(0, size, RANGE)]
        else:
            ranges = [(0, -1)]
        parts += [Part(len(parts) + n, str(path), start, end) for n, (start, end) in enumerate(ranges)]
    return parts


# ---------------------------------------------------------------------- on the workers


def _pieces(part: Part, parse: decoding.Parser, on_rejected: Callable[[Rejected], None]) -> Iterator[sources.Piece]:
    if part.end < 0:
        return sources.pieces(Path(part.path), parse, on_rejected)
    return sources.range_pieces(Path(part.path), part.start, part.end, parse, on_rejected)


def _batches(parts: Iterator[Any], work: Callable[[Part], Iterator[bytes]]) -> Iterator[Any]:
    import pyarrow as pa

    for batch in parts:
        for row in batch.to_pylist():
            part = Part(row["number"], row["path"], row["start"], row["end"])
            held: list[bytes] = []
            for payload in work(part):
                held.append(payload)
                if len(held) >= 2000:
                    yield _batch(pa, part.number, held)
                    held = []
            if held:
                yield _batch(pa, part.number, held)


def _batch(pa: Any, number: int, payloads: list[bytes]) -> Any:
    return pa.RecordBatch.from_arrays(
        [pa.array([number] * len(payloads), pa.int32()), pa.array(payloads, pa.binary())], names=["number", "payload"]
    )


@lru_cache(maxsize=8)
def _reader(view: bytes, built_in: bool, hidden: bool) -> views.Reader:
    """The view over JSON text, as the local engine has it."""
    compiled = views.compile(wire.loads(view))
    if hidden:
        return views.Reader(decoding.WHOLE, compiled.rows)
    return compiled.reader(header_keys(people=built_in))


def _surveyor(shared: Any) -> Callable[[Iterator[Any]], Iterator[Any]]:
    """Stage one: a header for every resource, what is rejected, and how many lines a part has."""

    def work(part: Part) -> Iterator[bytes]:
        plan: Plan = shared.value
        bad: list[Rejected] = []
        for piece in _pieces(part, plan.reader().parse, bad.append):
            resource = piece.value
            if plan.deleted.hold(piece.file, resource):
                yield wire.dumps(["deleted"])
                continue
            head = header(resource, plan.key_system)
            if head.type == "Patient":
                known = {k: v for k, v in piece.whole().items() if k in ("id", "identifier", "birthDate", "gender")}
                yield wire.dumps(["patient", head, known])
            elif head.key.startswith("exam "):
                yield wire.dumps(["exam", head, subject_key(resource), member(resource, "effectiveDateTime")])
            else:
                yield wire.dumps(["other", head])
        for rejected in bad:
            yield wire.dumps(["rejected", rejected.line, rejected.reason, rejected.text])
        lines = sources.line_count(Path(part.path), part.start, part.end) if part.end >= 0 else 0
        yield wire.dumps(["lines", lines])

    def run(batches: Iterator[Any]) -> Iterator[Any]:
        return _batches(batches, work)

    return run


def _rower(shared: Any) -> Callable[[Iterator[Any]], Iterator[Any]]:
    """Stage two: the view's rows of every resource that may count."""

    def work(part: Part) -> Iterator[bytes]:
        plan, settled = cast(tuple[Plan, Settled], shared.value)
        hide = Pseudonyms(plan.secret, shift=plan.shift) if plan.secret is not None else None
        reader, wanted = plan.reader(), wire.loads(plan.view)["resource"]
        ordinal = settled.firsts[part.number] - 1
        for piece in _pieces(part, reader.parse, _ignore):
            ordinal += 1
            resource, reason = piece.value, settled.reasons[ordinal]
            head = header(resource, plan.key_system)
            open_still = reason == census.KEEP or (reason != census.DELETED and head.key.startswith("member "))
            if head.type != wanted or not open_still:
                continue
            subject, effective = subject_key(resource), member(resource, "effectiveDateTime")
            if hide is not None:
                resource = hide.resource(resource, settled.names.get(subject, subject), plan.key_system)
            rows: list[Any] = []
            misfit = ""
            try:
                rows = reader.rows(resource)
            except RecordError as error:
                misfit = str(error)
            yield wire.dumps([ordinal, piece.line, head, rows, misfit, subject, effective])

    def run(batches: Iterator[Any]) -> Iterator[Any]:
        return _batches(batches, work)

    return run


def _ignore(_: Rejected) -> None:
    """Stage one has reported it."""
