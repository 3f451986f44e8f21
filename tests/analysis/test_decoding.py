"""Structs made for a view against dicts of everything: the same rows and refusals, whatever the text is."""

# ruff: noqa: E501 - a case a line
from __future__ import annotations

import contextlib
import io
import json
import random
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhir_bladder.analysis import csv_lines, headers, sources, views
from fhir_bladder.analysis.decoding import UNREADABLE, WHOLE, everything
from fhir_bladder.errors import RecordError

CODED = "component.where(code.coding.exists(system = 's' and code = '{}'))"
PATHS = [
    "id", "status", "identifier.first().value", "identifier.value.join(',')", "subject.reference", "meta.lastUpdated",
    "effective.ofType(dateTime)", "value.ofType(Quantity).value", "value.ofType(string)", "code.coding.code.first()",
    CODED.format("x") + ".value.ofType(Quantity).value", CODED.format("y") + ".value", CODED.format("x") + ".first().interpretation.text",
    "component.where(code.coding.exists(code = 'x')).code.text", "extension('u').value.ofType(integer)",
    "status.extension('u').value.ofType(string)", "subject.getReferenceKey(Patient)", "hasMember.getReferenceKey()", "getResourceKey()",
    "component.where(value.ofType(Quantity).value > 1).code.coding.code", "component.exists()", "note.text.exists()", "status = 'final'",
    "component[1].value.ofType(Quantity).value", "component.last().code.coding.first().system", "identifier.where(system = 'k').value",
    "iif(status = 'final', id, 'x')", "value.ofType(Quantity).value + 1", "code.toString()", "effective", "component.select(code.text)",
]  # fmt: skip
VIEWS: list[dict[str, Any]] = [
    {"resource": "Observation", "select": [{"column": [{"name": f"c{n}", "path": path, "collection": n % 2 == 1} for n, path in enumerate(PATHS[at : at + 6])]}]}
    for at in range(0, len(PATHS), 5)
] + [
    {"resource": "Observation", "select": [{"column": [{"name": f"c{n}", "path": path, "type": kind} for n, (path, kind) in enumerate(
        [("id", "id"), ("status", "code"), (CODED.format("x") + ".value.ofType(Quantity).value", "decimal"), ("effective.ofType(dateTime)", "dateTime")])]}]},
    {"resource": "Observation", "where": [{"path": "status = 'final'"}], "select": [{"column": [{"name": "id", "path": "id"}]},
        {"forEach": "component", "column": [{"name": "n", "path": "%rowIndex"}, {"name": "code", "path": "code.coding.first().code"}, {"name": "v", "path": "value.ofType(Quantity).value"}],
         "select": [{"forEachOrNull": "extension", "column": [{"name": "url", "path": "url"}]}]}]},
    {"resource": "Observation", "select": [{"column": [{"name": "id", "path": "id"}], "unionAll": [
        {"forEach": "identifier", "column": [{"name": "v", "path": "value"}]}, {"forEach": "component.code.coding", "column": [{"name": "v", "path": "code"}]}]}]},
]  # fmt: skip
READERS = [(view := views.compile(one), view.reader(headers.header_keys(), lines=True)) for one in VIEWS]

SCALAR = st.sampled_from([None, True, 7, "x", "y", "s", "u", "é", "=1", "", 1.5, "Patient/p/_history/1", "Patient/p"])
NUMBER = st.sampled_from(["1", "-2.50", "1e3", "1E-7", "123456789012345678901234567890.10", "0.1", "9" * 40, "1e400", "null", '"1.5"', "{}", "[1]"])  # fmt: skip


def sometimes(strategy: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    """Usually the right thing, sometimes a list of it, and sometimes anything."""
    return st.one_of(*[strategy] * 8, st.lists(strategy, max_size=2), SCALAR)


CODING = st.fixed_dictionaries(
    {}, optional={"system": st.just("s") | SCALAR, "code": st.sampled_from(["x", "y"]) | SCALAR}
)
CONCEPT = st.fixed_dictionaries(
    {}, optional={"coding": sometimes(st.lists(sometimes(CODING), max_size=3)), "text": SCALAR}
)
EXTENSION = st.fixed_dictionaries(
    {}, optional={"url": st.just("u") | SCALAR, "valueInteger": SCALAR, "valueString": SCALAR}
)
QUANTITY = st.fixed_dictionaries({}, optional={"value": st.just("<number>") | SCALAR, "unit": SCALAR})
COMPONENT = st.fixed_dictionaries(
    {}, optional={"code": sometimes(CONCEPT), "valueQuantity": sometimes(QUANTITY), "valueString": SCALAR, "extension": sometimes(st.lists(EXTENSION, max_size=2)), "_valueString": sometimes(st.fixed_dictionaries({"extension": st.lists(EXTENSION, max_size=1)}))},
)  # fmt: skip
REFERENCE = st.fixed_dictionaries(
    {},
    optional={
        "reference": SCALAR,
        "identifier": st.fixed_dictionaries({}, optional={"system": SCALAR, "value": SCALAR}),
    },
)
RESOURCE = st.fixed_dictionaries(
    {"resourceType": st.sampled_from(["Observation"] * 8 + ["Patient", "Basic"])},
    optional={
        "id": SCALAR, "status": st.just("final") | SCALAR, "code": sometimes(CONCEPT), "component": sometimes(st.lists(sometimes(COMPONENT), max_size=3)),
        "identifier": sometimes(st.lists(st.fixed_dictionaries({}, optional={"system": st.just("k") | SCALAR, "value": SCALAR}), max_size=2)),
        "subject": sometimes(REFERENCE), "meta": sometimes(st.fixed_dictionaries({}, optional={"lastUpdated": SCALAR, "security": sometimes(CODING)})),
        "effectiveDateTime": SCALAR, "valueQuantity": sometimes(QUANTITY), "valueString": SCALAR, "extension": sometimes(st.lists(EXTENSION, max_size=2)),
        "_status": sometimes(st.fixed_dictionaries({"extension": st.lists(EXTENSION, max_size=2)})), "hasMember": sometimes(st.lists(REFERENCE, max_size=2)), "note": SCALAR,
    },
)  # fmt: skip


@st.composite
def texts(draw: Any) -> bytes:
    """A resource as text, sometimes with keys that stand twice, odd numbers, escapes, spaces, or spoilt bytes."""
    text = json.dumps(draw(RESOURCE), ensure_ascii=draw(st.booleans()))
    while '"<number>"' in text:
        text = text.replace('"<number>"', draw(NUMBER), 1)
    if draw(st.integers(0, 3)) == 0:  # a key again, before or after
        again = draw(st.sampled_from(['"status":"amended"', '"component":[{"code":{"coding":[{"system":"s","code":"x"}]}}]', '"code":5', '"id":null', '"resourceType":"Patient"', '"st\\u0061tus":"final"']))  # fmt: skip
        text = ("{" + again + "," + text[1:]) if draw(st.booleans()) and text != "{}" else text[:-1] + "," + again + "}"
    data = text.encode()
    for _ in range(draw(st.integers(0, 2)) if draw(st.integers(0, 3)) == 0 else 0):
        at = draw(st.integers(0, len(data)))
        data = data[:at] + draw(st.sampled_from([b"", b"\xff", b"\\", b'"', b"}", b"{", b" ", b"\t", b"\\ud800", b"\xc3", b",", b"1"])) + data[at + draw(st.integers(0, 2)) :]  # fmt: skip
    return data.replace(b"\n", b" ").replace(b"\r", b" ")


def by_dicts(view: views.CompiledView, data: bytes) -> Any:
    """Rows by the way that decodes everything, or what is refused: as unreadable, or by the view."""
    try:
        data.decode()
        value = everything(data)
    except UNREADABLE:
        return "refused"
    if not isinstance(value, dict) or not isinstance(value.get("resourceType"), str):
        return "refused"
    try:
        return [[_plain(cell) for cell in row] for row in view.rows(value)]
    except RecordError:
        return "refused"


def _plain(cell: Any) -> Any:
    return (type(cell).__name__, str(cell)) if not isinstance(cell, list | dict) else repr(cell)


def by_structs(reader: views.Reader, path: Path, lines: list[bytes]) -> list[Any]:
    """The same by file, line by line, through blocks and Structs."""
    found: list[Any] = ["refused"] * len(lines)
    bad: list[Any] = []
    for piece in sources.pieces(path, reader.parse, bad.append):
        with contextlib.suppress(RecordError, *UNREADABLE):
            found[piece.line - 1] = [[_plain(cell) for cell in row] for row in reader.rows(piece.value)]
            assert headers.header(piece.value)[:1] == (headers.header(everything(lines[piece.line - 1])).type,)
    return found


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("decoding")


USUAL = b'{"resourceType":"Observation","id":"u","status":"final"}'


@given(lines=st.lists(texts(), min_size=1, max_size=4), number=st.integers(0, len(READERS) - 1), framed=st.booleans())
def test_structs_and_dicts_give_the_same(lines: list[bytes], number: int, framed: bool, folder: Path) -> None:
    view, reader = READERS[number]
    lines = [USUAL, *[line for line in lines if line.strip()], USUAL]
    path = folder / "in.ndjson"
    path.write_bytes(b"\n".join(lines) + (b"\n" if framed else b""))
    found = by_structs(reader, path, lines)
    for line, rows in zip(lines, found, strict=True):
        expected = by_dicts(view, line)
        if rows != expected and "refused" not in (rows, expected):
            raise AssertionError((line, rows, expected))
        if rows != expected:
            # what the view does not reach is skipped, not decoded: only such a text may be taken, never the other way
            assert expected == "refused" and _skipped(line), (line, rows)


def _skipped(line: bytes) -> bool:
    """Whether decoding everything fails, on JSON that is well formed or has a lone surrogate."""
    try:
        everything(line)
    except UNREADABLE:
        return True
    return False


RICH = {
    "resourceType": "Observation", "id": "r", "status": "final", "_status": {"extension": [{"url": "u", "valueString": "why"}]},
    "meta": {"lastUpdated": "2026-03-18T10:00:00Z"}, "identifier": [{"system": "k", "value": "1"}, {"system": "l", "value": "2"}],
    "code": {"coding": [{"system": "s", "code": "x"}]}, "subject": {"reference": "Patient/p"}, "hasMember": [{"reference": "Observation/o"}],
    "effectiveDateTime": "2026-03-18", "extension": [{"url": "u", "valueInteger": 3}], "note": [{"text": "n"}],
    "component": [
        {"code": {"coding": [{"system": "s", "code": "x"}], "text": "first"}, "valueQuantity": {"value": 2, "unit": "mL"}, "interpretation": [{"text": "i"}]},
        {"code": {"coding": [{"system": "t", "code": "y"}, {"system": "s", "code": "y"}]}, "valueString": "text", "extension": [{"url": "e"}, {"url": "f"}]},
    ],
}  # fmt: skip


@pytest.mark.parametrize("number", range(len(READERS)))
def test_a_usual_resource_through_every_view(number: int, tmp_path: Path) -> None:
    view, reader = READERS[number]
    line = json.dumps(RICH).encode()
    (tmp_path / "a.ndjson").write_bytes(line + b"\n" + line + b"\n")
    expected = by_dicts(view, line)
    assert expected != "refused"
    assert by_structs(reader, tmp_path / "a.ndjson", [line, line]) == [expected] * 2
    assert any(cell[1] not in ("None", "[]") for row in expected for cell in row if isinstance(cell, tuple))


@given(st.lists(RESOURCE, max_size=5), st.integers(0, len(READERS) - 1))
def test_lines_of_csv_are_those_of_the_rows(resources: list[dict[str, Any]], number: int) -> None:
    view, reader = READERS[number]
    if reader.lines is None:
        return
    values = [reader.parse(json.dumps(resource).replace('"<number>"', "2.50").encode()) for resource in resources]
    slow, fast = io.BytesIO(), io.BytesIO()
    careful, quick = csv_lines.CsvWriter(slow, view.columns), csv_lines.CsvWriter(fast, view.columns)
    try:
        careful.write([row for value in values for row in reader.rows(value)])
    except RecordError:
        with pytest.raises((RecordError, *csv_lines.ODD)):
            reader.lines(values)
        return
    try:
        taken = quick.write_lines(reader.lines(values))
    except csv_lines.ODD:
        taken = False
    careful.close()
    quick.close()
    if taken:
        assert fast.getvalue() == slow.getvalue()


def test_most_readers_make_lines() -> None:
    assert sum(reader.lines is not None for _, reader in READERS) >= 2
    assert all(reader.parse is not WHOLE for _, reader in READERS)


@pytest.mark.parametrize(
    ("text", "lines", "bad"),
    [
        (USUAL + b"\n" + USUAL + b"\n", [1, 2], []),
        (USUAL + USUAL + b"\n\n", [], [1]),  # as many objects as line ends, but two in one line
        (USUAL + b" " + USUAL + b"\n \n" + USUAL, [3], [1]),
        (USUAL + USUAL + b"\n" + b'{"resourceType":"Observation","component":[{}\n,{}]}' + b"\n", [], [1, 2, 3]),
        # the first line is read by itself; these stand in one block, with as many objects as line ends
        (USUAL + b"\n" + USUAL + USUAL + b"\n\n" + USUAL + b"\n", [1, 4], [2]),
        (USUAL + b"\n" + USUAL + b" " + USUAL + b"\n" + b'{"resourceType":"Observation","component":[{},\n{}]}' + b"\n" + USUAL + b"\n", [1, 5], [2, 3, 4]),
        (USUAL + b"\r\n" + USUAL + b"\r\n", [1, 2], []),
        (USUAL + b"\n" + USUAL[:-1] + b"\n" + USUAL + b"\n", [1, 3], [2]),
        (USUAL + b"\n" + b'{"resourceType":"Observation","note":"\xff"}\n' + USUAL, [1, 3], [2]),
        (b"\xef\xbb\xbf" + USUAL + b"\n" + USUAL, [1, 2], []),
        (USUAL + b"\n[]\n" + USUAL + b"\n7\nnull\n", [1, 3], [2, 4, 5]),
        (USUAL + b"\n" + b"{" * 3000 + b"\n" + USUAL, [1, 3], [2]),
        (USUAL + b'\n{"resourceType":"Bundle","entry":[{"resource":' + USUAL + b'},{"resource":{"id":"x"}}]}\n' + USUAL + b"\n", [1, 2, 3], [2]),
    ],
)  # fmt: skip
def test_every_line_is_one_resource_or_refused_with_its_number(
    text: bytes, lines: list[int], bad: list[int], tmp_path: Path
) -> None:
    (tmp_path / "a.ndjson").write_bytes(text)
    refused: list[sources.Rejected] = []
    found = list(sources.pieces(tmp_path / "a.ndjson", READERS[0][1].parse, refused.append))
    assert [piece.line for piece in found] == lines
    assert [one.line for one in refused] == bad
    assert all(piece.whole()["resourceType"] == "Observation" for piece in found)


def test_blocks_cut_lines_anywhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    choice = random.Random(7)
    made = []
    for number in range(300):
        text = "é" * choice.randrange(40) if choice.random() < 0.3 else "e" * choice.randrange(40)
        made.append(
            json.dumps({"resourceType": "Observation", "id": str(number), "note": text}, ensure_ascii=False).encode()
        )
    path = tmp_path / "a.ndjson"
    path.write_bytes(b"\n".join(made))
    for size in (1, 7, 64, 100, 1000):
        monkeypatch.setattr(sources, "_BLOCK", size)
        bad: list[Any] = []
        found = list(sources.pieces(path, READERS[0][1].parse, bad.append))
        assert [piece.raw for piece in found] == made
        assert bad == []
