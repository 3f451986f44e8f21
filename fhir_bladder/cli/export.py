"""Room `cli`: `export`, bulk export to a folder."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from fhir_bladder.cli import common, sending
from fhir_bladder.cli.verbs import WRITTEN


def _details(detail: dict[str, Any]) -> Iterator[str]:
    """What an event tells, each as name=value; a table of its own, such as the parameters, likewise."""
    for name, value in detail.items():
        if isinstance(value, dict):
            yield from _details(value)
        elif value not in ("", None):
            yield f"{name}={','.join(map(str, value)) if isinstance(value, list) else value}"


@click.command("export", cls=common.VerbCommand)
@sending.server_options
@click.option("-o", "--out", type=WRITTEN, required=True, help="The folder; made where missing.")
@click.option("--level", type=click.Choice(["system", "patient", "group"]), default="system", show_default=True,
              help="All, all of patients, or of a group's patients.")  # fmt: skip
@click.option("--group", default="", metavar="ID", help="The group of --level group.")
@click.option("--type", "types", default="", metavar="T", help="Resource types, with commas between; all without.")
@click.option(
    "--type-filter", "filters", multiple=True, metavar="Q", help="A search such as Observation?category=imaging."
)
@click.option("--since", default="", metavar="T", help="Changed since; auto goes on from the last complete export.")
@click.option("--until", default="", metavar="T", help="Changed until; few servers know it.")
@click.option("--post", is_flag=True, help="Kick off with POST, for servers that take no GET.")
@click.option("--no-search", is_flag=True, help="Give up where the server has no $export, instead of paging searches.")
@click.option("--longest-wait", type=common.Duration(), default="5m", show_default=True,
              help="Wait at most this long between polls, whatever the server asks for.")  # fmt: skip
@click.option("--cancel", is_flag=True, help="Cancel the export of this folder.")
def command(
    server: str,
    auth: Path | None,
    deadline: float | None,
    insecure_http: bool,
    out: Path,
    level: str,
    group: str,
    types: str,
    filters: tuple[str, ...],
    since: str,
    until: str,
    post: bool,
    no_search: bool,
    longest_wait: float,
    cancel: bool,
) -> None:
    """Bulk export ($export) to a folder. Stopped half-way, the same command goes on where it stood."""
    from fhir_bladder.exchange.export.engine import Export
    from fhir_bladder.exchange.export.options import ExportOptions

    options = ExportOptions(
        folder=out,
        level=level,
        group=group,
        types=tuple(name.strip() for name in types.split(",") if name.strip()),
        type_filters=filters,
        since=since,
        until=until,
        post=post,
        cancel=cancel,
        longest_wait=longest_wait,
        search=not no_search,
    )
    with sending.client(server, auth, deadline, insecure_http) as client:
        export = Export(client, options)
        for event in export.run():
            common.say(" ".join([event.id, *_details(event.detail)]))
    result = export.result
    for line in (*result.problems, *result.may_miss, *result.notes):
        common.say(line)
    common.say(
        f"{result.state}: {common.counted(result.resources, 'resource')} in {common.counted(result.files, 'file')}, "
        f"{result.deleted} deleted, "
        f"{result.bytes:,} bytes, up to {result.transaction_time or 'now'}"
    )
    common.finish({result.exit_code})
