"""The pages made from the code are current."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path

import pytest

from fhir_bladder import readers, wire
from fhir_bladder.conformance import Validator

ROOT = Path(__file__).parent.parent
_spec = importlib.util.spec_from_file_location("pages", ROOT / "tests" / "pages.py")
assert _spec
assert _spec.loader
pages = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(pages)


@pytest.mark.parametrize("name", pages.PAGES)
def test_a_page_is_current(name: str) -> None:
    written, made = (ROOT / "docs" / name).read_text(), pages.PAGES[name]()
    assert written.split() == made.split(), "run python tests/pages.py"  # releases of click break lines differently


def test_every_kind_of_hold_has_a_remedy() -> None:
    assert pages.messages.hold_codes() == set(pages.messages.HOLDS)


def test_findings_that_occur_stand_on_the_page() -> None:
    """What the bad instances of the profiles and the refused examples find; R4's own invariants keep their ids."""
    page = (ROOT / "docs" / "errors.md").read_text()
    validator = Validator()
    found = {
        finding.id
        for path in (ROOT / "tests" / "profiles" / "invalid").glob("*.json")
        for finding in validator.validate(path.read_bytes())
    }
    ours = {ident for ident in found if not re.fullmatch(r"(?!blu)[a-z]{3}-\d+", ident)}
    assert len(ours) > 10
    assert {ident for ident in ours if f"| `{ident}` |" not in page} == set()


def test_a_message_that_is_said_stands_on_the_page() -> None:
    """With its remedy; `…` is what is filled in."""
    page = (ROOT / "docs" / "errors.md").read_text()
    rows = re.findall(r"^\| .*? \| (?:error \| )?([^|]+) \| ([^|]*) \|$", page, re.MULTILINE)
    patterns = [".*".join(map(re.escape, f"{says}#{remedy}".split("…"))) for says, remedy in rows]
    items = readers.read([ROOT / "examples" / "refused.ndjson"], readers.ReadOptions())
    said = [f"{finding.message}#{finding.hint}" for item in items for finding in item.findings]
    assert len(said) == 2
    assert all(any(re.fullmatch(pattern, one) for pattern in patterns) for one in said)


def test_every_field_is_in_a_picture_and_every_element_that_a_profile_names() -> None:
    """Of the two shapes; the parts of the record together are the record."""
    flows, parts = pages.flow.flows(), set().union(*pages.flow.PARTS.values())
    fields = {field.split(".")[0].removesuffix("[]") for field in _fields_of_record()}
    assert fields - {"record_version"} == parts
    drawn = {
        field for profile in ("exam", "device", "bundle") for found in flows[profile][0].values() for field in found
    }
    assert {field.split(".")[0].removesuffix("[]") for field in drawn} == parts
    for profile in ("exam", "group"):
        own = {name for name in pages.flow.named(profile) if name.startswith(("component ", "extension "))}
        assert len(own) > 20
        assert own <= flows[profile][1]


def _fields_of_record() -> set[str]:
    return {pages.flow.field_name(path) for path, _ in pages.flow.fields(wire.loads(pages.flow.SAMPLE))}
