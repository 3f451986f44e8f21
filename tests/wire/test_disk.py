"""Files that are whole or not there."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from fhir_bladder.wire import disk


def test_a_file_is_replaced_whole_and_for_its_owner_only(tmp_path: Path) -> None:
    path, draft = tmp_path / "a.json", tmp_path / ".a.json.part"
    path.write_bytes(b"old")
    path.chmod(0o644)
    draft.write_bytes(b"left by a killed process")
    draft.chmod(0o666)
    disk.replace(path, b"new")
    assert path.read_bytes() == b"new"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert os.listdir(tmp_path) == ["a.json"]


def test_a_draft_that_points_elsewhere_is_not_followed(tmp_path: Path) -> None:
    other = tmp_path / "other"
    other.write_bytes(b"keep")
    (tmp_path / ".a.json.part").symlink_to(other)
    disk.replace(tmp_path / "a.json", b"new")
    assert other.read_bytes() == b"keep"


def test_what_is_there_stays_where_the_disk_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.json"
    path.write_bytes(b"old")

    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="space"):
        disk.replace(path, b"new")
    assert path.read_bytes() == b"old"
