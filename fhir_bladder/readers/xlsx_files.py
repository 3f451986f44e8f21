"""Room `readers`: XLSX workbooks to rows, with openpyxl (extra `xlsx`). A formula without a stored value is no blank.

A row of a workbook has no bytes of its own: what is hashed is the row's cells as one JSON array, so that saving the
workbook again changes nothing.
"""

from __future__ import annotations

import datetime as dt
import io
import json
import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from typing import IO, Any

from fhir_bladder.errors import InputError, RecordError, UnsupportedError
from fhir_bladder.readers import sheets
from fhir_bladder.readers.column_map import ColumnMap
from fhir_bladder.readers.items import ReadItem, empty_item
from fhir_bladder.readers.sheets import Row

MAX_BYTES = 64 * 1024 * 1024
MAX_UNPACKED = 512 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class Trouble:
    """A cell that cannot be read: an error value, or a formula nobody calculated."""

    what: str
    remedy: str

    def __str__(self) -> str:
        return self.what


def read_xlsx(file: str, stream: IO[bytes], columns: ColumnMap) -> Iterator[ReadItem]:
    """Exam records of one sheet: the one the map names, else the first. Raises InputError."""
    rows = read_rows(file, stream, columns.sheet)
    header: list[str] = []
    for number, cells in rows:
        if number >= columns.header_row:
            header = ["" if cell is None else str(cell) for cell in cells]
            break
    some = False
    if any(header):
        positions = sheets.check_header(header, columns, columns.header_row)
        for item in sheets.records(file, positions, _rows(rows, positions, len(header)), columns):
            some = True
            yield item
    if not some:
        yield empty_item(file)


def _rows(rows: Iterator[tuple[int, list[Any]]], positions: dict[str, int], width: int) -> Iterator[Row]:
    for number, found in rows:
        cells = [*found, *[None] * (width - len(found))]
        if all(cell is None for cell in cells):
            continue
        raw = json.dumps([_written(cell) for cell in cells], ensure_ascii=False).encode()
        trouble = next((cells[p] for p in positions.values() if isinstance(cells[p], Trouble)), None)
        yield Row(number, cells, raw, RecordError(trouble.what, remedy=trouble.remedy) if trouble else None)


def _written(cell: Any) -> Any:
    return cell.isoformat() if isinstance(cell, dt.date | dt.time) else str(cell) if isinstance(cell, Trouble) else cell


def read_rows(file: str, stream: IO[bytes], sheet: str = "") -> Iterator[tuple[int, list[Any]]]:
    """(row number, cells) of a sheet, in order. Raises InputError: no workbook, no such sheet, too large."""
    try:
        from openpyxl import load_workbook
    except ImportError:
        raise UnsupportedError(
            "XLSX needs openpyxl", file, "pip install '.[xlsx]' in the clone, or save the sheet as CSV"
        ) from None
    data = stream.read(MAX_BYTES + 1)
    if len(data) > MAX_BYTES:
        raise InputError(f"more than {MAX_BYTES:,} bytes", file, "split the workbook")
    _check_size(file, data)
    try:
        values = load_workbook(io.BytesIO(data), read_only=True, data_only=True)
        formulas = load_workbook(io.BytesIO(data), read_only=True, data_only=False)
        names = values.sheetnames
    except Exception as error:  # noqa: BLE001 - whatever a broken workbook raises in openpyxl, it is unreadable
        raise InputError(f"the workbook cannot be read: {str(error)[:120]}", file, "save it again as .xlsx") from None
    if not names or (sheet and sheet not in names):
        listed = ", ".join(names) or "none"
        raise InputError(f"there is no sheet {sheet!r}", file, f"name one of {listed} as sheet in the map")
    name = sheet or names[0]
    try:
        pairs = zip(values[name].iter_rows(), formulas[name].iter_rows(), strict=True)
        for number, (row, written) in enumerate(pairs, 1):
            yield number, [_cell(cell, source) for cell, source in zip(row, written, strict=True)]
    except (InputError, GeneratorExit):
        raise
    except Exception as error:  # noqa: BLE001
        raise InputError(f"the sheet {name!r} cannot be read: {str(error)[:120]}", file, "save it again") from None


def _cell(cell: Any, source: Any) -> Any:
    value = cell.value
    if cell.data_type == "e":
        return Trouble(f"cell {source.coordinate} shows the error {str(value)[:10]}", "correct the sheet")
    if value is None and source.data_type == "f":
        return Trouble(
            f"cell {source.coordinate} holds a formula without a stored value",
            "save it in a program that calculates, or paste values",
        )
    if isinstance(value, str) and not value.strip():
        return None
    if isinstance(value, dt.datetime) and value.time() == dt.time() and not _shows_hours(cell.number_format):
        return value.date()  # a day, and nothing about the hour; not midnight
    return value


def _shows_hours(number_format: str) -> bool:
    return "h" in re.sub(r'\[(?!h)[^\]]*\]|"[^"]*"|\\.', "", number_format.lower())


def _check_size(file: str, data: bytes) -> None:
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            unpacked = sum(entry.file_size for entry in archive.infolist())
    except (zipfile.BadZipFile, ValueError, NotImplementedError):
        raise InputError("this is no XLSX workbook", file, "save it as .xlsx, or as CSV") from None
    if unpacked > MAX_UNPACKED:
        raise InputError(f"the workbook unpacks to {unpacked:,} bytes", file, f"at most {MAX_UNPACKED:,} are taken")
