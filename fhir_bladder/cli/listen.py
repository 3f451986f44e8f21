"""Room `cli`: `listen`, HL7 v2 over MLLP and watched folders into the outbox and on to the server."""

from __future__ import annotations

import contextlib
import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fhir_bladder.cli import common, sending
from fhir_bladder.cli.verbs import READ, WRITTEN

if TYPE_CHECKING:
    from fhir_bladder.exchange.push.engine import Push, Summary
    from fhir_bladder.intake.listener import Event


class _Deliver:
    """Push for the listener; remembers what the last run came to."""

    def __init__(self, push: Push) -> None:
        self._push = push
        self.last: Summary | None = None

    def run(self, *, respect_delays: bool = False) -> Summary:
        """Deliver what waits."""
        self.last = self._push.run(respect_delays=respect_delays)
        return self.last

    def stop(self) -> None:
        """End soon."""
        self._push.stop()


@click.command("listen", cls=common.VerbCommand)
@click.option(
    "--mllp", default="", metavar="HOST:PORT", help="Listen for HL7 v2 over MLLP; this machine only without HOST."
)
@click.option("--folder", "folders", multiple=True, type=READ, metavar="DIR", help="Watch a folder.")
@click.option("--once", is_flag=True, help="Take what is in the folders, deliver it and stop; for cron.")
@click.option("--status-file", type=WRITTEN, help="A small JSON file that says how it stands.")
@click.option("--answer-held", type=click.Choice(["AA", "AE"]), default="AA", show_default=True,
              help="Acknowledgement of a message whose content is wrong; it is kept and held either way.")  # fmt: skip
@click.option("--alert-queue", type=click.IntRange(1), default=100, show_default=True, help="Alert when more wait.")
@click.option(
    "--alert-held", type=common.Duration(), default="24h", show_default=True, help="Alert when a held exam is older."
)
@click.option("--tls-cert", type=READ, help="TLS certificate (PEM); with --tls-key.")
@click.option("--tls-key", type=READ, help="Its key (PEM).")
@click.option("--tls-client-ca", type=READ, help="Only clients with a certificate of this authority.")
@sending.options
def command(
    mllp: str,
    folders: tuple[Path, ...],
    once: bool,
    status_file: Path | None,
    answer_held: str,
    alert_queue: int,
    alert_held: float,
    tls_cert: Path | None,
    tls_key: Path | None,
    tls_client_ca: Path | None,
    chosen: sending.Chosen,
) -> None:
    """Take exams in unattended: HL7 v2 messages and files in folders, into the outbox and on to the server.

    A message is acknowledged once it is kept. Files go to done/ or refused/, with a .why beside them. SIGTERM stops
    it cleanly; what is kept is delivered by the next run.
    """
    from fhir_bladder.exchange.outbox import Outbox
    from fhir_bladder.exchange.push.engine import Push, check_target
    from fhir_bladder.exchange.push.receipts import Receipts
    from fhir_bladder.intake.listener import Listener, ListenOptions
    from fhir_bladder.intake.mllp import tls_context
    from fhir_bladder.intake.status import Limits

    if once and not folders:
        raise click.UsageError("--once takes what is in folders: give --folder")
    if bool(tls_cert) != bool(tls_key):
        raise click.UsageError("--tls-cert and --tls-key go together")
    choices = chosen.push_options()
    target, local = check_target(chosen.server, choices)
    prepare = sending.preparer(chosen.map_options(), choices, local=local)
    listening = ListenOptions(
        mllp="" if once else mllp,
        folders=folders,
        status_file=status_file,
        tls=tls_context(tls_cert, tls_key, tls_client_ca) if tls_cert and tls_key else None,
        held_answer=answer_held[1],
        limits=Limits(queue=alert_queue, held=dt.timedelta(seconds=alert_held)),
    )
    file_codes: set[int] = set()

    def told(event: Event) -> None:
        common.say(f"{dt.datetime.now(dt.UTC):%Y-%m-%dT%H:%M:%SZ} {event.kind}: {event.text}")
        if event.handled is not None:
            file_codes.update(event.handled.exit_codes)

    with chosen.client() as client, contextlib.closing(Outbox(chosen.outbox_path)) as outbox:
        writer = Receipts(chosen.receipts) if chosen.receipts else None
        push = Push(
            outbox, client, target, choices, key_system=prepare.key_system, receipts=writer, deadline=client.until
        )
        deliver = _Deliver(push)
        listener = Listener(outbox, target, prepare, chosen.read_options(), listening, deliver=deliver, on_event=told)
        if once:
            listener.once()
        else:
            listener.run()
        common.say(listener.status.line())
        if writer is not None:
            writer.close()
    exit_codes = deliver.last.exit_codes if deliver.last else set()
    if deliver.last and deliver.last.error is not None and once:
        common.report_error(deliver.last.error)
    common.finish(exit_codes | file_codes if once else set())
