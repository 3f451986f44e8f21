"""JSON and NDJSON in: every bad-input case of the main job has one line with place and remedy, the rest goes on."""

from __future__ import annotations

import gzip
import hashlib
import io
import json
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from fhir_bladder.errors import ConfigError, combined_exit_code
from fhir_bladder.readers import ReadOptions, read
from fhir_bladder.readers.reading import maps_of, read_stream


def test_ndjson_lines_and_their_hashes(read_bytes: Any, line: Any) -> None:
    items = read_bytes(line("E-1") + b"\r\n" + line("E-2"))
    assert [(i.line, i.record.exam_number) for i in items] == [(1, "E-1"), (3, "E-2")]
    assert [i.sha256 for i in items] == [hashlib.sha256(line(n).strip()).hexdigest() for n in ("E-1", "E-2")]
    assert [i.raw for i in items] == [line("E-1").strip(), line("E-2").strip()]


def test_one_object_an_array_and_a_line_give_the_same_hash(read_bytes: Any, record: Any) -> None:
    text = json.dumps(record(), indent=1)
    alone = read_bytes(b"\xef\xbb\xbf" + text.encode() + b"\n", "a.json")
    array = read_bytes(f"[\n{text},\n{text}]".encode(), "a.json")
    assert len(alone) == 1 and len(array) == 2
    assert {i.sha256 for i in alone + array} == {hashlib.sha256(text.encode()).hexdigest()}
    assert [i.line for i in array] == [2, 2 + text.count("\n") + 1]
    assert all(i.record for i in alone + array)


@pytest.mark.parametrize("name", ["x.json", "x.ndjson", "x", "x.jsonl", "x.txt"])
def test_ndjson_is_told_by_content(read_bytes: Any, line: Any, name: str) -> None:
    assert [i.record.exam_number for i in read_bytes(line("E-1") + line("E-2"), name)] == ["E-1", "E-2"]


@pytest.mark.parametrize("name", ["x.json", "x.ndjson", "x"])
def test_a_broken_first_line_does_not_lose_the_others(read_bytes: Any, line: Any, name: str) -> None:
    items = read_bytes(b'{"record_version": \n' + line("E-2"), name)
    assert [i.record.exam_number if i.record else None for i in items] == [None, "E-2"]
    assert items[0].findings[0].line == 1


# name, bytes of one bad line, id of the finding, words in it, column where known
BAD_LINES: list[tuple[str, bytes, str, str]] = [
    ("unknown field", b'{"colour": 1, %s}', "field-unknown", "unknown field 'colour'"),
    ("wrong type", b'{%s, "reason": 5}', "wrong-type", "must be a text, not a number"),
    ("missing unit", b'{%s, "voided_volume": {"value": 5}}', "field-missing", "voided_volume.unit is missing"),
    ("megalitres", b'{%s, "voided_volume": {"value": 5, "unit": "ML"}}', "unit-not-usable", "megalitre"),
    ("time without zone", b'{%s, "voided_at": "2026-11-18T10:35:00"}', "time-without-offset", "has no offset"),
    ("NaN", b'{%s, "voided_volume": {"value": NaN, "unit": "mL"}}', "not-json", "NaN"),
    ("1e400", b'{%s, "voided_volume": {"value": 1e400, "unit": "mL"}}', "not-json", "1e400 is out of range"),
    ("2 MB in one line", b'{%s, "reason": "' + b"x" * 2_000_000 + b'"}', "text-too-long", "10,000 characters"),
    ("duplicate keys", b'{%s, "exam_number": "2"}', "not-json", "'exam_number' stands twice"),
    ("not JSON", b'{%s, }', "not-json", "not JSON"),
    ("an array", b'[1, 2]', "not-a-record", "must be an object, not a list"),
    ("FHIR", b'{"resourceType": "Observation"}', "fhir-not-record", "not an exam record"),
    ("Latin-1", b'{%s, "reason": "\xfc"}', "not-json", "not UTF-8"),
    ("NUL", b'{%s, "reason": "a\\u0000b"}', "text-not-usable", "characters that no text may hold"),
    ("deep", b'{"x": ' + b"[" * 5000 + b"]" * 5000 + b"}", "not-json", "nested"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "bad", "id", "words"), BAD_LINES, ids=[b[0] for b in BAD_LINES])
def test_bad_line(read_bytes: Any, line: Any, name: str, bad: bytes, id: str, words: str) -> None:
    body = line("E-2").strip()[1:-1]
    bad = bad.replace(b"%s", body)
    items = read_bytes(line("E-1") + bad + b"\n" + line("E-3"))
    assert [bool(i.record) for i in items] == [True, False, True]
    assert items[1].raw == bad
    assert len(items[1].findings) == 1
    finding = items[1].findings[0]
    assert (finding.line, finding.id) == (2, id)
    assert finding.file.endswith("in.ndjson")
    assert words in finding.message
    assert finding.hint
    assert "\n" not in finding.message and len(finding.message) < 300
    assert items[1].exit_code == 1


# Clock changes of Europe/Lisbon in 2026 (IANA): back on 25 October, forward on 29 March.
@pytest.mark.parametrize(
    ("text", "id"), [("2026-10-25T01:30:00", "time-ambiguous"), ("2026-03-29T01:30:00", "time-impossible")]
)
def test_local_time_that_a_clock_change_spoils(read_bytes: Any, line: Any, text: str, id: str) -> None:
    data = line("E-1", started_at=text) + line("E-2", started_at="2026-07-01T10:42:00")
    items = read_bytes(data, zone=ZoneInfo("Europe/Lisbon"))
    assert [f.id for f in items[0].findings] == [id]
    assert items[0].findings[0].exam_number == "E-1"
    assert items[1].record.started_at.wire == "2026-07-01T10:42:00+01:00"


def test_a_byte_order_mark_is_taken(read_bytes: Any, line: Any) -> None:
    assert read_bytes(b"\xef\xbb\xbf" + line())[0].record


def test_a_line_above_the_limit_is_reported_once(read_bytes: Any, line: Any) -> None:
    items = read_bytes(b"x" * (17 * 1024 * 1024) + b"\n" + line("E-2"))
    assert [i.findings[0].id if i.findings else "" for i in items] == ["line-too-long", ""]


@pytest.mark.parametrize("name", ["x.json", "x.ndjson", "x.csv", "x"])
@pytest.mark.parametrize("data", [b"", b"\n \n"])
def test_an_empty_file_is_a_warning(read_bytes: Any, name: str, data: bytes) -> None:
    items = read_bytes(data, name, input_format="ndjson" if name == "x" else "auto", columns='columns.exam_number="N"')
    assert [(i.exit_code, i.about_file, i.findings[0].severity) for i in items] == [(0, True, "warning")]


def test_what_cannot_be_opened_is_said_and_the_others_are_read(tmp_path: Path, line: Any) -> None:
    good = tmp_path / "good.ndjson"
    good.write_bytes(line())
    items = list(read([tmp_path / "no.ndjson", tmp_path, good], ReadOptions()))
    assert [i.exit_code for i in items] == [3, 3, 0]
    assert [i.about_file for i in items] == [True, True, False]
    assert "no such file" in items[0].findings[0].message and "folder" in items[1].findings[0].message
    assert combined_exit_code({i.exit_code for i in items}) == 3


def test_a_json_file_that_is_not_json_cannot_be_read(read_bytes: Any) -> None:
    (item,) = read_bytes(b'{\n "exam_number": \n}', "x.json")
    assert item.exit_code == 3
    assert (item.findings[0].line, item.findings[0].column) == (3, 1)
    assert item.raw == b'{\n "exam_number": \n}'


def test_an_array_loses_only_its_bad_elements(read_bytes: Any, record: Any) -> None:
    good = json.dumps(record())
    nan = json.dumps(record(reason="r")).replace('"r"', "NaN")
    items = read_bytes(f"[{good},\n{nan},\n{good},\n{good[:-1]},,".encode(), "x.json")
    assert [bool(i.record) for i in items] == [True, False, True, False]
    assert [i.line for i in items[:3]] == [1, 2, 3]
    assert items[1].exit_code == 1 and "NaN" in items[1].findings[0].message
    assert items[3].exit_code == 3 and items[3].findings[0].line == 4


def test_stdin(monkeypatch: pytest.MonkeyPatch, line: Any) -> None:
    class Stdin:
        buffer = io.BufferedReader(io.BytesIO(line("E-1") + line("E-2")))

    monkeypatch.setattr("sys.stdin", Stdin)
    assert [i.record.exam_number for i in read(["-"], ReadOptions())] == ["E-1", "E-2"]


def test_gzip(read_bytes: Any, line: Any) -> None:
    assert read_bytes(gzip.compress(line()), "x.ndjson.gz")[0].record
    (item,) = read_bytes(gzip.compress(b"[" + b" " * 50_000_000), "x.json.gz")
    assert item.exit_code == 3 and "grows" in item.findings[0].message
    (item,) = read_bytes(gzip.compress(line())[:-9], "x.json.gz")
    assert item.exit_code == 3 and "gzip" in item.findings[0].message


def test_a_format_that_cannot_be_told(read_bytes: Any) -> None:
    (item,) = read_bytes(b"hello", "x.txt")
    assert item.exit_code == 3 and "--input-format" in item.findings[0].hint


def test_options_are_checked_before_reading() -> None:
    with pytest.raises(ConfigError, match="parquet"):
        read([], ReadOptions(input_format="parquet"))
    with pytest.raises(ConfigError, match=r"cannot read the map.*--columns"):
        read([], ReadOptions(columns="nowhere.toml"))


@pytest.mark.parametrize("data", [b"\n", b" \n\t\n" * 100])
def test_nothing_but_blanks_is_empty_also_without_a_name(data: bytes) -> None:
    [item] = read_stream("-", io.BufferedReader(io.BytesIO(data)), ReadOptions(), maps_of(ReadOptions()))
    assert [finding.id for finding in item.findings] == ["file-empty"]
