"""Room `analysis`: `deliveries`, one row a receipt, from the NDJSON receipts of a push. May import errors and wire.

Receipts are read as data; this room knows only their field names. With pseudonyms the exam key, location and patient
words are hidden as everywhere else.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import IO, Any

from fhir_bladder import wire
from fhir_bladder.analysis import sources, writers
from fhir_bladder.analysis.pseudonyms import Pseudonyms
from fhir_bladder.analysis.request import TableResult
from fhir_bladder.analysis.views import Column
from fhir_bladder.errors import BladderError, ConfigError, InputError
from fhir_bladder.wire.files import documents

COLUMNS = (
    Column("exam_key", "string", False, "Key of the exam, device serial / exam number"),
    Column("state", "code", False, "waiting, sending, delivered, held, superseded or dropped"),
    Column("at", "instant", False, "When the receipt was written"),
    Column("received_at", "instant", False, "When the record entered the outbox"),
    Column("delivered_at", "instant", False, "When the server confirmed it"),
    Column("status", "string", False, "Status of the server's answer for the exam"),
    Column("location", "string", False, "Where the exam stands on the server"),
    Column("version", "string", False, "Version on the server"),
    Column("attempts", "integer", False, "Number of sends"),
    Column("reason", "string", False, "Why it is held, superseded or dropped"),
    Column("by", "string", False, "Who released or dropped it"),
    Column("source_sha256", "string", False, "Hash of the record as received"),
)

_ALIASES: dict[str, tuple[str, ...]] = {
    "exam_key": ("exam_key", "key"),
    "state": ("state",),
    "at": ("at", "time", "written_at"),
    "received_at": ("received_at", "queued_at", "created_at", "since"),
    "delivered_at": ("delivered_at", "confirmed_at", "done_at"),
    "status": ("status", "answer"),
    "location": ("location",),
    "version": ("version", "etag"),
    "attempts": ("attempts",),
    "reason": ("reason", "why", "held_because", "explanation"),
    "by": ("by",),
    "source_sha256": ("source_sha256", "sha256", "hash"),
}


def receipts(paths: Sequence[str | Path], on_error: Any = None) -> Iterator[tuple[str, int, dict[str, Any]]]:
    """File, line and content of each receipt; what cannot be read goes to `on_error`."""
    for document in documents(paths, on_error=on_error or _ignore):
        for value in document.value if isinstance(document.value, list) else [document.value]:
            if isinstance(value, dict) and ("state" in value):
                yield document.file, document.line, value
            elif on_error is not None:
                on_error(
                    InputError("no receipt: state is missing", f"{document.file}:{document.line}", "check the file")
                )


def row(receipt: dict[str, Any]) -> tuple[Any, ...]:
    """One receipt as a row of `COLUMNS`."""
    return tuple(_field(receipt, column) for column in COLUMNS)


def _field(receipt: dict[str, Any], column: Column) -> Any:
    for name in _ALIASES[column.name]:
        value = receipt.get(name)
        if value is not None and value != "":
            if column.type == "integer":
                return value if value.__class__ is int else None
            return value if value.__class__ is str else wire.dumps(value).decode()
    return None


def table(
    paths: Sequence[str | Path],
    out: str | Path | None,
    *,
    stream: IO[bytes] | None = None,
    kind: str = "csv",
    pseudonyms: bytes | None = None,
    shift_dates: bool = False,
) -> TableResult:
    """Write the receipts as a table; see `tables.table`."""
    if shift_dates:
        raise ConfigError(
            "receipts name no patient, so their dates cannot be shifted", "--shift-dates", "make the table without it"
        )
    hide = Pseudonyms(pseudonyms, shift=False) if pseudonyms is not None else None
    result = TableResult(columns=COLUMNS)
    target = Path(out) if out is not None else None
    if target is not None:
        kind = writers.kind_of(target)
        stream = target.open("wb")
    if stream is None:
        raise ConfigError("nowhere to write to", "", "give -o or a stream")
    bad: list[BladderError] = []
    files = sources.expand(paths, result.errors.append)
    try:
        writer = writers.open_writer(kind, stream, COLUMNS)
        for _, _, receipt in receipts(files, bad.append):
            cells = list(row(receipt))
            if hide is not None:
                _hide(cells, hide)
            writer.write([tuple(cells)])
            result.rows += 1
        writer.close()
    finally:
        if target is not None:
            stream.close()
            result.files.append(target)
    result.rejected = len(bad)
    result.resources = result.rows
    result.notes += [str(error) for error in bad[:20]]
    return result


def _hide(cells: list[Any], hide: Pseudonyms) -> None:
    for index, column in enumerate(COLUMNS):
        if column.name in ("location", "reason", "by", "source_sha256"):
            cells[index] = None
    if cells[0]:
        cells[0] = hide.exam(cells[0])


def _ignore(_: BladderError) -> None:
    """Nobody asked."""
