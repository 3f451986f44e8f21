"""Room `cli`: what push, listen, pull and export share: server options, the client, items for the outbox."""

from __future__ import annotations

import functools
import itertools
from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, cast

import click

from fhir_bladder.cli import common
from fhir_bladder.cli.verbs import READ, WRITTEN
from fhir_bladder.errors import BladderError

if TYPE_CHECKING:
    from fhir_bladder.exchange.http.client import Client
    from fhir_bladder.exchange.outbox import Item
    from fhir_bladder.exchange.push.options import PushOptions
    from fhir_bladder.exchange.push.prepare import Preparer
    from fhir_bladder.mapping import MapOptions
    from fhir_bladder.readers import ReadItem, ReadOptions

OUTBOX_NAME = "fhir-bladder-outbox.db"

_F = TypeVar("_F", bound=Callable[..., Any])


def _all(*options: Callable[[Any], Any]) -> Callable[[_F], _F]:
    def decorate(function: _F) -> _F:
        for option in reversed(options):
            function = option(function)
        return function

    return decorate


server_options = _all(
    click.option("--server", required=True, help="Base URL of the FHIR server."),
    click.option("--auth", type=READ, help="Credentials, TOML; readable by you alone."),
    click.option("--deadline", type=common.Duration(), help="Stop after this long (90s, 10m); run again to go on."),
    click.option("--insecure-http", is_flag=True, help="Allow plain http off this machine; never with credentials."),
)

outbox_option = click.option(
    "--outbox", "outbox_path", type=WRITTEN, default=OUTBOX_NAME, show_default=True,
    help="The outbox file.",
)  # fmt: skip

_sending_options = _all(
    server_options,
    outbox_option,
    click.option("--patients", type=click.Choice(["match", "logical", "create"]), default="match", show_default=True,
                 help="Find the patient and a second agreeing item; refer by identifier; or create (test servers)."),
    click.option("--devices", type=click.Choice(["create", "match", "logical"]), default="create", show_default=True,
                 help="Create the scanner by serial where it is missing, find it, or refer by serial."),
    click.option("--provenance", type=click.Choice(["on", "off"]), default="on", show_default=True,
                 help="Write a Provenance for every exam."),
    click.option("--unverified", type=click.Choice(["send", "hold"]), default="send", show_default=True,
                 help="Exams nobody verified: send as preliminary, or hold."),
    click.option("--receipts", type=WRITTEN, help="A line an exam and outcome, NDJSON, appended."),
    click.option("--max-entries", type=click.IntRange(1, 10_000), default=200, show_default=True,
                 help="Most entries in one transaction."),
    click.option("--concurrency", type=click.IntRange(1, 64), default=2, show_default=True,
                 help="Requests at a time."),
    click.option("--allow-test", is_flag=True, help="Let invented data and --patients create leave this machine."),
    common.input_options,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Chosen:
    """Values of the options that push and listen share: the server, the outbox, the patients, the input."""

    server: str
    auth: Path | None
    deadline: float | None
    insecure_http: bool
    outbox_path: Path
    patients: Any
    devices: Any
    provenance: Any
    unverified: Any
    receipts: Path | None
    max_entries: int
    concurrency: int
    allow_test: bool
    input_format: str
    columns: Path | None
    v2_map: Path | None
    codes: Path | None
    timezone: str | None
    shape: str
    filling_range: str

    def push_options(self) -> PushOptions:
        """What push decides by."""
        from fhir_bladder.exchange.push.options import PushOptions

        return PushOptions(
            patients=self.patients,
            devices=self.devices,
            provenance=self.provenance,
            unverified=self.unverified,
            max_entries=self.max_entries,
            concurrency=self.concurrency,
            allow_test=self.allow_test,
        )

    def map_options(self) -> MapOptions:
        """How records become Bundles."""
        return common.map_options(shape=self.shape, codes=self.codes, filling_range=self.filling_range, as_="bundles")

    def read_options(self) -> ReadOptions:
        """How files are read."""
        return common.read_options(
            input_format=self.input_format, columns=self.columns, v2_map=self.v2_map, timezone=self.timezone
        )

    def client(self) -> Client:
        """The HTTP client."""
        return client(self.server, self.auth, self.deadline, self.insecure_http, self.concurrency)


def options(function: _F) -> _F:
    """Every option that push and listen share, given to the verb as one value, `chosen`."""
    names = [field.name for field in fields(Chosen)]

    @functools.wraps(function)
    def gathered(**values: Any) -> Any:
        return function(chosen=Chosen(**{name: values.pop(name) for name in names}), **values)

    return _sending_options(cast(_F, gathered))


def client(server: str, auth: Path | None, deadline: float | None, insecure_http: bool, connections: int = 8) -> Client:
    """The HTTP client of a command; `deadline` is for all its calls together."""
    from fhir_bladder.exchange.credentials.file import load_credentials
    from fhir_bladder.exchange.http.client import Client
    from fhir_bladder.exchange.http.retry import Deadline

    return Client(
        server,
        load_credentials(auth) if auth else None,
        until=Deadline(deadline),
        insecure_http=insecure_http,
        concurrency=connections,
    )


def preparer(options: MapOptions, choices: PushOptions, *, local: bool) -> Preparer:
    """What turns records into outbox items: mapped, validated against the local profiles, held where they must be."""
    from fhir_bladder.conformance.validator import Validator
    from fhir_bladder.exchange.push.prepare import Preparer

    return Preparer(
        options,
        Validator().validate,
        local=local,
        allow_test=choices.allow_test,
        hold_unverified=choices.unverified == "hold",
    )


def items(
    inputs: tuple[Path, ...],
    prepare: Preparer,
    options: ReadOptions,
    on_error: Callable[[BladderError], None],
    on_item: Callable[[ReadItem], None],
) -> Iterator[Item]:
    """Outbox items of exam records, or of the FHIR that `map` wrote, file by file."""
    from fhir_bladder import readers
    from fhir_bladder.wire import files

    for fhir, group in itertools.groupby(inputs, key=lambda path: options.input_format == "auto" and is_fhir(path)):
        if fhir:
            yield from prepare.documents(files.resources(list(group), on_error=on_error))
            continue
        for item in readers.read(list(group), options):
            on_item(item)
            if item.error is not None:
                on_error(item.error)
            if not item.about_file:
                yield prepare.record(item)


def is_fhir(path: Path) -> bool:
    """Whether a file holds FHIR: `resourceType` stands in its first bytes, where no exam record has it."""
    from fhir_bladder.wire import files

    try:
        return b'"resourceType"' in files.head(path)
    except BladderError:
        return False  # the reader says what is wrong with the file
