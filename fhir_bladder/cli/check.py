"""Room `cli`: `check`, plausibility findings and rule prompts of exam records."""

from __future__ import annotations

import datetime as dt
import itertools
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from fhir_bladder.cli import common
from fhir_bladder.cli.telling import one_line, told_severity
from fhir_bladder.cli.verbs import READ
from fhir_bladder.errors import Finding

if TYPE_CHECKING:
    from fhir_bladder.measurement.prompts import Prompt
    from fhir_bladder.readers import ReadItem

SORTED = 20_000
"""Most exams that are put in time order here; a longer input is taken as it comes, memory stays bounded."""

Found = Callable[["Finding | Prompt"], None]


@click.command("check", cls=common.VerbCommand)
@click.argument("inputs", metavar="INPUT...", nargs=-1, required=True, type=READ)
@click.option("--output-format", type=click.Choice(["text", "json", "ndjson"]), default="text", show_default=True,
              help="For people, or for programs.")  # fmt: skip
@click.option("--rules", type=READ, help="Rules the site has switched on, TOML; all are off.")
@common.input_options
def command(
    inputs: tuple[Path, ...],
    output_format: str,
    rules: Path | None,
    shape: str,
    codes: Path | None,
    filling_range: str,
    **reading: Any,
) -> None:
    """Findings of exam records, each with its source; prompts of the rules a site has switched on.

    Nothing here is a diagnosis: local codes and licensed practice decide. A finding of severity `block` means that
    push would hold the exam.
    """
    from fhir_bladder import exam, readers, wire
    from fhir_bladder.measurement.checking import Checker
    from fhir_bladder.measurement.rulebook import load_rules

    common.map_options(shape=shape, codes=codes, filling_range=filling_range)  # refuse what map would refuse
    checker = Checker(load_rules(rules) if rules else None, settings=common.measurement_settings())
    counts: Counter[str] = Counter()
    exit_codes: set[int] = set()
    written: list[dict[str, Any]] = []

    def found(finding: Finding | Prompt) -> None:
        counts[told_severity(finding.severity)] += 1
        if finding.severity == "block":
            exit_codes.add(1)
        if output_format == "text":
            click.echo(_text(finding))
        elif output_format == "ndjson":
            click.echo(wire.dumps(finding.as_dict()))
        else:
            written.append(finding.as_dict())

    total = 0
    for item in _in_time_order(readers.read(inputs, common.read_options(**reading))):
        exit_codes.add(item.exit_code)
        for finding in item.findings:
            found(finding)
        if item.record is not None:
            total += 1
            for one in itertools.chain(exam.notes(item.record), checker.add(item.record)):
                if one.exam_number in ("", item.record.exam_number):  # else of an earlier exam, such as a gap
                    one.file, one.line = item.file, item.line
                found(one)
    for finding in checker.close():
        found(finding)
    if output_format == "json":
        click.echo(wire.dumps(written))
    summary = ", ".join(f"{count} {name}" for name, count in counts.items()) or "nothing found"
    common.say(f"{common.counted(total, 'exam')} checked at {dt.datetime.now(dt.UTC):%Y-%m-%d %H:%M} UTC: {summary}")
    common.finish(exit_codes)


def _in_time_order(items: Iterator[ReadItem]) -> Iterator[ReadItem]:
    """By start of the exam; what has no record comes first. A very long input stays as it is."""
    head = list(itertools.islice(items, SORTED))
    more = next(items, None)
    if more is not None:
        common.warn(f"more than {SORTED:,} exams are compared in the order given", "", "sort them by time first")
        yield from itertools.chain(head, [more], items)
        return
    first = dt.datetime.min.replace(tzinfo=dt.UTC)
    yield from sorted(head, key=lambda item: item.record.started_at.moment if item.record else first)


def _text(finding: Finding | Prompt) -> str:
    if not isinstance(finding, Finding):  # a prompt, told in the same order
        shared = {field.name for field in fields(finding)} & {field.name for field in fields(Finding)}
        finding = Finding(**{name: getattr(finding, name) for name in shared})
    line = common.finding_line(finding)
    details = "; ".join(
        f"{name}: {value}"
        for name, value in (("expected", finding.expected), ("found", finding.found), ("source", finding.source))
        if value
    )
    return one_line(f"{line} ({details})" if details else line)
