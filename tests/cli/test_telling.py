"""What people read on the terminal: reasons of refusals, bounded; what was left out; what a slip means."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from fhir_bladder.cli.main import cli
from fhir_bladder.cli.telling import MOST

EXAMPLES = Path(__file__).parents[2] / "examples"


@pytest.fixture(autouse=True)
def _in_a_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def _run(*arguments: str) -> Result:
    return CliRunner().invoke(cli, list(arguments))


@pytest.mark.parametrize("where", [["--text"], ["-o", "r.html"]])
def test_report_says_why_a_document_is_refused(where: list[str]) -> None:
    Path("bad.json").write_text('{"a":')
    done = _run("report", "bad.json", *where)
    assert done.exit_code == 1
    assert "error: bad.json:1: not JSON: expecting value — " in done.stderr
    assert done.stderr.splitlines()[-1] == "0 exams, 1 refused"


@pytest.mark.parametrize("verb", [["report", "--text"], ["table"]])
def test_refusals_are_told_up_to_a_number_of_each_file(verb: list[str]) -> None:
    Path("many.ndjson").write_text("{}\n" * (MOST + 7))
    Path("few.ndjson").write_text("{}\n" * MOST)
    done = _run(*verb, "many.ndjson", "few.ndjson")
    told = [line for line in done.stderr.splitlines() if line.startswith("error: ")]
    assert [line.split(": ")[1] for line in told[:-1]] == [
        *(f"many.ndjson:{n}" for n in range(1, MOST + 1)), *(f"few.ndjson:{n}" for n in range(1, MOST + 1)),
    ]  # fmt: skip
    assert told[-1] == "error: 7 more refused in many.ndjson"


def test_table_says_what_it_rejects_also_where_rows_were_made() -> None:
    assert _run("map", str(EXAMPLES / "exams.ndjson"), "-o", "fhir.ndjson").exit_code == 0
    with Path("fhir.ndjson").open("a") as stream:
        stream.write("broken\n")
    done = _run("table", "fhir.ndjson", "--include", "synthetic", "-o", "t.csv")
    lines = done.stderr.splitlines()
    assert done.exit_code == 1
    assert lines[0].startswith("error: fhir.ndjson:9: not JSON")
    assert "6 rows of 8 resources; left out: 2 preliminary; 1 rejected" in lines
    secret = Path("secret")
    secret.write_text("x" * 64)
    secret.chmod(0o600)
    done = _run("table", "fhir.ndjson", "--include", "synthetic", "-o", "t.csv", "--pseudonyms", "secret")
    assert "error: fhir.ndjson:9: make the table without --pseudonyms to see why" in done.stderr


def test_what_does_not_fit_a_view_is_not_quoted_on_the_terminal() -> None:
    """The reason quotes the resource; it stands beside the table, where the data are."""
    assert _run("map", str(EXAMPLES / "exam.json"), "--as", "bundles", "-o", "b.ndjson").exit_code == 0
    column = {"name": "x", "path": "name.first().family > 5"}
    Path("v.json").write_text(json.dumps({"resource": "Patient", "select": [{"column": [column]}]}))
    done = _run("table", "b.ndjson", "--view", "v.json", "--include", "synthetic", "-o", "t.csv")
    assert done.exit_code == 1, done.output
    assert (
        "error: b.ndjson:1: does not fit the view — the file .rejected.ndjson beside the table says why" in done.stderr
    )
    assert "Htest" not in done.output
    assert "Htest" in Path("t.rejected.ndjson").read_text(), "the check can fail: the reason quotes it"


def test_reasons_of_report_quote_no_value_that_describes_a_person() -> None:
    good = json.loads((EXAMPLES / "exam.json").read_text())
    bad = [
        {"patient": {"identifiers": "Canary", "birth_date": "Canary"}},
        {"patient": {"administrative_gender": "Canary", "family_name": 7}},
        {"verified": {"by": ["Canary"], "at": 5}},
        {"canary_field": "Canary"},
    ]
    Path("c.ndjson").write_text("".join(json.dumps(good | one) + "\n" for one in bad))
    done = _run("report", "--text", "c.ndjson")
    assert done.stderr.splitlines()[-1] == "0 exams, 4 refused"
    assert "Canary" not in done.output


def test_receipts_that_are_none_are_told_likewise() -> None:
    Path("many.ndjson").write_text("{}\n" * (MOST + 7))
    done = _run("table", "many.ndjson", "--view", "deliveries")
    told = [line for line in done.stderr.splitlines() if line.startswith("error: ")]
    assert len(told) == MOST + 1 and told[0].startswith("error: many.ndjson:1: no receipt: state is missing")


@pytest.mark.parametrize("verb", [["table", "--include", "synthetic"], ["table", "--view", "deliveries"], ["report"]])
def test_names_that_are_not_utf_8_do_not_matter(verb: list[str]) -> None:
    assert _run("map", str(EXAMPLES / "exams.ndjson"), "-o", "fhir.ndjson").exit_code == 0
    odd = "odd\udcff"
    Path(f"{odd}.ndjson").write_bytes(Path("fhir.ndjson").read_bytes() + b"broken\n")
    done = _run(*verb, f"{odd}.ndjson", "-o", f"{odd}.csv")
    assert done.exit_code in (1, 3), done.output
    if verb[0] == "table":
        assert json.loads(Path(f"{odd}.manifest.json").read_bytes())["table"] == "odd\ufffd.csv"
        rejected = Path(f"{odd}.rejected.ndjson").read_text().splitlines()
        assert json.loads(rejected[-1])["file"].startswith("odd\ufffd.ndjson")


def test_a_table_that_cannot_be_written_is_named_as_it_was_given() -> None:
    assert _run("map", str(EXAMPLES / "exams.ndjson"), "-o", "fhir.ndjson").exit_code == 0
    Path("file").touch()
    for view in ("exams", "deliveries"):
        done = _run("table", "fhir.ndjson", "--view", view, "-o", "file/t.csv")
        assert (done.exit_code, "error: cannot be written: " in done.stderr) == (3, True), done.stderr
        assert " — file/t.csv — name another file with -o" in done.stderr


def test_report_takes_messages_and_sheets_without_an_option_as_map_does() -> None:
    messages = sorted((EXAMPLES / "hl7v2").glob("*.hl7"))
    assert messages
    for path in messages:
        mapped, told = _run("map", str(path), "-o", "o"), _run("report", "--text", str(path))
        assert mapped.exit_code == told.exit_code, told.stderr
        assert bool(told.stdout) == (path.name != "own-codes.hl7"), "its codes need a map"
    sheet, columns = str(EXAMPLES / "sheet-kx.csv"), str(EXAMPLES / "columns-kx.toml")
    done = _run("report", "--text", sheet)
    assert (done.exit_code, "a sheet needs a column map" in done.stderr) == (3, True)
    both = _run("report", "--text", sheet, str(EXAMPLES / "exam.json"), "--columns", columns)
    assert (both.exit_code, both.stdout.count("\n")) == (1, 5)
    assert "error: sheet-kx.csv:7: 'abc' is not a volume (column 'Volumen') — " in both.stderr


def test_an_exam_in_a_message_and_in_a_record_counts_once() -> None:
    message = (EXAMPLES / "hl7v2" / "post-void.hl7").read_text()
    Path("again.hl7").write_text(message)
    done = _run("report", "--text", str(EXAMPLES / "hl7v2" / "post-void.hl7"), "again.hl7")
    assert done.stdout.count("\n") == 1


def test_check_counts_what_it_calls_an_error_as_one() -> None:
    done = _run("check", "none.json")
    assert done.stdout.startswith("error: cannot read the file")
    assert done.stderr.endswith("1 error\n")


def test_an_empty_file_is_no_outbox_and_stays_empty() -> None:
    Path("empty").touch()
    done = _run("outbox", "list", "--outbox", "empty")
    assert (done.exit_code, "there is no outbox — empty" in done.stderr) == (3, True)
    assert Path("empty").read_bytes() == b""


def test_a_variable_that_is_not_set_chooses_no_exam() -> None:
    for verb in ("show", "drop", "release"):
        options = [] if verb == "show" else ["--by", "x", "--reason", "y"]
        done = _run("outbox", verb, "", *options)
        assert (done.exit_code, "name an exam by its key" in done.stderr) == (2, True)


def test_artefacts_of_one_id_are_told_apart_by_their_type() -> None:
    for kind in ("StructureDefinition", "ValueSet"):
        assert json.loads(_run("profiles", "show", f"{kind}/action").stdout)["resourceType"] == kind
    done = _run("profiles", "snapshot", "CodeSystem/bladder-ultrasound")
    assert (done.exit_code, done.stderr) == (
        3, "error: a CodeSystem has no snapshot — CodeSystem/bladder-ultrasound — name a StructureDefinition\n"
    )  # fmt: skip


def test_a_file_that_is_no_store_is_left_as_it_is() -> None:
    Path("exam.json").write_bytes((EXAMPLES / "exam.json").read_bytes())
    Path("exam.json").chmod(0o644)
    done = _run("serve", "--store", "exam.json")
    assert (done.exit_code, done.stderr) == (
        3, "error: not a store of this server — exam.json — name another file with --store\n"
    )  # fmt: skip
    assert Path("exam.json").stat().st_mode & 0o777 == 0o644


def test_slips_of_demo_and_listen_are_called_by_name() -> None:
    Path("file").touch()
    assert "error: not a folder — file — " in _run("demo", "--keep", "file").stderr
    done = _run("listen", "--once", "--mllp", "127.0.0.1:0", "--server", "http://127.0.0.1:9/fhir")
    assert (done.exit_code, "--once takes what is in folders" in done.stderr) == (2, True)
