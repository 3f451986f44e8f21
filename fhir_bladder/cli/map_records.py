"""Room `cli`: `map`, exam records to FHIR."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import click

from fhir_bladder.cli import common
from fhir_bladder.cli.not_taken import NotTaken
from fhir_bladder.cli.verbs import READ, WRITTEN
from fhir_bladder.errors import Finding
from fhir_bladder.wire.workers import attend

if TYPE_CHECKING:
    from fhir_bladder.mapping import MapOptions
    from fhir_bladder.readers import ReadItem

_BATCH = 500


class _Mapped(NamedTuple):
    """What one item became: NDJSON lines (none where refused), findings, exit code."""

    data: bytes
    findings: list[Finding]
    exit_code: int


@click.command("map", cls=common.VerbCommand)
@click.argument("inputs", metavar="INPUT...", nargs=-1, required=True, type=READ)
@click.option("-o", "--out", type=WRITTEN, help="Output file; stdout without it.")
@click.option("--as", "as_", type=click.Choice(["observations", "bundles"]), default="observations", show_default=True,
              help="Observations, or one transaction Bundle an exam.")  # fmt: skip
@click.option("--findings", type=WRITTEN, help="Every finding to this file, NDJSON.")
@click.option("--workers", type=click.IntRange(1, 64), default=1, show_default=True, help="Processes that map.")
@common.input_options
def command(
    inputs: tuple[Path, ...],
    out: Path | None,
    as_: str,
    findings: Path | None,
    workers: int,
    input_format: str,
    columns: Path | None,
    v2_map: Path | None,
    codes: Path | None,
    timezone: str | None,
    shape: str,
    filling_range: str,
) -> None:
    """Exam records to FHIR, NDJSON. Every record that can be mapped is written; the others are reported."""
    from fhir_bladder import readers, wire

    options = common.map_options(shape=shape, codes=codes, filling_range=filling_range, as_=as_)
    items = readers.read(
        inputs, common.read_options(input_format=input_format, columns=columns, v2_map=v2_map, timezone=timezone)
    )
    now = dt.datetime.now(dt.UTC)
    exit_codes: set[int] = set()
    written = refused = 0
    not_taken = NotTaken()
    with common.output(out) as stream, common.optional_output(findings) as findings_stream:
        for mapped in _mapped(items, options, now, workers):
            stream.write(mapped.data)
            written += bool(mapped.data)
            refused += mapped.exit_code == 1
            exit_codes.add(mapped.exit_code)
            not_taken.add(mapped.findings)
            for finding in mapped.findings:
                if findings_stream is not None:
                    findings_stream.write(wire.dumps(finding.as_dict()) + b"\n")
                if finding.severity in ("fatal", "error", "block", "warning"):
                    common.say(common.finding_line(finding))
    not_taken.tell()
    common.say(f"{common.counted(written, 'exam')} mapped, {common.counted(refused, 'record')} refused")
    common.finish(exit_codes)


def _mapped(items: Iterator[ReadItem], options: MapOptions, now: dt.datetime, workers: int) -> Iterator[_Mapped]:
    """Map in this process, or in batches in others, in order either way."""
    if workers == 1:
        yield from (_map_item(item, options, now) for item in items)
        return
    with ProcessPoolExecutor(workers, initializer=attend) as pool:
        waiting: list[Any] = []
        batches = iter(lambda: list(islice(items, _BATCH)), [])
        for batch in batches:
            waiting.append(pool.submit(_map_batch, batch, options, now))
            if len(waiting) > 2 * workers:
                yield from waiting.pop(0).result()
        for future in waiting:
            yield from future.result()


def _map_batch(batch: list[ReadItem], options: MapOptions, now: dt.datetime) -> list[_Mapped]:
    return [_map_item(item, options, now) for item in batch]


def _map_item(item: ReadItem, options: MapOptions, now: dt.datetime) -> _Mapped:
    from fhir_bladder import exam, measurement, wire
    from fhir_bladder.mapping import to_fhir

    if item.record is None:
        return _Mapped(b"", item.findings, item.exit_code)
    found = [*item.findings, *exam.notes(item.record), *measurement.findings(item.record, now=now)]
    for finding in found:
        finding.file, finding.line = finding.file or item.file, finding.line or item.line
    exam_fhir = to_fhir(item.record, options=options, source_sha256=item.sha256, map_sha256=item.map_hash)
    return _Mapped(b"".join(wire.dumps(r) + b"\n" for r in exam_fhir.resources), found, item.exit_code)
