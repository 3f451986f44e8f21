"""`table`: counting rules, formats, side files, bad input. Every count is worked out by hand beside the check."""

from __future__ import annotations

import datetime as dt
import hashlib
import io
import json
import tracemalloc
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from fhir_bladder import wire
from fhir_bladder.analysis import census
from fhir_bladder.analysis.report import gather
from fhir_bladder.analysis.tables import table
from fhir_bladder.errors import ConfigError, InputError

Json = dict[str, Any]


def flow(target: Path, read_csv: Any) -> dict[str, int]:
    return {row["step"]: int(row["resources"]) for row in read_csv(target.with_suffix(".excluded.csv"))}


@pytest.mark.parametrize("shape", ["panel", "single"])
def test_the_example_in_both_shapes(
    shape: str, record: Any, observations: Any, ndjson: Any, read_csv: Any, tmp_path: Path
) -> None:
    source = ndjson(observations(record(), shape))
    target = tmp_path / "m.csv"
    result = table([source], "measurements", target)
    rows = {(r["concept"], r["scan_number"]): r for r in read_csv(target)}
    assert {r["exam_key"] for r in rows.values()} == {"HT-0093/2026-00417"}
    assert rows["volume", "2"]["value"] == "186"
    assert rows["volume", "2"]["role"] == "result"
    assert rows["scan-volume", "1"]["role"] == "repeat"
    assert rows["scan-volume", "1"]["off_centre_towards"] == "left"
    assert rows["wall-thickness", "2"]["value_text"] == "2.40"
    # 0.957 × 164 × 0.240 = 37.67 g (the issue's own check of the example)
    mass = rows["calculated-mass", "2"]
    assert (mass["value"], mass["role"], mass["model"], mass["density"]) == (
        "37.7",
        "calculated",
        "area-thickness",
        "0.957",
    )
    assert rows["time-since-void", ""]["value"] == "7"
    assert result.rows == len(rows) == 8
    target = tmp_path / "e.csv"
    table([source], "exams", target)
    [exam] = read_csv(target)
    assert exam["started_at_local"] == "2026-03-18T10:42:00+01:00"
    assert exam["started_at"] == "2026-03-18T09:42:00Z"
    assert (exam["void_state"], exam["void_attempt"], exam["minutes_since_void"]) == ("post-void", "voided", "7")
    assert (exam["verified"], exam["synthetic"], exam["shape"]) == ("true", "false", shape)
    assert exam["patient"] == "https://ward-h.example/mrn|H700-431"
    assert exam["patient_exam"] == "1"


def test_both_shapes_give_the_same_measurements(
    record: Any, observations: Any, ndjson: Any, read_csv: Any, tmp_path: Path
) -> None:
    made = []
    for shape in ("panel", "single"):
        target = tmp_path / f"{shape}.csv"
        table([ndjson(observations(record(), shape), f"{shape}.ndjson")], "measurements", target)
        made.append(sorted(tuple(r.items()) for r in read_csv(target)))
    assert made[0] == made[1]


def test_an_exam_in_both_shapes_counts_once(
    record: Any, observations: Any, stored: Any, ndjson: Any, read_csv: Any, tmp_path: Path
) -> None:
    both = [stored(o, f"s{n}") for n, o in enumerate(observations(record(), "single"))]
    both.append(stored(observations(record(), "panel")[0], "p"))
    for order in (both, list(reversed(both))):
        source = ndjson(order)
        table([source], "exams", tmp_path / "e.csv")
        table([source], "measurements", tmp_path / "m.csv")
        assert [e["shape"] for e in read_csv(tmp_path / "e.csv")] == ["panel"]
        assert [r["value"] for r in read_csv(tmp_path / "m.csv") if r["concept"] == "volume"] == ["186"]
        own: Json = {"resource": "Observation", "select": [{"column": [{"name": "id", "path": "id"}]}]}
        table([source], own, tmp_path / "own.csv")
        assert read_csv(tmp_path / "own.csv") == [{"id": "p"}]


def test_only_the_newest_version_counts(
    record: Any, observations: Any, stored: Any, ndjson: Any, read_csv: Any, tmp_path: Path
) -> None:
    [first] = observations(record(location="Ward A"))
    [second] = observations(record(location="Ward B", status="amended"))
    old, new = stored(first, "o", "1", "2026-03-18T10:00:00Z"), stored(second, "o", "2", "2026-03-19T10:00:00+01:00")
    for order in ([old, new], [new, old]):
        target = tmp_path / "e.csv"
        result = table([ndjson(order)], "exams", target)
        assert [e["location"] for e in read_csv(target)] == ["Ward B"]
        assert result.counts["older-version"] == 1
        assert wire.loads(target.with_suffix(".older.ndjson").read_bytes())["meta"]["versionId"] == "1"
        # a view of the user's own goes through the input once, and again only where a row was overturned
        own: Json = {"resource": "Observation", "select": [{"column": [{"name": "v", "path": "meta.versionId"}]}]}
        table([ndjson(order)], own, tmp_path / "own.csv")
        assert read_csv(tmp_path / "own.csv") == [{"v": "2"}]


def test_what_is_left_out_is_counted(
    record: Any, observations: Any, ndjson: Any, read_csv: Any, tmp_path: Path
) -> None:
    exams = [
        record(exam_number="1"),
        record(exam_number="2", status="entered-in-error"),
        record(exam_number="3", verified=None),
        record(exam_number="4", synthetic=True),
        record(exam_number="5", supersedes="6"),
        record(exam_number="6"),
    ]
    source = ndjson([o for e in exams for o in observations(e)])
    target = tmp_path / "e.csv"
    result = table([source], "exams", target)
    assert [e["exam_number"] for e in read_csv(target)] == ["1", "5"]
    expected = {"kept": 2, "entered-in-error": 1, "preliminary": 1, "synthetic": 1, "superseded": 1}
    assert {name: n for name, n in result.counts.items() if n} == expected
    steps = flow(target, read_csv)
    assert steps["read"] == 6 == steps["kept"] + sum(n for s, n in steps.items() if s.startswith("left out"))
    table([source], "exams", target, include=["preliminary", "superseded", "synthetic", "entered-in-error"])
    assert len(read_csv(target)) == 6


def test_a_bound_never_counts_as_a_value(
    record: Any, observations: Any, ndjson: Any, read_csv: Any, tmp_path: Path
) -> None:
    scans = [{"scan_number": 1, "volume": {"value": 1500, "unit": "mL", "comparator": ">"}}]
    target = tmp_path / "m.csv"
    made = record(scans=scans, reported_scan=None, choice_rule=None, wall=None)
    table([ndjson(observations(made))], "measurements", target)
    row = next(r for r in read_csv(target) if r["concept"] == "volume")
    assert (row["value"], row["comparator"], row["limit"], row["value_text"]) == ("", ">", "1500", ">1500")


def test_absent_is_not_zero(record: Any, observations: Any, ndjson: Any, read_csv: Any, tmp_path: Path) -> None:
    target = tmp_path / "m.csv"
    scans = [{"scan_number": 1, "absent_reason": "not-seen"}]
    made = record(scans=scans, reported_scan=1, choice_rule=None, wall=None)
    table([ndjson(observations(made))], "measurements", target)
    row = next(r for r in read_csv(target) if r["concept"] == "volume")
    assert (row["value"], row["absent_reason"], row["absent_text"]) == ("", "unknown", "bladder not seen")


def test_digits_come_back_where_a_server_dropped_zeros(
    record: Any, observations: Any, ndjson: Any, read_csv: Any, tmp_path: Path
) -> None:
    [exam] = observations(record())
    text = wire.dumps(exam).replace(b'"value":2.40', b'"value":2.4')
    assert b'"value":2.4,' in text
    target = tmp_path / "m.csv"
    table([ndjson([text])], "measurements", target)
    row = next(r for r in read_csv(target) if r["concept"] == "wall-thickness")
    assert (row["value"], row["value_text"]) == ("2.40", "2.40")


def test_age_and_exam_index_come_from_the_patients(
    record: Any, bundle: Any, ndjson: Any, read_csv: Any, tmp_path: Path
) -> None:
    # born 1951-03-09: 74 the day before the birthday, 75 on it
    days = [("1", "2026-03-09T08:00:00+01:00"), ("2", "2026-03-08T08:00:00+01:00"), ("3", "2026-03-08T07:00:00+01:00")]
    bundles = [bundle(record(exam_number=n, started_at=at, voided_at=None)) for n, at in days]
    target = tmp_path / "e.csv"
    table([ndjson(bundles)], "exams", target)
    found = {e["exam_number"]: (e["age_years"], e["patient_exam"], e["gender"]) for e in read_csv(target)}
    assert found == {"1": ("75", "3", "male"), "2": ("74", "2", "male"), "3": ("74", "1", "male")}


def test_formulas_are_made_harmless_and_numbers_left_alone(tmp_path: Path, ndjson: Any) -> None:
    values = ["=1+1", "+1", "-1", "@x", "\tx", "|x", "plain", "a=b", 'q"=x', ""]
    resources: list[Json] = [
        {"resourceType": "Basic", "id": f"b{n}", "language": v, "n": Decimal("-1.50"), "e": Decimal("1E+3")}
        for n, v in enumerate(values)
    ]
    columns = [
        {"name": "text", "path": "language", "type": "string"},
        {"name": "n", "path": "n", "type": "decimal"},
        {"name": "e", "path": "e", "type": "decimal"},
    ]
    view: Json = {"resource": "Basic", "select": [{"column": columns}]}
    out = io.BytesIO()
    table([ndjson(resources)], view, stream=out)
    lines = out.getvalue().decode().split("\n")[1:-1]
    assert lines == [
        "'=1+1,-1.50,1000", "'+1,-1.50,1000", "'-1,-1.50,1000", "'@x,-1.50,1000", "'\tx,-1.50,1000", "'|x,-1.50,1000",
        "plain,-1.50,1000", "a=b,-1.50,1000", '"q""=x",-1.50,1000', ",-1.50,1000",
    ]  # fmt: skip


def test_parquet_has_real_types(record: Any, observations: Any, ndjson: Any, tmp_path: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    source = ndjson(observations(record()))
    table([source], "exams", tmp_path / "e.parquet")
    table([source], "measurements", tmp_path / "m.parquet")
    exams = parquet.read_table(tmp_path / "e.parquet")
    kinds = {field.name: str(field.type) for field in exams.schema}
    assert kinds["started_at"] == "timestamp[us, tz=UTC]"
    assert kinds["verified"] == "bool"
    assert kinds["calibrated_on"] == "date32[day]"
    assert kinds["minutes_since_void"] == "decimal128(38, 12)"
    assert exams.schema.field("started_at").metadata[b"description"] == b"Start of the exam in UTC"
    [row] = exams.to_pylist()
    assert row["started_at"] == dt.datetime(2026, 3, 18, 9, 42, tzinfo=dt.UTC)
    values = {r["concept"]: r["value"] for r in parquet.read_table(tmp_path / "m.parquet").to_pylist()}
    assert values["wall-thickness"] == Decimal("2.40")


def test_parquet_says_what_does_not_fit_its_types(ndjson: Any, tmp_path: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    view: Json = {"resource": "Basic", "select": [{"column": [{"name": "t", "path": "t", "type": "dateTime"}]}]}
    source = ndjson([{"resourceType": "Basic", "t": "2026-03"}, {"resourceType": "Basic", "t": "2026-03-18T10:00:00Z"}])
    result = table([source], view, tmp_path / "t.parquet")
    assert [r["t"] is None for r in parquet.read_table(tmp_path / "t.parquet").to_pylist()] == [True, False]
    assert result.notes == ["column t: 1 values do not fit its type and are empty; CSV and NDJSON keep them"]


def test_ndjson_keeps_digits_and_nulls(record: Any, observations: Any, ndjson: Any, tmp_path: Path) -> None:
    table([ndjson(observations(record()))], "measurements", tmp_path / "m.ndjson")
    lines = (tmp_path / "m.ndjson").read_bytes().splitlines()
    thickness = next(line for line in lines if b'"wall-thickness"' in line)
    assert b'"value":2.40,' in thickness
    assert b'"comparator":null' in thickness


def test_dictionary_and_manifest_stand_beside(
    record: Any, observations: Any, ndjson: Any, read_csv: Any, tmp_path: Path
) -> None:
    source = ndjson(observations(record()))
    target = tmp_path / "m.csv"
    table([source], "measurements", target)
    header = target.read_text().split("\n")[0].split(",")
    entries = {e["column"]: e for e in read_csv(target.with_suffix(".dictionary.csv"))}
    assert set(header) <= set(entries)
    assert all(entries[name]["meaning"] for name in header)
    assert entries["filling_volume"]["unit"] == "mL"
    assert entries["value where concept = wall-thickness"]["unit"] == "mm"
    manifest = json.loads(target.with_suffix(".manifest.json").read_text())
    assert manifest["inputs"] == [{"file": source.name, "sha256": hashlib.sha256(source.read_bytes()).hexdigest()}]
    assert manifest["table_sha256"] == hashlib.sha256(target.read_bytes()).hexdigest()
    assert manifest["rows"] == 8


def test_bad_lines_go_aside_and_the_rest_goes_on(
    record: Any, observations: Any, ndjson: Any, read_csv: Any, tmp_path: Path
) -> None:
    [good] = observations(record())
    whole = wire.dumps(good)
    lines = [
        whole,
        whole[: len(whole) // 2],
        whole + whole,
        b"",
        b'{"resourceType":"Patient","id":"p"}',
        b"[1,2]",
        b"nonsense",
        b'{"status":"final"}',
        b'"text"',
        b'{"resourceType":"Observation","x":' + b"[" * 3000 + b"]" * 3000 + b"}",
    ]
    target = tmp_path / "e.csv"
    result = table([ndjson(lines)], "exams", target)
    assert len(read_csv(target)) == 1
    rejected = [wire.loads(line) for line in target.with_suffix(".rejected.ndjson").read_bytes().splitlines()]
    reasons = {r["line"]: r["reason"] for r in rejected}
    assert set(reasons) >= {2, 3, 6, 7, 8, 9}
    assert "breaks off" in reasons[2]
    assert "more than one" in reasons[3]
    assert "resourceType" in reasons[8]
    assert result.rejected == len(rejected)
    assert result.exit_codes == {1}


def test_a_line_of_a_hundred_megabytes_is_skipped_in_flat_memory(
    record: Any, observations: Any, ndjson: Any, read_csv: Any, tmp_path: Path
) -> None:
    [good] = observations(record())
    source = tmp_path / "long.ndjson"
    with source.open("wb") as stream:
        stream.write(wire.dumps(good) + b"\n" + b'{"resourceType":"Observation","x":"')
        for _ in range(100):
            stream.write(b"y" * (1 << 20))
        stream.write(b'"}\n' + wire.dumps({"resourceType": "Patient", "id": "p"}) + b"\n")
    target = tmp_path / "e.csv"
    tracemalloc.start()
    try:
        result = table([source], "exams", target)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 60 << 20  # the longest line taken, 16 MB, a few times over
    assert len(read_csv(target)) == 1
    assert result.resources == 2
    [rejected] = [wire.loads(line) for line in target.with_suffix(".rejected.ndjson").read_bytes().splitlines()]
    assert rejected["line"] == 2
    assert "above" in rejected["reason"]


def test_documents_bundles_and_folders_are_read_too(
    record: Any, bundle: Any, observations: Any, read_csv: Any, tmp_path: Path
) -> None:
    folder = tmp_path / "export"
    folder.mkdir()
    indented = json.dumps(wire.loads(wire.dumps(bundle(record(exam_number="1")))), indent=2, default=float)
    (tmp_path / "one.json").write_text(indented)
    (folder / "Observation.ndjson").write_bytes(wire.dumps(observations(record(exam_number="2"))[0]) + b"\n")
    (folder / "Observation.error.ndjson").write_bytes(b'{"resourceType":"OperationOutcome"}\n')
    (folder / "ledger.json").write_text('{"runs":[{"state":"complete"}]}')
    target = tmp_path / "e.csv"
    result = table([tmp_path / "one.json", folder, tmp_path / "missing.ndjson"], "exams", target)
    assert sorted(e["exam_number"] for e in read_csv(target)) == ["1", "2"]
    [error] = result.errors
    assert isinstance(error, InputError)
    assert result.exit_codes == {3}


def test_an_empty_input_says_so(tmp_path: Path) -> None:
    (tmp_path / "empty.ndjson").write_bytes(b"")
    result = table([tmp_path / "empty.ndjson"], "exams", tmp_path / "e.csv")
    assert result.notes == ["the input holds no resource — check that its source has finished"]
    assert (tmp_path / "e.csv").read_text().count("\n") == 1


def test_a_site_key_system_is_used(record: Any, observations: Any, ndjson: Any, read_csv: Any, tmp_path: Path) -> None:
    [exam] = observations(record())
    exam = {**exam, "identifier": [{"system": "urn:x", "value": "A/1"}, {"system": "urn:site", "value": "HT-0093/9"}]}
    table([ndjson([exam])], "exams", tmp_path / "e.csv", key_system="urn:site")
    assert [e["exam_key"] for e in read_csv(tmp_path / "e.csv")] == ["HT-0093/9"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"view": "nothing"}, "no view"),
        ({"view": "exams", "include": ["all"]}, "cannot include"),
        ({"view": "exams", "shift_dates": True}, "shifted by the secret"),
        ({"view": "exams", "engine": "abacus"}, "no engine"),
        ({"view": "exams", "out": "x.xls"}, "cannot tell the format"),
    ],
)
def test_wrong_requests_are_refused_before_anything_is_written(
    arguments: Json, words: str, ndjson: Any, tmp_path: Path
) -> None:
    arguments = dict(arguments)
    out = tmp_path / str(arguments.pop("out", "x.csv"))
    with pytest.raises(ConfigError, match=words):
        table([ndjson([])], arguments.pop("view"), out, **arguments)
    assert not out.exists()


def test_a_table_that_is_there_is_whole(record: Any, observations: Any, ndjson: Any, tmp_path: Path) -> None:
    table([ndjson(observations(record()))], "exams", tmp_path / "out" / "e.csv")
    assert not [p for p in (tmp_path / "out").iterdir() if p.name.startswith(".")]


def test_a_large_census_moves_to_disk_and_counts_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    heads = [
        census.header(
            {
                "resourceType": "Basic",
                "id": f"b{n % 400}",
                "meta": {
                    "lastUpdated": f"{'2026' if n % 3 else '9999'}-03-18T10:00:00.{n * 7919 % 1000:03}Z",
                    "versionId": str(n),
                },
            }
        )
        for n in range(2000)
    ]
    results = []
    for limit in (150_000, 50):
        monkeypatch.setattr(census, "IN_MEMORY", limit)
        with census.Census() as count:
            for head in heads:
                count.see(head)
            results.append((bytes(count.reasons), count.overturned))
    assert results[0] == results[1]
    assert results[0][0].count(census.KEEP) == 400


def test_progress_is_told(record: Any, observations: Any, tmp_path: Path) -> None:
    told: list[int] = []
    line = wire.dumps(observations(record())[0]) + b"\n"
    (tmp_path / "many.ndjson").write_bytes(line * 20_000)
    table([tmp_path / "many.ndjson"], "exams", tmp_path / "e.csv", progress=told.append)
    assert [count // 10_000 for count in told[:2]] == [1, 2]


Make = Callable[..., Json]


def test_what_an_export_reported_deleted_is_left_out(
    record: Any, observations: Any, stored: Any, read_csv: Any, tmp_path: Path
) -> None:
    """Folder as `export` leaves it: files by run, `deleted/tombstones.<run>.ndjson`; a later copy counts again."""
    folder = tmp_path / "export"
    (folder / "deleted").mkdir(parents=True)
    exams = [stored(observations(record(exam_number=str(n)))[0], f"o{n}") for n in range(3)]
    (folder / "Observation.001.0001.ndjson").write_bytes(b"".join(wire.dumps(e) + b"\n" for e in exams))
    (folder / "Observation.003.0001.ndjson").write_bytes(wire.dumps(exams[2]) + b"\n")
    gone = [{"resourceType": "Observation", "id": "o1"}, {"resourceType": "Observation", "id": "o2"}]
    (folder / "deleted" / "tombstones.002.ndjson").write_bytes(b"".join(wire.dumps(g) + b"\n" for g in gone))
    own: Json = {"resource": "Observation", "select": [{"column": [{"name": "id", "path": "id"}]}]}
    for view, column in (("exams", "resource_id"), (own, "id")):
        result = table([folder], view, tmp_path / "t.csv")
        assert sorted(row[column] for row in read_csv(tmp_path / "t.csv")) == ["o0", "o2"]
        assert result.counts["deleted"] == 2
    material = gather([folder])
    assert sorted(exam.record.exam_number for exam in material.exams) == ["0", "2"]


def export_folder(folder: Path, states: list[str], size: int | None = None) -> Path:
    """An export folder as its ledger tells it: a run for each state, the first with one file."""
    folder.mkdir()
    (folder / "Observation.001.0001.ndjson").write_bytes(b"{}\n")
    file = {"name": "Observation.001.0001.ndjson", "kind": "output", "bytes": 3 if size is None else size}
    runs = [{"number": n, "state": state, "files": [file] if n == 1 else []} for n, state in enumerate(states, 1)]
    (folder / "ledger.json").write_bytes(wire.dumps({"ledger_version": 1, "runs": runs}))
    return folder


@pytest.mark.parametrize(
    ("states", "size", "code", "words"),
    [
        (["complete"], None, None, ""),
        (["complete", "cancelled"], None, None, ""),
        (["running"], None, 5, "the export is not finished"),
        (["cancelled"], None, 5, "the export is not finished"),
        (["complete", "running"], None, 5, "the export is not finished"),
        (["complete"], 4, 3, "is not as the ledger says"),
    ],
)
def test_half_an_export_is_not_taken_for_the_whole(
    states: list[str], size: int | None, code: int | None, words: str, tmp_path: Path
) -> None:
    """The ledger says whether the folder is whole; what is there is tabulated all the same."""
    folder = export_folder(tmp_path / "export", states, size)
    result = table([folder], "exams", tmp_path / "e.csv")
    assert [error.exit_code for error in result.errors] == ([] if code is None else [code])
    assert all(words in str(error) for error in result.errors)
    assert [error.exit_code for error in gather([folder]).errors] == ([] if code is None else [code])


def test_a_folder_with_a_broken_ledger_says_so(tmp_path: Path) -> None:
    folder = export_folder(tmp_path / "export", ["complete"])
    (folder / "ledger.json").write_bytes(b'{"runs": 3')
    [error] = table([folder], "exams", tmp_path / "e.csv").errors
    assert "is no ledger of an export" in str(error)


@pytest.mark.parametrize("view", ["exams", "deliveries"])
def test_a_mistyped_source_leaves_the_old_table_alone(view: str, tmp_path: Path) -> None:
    (tmp_path / "e.csv").write_text("old")
    result = table([tmp_path / "none.ndjson"], view, tmp_path / "e.csv")
    assert result.exit_codes == {3}
    assert (tmp_path / "e.csv").read_text() == "old"
    assert not result.files


def test_a_view_of_another_type_says_why_it_is_empty(
    record: Any, observations: Any, ndjson: Any, tmp_path: Path
) -> None:
    own: Json = {"resource": "Observatoin", "select": [{"column": [{"name": "id", "path": "id"}]}]}
    result = table([ndjson(observations(record()))], own, tmp_path / "t.csv")
    assert result.notes == ["no row: none of the resources that count is of type Observatoin and fits the view"]


OWN: Json = {"resource": "Observation", "select": [{"column": [{"name": "id", "path": "id"}]}]}


@pytest.mark.parametrize("view", ["exams", OWN], ids=["built-in", "own"])
def test_a_table_without_rows_names_the_option_that_fills_it(
    view: Any, record: Any, observations: Any, ndjson: Any, tmp_path: Path
) -> None:
    """What the demo gives: all its exams are synthetic."""
    marked = ndjson(observations(record(synthetic=True)))
    result = table([marked], view, tmp_path / "t.csv")
    assert result.rows == 0
    assert result.notes == ["left out: 1 synthetic; --include synthetic takes them in"]
    result = table([marked], view, tmp_path / "t.csv", include=["synthetic"])
    assert result.rows == 1 and result.notes == []


QUANTITY = "value.ofType(Quantity).value"


@pytest.mark.parametrize(
    ("path", "expected"),
    [
        # FHIRPath N1 6.6: what cannot be computed is empty; a date that is none compares with nothing
        (f"{QUANTITY} / 0", ["", ""]),
        (f"({QUANTITY} - 2) div 0", ["", ""]),
        ("effective.ofType(dateTime) < @2026-01-01T00:00:00Z", ["", "true"]),
        ("effective.ofType(dateTime).highBoundary()", ["", "9998-12-31T23:59:59.999-12:00"]),
        ("id.replaceMatches(status, 'x')", ["", ""]),
        ("id.join(status)", ["a", "b"]),
    ],
)
def test_one_odd_value_does_not_end_a_table(
    path: str, expected: list[str], ndjson: Any, read_csv: Any, tmp_path: Path
) -> None:
    source = ndjson([
        {"resourceType": "Observation", "id": "a", "effectiveDateTime": "2026-13-45T25:61:00Z", "status": None},
        {"resourceType": "Observation", "id": "b", "effectiveDateTime": "9998-12", "valueQuantity": {"value": 2}},
    ])  # fmt: skip
    if "Time" in path and "<" in path:
        source.write_bytes(source.read_bytes().replace(b"9998-12", b"2025-03-04T10:00:00Z"))
    columns = [{"name": "id", "path": "id"}, {"name": "v", "path": path}]
    view: Json = {"resource": "Observation", "select": [{"column": columns}]}
    result = table([source], view, tmp_path / "t.csv")
    assert not result.rejected
    assert [row["v"] for row in read_csv(tmp_path / "t.csv")] == expected


def test_a_number_that_would_fill_the_disk_is_refused(ndjson: Any, tmp_path: Path) -> None:
    """1e999999999 in full is a gigabyte of digits."""
    source = ndjson([b'{"resourceType":"Observation","valueQuantity":{"value":1e999999999}}'])
    view: Json = {"resource": "Observation", "select": [{"column": [{"name": "v", "path": QUANTITY}]}]}
    result = table([source], view, tmp_path / "t.csv")
    assert (result.rows, result.rejected) == (0, 1)
    assert "number 1e999999999 is out of range" in (tmp_path / "t.rejected.ndjson").read_text()


def test_a_wrong_regular_expression_is_named(ndjson: Any, tmp_path: Path) -> None:
    source = ndjson([{"resourceType": "Observation", "id": "a"}])
    columns = [{"name": "v", "path": "id.replaceMatches('(', 'x')"}]
    view: Json = {"resource": "Observation", "select": [{"column": columns}]}
    with pytest.raises(ConfigError, match="regular expression"):
        table([source], view, tmp_path / "t.csv")


def test_deliveries_have_what_stands_beside_a_table(ndjson: Any, tmp_path: Path) -> None:
    source = ndjson([{"key": "HT-0093/1", "state": "held"}, b"nonsense"])
    result = table([source], "deliveries", tmp_path / "out" / "d.csv")
    assert [path.name for path in result.files] == [
        "d.csv", "d.dictionary.csv", "d.rejected.ndjson", "d.manifest.json",
    ]  # fmt: skip
    told = json.loads((tmp_path / "out" / "d.manifest.json").read_bytes())
    assert told["inputs"] == [{"file": "in.ndjson", "sha256": hashlib.sha256(source.read_bytes()).hexdigest()}]
    assert told["table_sha256"] == hashlib.sha256((tmp_path / "out" / "d.csv").read_bytes()).hexdigest()
    assert "exam_key,string,no" in (tmp_path / "out" / "d.dictionary.csv").read_text()
    assert not [path for path in (tmp_path / "out").iterdir() if path.name.startswith(".")]
