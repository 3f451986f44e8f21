"""Room `exam`: a record in and out: `load`, `dump`, `same`, `notes`. May import terminology, errors."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from fhir_bladder.errors import Finding
from fhir_bladder.exam.model import ExamRecord, Part, Quantity, broken_rules
from fhir_bladder.exam.problems import Problem, RefusedRecord, kind_of, problems_of
from fhir_bladder.exam.times import Timestamp
from fhir_bladder.terminology import units

_validate = ExamRecord.__pydantic_validator__.validate_python


def load(data: Mapping[str, Any], *, zone: ZoneInfo | None = None) -> ExamRecord:
    """Read one record as parsed by `wire.loads`. `zone` is for times without an offset.

    Raises RefusedRecord (a RecordError) with all problems in `.problems`, each with its field path and a remedy.
    """
    try:
        record: ExamRecord = _validate(data) if zone is None else _validate(data, context=zone)
    except ValidationError as error:
        if not isinstance(data, Mapping):
            what = f"a record must be an object, not {kind_of(data)}"
            raise RefusedRecord([Problem("not-a-record", what, "write one object for each exam")]) from None
        raise RefusedRecord(_all_problems(error, data)) from None
    return record


def _all_problems(error: ValidationError, data: Mapping[str, Any]) -> list[Problem]:
    """What pydantic found, and the rules between fields, which it does not reach once a field is wrong."""
    problems = problems_of(error, ExamRecord)
    seen = {problem.field for problem in problems}
    raw_scans = data.get("scans")
    scans = [scan for scan in raw_scans if isinstance(scan, dict)] if isinstance(raw_scans, list) else []
    numbered = [
        (scan["scan_number"], volume.get("comparator") if isinstance(volume := scan.get("volume"), dict) else None)
        for scan in scans
        if isinstance(scan.get("scan_number"), int)
    ]
    reported, rule = data.get("reported_scan"), data.get("choice_rule")
    if len(numbered) == len(scans) and scans and (reported is None or isinstance(reported, int)):
        rules = broken_rules(numbered, reported, rule if isinstance(rule, str) else None)
        problems += [problem for problem in rules if problem.field not in seen]
    return problems


def dump(record: Part) -> dict[str, Any]:
    """The record as written: given fields only, digits, units and times as received. `wire.dumps` takes it."""
    return {name: _plain(value) for name, value in record.__dict__.items() if value is not None}


def _plain(value: Any) -> Any:
    if isinstance(value, Part):
        return dump(value)
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    return value.text if isinstance(value, Timestamp) else value


def same(one: ExamRecord, other: ExamRecord) -> bool:
    """Equal as the record format means it: after reading, digits, units and times as text, status by default."""
    return bool(_comparable(one) == _comparable(other))


def _comparable(record: ExamRecord) -> Any:
    return _digits(dump(record) | {"status": status_of(record)})


def _digits(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _digits(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_digits(item) for item in value]
    return str(value) if isinstance(value, Decimal) else value


def status_of(record: ExamRecord) -> str:
    """The status as given, else `final` where the exam is verified and `preliminary` where it is not."""
    return record.status or ("final" if record.verified else "preliminary")


def quantities(part: Part, path: str = "") -> Iterator[tuple[str, Quantity]]:
    """Every quantity of the record with its path."""
    for name, value in part.__dict__.items():
        if isinstance(value, Quantity):
            yield f"{path}{name}", value
        elif isinstance(value, Part):
            yield from quantities(value, f"{path}{name}.")
        elif isinstance(value, tuple):
            for position, item in enumerate(value):
                if isinstance(item, Part):
                    yield from quantities(item, f"{path}{name}.{position}.")


def notes(record: ExamRecord) -> list[Finding]:
    """What was understood but not as written: unit aliases, references to scans the record does not hold."""
    found = []
    for path, quantity in quantities(record):
        unit = units.understand(quantity.unit, quantity.kind)
        if unit.alias:
            found.append(
                Finding(
                    "unit-alias",
                    "note",
                    f"unit {quantity.unit!r} is read as {unit.code}",
                    expected=unit.code,
                    found=quantity.unit,
                    hint=f"write {unit.code}, the UCUM code",
                    exam_number=record.exam_number,
                    field=f"{path}.unit",
                )
            )
    numbers = {scan.scan_number for scan in record.scans}
    for name, number in (
        ("wall", record.wall and record.wall.scan_number),
        ("diameters", record.diameters and record.diameters.scan_number),
    ):
        if number is not None and number not in numbers:
            found.append(
                Finding(
                    "scan-number-not-there",
                    "note",
                    f"{name} belongs to scan {number}, which the record does not hold",
                    expected=", ".join(map(str, sorted(numbers))),
                    found=str(number),
                    hint="name one of the scans, or leave scan_number out",
                    exam_number=record.exam_number,
                    field=f"{name}.scan_number",
                )
            )
    return found
