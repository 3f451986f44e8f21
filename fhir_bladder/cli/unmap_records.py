"""Room `cli`: `unmap`, FHIR back to exam records."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

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
    count = read = 0

    def refused(error: BladderError) -> None:
        codes.add(error.exit_code)
        common.report_error(error)

    def resources() -> Iterator[Any]:
        nonlocal read
        for document in files.resources(inputs, on_error=refused):
            read += 1
            yield document.value

    with common.output(out) as stream:
        for record in from_fhir(resources(), key_system=common.site_value("key_system", ""), on_problem=refused):
            stream.write(wire.dumps(record) + b"\n")
            count += 1
    if not read and not codes:
        common.warn("the file holds no resource", " ".join(map(str, inputs)), "check that its source has finished")
    common.say(common.counted(count, "exam record"))
    common.finish(codes)
