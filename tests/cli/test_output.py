"""Where `-o` writes: a file appears whole; what is no file (a pipe, /dev/null) is written to and never replaced."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import CliRunner

from fhir_bladder.cli import common, verbs
from fhir_bladder.cli.main import cli
from fhir_bladder.errors import ConfigError
from fhir_bladder.exchange.outbox import Outbox


def test_a_pipe_is_written_to_and_stays(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    read: list[bytes] = []
    reader = threading.Thread(target=lambda: read.append(pipe.read_bytes()), daemon=True)
    reader.start()
    with common.output(pipe) as stream:
        stream.write(b"line\n")
    reader.join(5)
    assert read == [b"line\n"] and stat.S_ISFIFO(pipe.stat().st_mode)


def test_a_link_is_written_through(tmp_path: Path) -> None:
    (tmp_path / "real").write_bytes(b"old")
    (tmp_path / "link").symlink_to(tmp_path / "real")
    with common.output(tmp_path / "link") as stream:
        stream.write(b"new")
    assert (tmp_path / "link").is_symlink() and (tmp_path / "real").read_bytes() == b"new"


def test_a_folder_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="cannot be written: is a directory"), common.output(tmp_path):
        pass


@pytest.mark.parametrize(
    "verb", [("report", "{exam}", "-o", "{pipe}"), ("outbox", "backup", "--outbox", "{db}", "-o", "{pipe}")]
)
def test_what_is_no_file_is_not_replaced_by_one(tmp_path: Path, verb: tuple[str, ...]) -> None:
    exam = Path(__file__).parents[2] / "examples" / "exam.json"
    pipe, db = tmp_path / "pipe", tmp_path / "outbox.db"
    os.mkfifo(pipe)
    with Outbox(db):
        pass
    result = CliRunner().invoke(cli, [part.format(exam=exam, pipe=pipe, db=db) for part in verb])
    assert result.exit_code != 0 and stat.S_ISFIFO(pipe.stat().st_mode)


EXAMPLES = Path(__file__).parents[2] / "examples"
SERVER = ("--server", "http://127.0.0.1:9/fhir")


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("map {exams} -o {exams}", "-o would write over the input"),
        ("map {exams} -o ./{exams}", "-o would write over the input"),
        ("map {link} -o {exams}", "-o would write over the input"),
        ("map {exams} -o {link}", "-o would write over the input"),
        ("map {exams} --findings {exams}", "--findings would write over the input"),
        ("map {exams} -o {new} --findings {new}", "--findings would write over -o"),
        ("map {exams} --columns {map} -o {map}", "-o would write over --columns"),
        ("unmap {fhir} -o {fhir}", "-o would write over the input"),
        ("validate {exams} {fhir} -o {fhir}", "-o would write over the input"),
        ("validate {fhir} --write-baseline {fhir}", "--write-baseline would write over the input"),
        ("validate {fhir} --baseline {map} --write-baseline {map}", "--write-baseline would write over --baseline"),
        ("table {fhir} -o {fhir}", "-o would write over the input"),
        ("report {exams} -o {exams}", "-o would write over the input"),
        ("report {exams} --receipts {map} -o {map}", "-o would write over --receipts"),
        ("columns suggest {sheet} -o {sheet}", "-o would write over the input"),
        ("push {exams} --outbox {exams}", "--outbox would write over the input"),
        ("push {exams} --receipts {exams}", "--receipts would write over the input"),
        ("push {exams} --outbox {new} --receipts {new}", "--receipts would write over --outbox"),
        ("outbox backup --outbox {map} -o {map}", "-o would write over --outbox"),
    ],
)
def test_nothing_given_is_written_over(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, line: str, says: str) -> None:
    names = {"exams": "exams.ndjson", "sheet": "sheet-kx.csv", "map": "columns-kx.toml", "fhir": "fhir.ndjson"}
    monkeypatch.chdir(tmp_path)
    for name in names.values():
        if (EXAMPLES / name).exists():
            Path(name).write_bytes((EXAMPLES / name).read_bytes())
    assert CliRunner().invoke(cli, ["map", "exams.ndjson", "-o", "fhir.ndjson"]).exit_code == 0
    Path("link").symlink_to("exams.ndjson")
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    arguments = line.format(**names, link="link", new="new.ndjson").split()
    done = CliRunner().invoke(cli, [*arguments, *(SERVER if arguments[0] == "push" else ())])
    assert (done.exit_code, done.output.count("\n")) == (3, 1), done.output
    assert done.output.startswith(f"error: {says} — ") and done.output.endswith(" — name another file\n")
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_devices_may_stand_twice_and_other_files_are_no_matter(tmp_path: Path) -> None:
    exams, out = str(EXAMPLES / "exams.ndjson"), str(tmp_path / "out.ndjson")
    for line in (["-o", "/dev/null", "--findings", "/dev/null"], ["-o", out], ["-o", out], ["-o", "-"]):
        done = CliRunner().invoke(cli, ["map", exams, *line])
        assert done.exit_code == 0, done.output
    assert Path(out).read_bytes().count(b"\n") == 8


def _verbs(group: click.Group, path: tuple[str, ...] = ()) -> list[tuple[tuple[str, ...], click.Command]]:
    found = []
    for name in group.list_commands(click.Context(group)):
        command = group.get_command(click.Context(group), name)
        assert command is not None
        found += _verbs(command, (*path, name)) if isinstance(command, click.Group) else [((*path, name), command)]
    return found


def test_every_path_of_every_verb_says_whether_it_is_written() -> None:
    """Else it would be kept from neither fate: written over, or refused as a wrong command line when unreadable."""
    kinds = {
        (" ".join(path), parameter.opts[0]): parameter.type
        for path, command in _verbs(cli)
        for parameter in command.params
        if isinstance(parameter.type, click.Path)
    }
    assert len(kinds) > 60
    assert {name for name, kind in kinds.items() if kind not in (verbs.READ, verbs.WRITTEN)} == set()
    written = {option for (_, option), kind in kinds.items() if kind is verbs.WRITTEN}
    assert written == {
        "-o", "--findings", "--write-baseline", "--outbox", "--receipts", "--status-file", "--store", "--keep"
    }  # fmt: skip
    assert kinds["report", "--receipts"] is verbs.READ


def test_a_file_that_may_not_be_read_is_an_error_of_the_input(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Exit 3, and the others are done; not click's 2. root may read everything, so the refusal is acted here."""
    closed = tmp_path / "closed.ndjson"
    closed.write_bytes((EXAMPLES / "exams.ndjson").read_bytes())
    really = Path.open

    def refusing(path: Path, *arguments: Any, **named: Any) -> Any:
        if path == closed:
            raise PermissionError(13, "Permission denied", str(path))
        return really(path, *arguments, **named)

    monkeypatch.setattr(Path, "open", refusing)
    monkeypatch.setattr(os, "access", lambda path, *_: str(path) != str(closed))
    done = CliRunner().invoke(cli, ["map", str(closed), str(EXAMPLES / "exam.json")])
    assert done.exit_code == 3
    assert done.stderr.splitlines() == [
        f"error: cannot read the file: permission denied — {closed} — check the path",
        "1 exam mapped, 0 records refused",
    ]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["export", "--server", "http://127.0.0.1:1/fhir", "-o", "a.csv"], "it is no folder — a.csv — name a folder"),
        (["pull", "--server", "http://127.0.0.1:1/fhir", "-o", "sub"], "it is a folder — sub — name a file"),
        (["columns", "suggest", "a.csv"], "it is JSON, no sheet — a.csv"),
        (["columns", "suggest", "r.csv"], "it is no text — r.csv"),
        (["validate", "--package", "none.tgz", "a.csv"], "none.tgz"),
        (["validate", "--baseline", "sub", "a.csv"], "cannot be read: is a directory — sub — check the path"),
    ],
)
def test_a_wrong_path_or_name_is_told_with_its_remedy(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str], words: str
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "sub").mkdir()
    (tmp_path / "a.csv").write_text('{"exam_number": "1"}')
    (tmp_path / "r.csv").write_bytes(bytes(range(256)))
    command = [sys.executable, "-m", "fhir_bladder", *arguments]
    process = subprocess.run(command, capture_output=True, text=True, check=False)
    assert words in process.stderr
    assert "Errno" not in process.stderr and process.stderr.count("\n") == 1
    assert process.returncode in (1, 3)
    assert not list(tmp_path.glob("*.part"))
