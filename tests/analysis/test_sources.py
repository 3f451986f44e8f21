"""Reading ranges of a file, as the tasks of a cluster do: every line once, whatever the cuts."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhir_bladder.analysis import sources
from fhir_bladder.analysis.decoding import WHOLE

LINE = st.integers(0, 40).map(lambda n: json.dumps({"resourceType": "Basic", "x": "y" * n}).encode())


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("ranges")


@given(lines=st.lists(LINE | st.just(b""), max_size=12), size=st.integers(1, 200), end=st.booleans())
def test_ranges_cover_every_line_once(lines: list[bytes], size: int, end: bool, folder: Path) -> None:
    path = folder / "in.ndjson"
    path.write_bytes(b"\n".join(lines) + (b"\n" if end and lines else b""))
    total = path.stat().st_size
    pieces: list[Any] = []
    bad: list[Any] = []
    count = 0
    for start in range(0, total, size):
        stop = min(start + size, total)
        pieces += sources.range_pieces(path, start, stop, WHOLE, bad.append)
        count += sources.line_count(path, start, stop)
    assert [piece.raw for piece in pieces] == [line for line in lines if line]
    assert count == len(path.read_bytes().splitlines())
    assert bad == []


def test_a_packed_file_or_a_document_is_not_cut(tmp_path: Path) -> None:
    import gzip

    (tmp_path / "a.ndjson.gz").write_bytes(gzip.compress(b'{"resourceType":"Basic"}\n'))
    (tmp_path / "b.json").write_text('{\n "resourceType": "Basic"\n}')
    (tmp_path / "c.ndjson").write_text('{"resourceType":"Basic"}\n')
    assert [sources.is_plain_ndjson(tmp_path / n) for n in ("a.ndjson.gz", "b.json", "c.ndjson")] == [
        False,
        False,
        True,
    ]
    for name in ("a.ndjson.gz", "b.json", "c.ndjson"):
        [piece] = sources.pieces(tmp_path / name, WHOLE, [].append)
        assert piece.value == {"resourceType": "Basic"}
