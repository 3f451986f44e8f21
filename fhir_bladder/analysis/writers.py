"""Room `analysis`: rows to CSV, NDJSON and Parquet. May import errors and wire.

Parquet has real types: decimal128(38, 12), int64, boolean, date32, timestamp in UTC, lists. CSV is in `csv_lines`.
"""

from __future__ import annotations

import datetime as dt
from array import array
from collections.abc import Iterable, Sequence
from decimal import Context, Decimal, InvalidOperation
from itertools import accumulate
from pathlib import Path
from typing import IO, Any, Protocol

from fhir_bladder import wire
from fhir_bladder.analysis.columns import NUMBERS, Column
from fhir_bladder.analysis.csv_lines import CsvWriter
from fhir_bladder.errors import ConfigError, UnsupportedError

Row = Sequence[Any]

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
        fit, kind = _FITS.get(column.type, _text), kinds.field(index).type
        if column.collection:
            values = [[_fitted(fit, v, column.name, notes) for v in row[index] or ()] for row in rows]
            inner = _array(pa, kind.value_type, [value for several in values for value in several])
            ends = array("i", [0, *accumulate(map(len, values))])
            arrays.append(pa.Array.from_buffers(kind, len(values), [None, pa.py_buffer(ends)], children=[inner]))
        else:
            arrays.append(_array(pa, kind, [_fitted(fit, row[index], column.name, notes) for row in rows]))
    return pa.Table.from_arrays(arrays, schema=kinds)


def _array(pa: Any, kind: Any, values: list[Any]) -> Any:
    """An Arrow array out of its buffers (Arrow columnar format 1.x); `pa.array` would load pandas, 40 MB, to look at
    lists of ours.
    """
    valid = None if None not in values else pa.py_buffer(_bits([value is not None for value in values]))
    if pa.types.is_string(kind):
        texts = [value.encode() if value is not None else b"" for value in values]
        ends = array("i", [0, *accumulate(map(len, texts))])
        buffers = [valid, pa.py_buffer(ends), pa.py_buffer(b"".join(texts))]
    elif pa.types.is_boolean(kind):
        buffers = [valid, pa.py_buffer(_bits(values))]
    elif pa.types.is_decimal(kind):
        whole = [0 if value is None else int(value.scaleb(SCALE, _WIDE)) for value in values]
        buffers = [valid, pa.py_buffer(b"".join(number.to_bytes(16, "little", signed=True) for number in whole))]
    else:
        code = "i" if pa.types.is_date32(kind) else "q"
        buffers = [valid, pa.py_buffer(array(code, [0 if value is None else value for value in values]))]
    return pa.Array.from_buffers(kind, len(values), buffers)


def _bits(flags: Sequence[Any]) -> bytes:
    """A bitmap, least significant bit first."""
    bits = bytearray((len(flags) + 7) // 8)
    for index, flag in enumerate(flags):
        if flag:
            bits[index >> 3] |= 1 << (index & 7)
    return bytes(bits)


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
_WIDE = Context(prec=80)
_EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
_FIRST_DAY = dt.date(1970, 1, 1).toordinal()


def _decimal(value: Any) -> Decimal:
    number = Decimal(repr(value)) if value.__class__ is float else Decimal(value)
    if number.as_tuple().exponent < -SCALE:  # type: ignore[operator]
        number = number.quantize(_STEP, context=_WIDE)
    if abs(number) >= _LARGEST:
        raise ValueError("too large for decimal128(38, 12)")
    return number


def _integer(value: Any) -> int:
    if value.__class__ is bool or int(value) != value or not -(1 << 63) <= value < 1 << 63:
        raise ValueError("no 64-bit integer")
    return int(value)


def _boolean(value: Any) -> bool:
    if value.__class__ is not bool:
        raise ValueError("not a boolean")
    return bool(value)


def _day(value: Any) -> int:
    """Days since 1970."""
    return dt.date.fromisoformat(value).toordinal() - _FIRST_DAY


def _moment(value: Any) -> int:
    """Microseconds since 1970, UTC."""
    moment = dt.datetime.fromisoformat(value)
    if len(value) <= 10 or moment.tzinfo is None:
        raise ValueError("no time of day")
    return (moment - _EPOCH) // dt.timedelta(microseconds=1)


def _text(value: Any) -> str:
    return value if value.__class__ is str else wire.dumps(value).decode()


_FITS: dict[str, Any] = {
    "decimal": _decimal, "boolean": _boolean, "date": _day, "dateTime": _moment, "instant": _moment,
    **dict.fromkeys(NUMBERS - {"decimal"}, _integer),
}  # fmt: skip
