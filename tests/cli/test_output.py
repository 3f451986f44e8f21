"""Where `-o` writes: a file appears whole; what is no file (a pipe, /dev/null) is written to and never replaced."""

from __future__ import annotations

import os
import stat
import threading
from pathlib import Path

import pytest
from click.testing import CliRunner

from fhir_bladder.cli import common
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
    with pytest.raises(ConfigError, match="cannot write"), common.output(tmp_path):
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
