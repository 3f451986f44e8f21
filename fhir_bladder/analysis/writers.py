"""Room `analysis`: rows to CSV, NDJSON and Parquet. May import errors and wire.

CSV: UTF-8, comma, RFC 4180 quoting, empty cell for no value. A text that a spreadsheet would run as a formula gets an
apostrophe in front (`'=1+1`); numbers and times are left alone. Parquet has real types: decimal128(38, 12), int64,
boolean, date32, timestamp in UTC, lists.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections.abc import Callable, Collection, Iterable, Sequence
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import IO, Any, Protocol

from fhir_bladder import wire
from fhir_bladder.analysis.views import Column
from fhir_bladder.errors import ConfigError, UnsupportedError

Row = Sequence[Any]

NUMBERS = frozenset({"decimal", "integer", "integer64", "positiveInt", "unsignedInt"})
TIMES = frozenset({"date", "dateTime", "instant", "time"})
_FORMULA = frozenset("=+-@\t\r\n|")
_BATCH = 500
SCALE = 12
"""Digits after the point in Parquet; the text of a value keeps the digits as written."""


class Writer(Protocol):
    """Takes rows, then closes; `notes` says what could not be written as it is."""

    notes: dict[str, int]

    def write(self, rows: Iterable[Row]) -> None:
        """Write some rows."""

    def close(self) -> None:
        """Finish the file."""


def kind_of(path: Path) -> str:
    """csv, ndjson or parquet, by the name. Raises ConfigError for another ending."""
    kind = {".csv": "csv", ".ndjson": "ndjson", ".jsonl": "ndjson", ".parquet": "parquet"}.get(path.suffix.lower())
    if kind is None:
        raise ConfigError(
            f"cannot tell the format of {path.name!r}", str(path), "end the name in .csv, .parquet or .ndjson"
        )
    return kind


def open_writer(kind: str, stream: IO[bytes], columns: Sequence[Column]) -> Writer:
    """A writer of one of the three kinds. The stream stays open."""
    if kind == "parquet":
        return ParquetWriter(stream, columns)
    return NdjsonWriter(stream, columns) if kind == "ndjson" else CsvWriter(stream, columns)


class CsvWriter:
    """Writes CSV."""

    def __init__(self, stream: IO[bytes], columns: Sequence[Column]) -> None:
        self.notes: dict[str, int] = {}
        self._text = io.TextIOWrapper(stream, encoding="utf-8", newline="", write_through=False)
        csv.writer(self._text, lineterminator="\n").writerow([column.name for column in columns])
        plain = NUMBERS | TIMES | {"id", "boolean"}
        self._texts = frozenset(i for i, column in enumerate(columns) if column.type not in plain or column.collection)
        self._join = None if len(columns) < 2 else _joiner(columns, self._texts)
        self._commas = len(columns) - 1
        self._rows: list[Row] = []

    def write(self, rows: Iterable[Row]) -> None:
        """Write some rows."""
        self._rows.extend(rows)
        if len(self._rows) >= _BATCH:
            self._flush()

    def _flush(self) -> None:
        """Write a batch: joined, if no cell needs quotes or other care; else cell by cell."""
        rows = self._rows
        text = self._joined(rows) if self._join is not None else None
        if text is None:
            lines = _Lines()
            csv.writer(lines, lineterminator="\r\n").writerows([self._fit(row) for row in rows])
            text = "".join(lines)
        self._text.write(text)
        rows.clear()

    def _joined(self, rows: list[Row]) -> str | None:
        """The batch with plain commas, or None where csv has to write it."""
        assert self._join is not None
        try:
            text = self._join(rows)
        except (TypeError, IndexError):
            return None
        quotes = '"' in text or "\r" in text or text.count("\n") != len(rows)
        exponents = "E" in text and ("E+" in text or "E-" in text)
        return None if quotes or exponents or text.count(",") != self._commas * len(rows) else text

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


def _joiner(columns: Sequence[Column], texts: Collection[int]) -> Callable[[Sequence[Row]], str]:
    """A function that joins rows with commas; unrolled, for it sees every cell.

    Raises TypeError or IndexError for what is no plain cell: a list, an object, a text like a formula or of no
    length. Whether a cell needs quotes is for the caller to check. texts: columns where a formula may stand.
    """
    cells = []
    for index, column in enumerate(columns):
        usual = f"c{index}.__class__ is {'Decimal' if column.type in NUMBERS else 'str'}"
        usual += f" and c{index}[0] not in F" if index in texts else ""
        value = f"str(c{index})" if column.type in NUMBERS else f"c{index}"
        cells.append(f"{{{value} if {usual} else {'text' if index in texts else 'cell'}(c{index})}}")
    names = ", ".join(f"c{index}" for index in range(len(columns)))
    scope: dict[str, Any] = {
        "Decimal": Decimal, "F": _FORMULA, "text": _text_cell, "cell": _cell, "__builtins__": {"str": str},
    }  # fmt: skip
    # the text holds numbers of columns only
    exec(f"def join(rows):\n return ''.join([f\"{','.join(cells)}\\n\" for {names} in rows])\n", scope)  # noqa: S102
    join: Callable[[Sequence[Row]], str] = scope["join"]
    return join


def _text_cell(value: Any) -> str:
    if value.__class__ is str:
        raise TypeError("a formula")
    return _cell(value)


def _cell(value: Any) -> str:
    if value is None:
        return ""
    kind = value.__class__
    if kind is int or kind is Decimal or kind is str:
        return str(value)
    if kind is bool:
        return "true" if value else "false"
    raise TypeError("not a plain cell")


class NdjsonWriter:
    """Writes one JSON object a row; decimals keep their digits, no value is null."""

    def __init__(self, stream: IO[bytes], columns: Sequence[Column]) -> None:
        self.notes: dict[str, int] = {}
        self._stream = stream
        self._names = [column.name for column in columns]

    def write(self, rows: Iterable[Row]) -> None:
        """Write some rows."""
        names = self._names
        self._stream.write(b"".join(wire.dumps(dict(zip(names, row, strict=True))) + b"\n" for row in rows))

    def close(self) -> None:
        """Finish the file."""
        self._stream.flush()


class ParquetWriter:
    """Writes Parquet with pyarrow (extra `parquet`), in groups of rows so that memory stays flat."""

    GROUP = 4_000

    def __init__(self, stream: IO[bytes], columns: Sequence[Column]) -> None:
        pa, parquet = arrow()
        self.notes: dict[str, int] = {}
        self._pa = pa
        self._columns = columns
        self._schema = schema(columns)
        self._writer = parquet.ParquetWriter(stream, self._schema, compression="zstd")
        self._rows: list[Row] = []

    def write(self, rows: Iterable[Row]) -> None:
        """Write some rows."""
        self._rows.extend(rows)
        if len(self._rows) >= self.GROUP:
            self._flush()

    def _flush(self) -> None:
        if self._rows:
            self._writer.write_table(table(self._rows, self._columns, self._schema, self.notes))
            self._rows = []

    def close(self) -> None:
        """Finish the file."""
        self._flush()
        self._writer.close()


def arrow() -> tuple[Any, Any]:
    """The pyarrow modules. Raises UnsupportedError where the extra is not installed."""
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError:
        raise UnsupportedError(
            "Parquet needs pyarrow", "", "install it: pip install '.[parquet]' in the clone, or write .csv"
        ) from None
    return pyarrow, pyarrow.parquet


def arrow_type(column: Column) -> Any:
    """The Arrow type of a column."""
    pa, _ = arrow()
    if column.type == "decimal":
        kind = pa.decimal128(38, SCALE)
    elif column.type in NUMBERS:
        kind = pa.int64()
    elif column.type == "boolean":
        kind = pa.bool_()
    elif column.type == "date":
        kind = pa.date32()
    elif column.type in ("dateTime", "instant"):
        kind = pa.timestamp("us", tz="UTC")
    else:
        kind = pa.string()
    return pa.list_(kind) if column.collection else kind


def schema(columns: Sequence[Column]) -> Any:
    """The Arrow schema, with each column's description as field metadata."""
    pa, _ = arrow()
    return pa.schema(
        [pa.field(c.name, arrow_type(c), metadata={"description": c.description} if c.description else None)
         for c in columns]
    )  # fmt: skip


def table(rows: Sequence[Row], columns: Sequence[Column], kinds: Any, notes: dict[str, int]) -> Any:
    """Rows as an Arrow table or batch; values that have no place in their type become null and are counted."""
    pa, _ = arrow()
    arrays = []
    for index, column in enumerate(columns):
        fit = _FITS.get(column.type, _text)
        if column.collection:
            values = [[_fitted(fit, v, column.name, notes) for v in row[index] or ()] for row in rows]
        else:
            values = [_fitted(fit, row[index], column.name, notes) for row in rows]
        arrays.append(pa.array(values, type=kinds.field(index).type))
    return pa.Table.from_arrays(arrays, schema=kinds)


def _fitted(fit: Any, value: Any, name: str, notes: dict[str, int]) -> Any:
    if value is None:
        return None
    try:
        return fit(value)
    except (ValueError, TypeError, InvalidOperation, OverflowError):
        notes[name] = notes.get(name, 0) + 1
        return None


_LARGEST = Decimal(10) ** (38 - SCALE)
_STEP = Decimal(1).scaleb(-SCALE)


def _decimal(value: Any) -> Decimal:
    number = Decimal(repr(value)) if value.__class__ is float else Decimal(value)
    if abs(number) >= _LARGEST:
        raise ValueError("too large for decimal128(38, 12)")
    return number.quantize(_STEP) if number.as_tuple().exponent < -SCALE else number  # type: ignore[operator]


def _integer(value: Any) -> int:
    if value.__class__ is bool or int(value) != value:
        raise ValueError("not an integer")
    return int(value)


def _boolean(value: Any) -> bool:
    if value.__class__ is not bool:
        raise ValueError("not a boolean")
    return bool(value)


def _moment(value: Any) -> dt.datetime:
    moment = dt.datetime.fromisoformat(value)
    if len(value) <= 10 or moment.tzinfo is None:
        raise ValueError("no time of day")
    return moment


def _text(value: Any) -> str:
    return value if value.__class__ is str else wire.dumps(value).decode()


_FITS: dict[str, Any] = {
    "decimal": _decimal, "boolean": _boolean, "date": dt.date.fromisoformat, "dateTime": _moment, "instant": _moment,
    **dict.fromkeys(NUMBERS - {"decimal"}, _integer),
}  # fmt: skip
