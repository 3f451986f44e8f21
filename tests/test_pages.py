"""The pages made from the code are current."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

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
