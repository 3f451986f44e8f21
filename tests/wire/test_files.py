"""Files as streams of documents: what is NDJSON, what is one document, what goes wrong and where."""

from __future__ import annotations

import gzip
import tracemalloc
from pathlib import Path

import pytest

from fhir_bladder import wire
from fhir_bladder.errors import BladderError
from fhir_bladder.wire import files


def _read(*paths: Path, unbundle: bool = False) -> tuple[list[files.Document], list[BladderError]]:
    errors: list[BladderError] = []
    return list(files.resources(paths, on_error=errors.append, unbundle=unbundle)), errors


def _write(path: Path, data: bytes) -> Path:
    path.write_bytes(data)
    return path


A, B = b'{"resourceType":"A","v":1.10}', b'{"resourceType":"B"}'


@pytest.mark.parametrize(
    "data",
    [A + b"\n" + B + b"\n", A + b"\n\n" + B, b"\n" + A + b"\r\n" + B, b"\xef\xbb\xbf" + A + b"\n" + B,
     b"[" + A + b"," + B + b"]", b"[\n" + A + b",\n" + B + b"\n]\n",
     gzip.compress(A + b"\n" + B)],
    ids=["lines", "blank-lines", "crlf", "byte-order-mark", "array", "array-over-lines", "gzip"],
)  # fmt: skip
def test_the_same_two_resources_in_every_form(tmp_path: Path, data: bytes) -> None:
    documents, errors = _read(_write(tmp_path / "x", data))
    assert [wire.dumps(d.value) for d in documents] == [A, B]
    assert errors == []


def test_one_bad_line_does_not_lose_the_others(tmp_path: Path) -> None:
    documents, errors = _read(_write(tmp_path / "x.ndjson", A + b'\n{"resourceType":"B"\n' + B + b"\n[1]\n"))
    assert [d.line for d in documents] == [1, 3]
    assert "x.ndjson:2" in errors[0].where
    assert "x.ndjson:4" in errors[1].where


def test_a_file_that_is_not_there_does_not_stop_the_others(tmp_path: Path) -> None:
    documents, errors = _read(tmp_path / "none", tmp_path, _write(tmp_path / "a", A))
    assert len(documents) == 1
    assert [error.exit_code for error in errors] == [3, 3]


def test_bundles_are_opened_on_request(tmp_path: Path) -> None:
    path = _write(tmp_path / "b", b'{"resourceType":"Bundle","entry":[{"resource":' + A + b'},{"fullUrl":"x"}]}')
    assert [d.value["resourceType"] for d in _read(path)[0]] == ["Bundle"]
    assert [d.value["resourceType"] for d in _read(path, unbundle=True)[0]] == ["A"]


def test_a_gzip_bomb_is_refused(tmp_path: Path) -> None:
    documents, errors = _read(_write(tmp_path / "bomb.gz", gzip.compress(b" " * 50_000_000)))
    assert documents == []
    assert "grows more than" in errors[0].what


def test_a_broken_gzip_file_is_named(tmp_path: Path) -> None:
    _, errors = _read(_write(tmp_path / "cut.gz", gzip.compress((A + b"\n") * 9999)[:-40]))
    assert "cut.gz" in errors[-1].where


def test_a_long_line_is_skipped_in_bounded_memory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(wire, "MAX_LINE", 1 << 20)
    path = tmp_path / "long.ndjson"
    with path.open("wb") as stream:
        stream.write(A + b'\n{"x":"')
        for _ in range(64):
            stream.write(b"y" * (1 << 20))
        stream.write(b'"}\n' + B + b"\n")
    tracemalloc.start()
    errors: list[BladderError] = []
    with path.open("rb") as stream:
        lines = [(line.number, line.too_long) for line in wire.iter_lines(stream, max_line=1 << 20)]
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert lines == [(1, False), (2, True), (3, False)]
    assert peak < 8 << 20
    assert errors == []


def test_an_empty_file_gives_nothing(tmp_path: Path) -> None:
    assert _read(_write(tmp_path / "e", b"\n \n")) == ([], [])
