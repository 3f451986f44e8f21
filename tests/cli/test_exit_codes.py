"""The promised exit codes, verb by verb, and one clear line for each kind of bad input."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent.parent


def test_map_and_unmap(run, folder: Path) -> None:
    assert run("map", "exam.json", "-o", "out.ndjson").returncode == 0
    assert run("map", "refused.ndjson", "-o", "out.ndjson").returncode == 1
    done = run("map", "none.ndjson", "exam.json", "-o", "out.ndjson")
    assert done.returncode == 3
    assert done.stderr.startswith("error: cannot read the file"), "every error line begins alike, whatever its severity"
    assert len((folder / "out.ndjson").read_text().splitlines()) == 1, "the other file is still done"
    assert run("map").returncode == 2
    assert run("map", "exam.json", "--shape", "round").returncode == 2
    assert run("unmap", "out.ndjson").returncode == 0
    assert run("unmap", "exams.ndjson").returncode == 1


def test_a_block_finding_fails_check_and_not_map(run, folder: Path) -> None:
    lines = (folder / "refused.ndjson").read_text().splitlines()
    (folder / "late.ndjson").write_text(lines[2] + "\n")
    assert run("map", "late.ndjson", "-o", "x").returncode == 0
    done = run("check", "late.ndjson")
    assert done.returncode == 1
    assert "voided_at" in done.stdout


def test_validate(run, folder: Path) -> None:
    run("map", "exams.ndjson", "-o", "good.ndjson")
    assert run("validate", "good.ndjson").returncode == 0
    bad = (folder / "good.ndjson").read_text().replace('"status":"final"', '"status":"finall"', 1)
    (folder / "bad.ndjson").write_text(bad)
    assert run("validate", "bad.ndjson").returncode == 1
    assert run("validate", "bad.ndjson", "--write-baseline", "known.json").returncode == 0
    assert run("validate", "bad.ndjson", "--baseline", "known.json").returncode == 0
    assert run("validate", "none.json", "good.ndjson").returncode == 3
    assert run("validate", "good.ndjson", "--package", "none.tgz").returncode == 3
    base = "https://w3id.org/fhir-bladder/StructureDefinition/bladder-ultrasound-"
    assert run("validate", "good.ndjson", "--profile", f"{base}exam").returncode == 0
    done = run("validate", "good.ndjson", "--profile", f"{base}report")
    assert (done.returncode, "no resource is a DiagnosticReport" in done.stderr) == (1, True)
    assert run("validate").returncode == 2
    assert "Not checked" in run("validate", "--scope").stdout


def test_a_broken_line_is_a_bad_record_and_a_broken_document_a_bad_file(run, folder: Path) -> None:
    """Of every verb alike: one line of NDJSON that is not JSON is exit 1, a document that is not JSON exit 3.

    `table` and `report` read every file by lines and count what they refuse, so that theirs is 1.
    """
    exam = (folder / "exams.ndjson").read_text().splitlines()[0]
    run("map", "exam.json", "-o", "good.ndjson")
    fhir = (folder / "good.ndjson").read_text()
    (folder / "lines.ndjson").write_text(f"{exam}\n{exam[:200]}\n")
    (folder / "lines.fhir.ndjson").write_text(f"{fhir}{fhir[:200]}\n")
    (folder / "whole.json").write_text(exam[:200])
    for verb, lines in (("map", "lines.ndjson"), ("check", "lines.ndjson"), ("unmap", "lines.fhir.ndjson"),
                        ("validate", "lines.fhir.ndjson")):  # fmt: skip
        assert (verb, run(verb, lines).returncode) == (verb, 1)
        assert (verb, run(verb, "whole.json").returncode) == (verb, 3)
    for verb, source in (("table", "lines.fhir.ndjson"), ("report", "lines.ndjson"), ("report", "lines.fhir.ndjson"),
                         ("table", "whole.json"), ("report", "whole.json")):  # fmt: skip
        assert (verb, source, run(verb, source, "-o", f"{verb}.{'csv' if verb == 'table' else 'html'}").returncode) == (
            verb, source, 1
        )  # fmt: skip
    for source, code in (("lines.ndjson", 1), ("lines.fhir.ndjson", 1), ("whole.json", 3)):
        push = ("push", source, "--server", "http://127.0.0.1:9/fhir", "--patients", "create", "--dry-run")
        assert (source, run(*push).returncode) == (source, code)


@pytest.mark.parametrize("kind", ["json", "ndjson", "sarif", "junit"])
def test_validate_writes_what_programs_read(run, folder: Path, kind: str) -> None:
    run("map", "exams.ndjson", "-o", "good.ndjson")
    bad = (folder / "good.ndjson").read_text().replace('"status":"final"', '"status":"finall"', 1)
    (folder / "bad.ndjson").write_text(bad)
    done = run("validate", "bad.ndjson", "--output-format", kind)
    assert done.returncode == 1
    assert "finall" in done.stdout
    if kind == "ndjson":
        finding = json.loads(done.stdout.splitlines()[0])
        assert (finding["file"], finding["line"], finding["severity"]) == ("bad.ndjson", 1, "error")
        assert finding["path"] == "Observation.status"


def test_push_and_pull(run, folder: Path, server: str) -> None:
    create = ("--server", server, "--patients", "create")
    assert run("push", "exams.ndjson", *create).returncode == 0
    assert run("push", "refused.ndjson", *create).returncode == 1
    assert run("push", "none.ndjson", *create).returncode == 3
    assert run("push", "exams.ndjson").returncode == 2
    assert run("push", "exams.ndjson", "--server", "http://127.0.0.1:9/fhir", "--deadline", "2s",
               "--patients", "create", "--outbox", "other.db").returncode in (4, 5)  # fmt: skip
    listed = run("outbox", "list", "--outbox", "other.db", "--output-format", "json")
    assert {json.loads(line)["state"] for line in listed.stdout.splitlines()} == {"waiting"}
    assert run("pull", "--server", server, "--as", "exams", "-o", "p.ndjson").returncode == 0
    assert run("pull", "--server", "http://127.0.0.1:9/fhir", "--deadline", "2s", "-o", "q.ndjson").returncode in (4, 5)
    assert run("outbox", "show", "nothing/there").returncode == 1
    assert run("outbox", "list", "--outbox", "none.db").returncode == 3


def test_the_server_takes_times_without_seconds_and_gives_them_back(run, folder: Path, server: str) -> None:
    """Of the voids and of a coefficient as of the exam; servers built on fhir.resources refused these once."""
    done = run("push", "sheet-kx.csv", "--columns", "columns-kx.toml", "--server", server, "--patients", "create",
               "--outbox", "kx.db")  # fmt: skip
    assert "4 delivered, 1 held" in done.stderr
    exam = json.loads((folder / "exam.json").read_text(), parse_float=str)
    exam |= {"exam_number": "kx-1", "voided_at": exam["started_at"][:16] + "Z", "action": {"what": "none"}}
    exam["action"]["at"] = exam["scans"][0]["taken_at"] = exam["voided_at"]
    exam["earlier_voids"] = [{"at": exam["voided_at"]}]
    size = {"value": 70, "unit": "mm"}
    exam["diameters"] = {"length": size, "width": size, "height": size, "coefficient": 0.5}
    text = json.dumps(exam).replace('"coefficient": 0.5', '"coefficient": 0.520').replace('"2.40"', "2.40")
    (folder / "kx.json").write_text(text)
    assert run("push", "kx.json", "--server", server, "--patients", "create", "--outbox", "kx.db").returncode == 0
    pulled = run("pull", "--server", server, "--as", "exams").stdout
    back = next(line for line in pulled.splitlines() if '"kx-1"' in line)
    assert '"coefficient":0.520' in back
    assert back.count(exam["voided_at"]) == 4


def test_push_takes_what_map_wrote(run, folder: Path, server: str) -> None:
    for kind in ("observations", "bundles"):
        run("map", "exam.json", "--as", kind, "-o", f"{kind}.ndjson")
        done = run("push", f"{kind}.ndjson", "--server", server, "--patients", "logical", "--outbox", f"{kind}.db")
        assert done.returncode == 0, done.stderr


def test_plain_http_stays_on_this_machine(run) -> None:
    done = run("push", "exam.json", "--server", "http://records.example/fhir")
    assert done.returncode == 3
    assert "https" in done.stderr
    done = run("push", "exam.json", "--server", "https://records.example/fhir", "--patients", "create")
    assert done.returncode == 3
    assert "--allow-test" in done.stderr


def test_table_and_report(run, folder: Path) -> None:
    run("map", "exams.ndjson", "-o", "good.ndjson")
    assert run("table", "good.ndjson", "--include", "synthetic,preliminary").stdout.count("\n") == 9
    assert run("table", "good.ndjson", "-o", "t.xyz").returncode == 3
    assert run("table", "none.ndjson").returncode == 3
    assert run("table", "good.ndjson", "--view", "none").returncode == 3
    assert run("report", "exams.ndjson", "-o", "r.html").returncode == 0
    assert run("report", "refused.ndjson", "-o", "r.html").returncode == 1
    assert (folder / "r.html").stat().st_mode & 0o777 == 0o600


def test_profiles(run, folder: Path) -> None:
    assert "bladder-ultrasound-exam" in run("profiles", "list").stdout
    assert json.loads(run("profiles", "show", "bladder-ultrasound-exam").stdout)["type"] == "Observation"
    assert "snapshot" in json.loads(run("profiles", "snapshot", "bladder-ultrasound-exam").stdout)
    assert run("profiles", "show", "no-such").returncode == 3
    run("profiles", "pack", "-o", "p.tgz")
    first = (folder / "p.tgz").read_bytes()
    run("profiles", "pack", "-o", "p.tgz")
    assert (folder / "p.tgz").read_bytes() == first
    assert "98856-8" in run("profiles", "check").stdout


def test_options_come_from_line_environment_and_file_in_this_order(run, folder: Path) -> None:
    (folder / "fhir-bladder.toml").write_text('shape = "single"\n[map]\nas = "bundles"\n')
    assert '"Bundle"' in run("map", "exam.json").stdout
    single = run("map", "exam.json", "--as", "observations").stdout
    assert "bladder-ultrasound-group" in single
    assert "bladder-ultrasound-group" not in run("map", "exam.json", FHIR_BLADDER_SHAPE="panel").stdout
    line = run("map", "exam.json", "--shape", "single", FHIR_BLADDER_SHAPE="panel", FHIR_BLADDER_MAP_AS="observations")
    assert line.stdout == single


def test_an_option_is_called_in_file_and_environment_as_on_the_line(run, folder: Path) -> None:
    assert "no outbox — env.db" in run("outbox", "list", FHIR_BLADDER_OUTBOX="env.db").stderr
    (folder / "fhir-bladder.toml").write_text('[outbox]\noutbox = "file.db"\n[push]\nserver = "https://x.example"\n')
    assert "no outbox — file.db" in run("outbox", "list").stderr
    assert "no outbox — env.db" in run("outbox", "show", "1", FHIR_BLADDER_OUTBOX="env.db").stderr
    assert "no outbox — line.db" in run("outbox", "list", "--outbox", "line.db").stderr


def test_a_verb_of_several_is_named_by_its_whole_path(run, folder: Path) -> None:
    """As click itself builds such names; `check` alone is another verb than `columns check`."""
    run("push", "exam.json", "--server", "http://127.0.0.1:9/fhir", "--deadline", "1s", "--patients", "create")
    assert run("outbox", "list", FHIR_BLADDER_OUTBOX_LIST_STATE="held").stdout == ""
    assert "waiting" in run("outbox", "list", FHIR_BLADDER_LIST_STATE="held").stdout
    assert "no outbox — a.db" in run("outbox", "list", FHIR_BLADDER_OUTBOX_LIST_OUTBOX="a.db").stderr
    check = ("columns", "check", "columns-kx.toml", "sheet-kx.csv")
    shown = run(*check).stdout.count("\n")
    assert run(*check, FHIR_BLADDER_CHECK_FIRST="1", FHIR_BLADDER_COLUMNS_CHECK_FIRST="2").stdout.count("\n") == 2
    (folder / "fhir-bladder.toml").write_text('[check]\noutput-format = "json"\n[columns]\nfirst = 1\n')
    assert run(*check).stdout.count("\n") == 1 < shown


def test_the_example_configuration_is_taken(run, folder: Path) -> None:
    (folder / "fhir-bladder.toml").write_bytes((ROOT / "examples" / "site" / "fhir-bladder.toml").read_bytes())
    assert run("map", "exam.json").returncode == 0


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("shape = ", "not TOML"),
        ("[site]\ndensitty = 1\n", "did you mean 'density'"),
        ('[site]\ndensity = "1"\n', "not a number"),
        ("[site]\nfilling_low = 500\n", "empty"),
        ('[site]\nkey_system = "exam keys"\n', "not a URI"),
        ("[site]\nkey_system = 3\n", "not a text"),
        ('[site]\nsend_calculated_mass = "no"\n', "true or false"),
        ("site = 3\n", "not a table"),
        ('shap = "single"\n', "did you mean 'shape'"),
        ('[map]\nshap = "single"\n', "did you mean 'shape'"),
        ('[mapp]\nshape = "single"\n', "did you mean 'map'"),
    ],
)
def test_a_wrong_configuration_is_named(run, folder: Path, text: str, says: str) -> None:
    (folder / "fhir-bladder.toml").write_text(text)
    done = run("map", "exam.json")
    assert done.returncode == 3
    assert says in done.stderr


def _lines(record: dict) -> str:
    return json.dumps(record) + "\n"


def test_bad_records_give_one_line_each_and_the_others_go_on(run, folder: Path) -> None:
    good = json.loads((folder / "exam.json").read_text())
    text = json.dumps(good)
    bad = {
        "unknown field": text.replace('"void_state"', '"voidstate"'),
        "wrong type": json.dumps({**good, "uterus_present": "no"}),
        "missing unit": text.replace(', "unit": "mm"', ""),
        "megalitres": text.replace('"mL"', '"ML"', 1),
        "no zone": text.replace("10:42:00+00:00", "10:42:00"),
        "NaN": text.replace("260", "NaN"),
        "huge": text.replace("260", "1e400"),
        "twice": text.replace('"void_measured": true', '"void_measured": true, "void_measured": false'),
        "cut": text[:-20],
        "not an object": "[1, 2]",
    }
    (folder / "bad.ndjson").write_text("".join(line + "\n" for line in [text, *bad.values(), text]))
    done = run("map", "bad.ndjson", "-o", "out.ndjson")
    assert done.returncode == 1
    assert len((folder / "out.ndjson").read_text().splitlines()) == 2
    for number in range(2, 2 + len(bad)):
        told = [line for line in done.stderr.splitlines() if f"bad.ndjson:{number}" in line]
        assert told, f"line {number}, {list(bad)[number - 2]}: {done.stderr}"
        assert all(line.count(" — ") >= 2 for line in told), "place and remedy"


def test_local_times_that_a_clock_change_spoils(run, folder: Path) -> None:
    good = json.loads((folder / "exam.json").read_text())
    for local, says in (("2026-10-25T01:30:00", "happens twice"), ("2026-03-29T01:30:00", "does not exist")):
        (folder / "local.ndjson").write_text(_lines({**good, "started_at": local}))
        done = run("map", "local.ndjson", "--timezone", "Europe/Lisbon")
        assert done.returncode == 1
        assert says in done.stderr
        assert done.stderr.count("+00:00") + done.stderr.count("+01:00") >= 2, "both readings"


def test_odd_files(run, folder: Path) -> None:
    text = json.dumps(json.loads((folder / "exam.json").read_text()))
    (folder / "bom.ndjson").write_bytes(b"\xef\xbb\xbf" + text.encode() + b"\n")
    assert run("map", "bom.ndjson", "-o", "o").returncode == 0
    (folder / "empty.ndjson").write_bytes(b"")
    done = run("map", "empty.ndjson", "-o", "o")
    assert (done.returncode, "no record" in done.stderr) == (0, True)
    assert run("map", ".", "-o", "o").returncode == 3
    (folder / "long.ndjson").write_text(text.replace("second scan", "x" * 2_000_000) + "\n" + text + "\n")
    done = run("map", "long.ndjson", "-o", "o")
    assert done.returncode == 1
    assert len((folder / "o").read_text().splitlines()) == 1
    assert run("map", "-", "-o", "o", stdin=text).returncode == 0


@pytest.mark.parametrize(
    ("name", "content"),
    [("empty.ndjson", ""), ("empty.json", ""), ("empty.ndjson", "\n \n"), ("empty.json", "\n \n"), ("-", "")],
)
def test_an_empty_file_is_a_warning_in_one_line_for_every_verb(run, folder: Path, name: str, content: str) -> None:
    """Exit 0: a stream that had nothing to say is no error. It counts as nothing, neither as valid nor as refused."""
    (folder / "empty.ndjson").write_text(content)
    (folder / "empty.json").write_text(content)
    push = ("push", "--server", "http://127.0.0.1:9/fhir", "--dry-run")
    verbs = (("map",), ("check",), ("unmap",), ("validate",), ("table",), ("report", "-o", "r.html"), push)
    for verb in verbs:
        done = run(*verb, name, stdin=content if name == "-" else "")
        told = [line for line in (done.stdout + done.stderr).splitlines() if line.startswith("warning: ")]
        assert (verb, done.returncode, len(told)) == (verb, 0, 1), done.stdout + done.stderr
        assert "check that its source has finished" in told[0] and (
            name in told[0] or verb[0] in ("table", "report")
        ), told
    assert run("validate", name, stdin=content).stdout == "0 judged, 0 valid, 0 invalid\n"


def test_an_empty_file_is_a_finding_for_programs(run, folder: Path) -> None:
    (folder / "empty.json").write_bytes(b"")
    done = run("validate", "empty.json", "--output-format", "ndjson")
    finding = json.loads(done.stdout)
    assert (done.returncode, finding["id"], finding["severity"], finding["file"]) == (
        0, "file-empty", "warning", "empty.json"
    )  # fmt: skip
    base = "https://w3id.org/fhir-bladder/StructureDefinition/bladder-ultrasound-exam"
    assert run("validate", "empty.json", "--profile", base).returncode == 0
    assert run("validate", "empty.json", "--level", "error").stderr == ""


def test_a_file_that_cannot_be_read_is_not_counted_as_judged(run) -> None:
    done = run("validate", "none.json")
    assert done.returncode == 3
    assert done.stdout.splitlines()[-1] == "0 judged, 0 valid, 0 invalid; 1 fatal"


def test_two_workers_write_what_one_writes(run, folder: Path) -> None:
    one, two = (run("map", "exams.ndjson", "refused.ndjson", "--workers", n) for n in ("1", "2"))
    assert one.stdout == two.stdout
    assert one.stderr == two.stderr


def test_a_reader_that_goes_away_is_no_error_text(folder: Path) -> None:
    import subprocess
    import sys

    lines = (folder / "exams.ndjson").read_text() * 200
    (folder / "many.ndjson").write_text(lines)
    command = f"{sys.executable} -m fhir_bladder map many.ndjson | head -n 1"
    done = subprocess.run(["bash", "-c", command], cwd=folder, capture_output=True, text=True, check=False)
    assert "Traceback" not in done.stderr
    assert "Exception" not in done.stderr
