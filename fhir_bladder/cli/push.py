"""Room `cli`: `push`, exam records or mapped FHIR to a server through the outbox."""

from __future__ import annotations

import signal
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from fhir_bladder.cli import common, sending
from fhir_bladder.cli.not_taken import NotTaken
from fhir_bladder.cli.verbs import READ
from fhir_bladder.errors import BladderError

if TYPE_CHECKING:
    from fhir_bladder.exchange.push.engine import Push, Summary
    from fhir_bladder.readers import ReadItem


@click.command("push", cls=common.VerbCommand)
@click.argument("inputs", metavar="[INPUT]...", nargs=-1, type=READ)
@click.option("--dry-run", is_flag=True, help="Print the exact requests that would be sent; send and keep nothing.")
@sending.options
def command(inputs: tuple[Path, ...], dry_run: bool, chosen: sending.Chosen) -> None:
    """Exam records (or the FHIR of map) to a server. Without INPUT, what waits in the outbox is sent.

    Every record is kept in the outbox before anything is sent. Each exam arrives once, however often it is pushed
    and wherever the process is stopped.
    """
    from fhir_bladder.exchange.outbox import Outbox
    from fhir_bladder.exchange.push.engine import Push, check_target
    from fhir_bladder.exchange.push.receipts import Receipts

    choices, options = chosen.push_options(), chosen.map_options()
    target, local = check_target(chosen.server, choices)
    exit_codes: set[int] = set()

    def failed(error: BladderError) -> None:
        exit_codes.add(error.exit_code)
        common.report_error(error)

    not_taken = NotTaken()

    def seen(item: ReadItem) -> None:
        not_taken.add(item.findings)
        for finding in item.findings:
            if finding.severity in ("fatal", "error", "warning") and item.error is None:
                common.say(common.finding_line(finding))

    prepare = sending.preparer(options, choices, local=local)
    items = sending.items(inputs, prepare, chosen.read_options(), failed, seen)
    if dry_run:
        codes_of_run = _dry_run(items, chosen.outbox_path, target, choices, prepare.key_system)
        common.finish(exit_codes | codes_of_run)
    with chosen.client() as client:
        writer = Receipts(chosen.receipts) if chosen.receipts else None
        with Outbox(chosen.outbox_path) as outbox, common.progress("exams") as progress:
            push = Push(
                outbox, client, target, choices,
                key_system=prepare.key_system, receipts=writer, deadline=client.until, progress=progress,
            )  # fmt: skip
            summary = _run(push, items)
            not_taken.tell()
            _tell(summary, chosen.outbox_path)
            _tell_held(outbox, summary)
        if writer is not None:
            writer.close()
    common.finish(exit_codes | summary.exit_codes)


def _run(push: Push, items: Iterator[Any]) -> Summary:
    """Run it; SIGTERM ends it as Ctrl-C does, with everything kept."""
    previous = signal.signal(signal.SIGTERM, lambda *_: push.stop())
    try:
        return push.run(items)
    finally:
        signal.signal(signal.SIGTERM, previous)


def _tell(summary: Summary, outbox: Path) -> None:
    if summary.error is not None:
        common.report_error(summary.error)
    if not summary.given and not summary.worked and summary.error is None:
        common.warn("nothing given and nothing waiting", "", "name files of exam records")
        return
    counts = ", ".join(f"{count} {state}" for state, count in summary.counts.items() if count)
    common.say(
        f"{common.counted(summary.given, 'record')} given: {counts or 'none'}; "
        f"{common.counted(summary.requests, 'request')}, {summary.seconds:.1f} s"
    )
    if summary.left:
        common.say(f"{common.counted(summary.left, 'exam')} waiting in {outbox}: run the same command again")


def _tell_held(outbox: Any, summary: Summary) -> None:
    """Why what is held is held; by key, never by name."""
    if not summary.counts["held"]:
        return
    for row in outbox.rows("held"):
        if row.id in summary.numbers:
            common.say(f"held: {row.name} — {row.reason}")


def _dry_run(items: Iterator[Any], outbox: Path, target: str, choices: Any, key_system: str) -> set[int]:
    """Write each request as it would be sent, one a line; `assumed` says what only the server could know."""
    from fhir_bladder import wire
    from fhir_bladder.exchange.push.dry import dry_run

    count = 0

    def shown(request: Any) -> None:
        nonlocal count
        sys.stdout.buffer.write(wire.dumps(request) + b"\n")
        count += 1

    summary = dry_run(outbox, target, choices, items, shown, key_system=key_system)
    sys.stdout.buffer.flush()
    held = common.counted(summary.counts["held"], "record")
    common.say(f"dry run: {common.counted(count, 'request')}, {held} would be held; nothing was sent or kept")
    return summary.exit_codes
