"""The command group: what it loads, how it answers, where errors go."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from fhir_bladder.cli import main
from fhir_bladder.cli.common import Duration


def _run(*arguments: str, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "fhir_bladder", *arguments], capture_output=True, text=True, cwd=cwd, check=False
    )


def test_help_loads_nothing_heavy() -> None:
    code = "import sys; sys.argv = ['fhir-bladder', '--help']; import runpy\n"
    code += "try: runpy.run_module('fhir_bladder', run_name='__main__')\nexcept SystemExit: pass\n"
    code += "print(sorted({name.split('.')[0] for name in sys.modules}), file=sys.stderr)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    for heavy in ("pydantic", "requests", "fhir", "msgspec", "orjson", "fhirpathpy", "jwt"):
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


def test_an_unplanned_error_shows_its_type_and_no_text(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def boom(*_args: object, **_kwargs: object) -> None:
        raise RuntimeError("Htest-Secret 700-431")

    monkeypatch.setattr(main.cli, "main", boom)
    with pytest.raises(SystemExit) as stop:
        main.run(["map", "x"])
    assert stop.value.code == 5
    shown = capsys.readouterr().err
    assert "RuntimeError" in shown
    assert "Htest-Secret" not in shown


@pytest.mark.parametrize(("value", "debug"), [("", False), ("0", False), ("false", False), ("1", True), ("yes", True)])
def test_the_debug_variable_is_read_as_a_flag(monkeypatch: pytest.MonkeyPatch, value: str, debug: bool) -> None:
    def boom(*_arguments: object, **_named: object) -> None:
        raise ValueError("x")

    monkeypatch.setattr(main.cli, "main", boom)
    monkeypatch.setenv("FHIR_BLADDER_DEBUG", value)
    with pytest.raises(ValueError if debug else SystemExit):
        main.run([])


@pytest.mark.parametrize(
    ("text", "seconds"), [("90s", 90), ("10m", 600), ("1.5h", 5400), ("30d", 2592000), ("250ms", 0.25)]
)
def test_durations(text: str, seconds: float) -> None:
    assert Duration().convert(text, None, None) == seconds


@pytest.mark.parametrize("text", ["90", "s", "-5s", "1 h", "10min"])
def test_durations_refused(text: str) -> None:
    with pytest.raises(Exception, match="not a duration"):
        Duration().convert(text, None, None)
