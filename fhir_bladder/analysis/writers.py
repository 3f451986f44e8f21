"""Room `analysis`: rows to CSV, NDJSON and Parquet. May import errors and wire.

CSV: UTF-8, comma, RFC 4180 quoting, empty cell for no value. A text that a spreadsheet would run as a formula gets an
apostrophe in front (`'=1+1`); numbers and times are left alone. Parquet has real types: decimal128(38, 12), int64,
boolean, date32, timestamp in UTC, lists.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections.abc import Callable, Iterable, Sequence
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
_SUSPECT = ("E+", "E-", "{'", "['")
"""What a cell that needs work looks like in CSV, besides formulas; more may match, which costs time only."""
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
        self._texts = [i for i, column in enumerate(columns) if column.type not in plain or column.collection]
        self._flags = [i for i, column in enumerate(columns) if column.type in ("boolean", "")]
        self._numbers = [i for i, column in enumerate(columns) if column.type in NUMBERS | {""}]
        self._always = any(column.collection or column.type in ("boolean", "") for column in columns)
        self._formulas = _formula_test(self._texts)
        self._rows: list[Row] = []

    def write(self, rows: Iterable[Row]) -> None:
        """Write some rows."""
        self._rows.extend(rows)
        if len(self._rows) >= _BATCH:
            self._flush()

    def _flush(self) -> None:
        """Write a batch; only one in which something looks unfit for a cell is gone through cell by cell."""
        out = io.StringIO()
        writer = csv.writer(out, lineterminator="\n")
        if not self._always:
            writer.writerows(self._rows)
        text = out.getvalue()
        if self._always or self._formulas(self._rows) or any(mark in text for mark in _SUSPECT):
            out.seek(0)
            out.truncate()
            writer.writerows([self._fit(row) for row in self._rows])
        self._text.write(out.getvalue())
        self._rows.clear()

    def _fit(self, row: Row) -> Row:
        changed: list[Any] | None = None
        for index in self._texts:
            value = row[index]
            if value.__class__ is str:
                if value[:1] in _FORMULA and value:
                    changed = changed or list(row)
                    changed[index] = "'" + value
            elif value.__class__ in (list, dict):
                changed = changed or list(row)
                changed[index] = wire.dumps(value).decode()
        for index in self._flags:
            value = row[index]
            if value is True or value is False:
                changed = changed or list(row)
                changed[index] = "true" if value else "false"
        for index in self._numbers:
            value = row[index]
            if value.__class__ is Decimal and "E" in str(value):
                changed = changed or list(row)
                changed[index] = format(value, "f")
        return changed or row

    def close(self) -> None:
        """Finish the file."""
        self._flush()
        self._text.flush()
        self._text.detach()


def _formula_test(places: Sequence[int]) -> Callable[[Sequence[Row]], bool]:
    """A function that says whether any of these cells starts like a formula; unrolled, for it sees every cell."""
    tests = [f"(row[{i}].__class__ is str and row[{i}][:1] in F)" for i in places] or ["False"]
    scope: dict[str, Any] = {"F": _FORMULA, "__builtins__": {"str": str}}
    # the text holds numbers of columns only
    exec(  # noqa: S102
        f"def test(rows):\n for row in rows:\n  if {' or '.join(tests)}:\n   return True\n return False\n", scope
    )
    test: Callable[[Sequence[Row]], bool] = scope["test"]
    return test


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
