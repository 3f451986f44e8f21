"""The page of licences: complete, current where releases let it be, and nothing on it that binds what it is used in."""

from __future__ import annotations

import importlib.metadata as metadata
import importlib.util
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
_spec = importlib.util.spec_from_file_location("licences", ROOT / "tests" / "licences.py")
assert _spec
assert _spec.loader
licences = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(licences)


def test_every_dependency_stands_on_the_page() -> None:
    named = {licences.name_of(one.name) for found in licences.direct().values() for one in found}
    assert named <= licences.rows().keys(), "run python tests/licences.py"


@pytest.mark.parametrize("name", licences.rows())
def test_the_page_says_what_the_package_says(name: str) -> None:
    try:
        installed = licences.licence(name)
    except metadata.PackageNotFoundError:
        return  # needed by an extra that is not installed here, or by other releases only
    assert licences.kinds(installed) & licences.kinds(licences.rows()[name]), f"{name}: {installed}"


def test_every_licence_leaves_the_program_free() -> None:
    """Of an alternative one kind is enough; a kind nobody knows is looked at by a person."""
    for name, said in licences.rows().items():
        assert licences.kinds(said), f"{name}: {said!r}: add its kind"
        assert licences.kinds(said) & licences.FREE, f"{name}: {said}"
        assert "GPL" not in licences.kinds(said) or " or " in said.lower(), f"{name}: {said}"
