"""Room `cli`: `outbox`, what waits, what was delivered, what is held and why, and what people decide about it."""

from __future__ import annotations

import dataclasses
import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from fhir_bladder.cli import common
from fhir_bladder.cli.sending import outbox_option
from fhir_bladder.cli.verbs import WRITTEN
from fhir_bladder.errors import ConfigError

if TYPE_CHECKING:
    from fhir_bladder.exchange.outbox import Outbox, Row

STATES = ("waiting", "sending", "delivered", "held", "superseded", "dropped")

_format = click.option(
    "--output-format", type=click.Choice(["text", "json"]), default="text", show_default=True,
    help="For people or programs.",
)  # fmt: skip
_by = click.option("--by", required=True, metavar="NAME", help="Who decides; kept with the decision.")
_reason = click.option("--reason", required=True, metavar="TEXT", help="Why; kept with the decision.")


def _named(_ctx: click.Context, _param: click.Parameter, exam: str) -> str:
    if not exam.strip():  # an unset variable of a script must not choose for a person
        raise click.BadParameter("name an exam by its key or row number; see outbox list")
    return exam


_exam = click.argument("exam", metavar="EXAM", callback=_named)


@click.group("outbox", cls=common.VerbGroup)
def command() -> None:
    """What waits, what was delivered, what is held and why. EXAM is an exam key or a row number such as #12."""


def _open(path: Path) -> Outbox:
    from fhir_bladder.exchange.outbox import Outbox

    if not path.is_file() or not path.stat().st_size:  # SQLite would make one of an empty file
        raise ConfigError("there is no outbox", str(path), "name it with --outbox; push makes one")
    return Outbox(path)


def _written(row: Row) -> dict[str, Any]:
    values = dataclasses.asdict(row)
    return {name: value for name, value in values.items() if value not in ("", [])} | {
        "age_seconds": round(row.age().total_seconds())
    }


def _age(row: Row) -> str:
    minutes = int(row.age().total_seconds()) // 60
    if minutes < 60:
        return f"{minutes} min"
    return f"{minutes // 60} h" if minutes < 48 * 60 else f"{minutes // 1440} d"


@command.command("list")
@outbox_option
@click.option("--state", type=click.Choice(STATES), help="Only rows in this state.")
@click.option("--older-than", type=common.Duration(), help="Only rows older than this (90s, 10m, 2h, 30d).")
@_format
def list_(outbox_path: Path, state: str | None, older_than: float | None, output_format: str) -> None:
    """Rows of the outbox, in the order they were given."""
    from fhir_bladder import wire

    age = dt.timedelta(seconds=older_than) if older_than is not None else None
    with _open(outbox_path) as outbox:
        for row in outbox.rows(state or "", older_than=age):
            if output_format == "json":
                click.echo(wire.dumps(_written(row)))
            else:
                click.echo(
                    f"#{row.id:<6} {row.state:<10} {_age(row):>7}  {row.key or '(no key)'}  {row.reason}".rstrip()
                )
        counts = outbox.counts()
    common.say(", ".join(f"{count} {name}" for name, count in counts.items() if count) or "the outbox is empty")


@command.command("show")
@outbox_option
@_format
@_exam
def show(outbox_path: Path, output_format: str, exam: str) -> None:
    """Everything about one exam, decisions included; not the patient's data."""
    from fhir_bladder import wire

    with _open(outbox_path) as outbox:
        for row in outbox.find(exam):
            decisions = [dataclasses.asdict(decision) for decision in outbox.decisions([row.id]).get(row.id, ())]
            if output_format == "json":
                click.echo(wire.dumps(_written(row) | {"decisions": decisions}))
                continue
            for name, value in _written(row).items():
                click.echo(f"{name:<14} {value}")
            for decision in decisions:
                click.echo(f"{decision['what']:<14} {decision['at']} by {decision['by']}: {decision['reason']}")
            click.echo("")


@command.command("retry")
@outbox_option
@click.argument("exam", metavar="[EXAM]", required=False, default="")
def retry(outbox_path: Path, exam: str) -> None:
    """Let a held exam, or all, be tried again by the next push: for when the cause was set right elsewhere."""
    with _open(outbox_path) as outbox:
        common.say(f"{common.counted(outbox.retry(exam), 'exam')} will be tried again by the next push")


@command.command("release")
@outbox_option
@_by
@_reason
@_exam
def release(outbox_path: Path, by: str, reason: str, exam: str) -> None:
    """Let a held exam go out; your name and reason are kept and go into its Provenance."""
    with _open(outbox_path) as outbox:
        common.say(f"{outbox.release(exam, by=by, reason=reason).name} is released; the next push sends it")


@command.command("drop")
@outbox_option
@_by
@_reason
@_exam
def drop(outbox_path: Path, by: str, reason: str, exam: str) -> None:
    """Decide that an exam is not sent; your name and reason are kept."""
    with _open(outbox_path) as outbox:
        common.say(f"{outbox.drop(exam, by=by, reason=reason).name} is dropped and will not be sent")


@command.command("purge")
@outbox_option
@click.option("--older-than", type=common.Duration(), required=True, help="Delivered or ended longer ago than this.")
def purge(outbox_path: Path, older_than: float) -> None:
    """Delete the contents of exams that are done; keys, hashes and decisions stay."""
    with _open(outbox_path) as outbox:
        count = outbox.purge(dt.timedelta(seconds=older_than))
    common.say(f"{common.counted(count, 'exam')} purged of contents; keys and hashes stay")


@command.command("backup")
@outbox_option
@click.option("-o", "--out", type=WRITTEN, required=True, help="The copy; mode 0600.")
def backup(outbox_path: Path, out: Path) -> None:
    """A consistent copy of the outbox, also while a push runs."""
    with _open(outbox_path) as outbox:
        common.refuse_no_file(out)
        outbox.backup(out)
    common.say(f"copied to {out}")
