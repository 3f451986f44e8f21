"""Room `readers`: rows of a sheet to exam records through a column map. May import exam."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from fhir_bladder.errors import Finding, InputError, RecordError
from fhir_bladder.exam.problems import did_you_mean
from fhir_bladder.readers import cells
from fhir_bladder.readers.column_map import SCAN, Column, ColumnMap
from fhir_bladder.readers.fields import Tree
from fhir_bladder.readers.items import ReadItem, record_item, sha256


@dataclass(slots=True)
class Row:
    """One row: 1-based line or row number, its cells, its bytes; `trouble` where it cannot be used as a whole."""

    number: int
    cells: list[Any]
    raw: bytes
    trouble: RecordError | None = None


@dataclass(slots=True)
class _Values:
    """What a row says: (column, value) and what could not be read."""

    row: Row
    values: list[tuple[Column, Any]] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)


def check_header(header: list[str], columns: ColumnMap, line: int) -> dict[str, int]:
    """Positions of the columns used. Raises InputError naming the column that is not there, or is there twice."""
    names = [name.strip() for name in header]
    for name in columns.names:
        if name not in names:
            near = did_you_mean(name, names)
            there = ", ".join(repr(n[:40]) for n in names[:30]) or "none"
            remedy = f"the sheet has the columns {there}; correct the map, or its delimiter, encoding or header_row"
            raise InputError(f"column {name!r} is not there", f"line {line}", f"{near} {remedy}".strip())
        if names.count(name) > 1:
            raise InputError(f"column {name!r} is there twice", f"line {line}", "rename one of them")
    return {name: names.index(name) for name in columns.names}


def records(file: str, header: dict[str, int], rows: Iterable[Row], columns: ColumnMap) -> Iterator[ReadItem]:
    """One item an exam, in the order of their first rows; a row that cannot be used is an item of its own."""
    groups: dict[str, list[_Values]] = {}
    single = not columns.group_by
    for row in rows:
        if row.trouble is not None:
            read = _Values(row, findings=[_finding(file, row, "row-not-readable", row.trouble)])
        else:
            read = _read(file, header, row, columns)
        if single:
            yield _record(file, [read], columns)
            continue
        # a row that cannot be read spoils its exam: without it the exam would look complete
        parts = [row.cells[header[name]] for name in columns.group_by if header[name] < len(row.cells)]
        key = " ".join(_text(part) for part in parts).strip()
        if not key and row.trouble is not None:
            yield _record(file, [read], columns)
            continue
        if not key:
            error = RecordError("the row belongs to no exam", remedy=f"fill column {columns.group_by[0]!r}")
            yield _refused(file, [row], [_finding(file, row, "group-missing", error)], columns)
            continue
        groups.setdefault(key, []).append(read)
    for group in groups.values():
        yield _record(file, group, columns)


def _read(file: str, header: dict[str, int], row: Row, columns: ColumnMap) -> _Values:
    read = _Values(row)
    for column in columns.columns:
        try:
            text = joined([row.cells[header[name]] for name in column.names], column)
            value = cells.value_of(text, column.field, column.reading)
        except RecordError as error:
            read.findings.append(_finding(file, row, getattr(error, "id", "cell-not-readable"), error, column))
            continue
        if value is not cells.ABSENT:
            read.values.append((column, value))
    return read


def joined(parts: list[Any], column: Column) -> str:
    """Cells of one field as one text; typed cells (of XLSX) are written as the map's date_format says."""
    date_format = column.reading.date_format
    formats = date_format.split(" ") if date_format.count(" ") + 1 == len(parts) else [date_format] * len(parts)
    texts = [_text(part, formats[i], column.reading.decimal_mark) for i, part in enumerate(parts)]
    return " ".join(text for text in texts if text)


def _text(cell: Any, date_format: str = "", mark: str = ".") -> str:
    if cell is None:
        return ""
    if isinstance(cell, dt.datetime | dt.date | dt.time):
        if isinstance(cell, dt.datetime):
            cell = (cell + dt.timedelta(milliseconds=500)).replace(
                microsecond=0
            )  # Excel keeps days as binary fractions
        elif isinstance(cell, dt.date) and "%H" in date_format:
            date_format = ""  # a day without hour must not come out as midnight
        return str(cell.strftime(date_format) if date_format else cell.isoformat())
    if isinstance(cell, bool):
        return "true" if cell else "false"
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() else repr(cell).replace(".", mark)
    return str(cell).strip() if not isinstance(cell, int | Decimal) else str(cell)


def _record(file: str, group: list[_Values], columns: ColumnMap) -> ReadItem:
    rows = [read.row for read in group]
    findings = [finding for read in group for finding in read.findings]
    tree = Tree()
    tree.put("record_version", "1")
    given: dict[str, tuple[Any, Row]] = {}
    for position, read in enumerate(group):
        tree.put(f"scans.{position}.scan_number", position + 1)
        for column, value in _of_row(read):
            path = column.field.path
            if path.startswith(SCAN):
                path = f"scans.{position}.{path.removeprefix(SCAN)}"
            elif path in given and str(given[path][0]) != str(value):
                error = RecordError(
                    f"rows of one exam disagree: line {given[path][1].number} says something else",
                    remedy="correct the sheet, or group by another column",
                )
                findings.append(_finding(file, read.row, "rows-disagree", error, column))
                continue
            given[path] = (value, read.row)
            tree.put(path, value)
        for path, value in columns.constants.items():
            where = f"scans.{position}.{path.removeprefix(SCAN)}" if path.startswith(SCAN) else path
            if where not in given and _has_home(where, path, columns, given):
                tree.put(where, value)
    if findings:
        item = _refused(file, rows, findings, columns)
        item.data = tree.data()
        return item
    raw = b"".join(row.raw for row in rows)
    by_path = {column.field.path: column for column in columns.columns}

    def place(finding: Finding) -> None:
        steps = finding.field.split(".")
        if steps[0] == "scans" and len(steps) > 1 and int(steps[1]) < len(rows):
            finding.line = rows[int(steps[1])].number
            steps[1] = "0"
        for end in range(len(steps), 0, -1):
            column = by_path.get(".".join(steps[:end]))
            if column is not None:
                _name_column(finding, column)
                return
        inside = [column for path, column in by_path.items() if path.startswith(".".join(steps) + ".")]
        if len(inside) == 1:
            _name_column(finding, inside[0])

    return record_item(file, rows[0].number, raw, tree.data(), map_hash=columns.sha256, place=place)


def _of_row(read: _Values) -> Iterator[tuple[Column, Any]]:
    """A row's values. The scan that wall and diameters belong to is said only by rows that measured them."""
    parts = {column.field.path.split(".")[0] for column, _ in read.values if not _is_owner(column)}
    for column, value in read.values:
        if not _is_owner(column) or column.field.path.split(".")[0] in parts:
            yield column, value


def _is_owner(column: Column) -> bool:
    return column.field.path in ("wall.scan_number", "diameters.scan_number")


def _has_home(where: str, path: str, columns: ColumnMap, given: dict[str, tuple[Any, Row]]) -> bool:
    """A constant inside an object (`wall.layer`) stands only where a column gave that object something, if any can."""
    parent, inside, _ = path.rpartition(".")
    if not inside or path.startswith(SCAN):
        return True
    prefix = parent + "."
    if not any(column.field.path.startswith(prefix) for column in columns.columns):
        return True
    return any(name.startswith(where.rpartition(".")[0] + ".") for name in given)


def _name_column(finding: Finding, column: Column) -> None:
    finding.message += f" (column {', '.join(map(repr, column.names))})"


def _finding(file: str, row: Row, id: str, error: RecordError, column: Column | None = None) -> Finding:
    finding = Finding(id, "error", error.what, hint=error.remedy, file=file, line=row.number)
    if column is not None:
        finding.field = column.field.path
        _name_column(finding, column)
    return finding


def _refused(file: str, rows: list[Row], findings: list[Finding], columns: ColumnMap) -> ReadItem:
    raw = b"".join(row.raw for row in rows)
    return ReadItem(file, rows[0].number, raw, sha256(raw), findings=findings, map_hash=columns.sha256)
