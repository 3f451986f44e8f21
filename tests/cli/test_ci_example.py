"""The example of a CI job and the pre-commit hook: their commands run, and end as the job needs."""

from __future__ import annotations

import glob
import json
import re
import shlex
from pathlib import Path

ROOT = Path(__file__).parent.parent.parent


def _fhir(run, folder: Path) -> str:
    (folder / "fhir").mkdir()
    text = run("map", "exam.json").stdout
    (folder / "fhir" / "exam.json").write_text(text)
    return text


def test_the_ci_job_accepts_what_is_known_and_fails_on_what_is_new(run, folder: Path, monkeypatch) -> None:
    text = (folder / "ci-validate.yml").read_text()
    good = _fhir(run, folder)
    monkeypatch.chdir(folder)
    commands = re.findall(r"fhir-bladder (validate fhir/.*)$", text, re.MULTILINE)
    accept, judge = (
        [part for word in shlex.split(command) for part in (glob.glob(word) if "*" in word else [word])]
        for command in commands
    )
    (folder / "fhir" / "exam.json").write_text(good.replace('"status":"final"', '"status":"finall"'))
    assert run(*accept).returncode == 0
    assert run(*judge).returncode == 0
    assert json.loads((folder / "findings.sarif").read_text())["runs"][0]["results"] == []
    (folder / "fhir" / "exam.json").write_text(good.replace('"issued"', '"isued"'))
    assert run(*judge).returncode == 1
    (found,) = json.loads((folder / "findings.sarif").read_text())["runs"][0]["results"]
    assert found["locations"][0]["physicalLocation"]["artifactLocation"]["uri"] == "fhir/exam.json"


def test_the_pre_commit_hook_runs_on_files(run, folder: Path) -> None:
    text = (ROOT / ".pre-commit-hooks.yaml").read_text()
    entry = shlex.split(re.search(r"^  entry: (.+)$", text, re.MULTILINE)[1])
    assert entry[0] == "fhir-bladder"
    _fhir(run, folder)
    assert run(*entry[1:], "fhir/exam.json").returncode == 0
    assert run(*entry[1:], "exam.json").returncode == 1
