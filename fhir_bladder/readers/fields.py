"""Room `readers`: record fields by path (`scans.0.volume`), what each takes, and building a record. May import exam."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal, get_args, get_origin

from pydantic import BaseModel

from fhir_bladder.errors import ConfigError
from fhir_bladder.exam import ExamRecord
from fhir_bladder.exam.model import Quantity, Time
from fhir_bladder.exam.problems import did_you_mean, part_of


@dataclass(frozen=True, slots=True)
class Field:
    """What a record field takes.

    kind: quantity, number, integer, boolean, time, date, text, choice, or object for a part as a whole.
    choices: of a choice. dimension: of a quantity (volume, length, …). many: the path names a whole list.
    """

    path: str
    kind: str
    choices: tuple[str, ...] = ()
    dimension: str = ""
    many: bool = False


@lru_cache(maxsize=512)
def field_at(path: str) -> Field:
    """The field a path names; a list takes positions (`patient.identifiers.0.value`). Raises ConfigError."""
    steps = path.split(".")
    annotation: Any = ExamRecord
    for position, step in enumerate(steps):
        part = part_of(annotation)
        if _is_list(annotation) and step.isdecimal():
            annotation = part if part is not None else _item(annotation)
            continue
        known = list(part.model_fields) if part is not None else []
        if step not in known or (_is_list(annotation) and not steps[position - 1].isdecimal()):
            raise _unknown(path, position, known, is_list=_is_list(annotation))
        assert part is not None
        annotation = part.model_fields[step].annotation
        if step in _DATES:
            return Field(path, "date")
    return _field(path, annotation)


_DATES = ("birth_date", "calibrated_on")


def _unknown(path: str, position: int, known: list[str], *, is_list: bool) -> ConfigError:
    steps = path.split(".")
    if is_list and not steps[position].isdecimal():
        listed = ".".join(steps[:position])
        return ConfigError(f"{listed} is a list", f"field {path}", f"write {listed}.0.{steps[position]}")
    near = did_you_mean(steps[position], known)
    inside = ".".join(steps[:position])
    remedy = near or (f"known in {inside}: {', '.join(known)}" if known else f"{inside} has no fields")
    if not inside:
        remedy = near or "see the exam record's table of fields"
    return ConfigError(f"the exam record has no field {path!r}", "", remedy)


def _field(path: str, annotation: Any) -> Field:
    many = _is_list(annotation)
    inner = _item(annotation) if many else annotation
    inner = next((a for a in get_args(inner) if a is not type(None)), inner) if _is_union(inner) else inner
    while hasattr(inner, "__metadata__"):
        if inner == Time:
            return Field(path, "time", many=many)
        inner = inner.__origin__
    if get_origin(inner) is Literal:
        return Field(path, "choice", tuple(get_args(inner)), many=many)
    part = part_of(inner)
    if part is not None and issubclass(part, Quantity):
        return Field(path, "quantity", dimension=part.kind, many=many)
    if part is not None:
        return Field(path, "object", many=many)
    names = {"str": "text", "bool": "boolean", "int": "integer", "Decimal": "number", "Timestamp": "time"}
    return Field(path, names[inner.__name__], many=many)


def _is_union(annotation: Any) -> bool:
    return type(None) in get_args(annotation)


def _strip(annotation: Any) -> Any:
    if _is_union(annotation):
        annotation = next(a for a in get_args(annotation) if a is not type(None))
    while hasattr(annotation, "__metadata__") and annotation != Time:
        annotation = annotation.__origin__
    return annotation


def _is_list(annotation: Any) -> bool:
    return get_origin(_strip(annotation)) is tuple


def _item(annotation: Any) -> Any:
    return get_args(_strip(annotation))[0]


def all_fields(part: type[BaseModel] = ExamRecord, prefix: str = "") -> list[Field]:
    """Every field a column may fill, lists at position 0."""
    found: list[Field] = []
    for name in part.model_fields:
        field = field_at(prefix + name)
        inner = part_of(part.model_fields[name].annotation)
        if field.kind != "object" or inner is None:
            found.append(field)
        else:
            found += all_fields(inner, f"{prefix}{name}.0." if field.many else f"{prefix}{name}.")
    return found


class Tree:
    """A record under construction; values are put by path, list positions may come in any order."""

    def __init__(self) -> None:
        self._root: dict[str | int, Any] = {}

    def put(self, path: str, value: Any) -> None:
        """Set one field; a later value for the same path replaces the earlier one."""
        steps: list[str | int] = [int(step) if step.isdecimal() else step for step in path.split(".")]
        current = self._root
        for step in steps[:-1]:
            inner = current.setdefault(step, {})
            if not isinstance(inner, dict):
                inner = current[step] = {}
            current = inner
        current[steps[-1]] = value

    def data(self) -> dict[str, Any]:
        """The record as plain data; positions that were left out close up."""
        result = _plain(self._root)
        return result if isinstance(result, dict) else {}


def _plain(value: Any) -> Any:
    if not isinstance(value, dict):
        return value
    if value and all(isinstance(key, int) for key in value):
        return [_plain(value[key]) for key in sorted(value)]
    return {str(key): _plain(item) for key, item in value.items()}
