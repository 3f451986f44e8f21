"""Room `analysis`: `deliveries`, one row a receipt, from the NDJSON receipts of a push. May import errors and wire.

Receipts are read as data; this room knows only their field names. With pseudonyms the exam key, location and patient
words are hidden as everywhere else.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import IO, Any

from fhir_bladder import wire
from fhir_bladder.analysis import beside, dictionary, sources, writers
from fhir_bladder.analysis.manifest import file_sha256, name_of, of_view
from fhir_bladder.analysis.pseudonyms import Pseudonyms
from fhir_bladder.analysis.request import TableResult
from fhir_bladder.analysis.views import Column
from fhir_bladder.errors import BladderError, ConfigError, InputError
from fhir_bladder.wire.files import documents

COLUMNS = (
    Column("exam_key", "string", False, "Key of the exam, device serial / exam number"),
    Column("outbox_row", "integer", False, "Row of the outbox"),
    Column("state", "code", False, "waiting, sending, delivered, held, superseded or dropped"),
    Column("status", "string", False, "Status of the server's answer for the exam"),
    Column("code", "string", False, "Why it is held or superseded, as a code"),
    Column("reason", "string", False, "The same in words"),
    Column("location", "string", False, "Where the exam stands on the server"),
    Column("version", "string", False, "Version on the server"),
    Column("attempts", "integer", False, "Number of sends"),
    Column("accepted_at", "instant", False, "When the record entered the outbox"),
    Column("sent_at", "instant", False, "When it was last sent"),
    Column("delivered_at", "instant", False, "When the server confirmed it"),
    Column("held_since", "instant", False, "Since when it waits for a person"),
    Column("source_file", "string", False, "File the record came from"),
    Column("source_line", "integer", False, "Line in that file"),
    Column("source_sha256", "string", False, "Hash of the record as received"),
    Column("synthetic", "boolean", False, "Whether the data are invented"),
)

_FIELDS = {
    "exam_key": "key",
    "outbox_row": "row",
    "source_file": "file",
    "source_line": "line",
    "source_sha256": "sha256",
}
_HIDDEN = ("location", "reason", "source_file", "source_line", "source_sha256", "outbox_row")


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
    value = receipt.get(_FIELDS.get(column.name, column.name))
    if value is None or value == "":
        return None
    if column.type == "integer":
        return value if value.__class__ is int else None
    if column.type == "boolean":
        return bool(value)
    return value if value.__class__ is str else wire.dumps(value).decode()


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
    elif stream is None:
        raise ConfigError("nowhere to write to", "", "give -o or a stream")
    if kind == "parquet":
        writers.arrow()
    files = sources.expand(paths, result.errors.append)
    if not files and result.errors:
        return result  # nothing was there to read: a table that stands is left alone
    with tempfile.TemporaryDirectory(prefix="fhir-bladder-") as folder:
        made = Path(folder) / "rows"
        with made.open("wb") as rows:
            bad = _write(files, rows, kind, hide, result)
        if target is not None:
            _beside(target, made, files, bad, hide, result)
        elif stream is not None:
            stream.write(made.read_bytes())
    return result


def _write(
    files: Sequence[Path], rows: IO[bytes], kind: str, hide: Pseudonyms | None, result: TableResult
) -> list[BladderError]:
    """The rows; what is no receipt comes back."""
    bad: list[BladderError] = []
    writer = writers.open_writer(kind, rows, COLUMNS)
    for _, _, receipt in receipts(files, bad.append):
        cells = list(row(receipt))
        if hide is not None:
            _hide(cells, hide)
        writer.write([tuple(cells)])
        result.rows += 1
    writer.close()
    result.rejected = len(bad)
    result.resources = result.rows
    if hide is None:
        result.refused = [_rejected(error) for error in bad]
    return bad


def _rejected(error: BladderError) -> sources.Rejected:
    file, _, line = error.where.rpartition(":")
    reason = " — ".join(part for part in (error.what, error.remedy) if part)
    if line.isdecimal():
        return sources.Rejected(file, int(line), reason)
    return sources.Rejected(error.where, 0, reason)


def _beside(
    target: Path,
    made: Path,
    files: Sequence[Path],
    bad: Sequence[BladderError],
    hide: Pseudonyms | None,
    result: TableResult,
) -> None:
    beside.make_folder(target)
    beside.place(target, made, result)
    entries = [(c.name, c.type, "no", "", "", c.description, "not stated in the receipt") for c in COLUMNS]
    beside.put(target, "dictionary.csv", dictionary.as_csv(dictionary.HEADS, entries), result)
    if bad and hide is None:
        lines = [wire.dumps({"file": name_of(error.where), "reason": error.what}) for error in bad]
        beside.put(target, "rejected.ndjson", b"\n".join(lines) + b"\n", result)
    inputs = {str(path): file_sha256(path) for path in files if path.is_file()}
    made_of = [[column.name, column.type, column.description] for column in COLUMNS]
    beside.put(target, "manifest.json", of_view("deliveries", made_of, result, inputs, target, hide=hide), result)


def _hide(cells: list[Any], hide: Pseudonyms) -> None:
    for index, column in enumerate(COLUMNS):
        if column.name in _HIDDEN:
            cells[index] = None
    if cells[0]:
        cells[0] = hide.exam(cells[0])


def _ignore(_: BladderError) -> None:
    """Nobody asked."""
