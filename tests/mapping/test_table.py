"""The table record field → FHIR element is current, and complete against the model's fields."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from types import UnionType
from typing import Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel

from fhir_bladder.exam.model import ExamRecord, Quantity
from fhir_bladder.mapping import table

PAGE = Path(__file__).parent.parent.parent / "docs" / "record-to-fhir.md"


def leaves(annotation: Any, path: str) -> Iterator[str]:
    """Paths of the leaves of a field, from the model's own annotations."""
    if hasattr(annotation, "__metadata__"):
        yield from leaves(annotation.__origin__, path)
    elif get_origin(annotation) in (Union, UnionType):
        for option in get_args(annotation):
            if option is not type(None):
                yield from leaves(option, path)
    elif get_origin(annotation) is tuple:
        yield from leaves(get_args(annotation)[0], path + "[]")
    elif get_origin(annotation) is Literal or not (isinstance(annotation, type) and issubclass(annotation, BaseModel)):
        yield path
    else:
        for name, field in annotation.model_fields.items():
            if name == "comparator" and issubclass(annotation, Quantity) and not annotation.takes_comparator:
                continue
            yield from leaves(field.annotation, f"{path}.{name}" if path else name)


def test_every_field_of_the_model_has_an_element_in_both_shapes() -> None:
    expected = set(leaves(ExamRecord, ""))
    rows = table.rows()
    assert {row.field for row in rows} == expected
    assert len(expected) > 80
    for row in rows:
        assert row.panel, row.field
        assert row.single, row.field


def test_the_page_is_what_the_code_does() -> None:
    assert PAGE.read_text(encoding="utf-8") == table.markdown(), "write it again, see its head"
