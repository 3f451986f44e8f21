"""Any bytes as a sheet: nothing crashes, and every byte of every row is in exactly one item: nothing is lost."""

from __future__ import annotations

import io
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from fhir_bladder.errors import BladderError
from fhir_bladder.readers import ReadOptions, columns_suggest, reading
from fhir_bladder.readers.csv_files import decode, read_rows

MAP = Path(__file__).parents[2] / "examples" / "columns-kx.toml"
SHEET = (Path(__file__).parents[2] / "examples" / "sheet-kx.csv").read_bytes()
OPTIONS = ReadOptions(columns=MAP)
MAPS = reading.maps_of(OPTIONS)
ROWS = st.text(st.sampled_from('";,\r\n ab1é'), max_size=60)


@given(ROWS, st.integers(1, 4))
def test_no_row_is_lost(text: str, width: int) -> None:
    lines = decode("x", text.encode(), "utf-8")
    rows = list(read_rows(lines, 0, ";", width, "utf-8"))
    kept = b"".join(row.raw for row in rows)
    numbers = [row.number for row in rows]
    assert numbers == sorted(set(numbers))
    # what is in no row is a line of nothing but delimiters, quotation marks around nothing, and blanks
    for number, line in enumerate(lines, 1):
        inside = any(row.number <= number < row.number + row.raw.count(b"\n") + 1 for row in rows)
        assert inside or not line.strip('";\r\n '), (number, line, rows)
    assert len(kept) <= len(text.encode())
    position = 0
    for row in rows:
        found = text.encode().find(row.raw, position)
        assert found >= 0
        position = found + len(row.raw)


@st.composite
def spoilt(draw: st.DrawFn) -> bytes:
    data = bytearray(SHEET)
    for _ in range(draw(st.integers(1, 5))):
        start = draw(st.integers(0, len(data)))
        end = draw(st.integers(start, min(len(data), start + 30)))
        data[start:end] = draw(
            st.sampled_from([b";", b'"', b"\r\n", b"", b"\x00", b",", b"9" * 70]) | st.binary(max_size=4)
        )
    return bytes(data)


@given(spoilt())
def test_spoilt_sheets_are_read_or_refused(data: bytes) -> None:
    if not data:
        return
    try:
        items = list(reading.read_stream("x.csv", io.BufferedReader(io.BytesIO(data)), OPTIONS, MAPS))
    except BladderError as error:
        assert error.what and error.remedy
        return
    for item in items:
        errors = [f for f in item.findings if f.severity in ("error", "fatal")]
        assert bool(errors) == (item.record is None and not item.about_file)
        for finding in item.findings:
            assert finding.message and finding.hint and "\n" not in finding.message.split("'")[0]


@given(data=spoilt())
def test_any_sheet_can_be_suggested_a_map_for(tmp_path_factory: object, data: bytes) -> None:
    import tomllib

    path = tmp_path_factory.getbasetemp() / "suggest.csv"  # type: ignore[attr-defined]
    path.write_bytes(data)
    try:
        text = columns_suggest.suggest(path)
    except BladderError as error:
        assert error.what
        return
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise AssertionError(text) from error
