"""Values of the configuration file: what does not fit is refused with the file and the key, and never in silence."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from fhir_bladder.cli.main import cli, run

EXAMPLES = Path(__file__).parents[2] / "examples"


def _run(tmp_path: Path, text: str, *arguments: str) -> Result:
    file = tmp_path / "site.toml"
    file.write_bytes(text.encode())
    return CliRunner().invoke(cli, [*arguments, "--config", str(file)])


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('shpae = "single"', "unknown key 'shpae' — {file} — did you mean 'shape'?"),
        ('[map]\nshpae = "single"', "unknown key 'shpae' — {file} [map] — did you mean 'shape'?"),
        ('[mop]\nshape = "single"', "unknown key 'mop' — {file} — did you mean 'map'?"),
        ("map = 3", "map is not a table — {file} — write [map] on a line of its own, its keys below"),
        ("site = 3", "site is not a table — {file} — "),
        ('inputs = ["exam.json"]', "unknown key 'inputs' — {file}"),
        ('config = "other.toml"', "unknown key 'config' — {file}"),
        ("shape = 3", "shape = 3 is not a text, in quotation marks — {file} — write a text"),
        ('shape = ["panel"]', "shape = ['panel'] is not a text"),
        ('[map]\nshape = "square"', 'shape = "square" will not do — {file} [map] — '),
        ('workers = "two"', 'workers = "two" is not a whole number — {file}'),
        ("workers = 2.5", "workers = 2.5 is not a whole number"),
        ("workers = true", "workers = true is not a whole number"),
        ("workers = 99", "workers = 99 will not do"),
        ("columns = 3", "columns = 3 is not a text"),
        ('columns = "a\\u0000b"', "columns is no path"),
        ('debug = "perhaps"', 'debug = "perhaps" is not true or false'),
        ("no toml at all", "not TOML: "),
        ('shape = "\udcff"', "not UTF-8 — {file} — save it as UTF-8"),
        (
            '[site]\nkey_sytem = "https://x.example"',
            "unknown key 'key_sytem' — {file} [site] — did you mean 'key_system'?",
        ),
        ("[site]\nkey_system = 3", "key_system = 3 is not a text — {file} [site] — write a text"),
        ('[site]\nkey_system = "a b"', "key_system 'a b' is not a URI — {file} [site] — "),
        ("[site]\nfilling_low = 500", "the filling range 500 to 400 mL is empty — {file} [site] — "),
        ("[site]\ndensity = -1", "density is -1 — {file} [site] — "),
        ('[site]\ndensity = "light"', "density = 'light' is not a number — {file} [site] — "),
    ],
)
def test_what_does_not_fit_is_refused_with_its_place(tmp_path: Path, text: str, says: str) -> None:
    (tmp_path / "site.toml").write_bytes(text.encode("utf-8", "surrogateescape"))
    done = CliRunner().invoke(cli, ["map", str(EXAMPLES / "exam.json"), "--config", str(tmp_path / "site.toml")])
    assert done.exit_code == 3, done.output
    assert done.stderr.startswith("error: " + says.format(file=tmp_path / "site.toml"))
    assert done.stderr.count("\n") == 1


def test_a_file_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    for name, reason in (("none.toml", "no such file or directory"), (".", "is a directory")):
        done = CliRunner().invoke(cli, ["map", str(EXAMPLES / "exam.json"), "--config", str(tmp_path / name)])
        assert (done.exit_code, done.stderr) == (
            3, f"error: cannot be read: {reason} — {tmp_path / name} — check --config\n"
        )  # fmt: skip


def test_paths_are_relative_to_the_file_and_a_dash_is_none(tmp_path: Path) -> None:
    exam = str(EXAMPLES / "exam.json")
    assert _run(tmp_path, 'out = "out.ndjson"', "map", exam).exit_code == 0
    assert (tmp_path / "out.ndjson").read_text().count("\n") == 1
    assert '"Observation"' in _run(tmp_path, 'out = "-"', "map", exam).stdout
    assert not (tmp_path / "-").exists()
    done = _run(tmp_path, '[validate]\npackage = "none.tgz"', "validate", exam)
    assert f"package not found — {tmp_path / 'none.tgz'}" in done.stderr, "one value stands for a list of one"
    done = _run(tmp_path, '[validate]\npackage = ["none.tgz"]', "validate", exam)
    assert f"package not found — {tmp_path / 'none.tgz'}" in done.stderr


def test_a_date_of_toml_is_a_time(tmp_path: Path) -> None:
    done = _run(
        tmp_path, "[pull]\nsince = 2026-11-01", "pull", "--server", "http://127.0.0.1:9/fhir", "--deadline", "1s"
    )
    assert done.exit_code in (4, 5), done.stderr
    done = _run(tmp_path, "[pull]\nsince = 2026", "pull", "--server", "http://127.0.0.1:9/fhir")
    assert done.exit_code == 3


def test_a_wrong_variable_is_named(monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> None:
    for name in ("FHIR_BLADDER_SHAPE", "FHIR_BLADDER_MAP_SHAPE"):
        monkeypatch.setenv(name, "square")
        with pytest.raises(SystemExit) as stop:
            run(["map", str(EXAMPLES / "exam.json")])
        assert stop.value.code == 2
        assert f"Invalid value for {name}: 'square'" in capfd.readouterr().err
    with pytest.raises(SystemExit):
        run(["map", str(EXAMPLES / "exam.json"), "--shape", "round"])
    assert "'--shape'" in capfd.readouterr().err, "the line goes before the variable"
