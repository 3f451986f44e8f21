"""Sheets through column maps: the example map with its expected records, and every bad cell, row and map."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import pytest

from fhir_bladder import wire
from fhir_bladder.errors import ConfigError
from fhir_bladder.exam import dump
from fhir_bladder.readers import ReadOptions, column_map, read

MAP = """
decimal_mark = ","
timezone = "Europe/Lisbon"
date_format = "%d.%m.%Y %H:%M"
group_by = "exam_number"
[columns]
exam_number = "No"
started_at = ["Day", "Hour"]
"device.serial" = "Unit"
"scans.0.volume" = { column = "Vol", unit = "mL" }
void_state = { column = "When", values = { before = "pre-void", after = "post-void" } }
"""
HEADER = "No;Day;Hour;Unit;Vol;When\n"
GOOD = "1;18.11.2026;10:42;LK-1;212,50;before\n"


def sheet(*rows: str) -> bytes:
    return (HEADER + "".join(rows)).encode()


def test_the_example_sheet_of_an_invented_device(examples: Path) -> None:
    items = list(read([examples / "sheet-kx.csv"], ReadOptions(columns=examples / "columns-kx.toml")))
    written = [wire.dumps(dump(item.record)) for item in items if item.record]
    assert written == (examples / "sheet-kx.expected.ndjson").read_bytes().splitlines()
    (refused,) = [item for item in items if item.record is None]
    assert (refused.line, refused.findings[0].field, refused.findings[0].id) == (
        7,
        "scans.0.volume",
        "number-not-readable",
    )
    assert "column 'Volumen'" in refused.findings[0].message
    first = (examples / "sheet-kx.csv").read_bytes().splitlines(keepends=True)
    assert items[0].raw == first[1] + first[2]
    assert items[0].sha256 == hashlib.sha256(first[1] + first[2]).hexdigest()
    assert items[0].map_hash == hashlib.sha256((examples / "columns-kx.toml").read_bytes()).hexdigest()


def test_digits_decimal_comma_and_local_time(read_bytes: Any) -> None:
    (item,) = read_bytes(sheet(GOOD), "x.csv", columns=MAP)
    assert str(item.record.scans[0].volume.value) == "212.50"
    assert item.record.started_at.text == "2026-11-18T10:42+00:00"  # no seconds in the sheet, none in the record


@pytest.mark.parametrize(
    ("cell", "value", "comparator"),
    [(">1500", "1500", ">"), ("< 10,0", "10.0", "<"), ("0", "0", None), ("5 ml", "5", None)],
)
def test_comparators_and_units_in_a_cell(read_bytes: Any, cell: str, value: str, comparator: str | None) -> None:
    (item,) = read_bytes(sheet(GOOD.replace("212,50", cell)), "x.csv", columns=MAP)
    volume = item.record.scans[0].volume
    assert (str(volume.value), volume.comparator) == (value, comparator)


BAD_CELLS = [
    ("212,50", "abc", "number-not-readable", "'abc' is not a volume", "Vol"),
    ("212,50", "212.5", "number-not-readable", "'212.5' is not a number", "Vol"),
    ("212,50", "1.212,5", "number-not-readable", "is not a number", "Vol"),
    ("212,50", "12 mm", "unit-not-usable", "measures length", "Vol"),
    ("212,50", "0,2 L", "unit-contradicts", "the cell says 'L'", "Vol"),
    ("212,50", "NaN", "number-not-readable", "not a volume", "Vol"),
    ("212,50", "", "scan-volume-or-reason", "exactly one of volume", "Vol"),
    ("before", "during", "cell-not-listed", "'during' is not among the values", "When"),
    ("before", "", "field-missing", "void_state is missing", "When"),
    ("10:42", "quarter to", "time-not-readable", "date_format", "Day"),
    ("18.11.2026;10:42", "25.10.2026;01:30", "time-ambiguous", "happens twice in Europe/Lisbon", "Day"),
    ("18.11.2026;10:42", "29.03.2026;01:30", "time-impossible", "does not exist in Europe/Lisbon", "Day"),
    ("LK-1", "", "field-missing", "device", "Unit"),
    ("212,50", "1;2", "row-not-readable", "the row has 7 cells, the header 6", ""),
    ("LK-1", '"LK-1', "row-not-readable", "quotation marks do not fit", ""),
    ("LK-1", '"LK"-1', "row-not-readable", "quotation marks do not fit", ""),
    ("LK-1", "LK\xfc", "row-not-readable", "byte 0xFC, which is not utf-8", ""),
]


@pytest.mark.parametrize(("old", "new", "id", "words", "column"), BAD_CELLS, ids=[f"{b[2]}-{b[1]}" for b in BAD_CELLS])
def test_bad_cell(read_bytes: Any, old: str, new: str, id: str, words: str, column: str) -> None:
    bad = GOOD.replace("1;", "2;", 1).replace(old, new)
    data = sheet(GOOD).decode() + bad + GOOD.replace("1;", "3;", 1)
    items = read_bytes(data.encode("latin-1"), "x.csv", columns=MAP)
    assert sorted(i.record.exam_number for i in items if i.record) == ["1", "3"]
    (refused,) = [i for i in items if i.record is None]
    assert len(refused.findings) == 1, refused.findings
    finding = refused.findings[0]
    assert (finding.line, finding.id) == (3, id)
    assert words in finding.message and finding.hint
    if column:
        assert f"'{column}'" in finding.message
    assert refused.raw == bad.encode("latin-1")


def test_rows_of_an_exam_need_not_be_neighbours_and_must_agree(read_bytes: Any) -> None:
    second = GOOD.replace("212,50", "180")
    items = read_bytes(sheet(GOOD, GOOD.replace("1;", "2;", 1), second), "x.csv", columns=MAP)
    assert [(i.record.exam_number, len(i.record.scans), i.line) for i in items] == [("1", 2, 2), ("2", 1, 3)]
    items = read_bytes(sheet(GOOD, second.replace("before", "after")), "x.csv", columns=MAP)
    assert [(f.id, f.field, f.line) for f in items[0].findings] == [("rows-disagree", "void_state", 3)]
    assert "line 2" in items[0].findings[0].message


def test_a_row_without_its_group(read_bytes: Any) -> None:
    items = read_bytes(sheet(GOOD.replace("1;", ";", 1), GOOD), "x.csv", columns=MAP)
    assert [i.findings[0].id if i.findings else "" for i in items] == ["group-missing", ""]


def test_every_row_is_an_exam_without_grouping(read_bytes: Any) -> None:
    items = read_bytes(sheet(GOOD, GOOD), "x.csv", columns=MAP.replace('group_by = "exam_number"', ""))
    assert [len(i.record.scans) for i in items] == [1, 1]


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_the_delimiter_is_found_by_the_columns_of_the_map(read_bytes: Any, delimiter: str) -> None:
    data = sheet(GOOD.replace("212,50", "212")).replace(b";", delimiter.encode())
    assert read_bytes(data, "x.csv", columns=MAP)[0].record


def test_quotes_line_ends_and_a_byte_order_mark(read_bytes: Any) -> None:
    data = "\ufeff" + HEADER + '1;18.11.2026;10:42;"L;K ""1""\n2";"212,5";before\n'
    (item,) = read_bytes(data.replace("\n", "\r\n").encode(), "x.csv", columns=MAP)
    assert item.record.device.serial == 'L;K "1"\r\n2'
    assert item.raw.count(b"\r\n") == 2


@pytest.mark.parametrize("encoding", ["utf-16", "cp1252", "latin-1", "utf-8"])
def test_encodings(read_bytes: Any, encoding: str) -> None:
    data = sheet(GOOD.replace("LK-1", "Gerät-1")).decode().encode(encoding)
    (item,) = read_bytes(data, "x.csv", columns=f'encoding = "{encoding}"\n{MAP}')
    assert item.record.device.serial == "Gerät-1"


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("Vol", "Volume", "column 'Vol' is not there"),
        ("Vol", "vol", "did you mean 'vol'?"),
        ("When", "Unit", "column 'Unit' is there twice"),
        ("No;", "No:", "column 'No' is not there"),
    ],
)
def test_a_header_that_does_not_fit(read_bytes: Any, old: str, new: str, words: str) -> None:
    columns = MAP if new != "Unit" or old == "Vol" else MAP.replace('"When"', '"Unit"')
    (item,) = read_bytes(sheet(GOOD).replace(old.encode(), new.encode(), 1), "x.csv", columns=columns)
    assert item.exit_code == 3 and words in item.findings[0].message + item.findings[0].hint


def test_a_sheet_without_a_map(read_bytes: Any) -> None:
    (item,) = read_bytes(sheet(GOOD), "x.csv")
    assert item.exit_code == 3 and "columns suggest" in item.findings[0].hint


def test_constants_fill_what_the_sheet_does_not_say(read_bytes: Any) -> None:
    columns = MAP.replace("void_state =", '"wall.thickness" = { column = "When", values = {}, others = "absent" }\n#')
    columns += '[constants]\nvoid_state = { value = "post-void", confirmed_by = "ward 3" }\n"wall.layer" = "detrusor"\n'
    columns += '"scans.0.centring" = "unknown"\nsynthetic = true\n"device.calibrated_on" = 2026-01-02\n'
    (item,) = read_bytes(sheet(GOOD), "x.csv", columns=columns)
    assert item.record.void_state == "post-void" and item.record.scans[0].centring == "unknown"
    assert item.record.device.calibrated_on == "2026-01-02" and item.record.synthetic is True
    assert item.record.wall is None  # the layer of a thickness that was not measured says nothing


BAD_MAPS = [
    ("exam_number =", "exam_nummer =", "no field 'exam_nummer'"),
    ('"device.serial"', '"device.serial_no"', "no field 'device.serial_no'"),
    ('"scans.0.volume"', '"scans.volume"', "scans is a list"),
    ('"scans.0.volume"', '"scans.1.volume"', "a row holds one scan"),
    ('"scans.0.volume"', '"scans.0"', "is not one value"),
    ('unit = "mL"', 'unit = "ML"', "megalitre"),
    ('unit = "mL"', 'unit = "mm"', "measures length"),
    ('unit = "mL"', 'units = "mL"', "unknown key 'units'"),
    ('"pre-void"', '"prevoid"', "'prevoid' is not known"),
    ('exam_number = "No"', "exam_number = 5", "no column is named"),
    ('group_by = "exam_number"', 'group_by = "exam"', "group_by 'exam'"),
    ('group_by = "exam_number"', 'grouped_by = "exam"', "unknown key 'grouped_by'"),
    ('"Europe/Lisbon"', '"Europe/Lisboa"', "time zone 'Europe/Lisboa' is not known"),
    ('decimal_mark = ","', 'decimal_mark = "x"', "decimal_mark"),
    ('"%d.%m.%Y %H:%M"', '"%Q"', "date_format '%Q'"),
    ("[columns]", 'encoding = "klingon"\n[columns]', "encoding 'klingon' is not known"),
    ("[columns]", 'delimiter = ";;"\n[columns]', "delimiter ';;'"),
    ("[columns]", "[columns", "not TOML"),
    ("[columns]", "[constants]\nuterus_present = true\n[columns]", "write { value = true, confirmed_by"),
    ("[columns]", '[constants]\n"verified.by" = "me"\n[columns]', "needs a name"),
    ("[columns]", '[constants]\nexam_number = "1"\n[columns]', "both a column and a constant"),
    ("[columns]", '[constants]\nvoid_state = {value = "pre-void", confirmed_by = " "}\n[columns]', "needs a name"),
]


@pytest.mark.parametrize(("old", "new", "words"), BAD_MAPS, ids=[b[2] for b in BAD_MAPS])
def test_a_map_that_cannot_be_used(old: str, new: str, words: str) -> None:
    assert old in MAP
    with pytest.raises(ConfigError) as caught:
        column_map.parse(MAP.replace(old, new).encode(), "map.toml")
    assert words in str(caught.value) and "map.toml" in str(caught.value) and caught.value.remedy


def test_a_value_without_unit_is_refused_with_the_remedy(read_bytes: Any) -> None:
    (item,) = read_bytes(sheet(GOOD), "x.csv", columns=MAP.replace(', unit = "mL"', ""))
    assert item.findings[0].id == "unit-missing" and 'unit = "mL"' in item.findings[0].hint


def test_patient_data_is_not_repeated(read_bytes: Any) -> None:
    columns = MAP.replace('exam_number = "No"', 'exam_number = "No"\n"patient.birth_date" = "Unit"')
    columns = columns.replace('"device.serial" = "Unit"', '"patient.administrative_gender" = "Unit"')
    (item,) = read_bytes(sheet(GOOD), "x.csv", columns=columns + '[constants]\n"device.serial" = "x"\n')
    assert len(item.findings) == 2 and not any("LK-1" in f.message for f in item.findings)
