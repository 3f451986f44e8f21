"""Room `cli`: `unmap`, FHIR back to exam records."""

from __future__ import annotations

from pathlib import Path

import click

from fhir_bladder.cli import common
from fhir_bladder.cli.verbs import READ, WRITTEN
from fhir_bladder.errors import BladderError


@click.command("unmap", cls=common.VerbCommand)
@click.argument("inputs", metavar="INPUT...", nargs=-1, required=True, type=READ)
@click.option("-o", "--out", type=WRITTEN, help="Output file; stdout without it.")
def command(inputs: tuple[Path, ...], out: Path | None) -> None:
    """FHIR (JSON, NDJSON, Bundles) back to exam records, one a line."""
    from fhir_bladder import wire
    from fhir_bladder.mapping import from_fhir
    from fhir_bladder.wire import files

    codes: set[int] = set()
    count = 0

    def refused(error: BladderError) -> None:
        codes.add(error.exit_code)
        common.report_error(error)

    with common.output(out) as stream:
        resources = (document.value for document in files.resources(inputs, on_error=refused))
        for record in from_fhir(resources, key_system=common.site_value("key_system", ""), on_problem=refused):
            stream.write(wire.dumps(record) + b"\n")
            count += 1
    if count:
        common.say(f"{count} exam records")
    else:
        common.warn("no exam records in the input")
    common.finish(codes)
