"""Room `cli`: `pull`, observations back from a server."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any, cast

import click

from fhir_bladder.cli import common, sending
from fhir_bladder.cli.verbs import WRITTEN
from fhir_bladder.errors import BladderError


@click.command("pull", cls=common.VerbCommand)
@sending.server_options
@click.option("--patient", metavar="SYSTEM|VALUE", help="Only this patient.")
@click.option("--since", default="", metavar="T", help="Exams from then on (date or date-time).")
@click.option("--until", default="", metavar="T", help="Exams up to then.")
@click.option("--as", "as_", type=click.Choice(["observations", "exams"]), default="observations", show_default=True,
              help="As the server has them, or as exam records.")  # fmt: skip
@click.option("--everything", is_flag=True, help="Also Observations that are not of this tool's codes.")
@click.option("-o", "--out", type=WRITTEN, help="Output file, resumed by the same command; else stdout.")
def command(
    server: str,
    auth: Path | None,
    deadline: float | None,
    insecure_http: bool,
    patient: str | None,
    since: str,
    until: str,
    as_: str,
    everything: bool,
    out: Path | None,
) -> None:
    """Search a server for bladder-ultrasound Observations and bring them back, page by page, digits kept."""
    from fhir_bladder import wire
    from fhir_bladder.exchange.pull import Query, patient_of, pull, pull_to_file

    query = Query(patient=patient_of(patient) if patient else None, since=since, until=until, everything=everything)
    kind = cast(Any, as_)
    exit_codes: set[int] = set()

    def problem(error: BladderError) -> None:
        exit_codes.add(error.exit_code)
        common.report_error(error)

    with sending.client(server, auth, deadline, insecure_http) as client:
        if out is not None:
            common.refuse_no_file(out)
            with common.progress("resources") as advance:
                pulled = pull_to_file(client, query, out, as_=kind, on_problem=problem, progress=advance)
            lines = pulled.lines
        else:
            lines = 0
            stream = sys.stdout.buffer
            for value in pull(client, query, as_=kind, on_problem=problem):
                stream.write(wire.dumps(value) + b"\n")
                lines += 1
    common.say(common.counted(lines, "exam record" if as_ == "exams" else "Observation"))
    common.finish(exit_codes)
