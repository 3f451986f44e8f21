"""Room `cli`: `table`, NDJSON files and export folders to tables."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from fhir_bladder.cli import common
from fhir_bladder.cli.telling import tell_refused
from fhir_bladder.cli.verbs import READ, WRITTEN


@click.command("table", cls=common.VerbCommand)
@click.argument("sources", metavar="SRC...", nargs=-1, required=True, type=READ)
@click.option("--view", default="exams", show_default=True,
              help="exams, measurements, deliveries (of receipts), or a ViewDefinition file.")  # fmt: skip
@click.option("-o", "--out", type=WRITTEN, help="FILE.csv, .parquet or .ndjson; CSV on stdout without.")
@click.option("--engine", type=click.Choice(["local", "spark"]), default="local", show_default=True,
              help="This process, or PySpark.")  # fmt: skip
@click.option("--pseudonyms", type=READ, help="Secret file; identifiers become keyed hashes.")
@click.option("--shift-dates", is_flag=True, help="Shift dates, one shift a patient; with --pseudonyms.")
@click.option("--include", default="", metavar="REASONS", help="Do not leave out: preliminary,superseded,synthetic,…")
def command(
    sources: tuple[Path, ...],
    view: str,
    out: Path | None,
    engine: str,
    pseudonyms: Path | None,
    shift_dates: bool,
    include: str,
) -> None:
    """NDJSON files, Bundles or export folders to a tidy table, with dictionary, exclusions and manifest beside it."""
    from fhir_bladder.analysis.pseudonyms import read_secret
    from fhir_bladder.analysis.tables import table

    with common.progress("resources") as advance:
        result = table(
            sources,
            view,
            out,
            stream=None if out else sys.stdout.buffer,
            include=[reason.strip() for reason in include.split(",") if reason.strip()],
            key_system=common.site_value("key_system", ""),
            pseudonyms=read_secret(pseudonyms) if pseudonyms else None,
            shift_dates=shift_dates,
            engine=engine,
            progress=advance,
        )
    for error in result.errors:
        common.report_error(error)
    tell_refused((Path(one.file).name, one.line, one.reason) for one in result.refused)
    for note in result.notes:
        common.warn(note)
    left_out = ", ".join(f"{count} {reason}" for reason, count in result.counts.items() if count and reason != "kept")
    common.say(
        f"{common.counted(result.rows, 'row')} of {common.counted(result.resources, 'resource')}"
        + (f"; left out: {left_out}" if left_out else "")
        + (f"; {result.rejected} rejected" if result.rejected else "")
    )
    for file in result.files:
        common.say(f"wrote {file}")
    common.finish(result.exit_codes)
