"""Room `cli`: `validate`, FHIR against profiles, offline."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fhir_bladder import __version__
from fhir_bladder.cli import common
from fhir_bladder.cli.verbs import READ, WRITTEN

if TYPE_CHECKING:
    from fhir_bladder.conformance import Judged

_LEVELS = ("error", "warning", "information")


@click.command("validate", cls=common.VerbCommand)
@click.argument("files", metavar="FILE...", nargs=-1, type=READ)
@click.option(
    "--profile", "profiles", multiple=True, metavar="URL", help="Judge against this profile too, whatever is claimed."
)
@click.option(
    "--package", "packages", type=READ, multiple=True, metavar="DIR|TGZ", help="Profiles from a folder or FHIR package."
)
@click.option("--output-format", type=click.Choice(["text", "json", "ndjson", "sarif", "junit"]), default="text",
              show_default=True, help="json is one OperationOutcome.")  # fmt: skip
@click.option("-o", "--out", type=WRITTEN, help="Output file; stdout without it.")
@click.option("--baseline", type=READ, help="Findings accepted before; they are not shown and do not count.")
@click.option("--write-baseline", type=WRITTEN, help="Accept what is found now: write it to this file.")
@click.option(
    "--level", type=click.Choice(_LEVELS), default="information", show_default=True, help="Show this and worse."
)
@click.option(
    "--max", "most", type=click.IntRange(0), default=0, metavar="N", help="Show at most N findings in text; 0 is all."
)
@click.option("--scope", "show_scope", is_flag=True, help="Say what is checked and what is not, and stop.")
@click.option("--workers", type=click.IntRange(1, 64), default=1, show_default=True, help="Processes that judge.")
def command(
    files: tuple[Path, ...],
    profiles: tuple[str, ...],
    packages: tuple[Path, ...],
    output_format: str,
    out: Path | None,
    baseline: Path | None,
    write_baseline: Path | None,
    level: str,
    most: int,
    show_scope: bool,
    workers: int,
) -> None:
    """FHIR JSON, NDJSON or Bundles against R4 and the profiles they claim, offline; `-` is stdin."""
    from fhir_bladder import conformance

    if show_scope:
        click.echo(conformance.scope(), nl=False)
        common.finish(set())
    if not files:
        raise click.UsageError("Missing argument 'FILE...'.")
    options = conformance.Options(packages=tuple(map(str, packages)), profiles=profiles, workers=workers)
    validator = options.validator()
    judged: Iterator[Judged] = conformance.validate_files(files, options, validator)
    accepted = conformance.Baseline.read(baseline) if baseline else None
    if accepted is not None:
        judged = accepted.filter(judged)
    written = conformance.Baseline() if write_baseline else None
    exit_codes: set[int] = set()
    seen = 0
    kinds: set[str] = set()

    def passing() -> Iterator[Judged]:
        nonlocal seen
        for item in judged:
            if not item.notice:
                seen += 1
                kinds.add(item.resource.partition("/")[0])
            exit_codes.add(3 if item.unreadable else 0 if item.valid else 1)
            if written is not None:
                written.add(item.findings)
            item.findings = conformance.at_level(item.findings, level)
            if output_format == "text" and any(finding.id == "file-empty" for finding in item.findings):
                common.say(common.finding_line(item.findings[0]))  # as the other verbs tell it
            else:
                yield item

    colour = out is None and sys.stdout.isatty() and output_format == "text"
    with common.output(out) as stream:
        for line in _lines(output_format, passing(), colour, most):
            stream.write(line.encode("utf-8", "backslashreplace"))
    if written is not None and write_baseline is not None:
        written.write(write_baseline)
        common.say(f"wrote {write_baseline}: {written.counts.total()} findings are accepted from now on")
        exit_codes.discard(1)
    if seen and profiles and not kinds & set(validator.profiles):
        given = ", ".join(sorted(validator.profiles))
        common.say(f"error: no resource is a {given} — --profile — name a profile of {', '.join(sorted(kinds))}")
        exit_codes.add(1)
    common.finish(exit_codes)


def _lines(output_format: str, judged: Iterator[Judged], colour: bool, most: int) -> Iterator[str]:
    from fhir_bladder.conformance import writers

    if output_format == "text":
        return writers.text(judged, colour=colour, most=most)
    if output_format == "json":
        return writers.outcome(judged)
    if output_format == "ndjson":
        return writers.ndjson(judged)
    if output_format == "sarif":
        return writers.sarif(judged, version=__version__)
    return writers.junit(judged)
