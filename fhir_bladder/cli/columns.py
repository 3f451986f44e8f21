"""Room `cli`: `columns`, a column map to start from, and what a map makes of a sheet."""

from __future__ import annotations

from pathlib import Path

import click

from fhir_bladder.cli import common
from fhir_bladder.cli.verbs import READ, WRITTEN


@click.group("columns", cls=common.VerbGroup)
def command() -> None:
    """Start and try out a column map for a sheet (.csv, .tsv, .xlsx)."""


@command.command("suggest")
@click.argument("file", type=READ)
@click.option("-o", "--out", type=WRITTEN, help="Output file; stdout without it.")
def suggest(file: Path, out: Path | None) -> None:
    """A commented map for FILE to start from; what was unsure is marked with `# ?`."""
    from fhir_bladder.readers import columns_suggest

    text = columns_suggest.suggest(file)
    with common.output(out) as stream:
        stream.write(text.encode())
    unsure = sum(line.startswith("# ?") for line in text.splitlines())
    common.say(f"{common.counted(unsure, 'line')} for a person to look at; then: fhir-bladder columns check MAP {file}")


@command.command("check")
@click.argument("map_file", metavar="MAP", type=READ)
@click.argument("file", type=READ)
@click.option("--first", type=click.IntRange(0), default=3, show_default=True, help="How many records to show.")
@click.option("--timezone", help="IANA zone of times without offset.")
def check(map_file: Path, file: Path, first: int, timezone: str | None) -> None:
    """The first records MAP makes of FILE, every value it could not read, and the columns it does not use."""
    from fhir_bladder import wire
    from fhir_bladder.exam import times
    from fhir_bladder.readers import columns_check

    result = columns_check.check(map_file, file, first=first, zone=times.zone(timezone) if timezone else None)
    for record in result.first:
        click.echo(wire.dumps(record))
    for finding in result.findings:
        common.say(common.finding_line(finding))
    if result.unused:
        common.say(f"columns not used: {', '.join(result.unused)}")
    common.say(f"{common.counted(result.records, 'record')} read, {result.refused} refused")
    common.finish(result.exit_codes)
