"""XLSX workbooks, `columns suggest` and `columns check`: nothing guessed in silence."""

from __future__ import annotations

import datetime as dt
import io
import zipfile
from pathlib import Path
from typing import Any

import pytest

from fhir_bladder import wire
from fhir_bladder.exam import dump
from fhir_bladder.readers import ReadOptions, column_map, columns_check, columns_suggest, read, xlsx_files

openpyxl = pytest.importorskip("openpyxl", reason="extra xlsx not installed")

MAP = """
group_by = "exam_number"
timezone = "Europe/Lisbon"
[columns]
exam_number = "No"
started_at = "Start"
"device.serial" = "Unit"
void_state = "State"
"scans.0.volume" = { column = "Vol", unit = "mL" }
"""
HEADER = ["No", "Start", "Unit", "State", "Vol"]
START = dt.datetime(2026, 11, 18, 10, 42)


def workbook(*rows: list[Any], title: str = "Sheet1") -> bytes:
    book = openpyxl.Workbook()
    book.active.title = title
    for row in rows:
        book.active.append(row)
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def test_the_example_workbook(examples: Path) -> None:
    items = list(read([examples / "sheet-qz.xlsx"], ReadOptions(columns=examples / "columns-qz.toml")))
    written = [wire.dumps(dump(item.record)) for item in items if item.record]
    assert written == (examples / "sheet-qz.expected.ndjson").read_bytes().splitlines()
    refused = {item.line: item.findings[0].message for item in items if item.record is None}
    assert set(refused) == {5, 6}
    assert "cell H5 holds a formula without a stored value" in refused[5]
    assert "date_format" in refused[6]


def test_typed_cells(read_bytes: Any) -> None:
    # 10:42 as Excel keeps it may be a microsecond off; the second is what was meant
    start = START - dt.timedelta(microseconds=7)
    data = workbook(HEADER, [17, start, "LK-1", "pre-void", 212.5], [None] * 5, [18, START, 5, "pre-void", 7])
    items = read_bytes(data, "x.xlsx", columns=MAP.replace("[columns]", 'decimal_mark = ","\n[columns]'))
    assert [(i.line, i.record.exam_number, str(i.record.scans[0].volume.value)) for i in items] == [
        (2, "17", "212.5"),
        (4, "18", "7"),
    ]
    assert items[0].record.started_at.text == "2026-11-18T10:42:00+00:00"


def test_saving_again_keeps_the_hash(read_bytes: Any) -> None:
    data = workbook(HEADER, ["1", START, "LK-1", "pre-void", 212])
    (first,) = read_bytes(data, "x.xlsx", columns=MAP)
    book = openpyxl.load_workbook(io.BytesIO(data))
    book.active.column_dimensions["A"].width = 40
    stream = io.BytesIO()
    book.save(stream)
    (again,) = read_bytes(stream.getvalue(), "x.xlsx", columns=MAP)
    assert stream.getvalue() != data and first.sha256 == again.sha256


def test_a_row_that_cannot_be_read_spoils_its_whole_exam(read_bytes: Any) -> None:
    data = workbook(HEADER, ["1", START, "LK-1", "pre-void", 212], ["1", START, "LK-1", "pre-void", "=E2*2"])
    (item,) = read_bytes(data, "x.xlsx", columns=MAP)
    assert item.record is None and item.findings[0].line == 3


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"PK\x03\x04rubbish", "no XLSX workbook"),
        (b"rubbish", "no XLSX workbook"),
        (workbook(HEADER)[:-200], "no XLSX workbook"),
        (workbook(["No", "Other"]), "column 'Start' is not there"),
        (workbook(HEADER, title="Other"), "there is no sheet 'Exams'"),
    ],
)
def test_workbooks_that_cannot_be_read(read_bytes: Any, data: bytes, words: str) -> None:
    columns = 'sheet = "Exams"\n' + MAP if "sheet" in words else MAP
    (item,) = read_bytes(data, "x.xlsx", columns=columns)
    assert item.exit_code == 3 and words in item.findings[0].message


def test_a_zip_bomb_is_not_unpacked(read_bytes: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(xlsx_files, "MAX_UNPACKED", 1 << 20)
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/workbook.xml", b" " * (2 << 20))
    (item,) = read_bytes(stream.getvalue(), "x.xlsx", columns=MAP)
    assert item.exit_code == 3 and "unpacks to" in item.findings[0].message


def test_an_empty_workbook_is_a_warning(read_bytes: Any) -> None:
    for data in (workbook(), workbook(HEADER)):
        (item,) = read_bytes(data, "x.xlsx", columns=MAP)
        assert (item.exit_code, item.findings[0].severity) == (0, "warning")


# -- columns suggest, columns check


@pytest.mark.parametrize("name", ["sheet-kx.csv", "sheet-qz.xlsx"])
def test_a_suggested_map_loads_and_marks_its_doubts(examples: Path, name: str) -> None:
    text = columns_suggest.suggest(examples / name)
    drafted = column_map.parse(text.encode())
    assert {"exam_number", "started_at", "device.serial"} <= {c.field.path for c in drafted.columns}
    assert text.count("# ?") >= 4
    assert "700-4" not in text  # what is in the patient's columns stays in the sheet


def test_units_are_never_guessed(examples: Path) -> None:
    text = columns_suggest.suggest(examples / "sheet-kx.csv")
    assert '# ? "scans.0.volume" = { column = "Volumen", unit = "…" }' in text
    assert '"wall.surface_area" = { column = "Fläche (cm²)", unit = "cm2" }' in text


def sheet(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "s.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_units_in_the_cells(tmp_path: Path) -> None:
    assert 'unit = "mL" }     # unit as each cell says' in columns_suggest.suggest(
        sheet(tmp_path, "Vol\n12 mL\n>15 mL\n")
    )
    assert 'unit = "…"' in columns_suggest.suggest(sheet(tmp_path, "Vol\n12 mL\n15 cc\n"))


def test_day_and_month_the_other_way_round(tmp_path: Path) -> None:
    text = columns_suggest.suggest(sheet(tmp_path, "Date,Time\n03/04/2026,10:42\n05/06/2026,11:00\n"))
    assert "day and month could be the other way round" in text
    text = columns_suggest.suggest(sheet(tmp_path, "Date,Time\n03/04/2026,10:42\n25/06/2026,11:00\n"))
    assert 'date_format = "%d/%m/%Y %H:%M"' in text and "other way round" not in text
    assert "# date_format" in columns_suggest.suggest(sheet(tmp_path, "Date,Time\nsoon,10:42\n"))


@pytest.mark.parametrize("text", ["A\n", "a;b\n1;2\n", "Vol\n", "x" * 5000 + "\n", '"a\n1\n'])
def test_any_sheet_gives_a_map_in_toml(tmp_path: Path, text: str) -> None:
    import tomllib

    tomllib.loads(columns_suggest.suggest(sheet(tmp_path, text)))


def test_columns_check_tells_what_a_map_makes(examples: Path) -> None:
    result = columns_check.check(examples / "columns-kx.toml", examples / "sheet-kx.csv", first=2)
    assert (result.records, result.refused, len(result.first), result.exit_codes) == (4, 1, 2, {0, 1})
    assert [(f.line, f.field) for f in result.findings] == [(7, "scans.0.volume")]
    assert result.unused == []


def test_columns_check_lists_unused_columns_and_aliases(tmp_path: Path) -> None:
    path = sheet(tmp_path, "No,Start,Unit,State,Vol,Spare\n1,2026-11-18 10:42,LK,pre-void,5 cc,x\n")
    (tmp_path / "m.toml").write_text(MAP.replace(', unit = "mL"', ""))
    result = columns_check.check(tmp_path / "m.toml", path)
    assert result.unused == ["Spare"]
    assert [(f.id, f.line) for f in result.findings] == [("unit-alias", 2)]
    assert columns_check.check(tmp_path / "m.toml", tmp_path / "none.csv").exit_codes == {3}


def test_the_description_names_every_key_of_a_map() -> None:
    text = (Path(__file__).parents[2] / "docs" / "column-maps.md").read_text(encoding="utf-8")
    for key in (*column_map.KEYS, *column_map.COLUMN_KEYS):
        assert f"`{key}`" in text or f"`[{key}]`" in text or f"`{key} =" in text, key


@pytest.mark.parametrize(
    ("cells", "line"),
    [
        (["2026-03-01T10:00", "2026-03-01T10:05"], "# date_format is not needed: the times are ISO 8601"),
        (["01.03.2026 10:00", "31.03.2026 10:00", "32.03.2026 10:00"], 'date_format = "%d.%m.%Y %H:%M"'),
    ],
)
def test_suggest_knows_times_by_their_cells_too(tmp_path: Path, cells: list[str], line: str) -> None:
    from fhir_bladder.readers.columns_suggest import suggest

    (tmp_path / "x.csv").write_text("No;When\n" + "".join(f"{n};{cell}\n" for n, cell in enumerate(cells)))
    lines = suggest(tmp_path / "x.csv").splitlines()
    assert line in lines and 'started_at = "When"' in lines


@pytest.mark.parametrize(
    ("number_format", "joined", "expected"),
    [
        ("yyyy-mm-dd", False, None), ("[White]d/m/yyyy", False, None), ("yyyy-mm-dd hh:mm", False, "2026-03-01T00:00"),
        ("yyyy-mm-dd", True, "2026-03-01T09:30"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("date_format", ["", 'date_format = "%d.%m.%Y %H:%M"\n'])
def test_a_day_without_hour_is_not_midnight(
    tmp_path: Path, number_format: str, joined: bool, expected: str | None, date_format: str
) -> None:
    book = openpyxl.Workbook()
    book.active.append(["No", "Day", "Hour", "mL"])
    book.active.append([1, dt.datetime(2026, 3, 1), dt.time(9, 30), 212])
    book.active["B2"].number_format = number_format
    book.save(tmp_path / "x.xlsx")
    if joined and not date_format:
        return  # two cells are joined by one blank, which takes a date_format
    columns = '["Day", "Hour"]' if joined else '"Day"'
    (tmp_path / "x.toml").write_text(
        f'timezone = "UTC"\n{date_format}[columns]\nexam_number = "No"\n'
        f"started_at = {columns}\n"
        '"scans.0.volume" = { column = "mL", unit = "mL" }\n[constants]\n"device.serial" = "S"\n'
        'void_state = { value = "unspecified", confirmed_by = "test" }\n'
    )
    (item,) = read([tmp_path / "x.xlsx"], ReadOptions(columns=tmp_path / "x.toml"))
    if expected is None:
        assert item.record is None and item.findings[0].field == "started_at", item.findings
    else:
        assert item.record is not None and item.record.started_at.text.startswith(expected), item.findings
