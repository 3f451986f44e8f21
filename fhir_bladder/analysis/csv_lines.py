"""Room `analysis`: rows to CSV. May import errors and wire.

UTF-8, comma, RFC 4180 quoting, LF, empty cell for no value. A text that a spreadsheet would run as a formula gets an
apostrophe in front (`'=1+1`); numbers and times are left alone.

Nearly all cells are plain: no quotes, no formula. Such lines are put together by generated code, from a row or right
where a view has computed the cells, and checked in bulk; where the check fails, the csv module writes cell by cell.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Sequence
from decimal import Decimal
from typing import IO, Any

from fhir_bladder import wire
from fhir_bladder.analysis.columns import NUMBERS, TIMES, Column

Row = Sequence[Any]

_FORMULA = frozenset("=+-@\t\r\n|")
_BATCH = 500
ODD = (TypeError, IndexError)
"""What the code of `line` raises for a cell that is not plain: a list, an object, a formula, a text of no length."""


class CsvWriter:
    """Writes CSV."""

    def __init__(self, stream: IO[bytes], columns: Sequence[Column]) -> None:
        self.notes: dict[str, int] = {}
        self._text = io.TextIOWrapper(stream, encoding="utf-8", newline="", write_through=False)
        csv.writer(self._text, lineterminator="\n").writerow([column.name for column in columns])
        self._texts = _texts(columns)
        self._lines = _liner(columns)
        self._commas = len(columns) - 1
        self._rows: list[Row] = []

    def write(self, rows: Iterable[Row]) -> None:
        """Write some rows."""
        self._rows.extend(rows)
        if len(self._rows) >= _BATCH:
            self._flush()

    def write_lines(self, lines: list[str]) -> bool:
        """Write finished lines made by the code of `line`; False, and nothing is written, where one is not plain."""
        text = "".join(lines)
        quotes = '"' in text or "\r" in text or text.count("\n") != len(lines)
        exponents = "E" in text and ("E+" in text or "E-" in text)
        if quotes or exponents or text.count(",") != self._commas * len(lines):
            return False
        if self._rows:
            self._flush()
        self._text.write(text)
        return True

    def _flush(self) -> None:
        """Write the rows that wait: as plain lines if they are, else cell by cell."""
        rows, self._rows = self._rows, []
        try:
            plain = self._lines is not None and self.write_lines(self._lines(rows))
        except ODD:
            plain = False
        if not plain:
            lines = _Lines()
            csv.writer(lines, lineterminator="\r\n").writerows([self._fit(row) for row in rows])
            self._text.write("".join(lines))

    def _fit(self, row: Row) -> list[Any]:
        """The cells as csv is to write them."""
        cells = list(row)
        for index, value in enumerate(row):
            kind = value.__class__
            if kind is str:
                if index in self._texts and value[:1] in _FORMULA and value:
                    cells[index] = "'" + value
            elif kind is bool:
                cells[index] = "true" if value else "false"
            elif kind is Decimal:
                cells[index] = format(value, "f")
            elif kind is list or kind is dict:
                cells[index] = wire.dumps(value).decode()
        return cells

    def close(self) -> None:
        """Finish the file."""
        self._flush()
        self._text.flush()
        self._text.detach()


class _Lines(list[str]):
    """Takes lines from csv, told to end them in CR LF so that it quotes a cell with CR in it, and ends them in LF."""

    def write(self, line: str) -> None:
        """One line."""
        self.append(line[:-2] + "\n")


def _texts(columns: Sequence[Column]) -> frozenset[int]:
    """Columns where a formula may stand."""
    plain = NUMBERS | TIMES | {"id", "boolean"}
    return frozenset(i for i, column in enumerate(columns) if column.type not in plain or column.collection)


def line(columns: Sequence[Column], names: Sequence[str]) -> str:
    """Python text of a line whose cells are in these variables; empty where there is no such text. Needs `SCOPE`.

    It raises one of `ODD` for a cell that is not plain. Whether a cell needs quotes is not looked at.
    """
    if len(columns) < 2 or any(column.collection for column in columns):
        return ""  # a lone empty cell is quoted; a list is never plain
    cells, texts = [], _texts(columns)
    for index, (column, name) in enumerate(zip(columns, names, strict=True)):
        if column.type in NUMBERS:
            usual = f"{name}.__class__ is _Decimal or {name}.__class__ is int"
            cells.append(f"{{str({name}) if {usual} else _cell({name})}}")
        elif index in texts:
            usual = f"{name}.__class__ is str and {name}[0] not in _FORMULA"
            cells.append(f"{{{name} if {usual} else _text_cell({name})}}")
        else:
            cells.append(f"{{{name} if {name}.__class__ is str else _cell({name})}}")
    return f'f"{",".join(cells)}\\n"'


def _cell(value: Any) -> str:
    if value is None:
        return ""
    kind = value.__class__
    if kind is int or kind is Decimal or kind is str:
        return str(value)
    if kind is bool:
        return "true" if value else "false"
    raise TypeError("not a plain cell")


def _text_cell(value: Any) -> str:
    if value.__class__ is str:
        raise TypeError("a formula")
    return _cell(value)


SCOPE: dict[str, Any] = {"_Decimal": Decimal, "_FORMULA": _FORMULA, "_cell": _cell, "_text_cell": _text_cell}
"""Names that the code of `line` uses, besides `str` and `int`."""


def _liner(columns: Sequence[Column]) -> Callable[[Sequence[Row]], list[str]] | None:
    """A function from rows to lines."""
    names = [f"c{index}" for index in range(len(columns))]
    text = line(columns, names)
    if not text:
        return None
    scope: dict[str, Any] = {**SCOPE, "__builtins__": {"str": str, "int": int}}
    # the text holds numbers of columns only
    exec(f"def lines(rows):\n return [{text} for {', '.join(names)} in rows]\n", scope)  # noqa: S102
    lines: Callable[[Sequence[Row]], list[str]] = scope["lines"]
    return lines
