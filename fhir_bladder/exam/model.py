"""Room `exam`: the exam record, version 1, as a strict model. May import terminology, wire, errors.

Field names are those of the open record format; what a field does not say is unknown. Digits, units and times are
kept as written: `Quantity.value` and `.unit`, `Timestamp.text`.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator, Sequence
from decimal import Decimal
from typing import Annotated, Any, ClassVar, Literal, Self, TypeVar

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationInfo,
    WithJsonSchema,
    model_validator,
)

from fhir_bladder.errors import RecordError
from fhir_bladder.exam import times
from fhir_bladder.exam.problems import Problem, kind_of, refuse, refuse_as
from fhir_bladder.exam.times import Timestamp
from fhir_bladder.terminology import units

VoidState = Literal["pre-void", "post-void", "unspecified"]
VoidAttempt = Literal["voided", "unable", "not-attempted", "unknown"]
Position = Literal["supine", "sitting", "standing", "left-lateral", "right-lateral", "unspecified"]
Centring = Literal["centred", "partly-centred", "not-centred", "unknown"]
Direction = Literal["left", "right", "cranial", "caudal"]
AbsentReason = Literal["not-seen", "failed", "refused"]
ChoiceRule = Literal["operator", "last", "largest", "median", "mean"]
Layer = Literal["whole-wall", "detrusor", "unknown"]
ActionTaken = Literal["none", "repeat-scan", "catheterised", "escalated"]
Status = Literal["final", "preliminary", "amended", "corrected", "cancelled", "entered-in-error"]
Gender = Literal["male", "female", "other", "unknown"]

_DATE = re.compile(r"\d{4}(?:-\d{2}(?:-\d{2})?)?\Z", re.ASCII)
_CONTROL = r"\x00-\x08\x0b\x0c\x0e-\x1f\x7f"
# R4 string: no control characters but tab, CR and LF. Checked by the regex engine of pydantic, not in Python.
_TEXT = f"^[^{_CONTROL}]*[^\\s{_CONTROL}][^{_CONTROL}]*$"
# R4 uri: no blank; an assigning system is absolute.
_URI = r"^[A-Za-z][A-Za-z0-9+.-]*:[^\s\x00-\x1f\x7f]+$"
_DATE_SCHEMA = r"^\d{4}(-\d{2}(-\d{2})?)?$"
_TIME_SCHEMA = r"^\d{4}-\d{2}-\d{2}[Tt ]\d{2}:\d{2}(:\d{2}(\.\d{1,9})?)?([Zz]|[+-]\d{2}:?\d{2})?$"
MAX_TEXT = 10_000
MAX_SCANS = 1_000
_MAX_DIGITS = 64


class Part(BaseModel):
    """Base of every object in the record: strict types, no unknown field, immutable."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, arbitrary_types_allowed=True)


def _date(value: Any) -> str:
    if not isinstance(value, str) or not _DATE.match(value):
        refuse("date-not-readable", "this is not a date", "write it as 1951-03-09, 1951-03 or 1951")
    try:
        dt.date.fromisoformat(value + "-01-01"[: 10 - len(value)] if len(value) < 10 else value)
    except ValueError as error:
        refuse("date-not-readable", f"this is not a date: {error}", "correct it")
    return value


def _timestamp(value: Any, info: ValidationInfo) -> Timestamp:
    if not isinstance(value, str):
        if isinstance(value, Timestamp):
            return value
        refuse("time-not-readable", f"a time must be a text, not {kind_of(value)}", _TIME_REMEDY)
    try:
        return times.parse(value, info.context)
    except RecordError as error:
        refuse_as(error, getattr(error, "id", "time-not-readable"))


_TIME_REMEDY = "write it as 2026-11-18T10:42:00+00:00"


def _decimal(value: Any) -> Decimal:
    if isinstance(value, Decimal):
        number = value
    elif isinstance(value, float):  # from a JSON library that knows no decimals: the digits it would write
        number = Decimal(repr(value))
    elif isinstance(value, int) and not isinstance(value, bool):
        number = Decimal(value)
    else:
        refuse("wrong-type", f"must be a number, not {kind_of(value)}", "write it without quotation marks")
    if not number.is_finite():
        refuse("number-not-finite", "is not a finite number", "leave it out where nothing was measured")
    if number and not -_MAX_DIGITS < number.adjusted() < _MAX_DIGITS:  # `wire` limits the digits behind the point
        refuse("number-out-of-range", f"has more than {_MAX_DIGITS} digits", "correct the number")
    return number


def _none_if_empty(value: tuple[Any, ...]) -> tuple[Any, ...] | None:
    return value or None


_PartT = TypeVar("_PartT", bound=Part)


def _none_if_all_unknown(value: Part) -> Part | None:
    return value if any(item is not None for item in value.__dict__.values()) else None


Text = Annotated[str, Field(pattern=_TEXT, max_length=MAX_TEXT)]
Uri = Annotated[str, Field(pattern=_URI, max_length=MAX_TEXT)]
DateText = Annotated[str, BeforeValidator(_date), WithJsonSchema({"type": "string", "pattern": _DATE_SCHEMA})]
Time = Annotated[Timestamp, BeforeValidator(_timestamp), WithJsonSchema({"type": "string", "pattern": _TIME_SCHEMA})]
# R4 integer: 32 bits.
ScanNumber = Annotated[int, Field(ge=1, le=2**31 - 1)]
Number = Annotated[Decimal, BeforeValidator(_decimal), WithJsonSchema({"type": "number"})]
_Item = TypeVar("_Item")
# An empty list says nothing: it equals an absent one.
Several = Annotated[tuple[_Item, ...], Field(strict=False), AfterValidator(_none_if_empty)]
# So does an object whose fields are all unknown.
Some = Annotated[_PartT, AfterValidator(_none_if_all_unknown)]


class Quantity(Part):
    """A number with its unit, both as written. The class sets the kind, which decides the units that will do."""

    kind: ClassVar[str] = ""
    takes_comparator: ClassVar[bool] = False

    value: Number
    unit: Text
    comparator: Literal["<", ">"] | None = None

    @model_validator(mode="after")
    def _unit_fits(self) -> Self:
        try:
            units.understand(self.unit, self.kind)
        except RecordError as error:
            refuse_as(error, "unit-not-usable", field="unit")
        if self.comparator is not None and not self.takes_comparator:
            refuse(
                "comparator-not-taken",
                f"comparator {self.comparator!r} stands only with the volume of a scan",
                "leave this value out, or give it as measured",
                field="comparator",
            )
        return self

    @property
    def canonical(self) -> Decimal:
        """The value in mL, mm, cm2, g or MHz, exactly."""
        return units.to_canonical(self.value, self.unit)


class Volume(Quantity):
    """A volume, canonical mL."""

    kind = "volume"


class ScanVolume(Volume):
    """The volume of a scan: the one quantity that may carry a comparator."""

    takes_comparator = True


class Length(Quantity):
    """A length, canonical mm."""

    kind = "length"


class Area(Quantity):
    """An area, canonical cm2."""

    kind = "area"


class Mass(Quantity):
    """A mass, canonical g."""

    kind = "mass"


class Frequency(Quantity):
    """A frequency, canonical MHz."""

    kind = "frequency"


class Identifier(Part):
    """An identifier with its assigning system (URI)."""

    system: Uri
    value: Text


class PatientIdentifier(Identifier):
    """A patient's identifier; `type` is a code of HL7 table 0203 such as MR."""

    type: Text | None = None


class Device(Part):
    """The scanner, as at the exam."""

    serial: Text
    manufacturer: Text | None = None
    model: Text | None = None
    software_version: Text | None = None
    udi_device_identifier: Text | None = None
    calibrated_on: DateText | None = None


class Patient(Part):
    """Whose bladder it is."""

    identifiers: Several[PatientIdentifier] | None = None
    birth_date: DateText | None = None
    administrative_gender: Gender | None = None
    family_name: Text | None = None
    given_names: Several[Text] | None = None


class Operator(Part):
    """Who scanned."""

    identifier: Identifier | None = None
    display: Text | None = None


class EarlierVoid(Part):
    """A void before the last one."""

    at: Time
    volume: Volume | None = None
    measured: bool | None = None


class Scan(Part):
    """One acquisition: a volume, or the reason for none."""

    scan_number: ScanNumber
    taken_at: Time | None = None
    volume: ScanVolume | None = None
    absent_reason: AbsentReason | None = None
    centring: Centring | None = None
    off_centre_towards: Several[Direction] | None = None
    pubic_shadow: bool | None = None

    @model_validator(mode="after")
    def _one_of(self) -> Self:
        if (self.volume is None) == (self.absent_reason is None):
            refuse(
                "scan-volume-or-reason",
                "a scan needs exactly one of volume and absent_reason",
                "give the volume, or say not-seen, failed or refused",
                field="volume" if self.volume is None else "absent_reason",
            )
        return self


class Diameters(Part):
    """Three diameters of one scan, and the coefficient its volume was computed with."""

    scan_number: ScanNumber | None = None
    length: Length
    width: Length
    height: Length
    coefficient: Number


class Wall(Part):
    """The wall as measured on one scan. `caliper_thickness` was measured by hand."""

    scan_number: ScanNumber | None = None
    layer: Layer | None = None
    thickness: Length | None = None
    caliper_thickness: Length | None = None
    surface_area: Area | None = None
    mass: Mass | None = None
    probe_frequency: Frequency | None = None


class Verified(Part):
    """A person looked at the exam and stands for it."""

    by: Text
    at: Time
    note: Text | None = None


class Action(Part):
    """What followed."""

    what: ActionTaken
    at: Time | None = None
    note: Text | None = None


class ExamRecord(Part):
    """One bladder-ultrasound exam."""

    record_version: Literal["1"]
    exam_number: Text
    device: Device
    patient: Some[Patient] | None = None
    order: Identifier | None = None
    encounter: Identifier | None = None
    episode: Identifier | None = None
    reason: Text | None = None
    operator: Some[Operator] | None = None
    location: Text | None = None
    started_at: Time
    uterus_present: bool | None = None
    void_state: VoidState
    void_attempt: VoidAttempt | None = None
    voided_at: Time | None = None
    voided_volume: Volume | None = None
    void_measured: bool | None = None
    earlier_voids: Several[EarlierVoid] | None = None
    catheter_removed_at: Time | None = None
    catheterised_volume: Volume | None = None
    catheterised_at: Time | None = None
    catheter_in_place: bool | None = None
    pregnant: bool | None = None
    hysterectomy: bool | None = None
    ascites: bool | None = None
    pelvic_surgery: bool | None = None
    retention_symptoms: bool | None = None
    position: Position | None = None
    scans: Annotated[tuple[Scan, ...], Field(strict=False, min_length=1, max_length=MAX_SCANS)]
    reported_scan: int | None = None
    choice_rule: ChoiceRule | None = None
    diameters: Diameters | None = None
    wall: Some[Wall] | None = None
    verified: Verified | None = None
    action: Action | None = None
    status: Status | None = None
    supersedes: Text | None = None
    synthetic: bool | None = None

    @model_validator(mode="after")
    def _rules(self) -> Self:
        volumes = [(scan.scan_number, scan.volume.comparator if scan.volume else None) for scan in self.scans]
        for problem in broken_rules(volumes, self.reported_scan, self.choice_rule):
            refuse(problem.id, problem.what, problem.remedy, field=problem.field)
        if self.supersedes == self.exam_number:  # it would retract itself on the server
            refuse(
                "supersedes-itself",
                "the exam supersedes itself",
                "name the older exam; a corrected exam of the same number has status amended or corrected",
                field="supersedes",
            )
        return self


def broken_rules(
    scans: Sequence[tuple[int, str | None]], reported_scan: int | None, choice_rule: str | None
) -> Iterator[Problem]:
    """The rules that hold between fields. scans: number and comparator of each scan."""
    numbers = [number for number, _ in scans]
    if len(set(numbers)) < len(numbers):
        position = next(i for i, number in enumerate(numbers) if number in numbers[:i])
        yield Problem(
            "scan-number-twice",
            f"scan number {numbers[position]} stands twice",
            "number the scans of an exam 1, 2, 3, …",
            field=f"scans.{position}.scan_number",
        )
    if reported_scan is not None and reported_scan not in numbers:
        yield Problem(
            "reported-scan-not-there",
            f"reported_scan is {reported_scan}, but the scans are {', '.join(map(str, numbers))}",
            "name one of them, or leave reported_scan out",
            field="reported_scan",
        )
    if choice_rule in ("median", "mean"):
        if reported_scan is not None:
            yield Problem(
                "reported-scan-with-rule",
                f"reported_scan and choice_rule {choice_rule} exclude each other",
                "leave one of them out",
                field="reported_scan",
            )
        for position, (number, comparator) in enumerate(scans):
            if comparator:
                yield Problem(
                    "comparator-in-average",
                    f"scan {number} has a comparator ({comparator}), which a {choice_rule} cannot take",
                    "choose another choice_rule, or name the reported_scan",
                    field=f"scans.{position}.volume.comparator",
                )
