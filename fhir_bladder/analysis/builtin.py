"""Room `analysis`: the built-in views and the columns a view cannot compute. May import errors, terminology, mapping.

What a view of one Observation cannot know is added here: the patient's one key, age and exam index (they need the
other resources), UTC, the exam number, the digits of a value.
"""

from __future__ import annotations

import datetime as dt
from array import array
from collections.abc import Sequence
from decimal import Decimal, InvalidOperation
from typing import Any

from fhir_bladder import wire
from fhir_bladder.analysis.headers import subject_key
from fhir_bladder.analysis.pseudonyms import OLDEST, Pseudonyms
from fhir_bladder.analysis.runtime import items
from fhir_bladder.analysis.store import Numbering, Store
from fhir_bladder.analysis.views import Column
from fhir_bladder.errors import ConfigError, RecordError
from fhir_bladder.mapping import keys as exam_keys
from fhir_bladder.terminology import artefacts

NAMES = ("exams", "measurements")

EXAM_COLUMNS = (
    Column("exam_number", "string", False, "Number of the exam within its device"),
    Column("started_at", "instant", False, "Start of the exam in UTC"),
    Column("patient", "string", False, "One key a patient: assigning system and identifier, else the reference"),
    Column("patient_exam", "integer", False, "Number of the exam among those of the patient that count, by time"),
    Column("age_years", "integer", False, "Completed years at the exam, from the true birth date of the Patient"),
    Column("gender", "code", False, "Administrative gender of the Patient"),
)
MEASUREMENT_COLUMNS = (
    Column("value_text", "string", False, "The value with its digits and comparator as written, or as received"),
)


def definition(name: str, key_system: str = "") -> dict[str, Any]:
    """A built-in ViewDefinition, for the site's key system. Raises ConfigError for another name."""
    if name not in NAMES:
        raise ConfigError(f"no view {name!r}", "", f"use {', '.join(NAMES)}, deliveries, or a ViewDefinition file")
    path = artefacts.profile_dir() / "views" / f"ViewDefinition-{name}.json"
    view: dict[str, Any] = wire.loads(path.read_bytes())
    if key_system:
        view["constant"] = [{"name": "key_system", "valueUri": key_system}]
    return view


class Patients:
    """What is known of patients: birth date, gender, and the one key of each."""

    def __init__(self) -> None:
        self._store = Store()

    def close(self) -> None:
        """Remove the temporary file, if there is one."""
        self._store.close()

    def add(self, patient: dict[str, Any]) -> None:
        """Take a Patient resource in."""
        names = [f"Patient/{patient['id']}"] if patient.get("id").__class__ is str else []
        for identifier in items(patient.get("identifier")):
            if identifier.__class__ is dict and identifier.get("value").__class__ is str:
                names.append(f"{identifier.get('system', '')}|{identifier['value']}")
        if not names:
            return
        one = min(names[1:], default=names[0]) if names[0].startswith("Patient/") else min(names)
        birth, gender = patient.get("birthDate"), patient.get("gender")
        value = "\t".join((one, birth if birth.__class__ is str else "", gender if gender.__class__ is str else ""))
        for name in names:
            self._store.put(name, value)

    def one(self, name: str) -> str:
        """The one key of a patient known by `name`."""
        found = self._store.get(name)
        return found.split("\t")[0] if found else name

    def names(self) -> dict[str, str]:
        """The one key of every name that has another one."""
        return {name: one for name, value in self._store.items() if (one := value.split("\t")[0]) != name}

    def facts(self, name: str) -> tuple[str, str]:
        """Birth date and gender, empty where not known."""
        found = self._store.get(name)
        if found is None:
            return "", ""
        _, birth, gender = found.split("\t")
        return birth, gender


class Exams:
    """Computes the added columns of `exams`."""

    def __init__(self, columns: tuple[Column, ...], patients: Patients, hide: Pseudonyms | None) -> None:
        self.place = {column.name: index for index, column in enumerate(columns)}
        self.patients = patients
        self.hide = hide
        self.sequence = Numbering()
        self.numbers = array("I")

    def close(self) -> None:
        """Remove the temporary file."""
        self.sequence.close()

    def survey(self, ordinal: int, subject: str, effective: Any) -> None:
        """Take an exam in, on the first pass: whose it is (`subject_key`) and its effectiveDateTime."""
        moment = _moment(effective)
        self.sequence.add(ordinal, subject, moment.timestamp() if moment else 0.0)

    def settle(self, reasons: bytearray) -> None:
        """Number the exams, between the passes."""
        self.numbers = array("I", bytes(4 * len(reasons)))
        for ordinal, number in self.sequence.numbers(self.patients.one, lambda ordinal: reasons[ordinal] == 0):
            self.numbers[ordinal] = number

    def row(self, row: Sequence[Any], name: str, effective: Any, exam: str, ordinal: int) -> tuple[Any, ...]:
        """The row of an exam with its added columns.

        name, effective: true subject and time, also where the row's are hidden. exam: the true key.
        """
        cells = list(row)
        who = self.patients.one(name) if name else ""
        birth, gender = self.patients.facts(name) if name else ("", "")
        age = age_at(birth, _moment(effective))
        number: str | None
        try:
            number = exam_keys.parse_key(exam).number
        except RecordError:
            number = None
        if self.hide is not None:
            number = None
            exam = self.hide.exam(exam)
            who_shown = self.hide.of("patient", who) if who else None
            age = min(age, OLDEST) if age is not None else None
        else:
            who_shown = who or None
        cells[self.place["exam_key"]] = exam
        local = cells[self.place["started_at_local"]]
        shown = _moment(local)
        start = shown.astimezone(dt.UTC).isoformat().replace("+00:00", "Z") if shown else None
        counted = self.numbers[ordinal] or None
        return (*cells, number, start, who_shown, counted, age, gender or None)


class Measurements:
    """Computes the added columns of `measurements`."""

    def __init__(self, columns: tuple[Column, ...], hide: Pseudonyms | None) -> None:
        self.place = {column.name: index for index, column in enumerate(columns)}
        self.hide = hide

    def row(self, row: Sequence[Any], exam: str) -> tuple[Any, ...]:
        """The row of a value with its added columns, trailing zeros given back. exam: the true key."""
        place = self.place
        cells = list(row)
        cells[place["exam_key"]] = self.hide.exam(exam) if self.hide is not None else exam
        places = cells[place["places"]]
        for name in ("value", "limit"):
            value = cells[place[name]]
            if value is not None and places.__class__ is int and 0 <= places < 20:
                cells[place[name]] = _with_places(value, places)
        number = cells[place["value"]] if cells[place["value"]] is not None else cells[place["limit"]]
        text = cells[place["as_received"]]
        if text is None and number is not None:
            text = f"{cells[place['comparator']] or ''}{number}"
        return (*cells, text)


def _with_places(value: Any, places: int) -> Any:
    try:
        number = Decimal(repr(value)) if value.__class__ is float else Decimal(value)
        exponent = number.as_tuple().exponent
        if isinstance(exponent, int) and -exponent < places:
            return number.quantize(Decimal(1).scaleb(-places))
    except (InvalidOperation, TypeError, ValueError):
        return value
    return value


def _moment(text: Any) -> dt.datetime | None:
    if text.__class__ is not str or len(text) < 16:
        return None
    try:
        moment = dt.datetime.fromisoformat(text)
    except ValueError:
        return None
    return moment if moment.tzinfo is not None else None


def age_at(birth: str, moment: dt.datetime | None) -> int | None:
    """Completed years at a moment; None where the birth date is not known to the day."""
    if moment is None or len(birth) != 10:
        return None
    try:
        born = dt.date.fromisoformat(birth)
    except ValueError:
        return None
    years = moment.year - born.year - ((moment.month, moment.day) < (born.month, born.day))
    return years if years >= 0 else None


def extra_columns(name: str) -> tuple[Column, ...]:
    """The added columns of a built-in view."""
    return EXAM_COLUMNS if name == "exams" else MEASUREMENT_COLUMNS if name == "measurements" else ()


__all__ = ["NAMES", "Exams", "Measurements", "Patients", "definition", "extra_columns", "subject_key"]
