"""The command group: what it loads, how it answers, where errors go."""

from __future__ import annotations

import subprocess
import sys
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path

import pytest
from click.testing import CliRunner

from fhir_bladder.cli import main
from fhir_bladder.cli.common import Duration
from fhir_bladder.errors import ConfigError


def _run(*arguments: str, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "fhir_bladder", *arguments], capture_output=True, text=True, cwd=cwd, check=False
    )


def test_help_loads_nothing_heavy() -> None:
    code = "import sys; sys.argv = ['fhir-bladder', '--help']; import runpy\n"
    code += "try: runpy.run_module('fhir_bladder', run_name='__main__')\nexcept SystemExit: pass\n"
    code += "print(sorted({name.split('.')[0] for name in sys.modules}), file=sys.stderr)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    for heavy in ("pydantic", "requests", "fhir", "msgspec", "orjson", "fhirpathpy", "jwt", "tomllib", "difflib"):
        assert f"'{heavy}'" not in done.stderr
    assert "'click'" in done.stderr  # the check can fail: click is loaded, so names do appear


@pytest.mark.parametrize("verb", list(main.VERBS))
def test_every_verb_answers_help(verb: str) -> None:
    result = CliRunner().invoke(main.cli, [verb, "--help"])
    assert result.exit_code == 0, result.output
    assert "Usage:" in result.output


def test_unknown_verb_is_a_usage_error() -> None:
    done = _run("frobnicate")
    assert done.returncode == 2
    assert "frobnicate" in done.stderr


def test_a_missing_file_is_one_line_and_exit_3(tmp_path: Path) -> None:
    done = _run("map", "not-there.ndjson", cwd=tmp_path)
    assert done.returncode == 3
    assert "not-there.ndjson" in done.stderr
    assert "Traceback" not in done.stderr


def _breaks(monkeypatch: pytest.MonkeyPatch, error: Exception) -> None:
    """Let the verb `serve` end in an error nobody planned."""
    from fhir_bladder.cli import serve

    def boom(**_named: object) -> None:
        raise error

    monkeypatch.setattr(serve.command, "callback", boom)


def test_an_unplanned_error_shows_its_type_and_no_text(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    monkeypatch.chdir(tmp_path)
    _breaks(monkeypatch, RuntimeError("Htest-Secret 700-431"))
    with pytest.raises(SystemExit) as stop:
        main.run(["serve"])
    assert stop.value.code == 5
    shown = capsys.readouterr().err
    assert "RuntimeError" in shown
    assert "Htest-Secret" not in shown


@pytest.mark.parametrize(
    ("error", "says", "code"),
    [
        (MemoryError(), "not enough memory", 5),
        (BrokenProcessPool(), "a worker was ended from outside", 5),
        (PermissionError(13, "Permission denied", "x.csv"), "permission denied — x.csv — ", 3),
    ],
)
def test_errors_of_the_machine_are_told_with_a_remedy(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path, error: Exception, says: str,
    code: int,
) -> None:  # fmt: skip
    monkeypatch.chdir(tmp_path)
    _breaks(monkeypatch, error)
    with pytest.raises(SystemExit) as stop:
        main.run(["serve"])
    assert stop.value.code == code
    shown = capsys.readouterr().err
    assert shown.startswith(f"error: {says}") and shown.count("\n") == 1


@pytest.mark.parametrize(
    ("file", "variables", "line", "debug"),
    [
        ("", {}, [], False),
        ("", {}, ["--debug"], True),
        ("", {"FHIR_BLADDER_DEBUG": ""}, [], False),
        ("", {"FHIR_BLADDER_DEBUG": "0"}, [], False),
        ("", {"FHIR_BLADDER_DEBUG": "1"}, [], True),
        ("", {"FHIR_BLADDER_SERVE_DEBUG": "yes"}, [], True),
        ("debug = true", {}, [], True),
        ("[serve]\ndebug = true", {}, [], True),
        ("[map]\ndebug = true", {}, [], False),
        ("debug = true", {"FHIR_BLADDER_DEBUG": "false"}, [], False),
        ("debug = false", {}, ["--debug"], True),
    ],
)
def test_debug_comes_from_line_environment_and_file_in_this_order(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, file: str, variables: dict[str, str], line: list[str], debug: bool
) -> None:
    monkeypatch.chdir(tmp_path)
    _breaks(monkeypatch, ValueError("x"))
    Path("fhir-bladder.toml").write_text(file)
    for name, value in variables.items():
        monkeypatch.setenv(name, value)
    with pytest.raises(ValueError if debug else SystemExit):
        main.run(["serve", *line])


def test_debug_shows_errors_of_the_configuration_file_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    for line in (["--debug", "serve"], ["serve", "--debug"], ["serve", "--config", "none.toml", "--debug"]):
        with pytest.raises(ConfigError):
            main.run([*line, "--config", "none.toml"])


@pytest.mark.parametrize(
    ("text", "seconds"), [("90s", 90), ("10m", 600), ("1.5h", 5400), ("30d", 2592000), ("250ms", 0.25)]
)
def test_durations(text: str, seconds: float) -> None:
    assert Duration().convert(text, None, None) == seconds


@pytest.mark.parametrize("text", ["90", "s", "-5s", "1 h", "10min", "999999999999d"])
def test_durations_refused(text: str) -> None:
    with pytest.raises(Exception, match=r"not a duration|longer than a hundred years"):
        Duration().convert(text, None, None)
