"""The pages about tables hold to the code."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from fhir_bladder.analysis import builtin, census, views
from fhir_bladder.analysis.docs import markdown
from fhir_bladder.terminology import artefacts

DOCS = Path(__file__).parents[2] / "docs"


def test_the_dictionary_is_the_one_of_the_code() -> None:
    assert (DOCS / "data-dictionary.md").read_text("utf-8") == markdown()


def test_every_column_says_what_it_means() -> None:
    for name in builtin.NAMES:
        view = views.compile(builtin.definition(name))
        for column in view.columns + builtin.extra_columns(name):
            assert column.description, column.name
            assert column.type, column.name


def test_the_tables_page_names_every_reason() -> None:
    text = (DOCS / "tables.md").read_text("utf-8")
    for reason in census.INCLUDABLE - {"older-version"}:
        assert reason in text


def test_views_are_canonical_artefacts() -> None:
    for view in artefacts.load("ViewDefinition"):
        name = view["name"]
        assert view["url"] == f"https://w3id.org/fhir-bladder/ViewDefinition/{name}"
        assert view["title"]
        assert view["description"]
        assert view["resource"] == "Observation"


def test_built_in_views_need_no_general_engine() -> None:
    """They run in generated code alone, and on a pruned parse."""
    for name in builtin.NAMES:
        view = views.compile(builtin.definition(name))
        assert not view.keys.whole
        assert "_general" not in view.source
        assert not [line for line in view.source.splitlines() if " = g" in line]


def test_local_codes_in_views_are_codes_of_the_code_system() -> None:
    [system] = [s for s in artefacts.load("CodeSystem") if s["url"].endswith("bladder-ultrasound")]
    known = {concept["code"] for concept in system["concept"]}

    def codes(node: Any) -> set[str]:
        text = json.dumps(node, default=str)
        import re

        pattern = r"system = '" + re.escape(system["url"]) + r"' and code = '([^']*)'"
        return set(re.findall(pattern, text))

    for view in artefacts.load("ViewDefinition"):
        found = codes(view)
        assert found
        assert found <= known
