"""Room `exam`: what is wrong with a record, in people's words, with the field's path. May import errors.

pydantic finds the problems; nothing of its wording reaches a person. Values of patient fields are never repeated in a
message, so that a log may carry it.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator
from decimal import Decimal
from typing import Any, NoReturn

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails, PydanticCustomError

from fhir_bladder.errors import Finding, RecordError

OURS = "bladder"
"""Type of the pydantic errors that our own validators raise."""


class Problem(RecordError):
    """One thing wrong with a record: stable `id`, `field` path, what, remedy."""

    def __init__(self, id: str, what: str, remedy: str = "", *, field: str = "") -> None:
        super().__init__(what, "" if field in what else field, remedy, field=field)
        self.id = id


class RefusedRecord(Problem):
    """The record is refused: the error itself tells the first problem, `.problems` holds all of them."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        first = self.problems[0]
        super().__init__(first.id, first.what, first.remedy, field=first.field)


def refuse(id: str, what: str, remedy: str = "", *, field: str = "") -> NoReturn:
    """Raise inside a validator; `field` is relative to the object being validated."""
    raise PydanticCustomError(OURS, "{what}", {"id": id, "what": what, "remedy": remedy, "field": field})


def refuse_as(error: RecordError, id: str, *, field: str = "") -> NoReturn:
    """Raise a RecordError of another room inside a validator."""
    refuse(id, error.what, error.remedy, field=field)


def problems_of(error: ValidationError, model: type[BaseModel]) -> list[Problem]:
    """All problems of a failed validation, in the order of the record's fields."""
    # pydantic counts only the good entries of a list: one whose entries are all wrong is not empty
    found = (d for d in error.errors(include_url=False) if d["type"] != "too_short" or not d["input"])
    return [_problem(details, model) for details in found]


def findings_of(error: RecordError, *, file: str = "", line: int = 0, exam_number: str = "") -> Iterator[Finding]:
    """The problems of a refused record as findings of severity `error`."""
    for problem in getattr(error, "problems", (error,)):
        yield Finding(
            id=getattr(problem, "id", "record-refused"),
            severity="error",
            message=problem.what,
            hint=problem.remedy,
            file=file,
            line=line,
            exam_number=exam_number,
            field=problem.field,
        )


def did_you_mean(name: str, known: Iterable[str]) -> str:
    """`did you mean 'scans'?`, or empty where nothing is near."""
    near = difflib.get_close_matches(name.lower(), list(known), n=1, cutoff=0.6)
    return f"did you mean {near[0]!r}?" if near else ""


def kind_of(value: Any) -> str:
    """What a JSON value is, in words."""
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true or false"
    if isinstance(value, int | float | Decimal):
        return "a number"
    if isinstance(value, str):
        return "a text"
    if isinstance(value, list | tuple):
        return "a list"
    return "an object" if isinstance(value, dict) else type(value).__name__


def shown(value: Any, path: str = "") -> str:
    """A value for a message, cut short; patient data and objects only as their kind."""
    if path.startswith("patient") or isinstance(value, dict | list):
        return kind_of(value)
    if isinstance(value, str):
        return repr(value if len(value) <= 40 else value[:40] + "…")
    return (
        str(value)[:40]
        if isinstance(value, int | Decimal | float) and not isinstance(value, bool)
        else (str(value).lower() if isinstance(value, bool) else kind_of(value))
    )


def _problem(details: ErrorDetails, model: type[BaseModel]) -> Problem:
    path = ".".join(str(step) for step in details["loc"])
    value, context = details["input"], details.get("ctx", {})
    kind = details["type"]
    if kind == OURS:
        inner = context["field"]
        field = ".".join(step for step in (path, inner) if step)
        return Problem(context["id"], context["what"], context["remedy"], field=field)
    if kind == "missing" or (value is None and kind != "extra_forbidden"):
        return Problem("field-missing", f"{path} is missing", _how_to_write(path), field=path)
    if kind == "extra_forbidden":
        return _unknown_field(details["loc"], model, path)
    if kind == "literal_error":
        return _not_listed(path, value, context["expected"])
    what, remedy = _wording(kind, value, context, path)
    if what == "is not a URI":
        return Problem("uri-not-usable", f"{path} {what}", remedy, field=path)
    return Problem(_IDS.get(kind, "wrong-type"), f"{path} {what}", remedy, field=path)


_IDS = {
    "string_pattern_mismatch": "text-not-usable",
    "string_too_long": "text-too-long",
    "string_unicode": "text-not-usable",
    "too_short": "list-empty",
    "too_long": "list-too-long",
    "greater_than_equal": "number-too-small",
    "less_than_equal": "number-too-large",
}
_WANTED = {
    "string_type": ("a text", "put it in quotation marks"),
    "bool_type": ("true or false", "write true or false without quotation marks, or leave it out if unknown"),
    "int_type": ("a whole number", "write it without fraction and without quotation marks"),
    "int_from_float": ("a whole number", "write it without fraction"),
    "tuple_type": ("a list", "put it in square brackets"),
    "list_type": ("a list", "put it in square brackets"),
    "model_type": ("an object", "put its fields in curly brackets"),
    "model_attributes_type": ("an object", "put its fields in curly brackets"),
    "dict_type": ("an object", "put its fields in curly brackets"),
}


def _wording(kind: str, value: Any, context: dict[str, Any], path: str) -> tuple[str, str]:
    if kind in _WANTED:
        wanted, remedy = _WANTED[kind]
        got = shown(value, path) if kind == "int_type" and kind_of(value) == "a number" else kind_of(value)
        return f"must be {wanted}, not {got}", remedy
    if kind in ("string_pattern_mismatch", "string_unicode"):
        if path.endswith(".system"):
            return "is not a URI", "write an absolute one without blanks, such as https://records.example/mrn"
        if isinstance(value, str) and not value.strip():
            return "is empty", "leave the field out instead"
        return "holds characters that no text may hold", "remove control characters (below U+0020)"
    if kind == "string_too_long":
        return f"is longer than {context['max_length']:,} characters", "shorten it"
    if kind == "too_short":
        return "is empty", "give at least one"
    if kind == "too_long":
        return f"has more than {context['max_length']:,} entries", "split the record"
    if kind == "greater_than_equal":
        return f"is {shown(value, path)}, below {context['ge']}", "count from 1"
    if kind == "less_than_equal":
        return f"is {shown(value, path)}, above {context['le']}", "count from 1"
    return f"is not what the record format takes here: {shown(value, path)}", "see the exam record's table of fields"


_EXAMPLES = {
    "record_version": 'add "record_version": "1"',
    "started_at": "write it as 2026-11-18T10:42:00+00:00",
    "void_state": "say pre-void, post-void or unspecified",
    "device": 'add "device": {"serial": …}',
    "scans": "give at least one scan",
    "unit": "add the UCUM unit the value was measured in",
}


def _how_to_write(path: str) -> str:
    return _EXAMPLES.get(path.rpartition(".")[2], "add it")


def _unknown_field(loc: tuple[int | str, ...], model: type[BaseModel], path: str) -> Problem:
    known = fields_at(model, loc[:-1])
    remedy = did_you_mean(str(loc[-1]), known) or "leave it out; known here are " + ", ".join(known)
    return Problem("field-unknown", f"unknown field {str(loc[-1])[:60]!r}", remedy, field=path[:200])


def _not_listed(path: str, value: Any, expected: str) -> Problem:
    choices = expected.replace("'", "")
    if path == "record_version":
        return Problem("version-unknown", f"record version {shown(value)} is not known", 'write "1"', field=path)
    listed = choices.replace(" or ", ", ").split(", ")
    near = did_you_mean(value, listed) if isinstance(value, str) else ""
    return Problem(
        "value-not-listed",
        f"{path} {shown(value, path)} is not known",
        f"{near} write {choices}".strip(),
        field=path,
    )


def fields_at(model: type[BaseModel], loc: tuple[int | str, ...]) -> list[str]:
    """Names of the fields of the object at a path (list positions do not matter)."""
    current = model
    for step in loc:
        if isinstance(step, str) and step in current.model_fields:
            current = part_of(current.model_fields[step].annotation) or current
    return list(current.model_fields)


def part_of(annotation: Any) -> type[BaseModel] | None:
    """The record part inside an annotation such as `tuple[Scan, ...] | None`."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for inner in getattr(annotation, "__args__", ()):
        found = part_of(inner)
        if found is not None:
            return found
    return None
