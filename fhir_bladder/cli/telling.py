"""Room `cli`: lines for people, on stderr: errors, warnings, findings. Imports nothing heavy."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

import click

from fhir_bladder.errors import BladderError, Finding

MOST = 5
"""Most refusals of one file that are told one by one where a file beside the output, or a page, has them all."""


def one_line(text: str) -> str:
    """Text on one line, without control characters."""
    return " ".join("".join(char if char.isprintable() else " " for char in text).split())


def counted(number: int, what: str) -> str:
    """`1 exam`, `12,000 exams`: how many there are."""
    return f"{number:,} {what}{'' if number == 1 else 's'}"


def say(text: str) -> None:
    """A line for people."""
    click.echo(text, err=True)


def warn(what: str, where: str = "", remedy: str = "") -> None:
    """The one line of a warning, which does not count for the exit code."""
    say(f"warning: {one_line(' — '.join(part for part in (what, where, remedy) if part))}")


def report_error(error: BladderError) -> None:
    """The one line of an error that does not end the verb."""
    say(f"error: {one_line(str(error))}")


def told_severity(severity: str) -> str:
    """The severity as people are told it: of records and files alike, what is fatal is an error."""
    return "error" if severity == "fatal" else severity


def finding_line(finding: Finding) -> str:
    """A finding on one line: severity, message, place, remedy."""
    place = ":".join(str(part) for part in (finding.file, finding.line) if part)
    if finding.exam_number:
        place = f"{place} exam {finding.exam_number}".strip()
    where = " ".join(part for part in (place, finding.field or finding.path) if part)
    what = f"{told_severity(finding.severity)}: {finding.message}"
    return one_line(" — ".join(part for part in (what, where, finding.hint) if part))


def tell_refused(pieces: Iterable[tuple[str, int, str]]) -> None:
    """A line for each piece of input refused (file, line, reason): the first few of each file, then how many more."""
    counts: Counter[str] = Counter()
    for file, line, reason in pieces:
        counts[file] += 1
        if counts[file] <= MOST:
            place = ":".join(str(part) for part in (file, line) if part)
            say(f"error: {one_line(': '.join(part for part in (place, reason) if part))}")
    for file, count in counts.items():
        if count > MOST:
            say(f"error: {count - MOST:,} more refused{f' in {one_line(file)}' if file else ''}")
