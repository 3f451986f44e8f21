"""Cells on their way to CSV and Parquet, against the csv module and pyarrow's own conversion."""

from __future__ import annotations

import csv
import datetime as dt
import io
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhir_bladder.analysis import writers
from fhir_bladder.analysis.columns import Column
from fhir_bladder.analysis.csv_lines import CsvWriter

COLUMNS = (
    Column("a", "string"), Column("b", "decimal"), Column("c", "dateTime"), Column("d", "boolean"), Column("e", "code"),
)  # fmt: skip
TEXT = st.text(st.sampled_from("ab,\"\r\n=+-@\t|' E+é"), max_size=5)
NUMBER = st.integers(-(10**20), 10**20) | st.decimals(allow_nan=False, allow_infinity=False) | st.just(Decimal("1E+3"))
ROW = st.tuples(
    st.none() | TEXT, st.none() | NUMBER, st.none() | TEXT, st.none() | st.booleans(), st.none() | TEXT | st.integers(),
)  # fmt: skip


def written(rows: list[tuple[Any, ...]], columns: tuple[Column, ...]) -> bytes:
    out = io.BytesIO()
    writer = CsvWriter(out, columns)
    for row in rows:
        writer.write([row])
    writer.close()
    return out.getvalue()


def shown(value: Any, *, text: bool) -> str:
    """A cell as the format page has it: RFC 4180, an apostrophe before what a spreadsheet would run."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Decimal):
        return format(value, "f")
    if text and isinstance(value, str) and value[:1] in tuple("=+-@\t\r\n|"):
        return "'" + value
    return str(value)


@given(st.lists(ROW, max_size=6))
def test_csv_reads_back_as_it_was_whatever_the_cells(rows: list[tuple[Any, ...]]) -> None:
    """The reader is Python's csv module; the plain way and the careful way must not differ."""
    text = written(rows, COLUMNS).decode()
    found = list(csv.reader(io.StringIO(text, newline="")))[1:]
    assert found == [[shown(cell, text=index in (0, 4)) for index, cell in enumerate(row)] for row in rows]
    # written one by one, each row is judged by itself: the same text
    assert text == written([], COLUMNS).decode() + "".join(
        written([row], COLUMNS).decode().split("\n", 1)[1] for row in rows
    )


@pytest.mark.parametrize("cell", ["", None, "x", ",", '"'])
def test_a_lone_column(cell: str | None) -> None:
    text = written([(cell,)], (Column("a", "string"),)).decode()
    assert list(csv.reader(io.StringIO(text, newline="")))[1] == [cell or ""]


def test_a_cell_with_line_end_and_commas_cannot_pass_for_two_rows() -> None:
    """Counted in bulk, two commas too many and a line too many would fit each other."""
    rows = [("a\nb,,,,", None, None, None, None), ("x", None, None, None, None)]
    assert list(csv.reader(io.StringIO(written(rows, COLUMNS).decode(), newline="")))[1][0] == "a\nb,,,,"


ARROW: dict[str, st.SearchStrategy[Any]] = {
    "string": st.text(max_size=8),
    "decimal": st.decimals(-(10**12), 10**12, places=3) | st.integers(-(10**18), 10**18),
    "integer": st.integers(-(2**63), 2**63 - 1),
    "boolean": st.booleans(),
    "date": st.dates().map(dt.date.isoformat),
    "instant": st.datetimes(dt.datetime(1600, 1, 1), dt.datetime(2400, 1, 1), timezones=st.just(dt.UTC)).map(
        dt.datetime.isoformat
    ),
}


def expected(kind: str, value: Any) -> Any:
    """The same value as Python knows it, for pyarrow to convert."""
    if value is None:
        return None
    if kind == "date":
        return dt.date.fromisoformat(value)
    if kind == "instant":
        return dt.datetime.fromisoformat(value)
    return Decimal(value) if kind == "decimal" else value


@pytest.mark.parametrize("several", [False, True])
@pytest.mark.parametrize("kind", list(ARROW))
def test_arrow_columns_equal_those_of_pyarrow(kind: str, several: bool) -> None:
    pa = pytest.importorskip("pyarrow")
    columns = (Column("a", kind, several),)
    kinds = writers.schema(columns)
    one = ARROW[kind]
    cells = st.lists(st.none() | (st.lists(one, max_size=3) if several else one), max_size=20)

    @given(cells)
    def check(values: list[Any]) -> None:
        notes: dict[str, int] = {}
        made = writers.table([(value,) for value in values], columns, kinds, notes)
        made.validate(full=True)
        plain = [[expected(kind, v) for v in value or ()] if several else expected(kind, value) for value in values]
        assert made.column(0).combine_chunks().equals(pa.array(plain, type=kinds.field(0).type))
        assert notes == {}

    check()


@pytest.mark.parametrize(
    ("kind", "value"),
    [
        ("integer", 2**63), ("integer", Decimal("1.5")), ("integer", True), ("boolean", "true"), ("date", "2026-13-01"),
        ("instant", "2026-03-18"), ("decimal", Decimal(10) ** 26), ("decimal", "NaN"),
        ("decimal", Decimal("99999999999999999999999999.9999999999999")), ("date", 5),
    ],
)  # fmt: skip
def test_what_has_no_place_in_its_type_is_empty_and_counted(kind: str, value: Any) -> None:
    pytest.importorskip("pyarrow")
    columns = (Column("a", kind),)
    notes: dict[str, int] = {}
    made = writers.table([(value,), (None,)], columns, writers.schema(columns), notes)
    made.validate(full=True)
    assert made.column(0).to_pylist() == [None, None]
    assert notes == {"a": 1}
