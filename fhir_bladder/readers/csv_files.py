"""Room `readers`: CSV and TSV files to rows, byte for byte; a row that breaks the quoting loses only itself."""

from __future__ import annotations

import codecs
import csv
from collections.abc import Iterator
from typing import IO

from fhir_bladder import wire
from fhir_bladder.errors import InputError, RecordError
from fhir_bladder.readers import sheets
from fhir_bladder.readers.column_map import ColumnMap
from fhir_bladder.readers.items import ReadItem, empty_item
from fhir_bladder.readers.sheets import Row

csv.field_size_limit(1_000_000)
GUESSES = (",", ";", "\t", "|")
"""Delimiters tried where the map names none."""


def read_csv(file: str, stream: IO[bytes], columns: ColumnMap, *, tab: bool = False) -> Iterator[ReadItem]:
    """Exam records of a delimited file. Raises InputError where header and map do not fit."""
    data = stream.read(wire.MAX_BYTES + 1)
    if len(data) > wire.MAX_BYTES:
        raise InputError(f"more than {wire.MAX_BYTES:,} bytes", file, "split the file")
    lines = decode(file, data, columns.encoding)
    start = columns.header_row - 1
    if not any(line.strip() for line in lines[start:]):
        yield empty_item(file)
        return
    delimiter = columns.delimiter or ("\t" if tab else _delimiter(lines[start], columns.names))
    header = next(iter(parsed([lines[start]], delimiter)), [])
    positions = sheets.check_header(header, columns, start + 1)
    rows = read_rows(lines, start + 1, delimiter, len(header), columns.encoding)
    first = next(rows, None)
    if first is None:
        yield empty_item(file)
        return
    yield from sheets.records(file, positions, _chain(first, rows), columns)


def _chain(first: Row, rest: Iterator[Row]) -> Iterator[Row]:
    yield first
    yield from rest


def decode(file: str, data: bytes, encoding: str) -> list[str]:
    """Lines with their ends. Bytes that are not of the encoding stay as surrogates and spoil only their own row."""
    name = codecs.lookup(encoding).name
    if name.startswith("utf") and data[:2] in (b"\xff\xfe", b"\xfe\xff") and not name.startswith("utf-16"):
        raise InputError("the file is UTF-16", file, 'set encoding = "utf-16" in the map')
    try:
        text = data.decode(encoding, "strict" if name.startswith(("utf-16", "utf-32")) else "surrogateescape")
    except UnicodeDecodeError as error:
        raise InputError(f"not {encoding}", f"{file} byte {error.start + 1}", "correct encoding in the map") from None
    text = text.removeprefix("\ufeff")
    lines = text.split("\n")
    return [line + "\n" for line in lines[:-1]] + ([lines[-1]] if lines[-1] else [])


def _delimiter(header: str, names: list[str]) -> str:
    """The delimiter that makes most columns of the map appear; a comma where none does."""

    def fitting(guess: str) -> int:
        found = [cell.strip() for row in parsed([header], guess) for cell in row]
        return sum(name in found for name in names)

    return max(GUESSES, key=fitting)


def parsed(lines: list[str], delimiter: str) -> Iterator[list[str]]:
    """Lines as cells, as far as they can be read at all."""
    try:
        yield from csv.reader(lines, delimiter=delimiter)
    except csv.Error:
        return


def read_rows(lines: list[str], start: int, delimiter: str, width: int, encoding: str) -> Iterator[Row]:
    """Rows from line index `start` on; blank ones are left out. A row of another width, or one whose quotation marks
    do not close, is troubled; reading goes on at the next line.
    """
    position = start
    while position < len(lines):
        reader = csv.reader((lines[i] for i in range(position, len(lines))), delimiter=delimiter, strict=True)
        offset = 0  # lines the reader had used before the row at hand
        restart = False
        while not restart:
            try:
                found = next(reader, None)
                trouble = None
            except csv.Error as error:
                found = next(iter(parsed([lines[position + offset]], delimiter)), [])
                trouble = RecordError(f"quotation marks do not fit: {error}", remedy="correct the row")
            if found is None:
                return
            used = reader.line_num
            if trouble is None and len(found) != width and any(cell.strip() for cell in found):
                trouble = RecordError(
                    f"the row has {len(found)} cells, the header {width}", remedy="add or quote what is missing"
                )
            restart = trouble is not None
            used = offset + 1 if restart else used
            row_lines = lines[position + offset : position + used]
            raw = "".join(row_lines).encode(encoding, "surrogateescape")
            if trouble is not None or any(cell.strip() for cell in found):
                yield Row(position + offset + 1, found, raw, trouble or _undecoded(found, encoding))
            offset = used
        position += offset


def _undecoded(found: list[str], encoding: str) -> RecordError | None:
    """A row holding bytes that are not of the encoding."""
    for number, cell in enumerate(found, 1):
        for char in cell:
            if "\udc80" <= char <= "\udcff":
                return RecordError(
                    f"cell {number} holds byte 0x{ord(char) - 0xDC00:02X}, which is not {encoding}",
                    remedy='set encoding = "cp1252" or "latin-1" in the map if that is what the device writes',
                )
    return None
