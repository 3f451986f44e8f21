"""The site's code table: nothing in silence, one clear line for every mistake."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from fhir_bladder.errors import ConfigError
from fhir_bladder.terminology import sites
from fhir_bladder.terminology.names import LOCAL, LOINC, SNOMED

GOOD = {
    "concept": "volume",
    "when": {"void_state": "post-void"},
    "system": LOINC,
    "code": "98856-8",
    "confirmed_by": "site terminology group, release 2.82",
}


def test_the_table_of_the_commands_page(tmp_path: Path) -> None:
    path = tmp_path / "codes.toml"
    path.write_text(
        '[[code]]\nconcept = "volume"\nwhen = { void_state = "post-void" }\nsystem = "http://loinc.org"\n'
        'code = "98856-8"\nconfirmed_by = "site terminology group, release 2.82"\n'
    )
    table = sites.read(path)
    assert [row.code for row in table.rows] == ["98856-8"]
    assert len(table.sha256) == 64
    assert table.rows[0].holds({"void_state": "post-void"})
    assert not table.rows[0].holds({"void_state": "pre-void"})
    assert table.rows[0].coding == {"system": LOINC, "code": "98856-8"}


@pytest.mark.parametrize(
    ("change", "what"),
    [
        ({"confirmed_by": None}, "confirmed_by is missing"),
        ({"confirmed_by": "  "}, "confirmed_by is missing"),
        ({"concept": "volumes"}, "concept 'volumes' is not known"),
        ({"concept": "centred"}, "concept 'centred' is not known"),
        ({"system": "LOINC"}, "not an absolute URI"),
        ({"system": LOCAL}, "not a site's to extend"),
        ({"code": "98856-7"}, "check digit"),
        ({"code": 98856}, "code is missing"),
        ({"system": SNOMED, "code": "241534003"}, "check digit"),
        ({"when": {}}, "says post-void, but is not bound to it"),
        ({"when": {"void_state": "pre-void"}}, "says post-void, but is not bound to it"),
        ({"when": {"void_state": "after"}}, "void_state is never 'after'"),
        ({"when": {"age": 7}}, "condition 'age' is not known"),
        ({"when": {"void_state": "post-void", "void_measured": 1}}, "void_measured is never 1"),
        ({"when": "post-void"}, "when is not a table"),
        ({"code": "9197-5"}, "is never written"),
        ({"code": "15309-8", "when": {}}, "says three diameters"),
        ({"comment": "x"}, "'comment' is not known"),
        ({"display": 7}, "display is not a text"),
    ],
)  # fmt: skip
def test_mistakes_are_named_with_their_row(change: dict[str, Any], what: str) -> None:
    row = {name: value for name, value in (GOOD | change).items() if value is not None}
    with pytest.raises(ConfigError, match=what) as caught:
        sites.parse({"code": [GOOD | {"code": "69388-7"}, row]}, "codes.toml")
    assert "codes.toml, code 2" in caught.value.where
    assert caught.value.remedy


def test_the_same_code_twice_is_refused() -> None:
    with pytest.raises(ConfigError, match="twice"):
        sites.parse({"code": [GOOD, GOOD]})


@pytest.mark.parametrize("text", [b"[code]\n", b"[[codes]]\n", b"code = 1\n", b"not toml", b"\xff\xfe"])
def test_files_that_are_no_table(tmp_path: Path, text: bytes) -> None:
    path = tmp_path / "codes.toml"
    path.write_bytes(text)
    with pytest.raises(ConfigError):
        sites.read(path)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="cannot be read"):
        sites.read(tmp_path / "none.toml")
    with pytest.raises(ConfigError, match="cannot be read"):
        sites.read(tmp_path)
