"""Room `exam`: the exam record, version 1, as a strict model. May import terminology, wire, errors.

Field names are those of the open record format; what a field does not say is unknown. Digits, units and times are
kept as written: `Quantity.value` and `.unit`, `Timestamp.text`.
"""

from __future__ import annotations

import datetime as dt
import re
from decimal import Decimal
from functools import cached_property
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationInfo, field_validator, model_validator

from fhir_bladder.errors import RecordError
from fhir_bladder.exam import times
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


class Part(BaseModel):
    """Base of every object in the record: strict types, no unknown field, immutable."""

    model_config = ConfigDict(
        extra="forbid", strict=True, frozen=True, arbitrary_types_allowed=True, ignored_types=(cached_property,)
    )


def _text(value: str) -> str:
    if not value.strip():
        raise ValueError("is empty; leave the field out instead")
    return value


def _date(value: str) -> str:
    if not isinstance(value, str) or not _DATE.match(value):
        raise ValueError("is not a date; write it as 1951-03-09")
    try:
        dt.date.fromisoformat(value + "-01-01"[: 10 - len(value)] if len(value) < 10 else value)
    except ValueError as error:
        raise ValueError(f"is not a date: {error}") from None
    return value


def _timestamp(value: Any, info: ValidationInfo) -> Timestamp:
    if isinstance(value, Timestamp):
        return value
    if not isinstance(value, str):
        raise ValueError("is not a text; write the time as 2026-11-18T10:42:00+00:00")  # noqa: TRY004
    return times.parse(value, (info.context or {}).get("zone"))


def _decimal(value: Any) -> Decimal:
    if isinstance(value, bool) or not isinstance(value, int | Decimal):
        raise ValueError(f"is not a number: {str(value)[:40]!r}")
    number = Decimal(value)
    if not number.is_finite():
        raise ValueError("is not a finite number")
    return number


Text = Annotated[str, BeforeValidator(lambda v: _text(v) if isinstance(v, str) else v), Field(max_length=10_000)]
DateText = Annotated[str, BeforeValidator(_date)]
Time = Annotated[Timestamp, BeforeValidator(_timestamp)]
Number = Annotated[Decimal, BeforeValidator(_decimal)]
_Item = TypeVar("_Item")
Several = Annotated[tuple[_Item, ...], Field(strict=False)]


class Quantity(Part):
    """A number with its unit, both as written; `kind` is set by the class and decides which units will do."""

    value: Number
    unit: Text
    comparator: Literal["<", "<=", ">=", ">"] | None = None

    @property
    def kind(self) -> str:
        """Dimension: volume, length, area, mass or frequency."""
        raise NotImplementedError

    @model_validator(mode="after")
    def _unit_fits(self) -> Quantity:
        units.understand(self.unit, self.kind)
        return self

    @property
    def canonical(self) -> Decimal:
        """The value in mL, mm, cm2, g or MHz, exactly."""
        return units.to_canonical(self.value, self.unit)


class Volume(Quantity):
    """A volume, canonical mL."""

    @property
    def kind(self) -> str:
        """Volume."""
        return "volume"


class Length(Quantity):
    """A length, canonical mm."""

    @property
    def kind(self) -> str:
        """Length."""
        return "length"


class Area(Quantity):
    """An area, canonical cm2."""

    @property
    def kind(self) -> str:
        """Area."""
        return "area"


class Mass(Quantity):
    """A mass, canonical g."""

    @property
    def kind(self) -> str:
        """Mass."""
        return "mass"


class Frequency(Quantity):
    """A frequency, canonical MHz."""

    @property
    def kind(self) -> str:
        """Frequency."""
        return "frequency"


class Identifier(Part):
    """An identifier with its assigning system (URI)."""

    system: Text
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

    scan_number: int = Field(ge=1)
    taken_at: Time | None = None
    volume: Volume | None = None
    absent_reason: AbsentReason | None = None
    centring: Centring | None = None
    off_centre_towards: Several[Direction] | None = None
    pubic_shadow: bool | None = None

    @model_validator(mode="after")
    def _one_of(self) -> Scan:
        if (self.volume is None) == (self.absent_reason is None):
            raise ValueError("needs exactly one of volume and absent_reason")
        return self


class Diameters(Part):
    """Three diameters of one scan, and the coefficient its volume was computed with."""

    scan_number: int | None = Field(default=None, ge=1)
    length: Length
    width: Length
    height: Length
    coefficient: Number


class Wall(Part):
    """The wall as measured on one scan. `caliper_thickness` was measured by hand."""

    scan_number: int | None = Field(default=None, ge=1)
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
    patient: Patient | None = None
    order: Identifier | None = None
    encounter: Identifier | None = None
    episode: Identifier | None = None
    reason: Text | None = None
    operator: Operator | None = None
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
    scans: Annotated[Several[Scan], Field(min_length=1)]
    reported_scan: int | None = None
    choice_rule: ChoiceRule | None = None
    diameters: Diameters | None = None
    wall: Wall | None = None
    verified: Verified | None = None
    action: Action | None = None
    status: Status | None = None
    supersedes: Text | None = None
    synthetic: bool | None = None
