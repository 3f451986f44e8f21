"""Room `analysis`: what a report is made of, read from exam records, FHIR, export folders and receipts.

May import exam, measurement, mapping, errors, wire. Of one exam the newest version counts, an exam in both shapes once.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from fhir_bladder.analysis import census, decoding, sources
from fhir_bladder.analysis.deliveries import receipts
from fhir_bladder.analysis.keys import Keys
from fhir_bladder.errors import BladderError, Finding, InputError, RecordError
from fhir_bladder.exam import ExamRecord
from fhir_bladder.exam.record import load, status_of
from fhir_bladder.mapping import exam_key
from fhir_bladder.mapping.back import from_fhir
from fhir_bladder.measurement import Calculated, Choice, Settings, calculate, choose
from fhir_bladder.measurement.checking import Checker
from fhir_bladder.measurement.prompts import Prompt
from fhir_bladder.measurement.rulebook import Rule

RETRACTED = ("entered-in-error", "cancelled")


@dataclass
class Exam:
    """One exam of the report.

    stored_at: when the server stored it, where it came from one. receipt: the last receipt of a push.
    """

    record: ExamRecord
    key: str
    status: str
    choice: Choice
    calculated: Calculated
    file: str = ""
    line: int = 0
    stored_at: dt.datetime | None = None
    receipt: dict[str, Any] | None = None
    findings: list[Finding] = field(default_factory=list)
    prompts: list[Prompt] = field(default_factory=list)

    @property
    def moment(self) -> dt.datetime:
        """Start of the exam, aware."""
        return self.record.started_at.moment

    @property
    def recorded_at(self) -> dt.datetime | None:
        """When it came into the record, as far as that is known."""
        if self.stored_at is not None:
            return self.stored_at
        receipt = self.receipt or {}
        return moment_of(receipt.get("delivered_at")) if receipt.get("state") == "delivered" else None

    @property
    def in_record(self) -> bool | None:
        """Whether it is in the record; None where nothing here tells."""
        if self.stored_at is not None:
            return True
        return None if self.receipt is None else self.receipt.get("state") == "delivered"


@dataclass(frozen=True)
class Refused:
    """A piece of input that is no exam: place and reason."""

    file: str
    line: int
    reason: str


@dataclass
class Material:
    """Everything a report is made of. exams: in time order. loose: findings of the whole, such as gaps.

    files: those that could be read. empty: those of them that hold nothing.
    """

    exams: list[Exam] = field(default_factory=list)
    retracted: list[Exam] = field(default_factory=list)
    refused: list[Refused] = field(default_factory=list)
    older: int = 0
    receipts: list[dict[str, Any]] = field(default_factory=list)
    loose: list[Finding] = field(default_factory=list)
    errors: list[BladderError] = field(default_factory=list)
    rules: tuple[Rule, ...] = ()
    settings: Settings = field(default_factory=Settings)
    made_at: dt.datetime = field(default_factory=lambda: dt.datetime.now(dt.UTC))
    files: list[str] = field(default_factory=list)
    empty: list[str] = field(default_factory=list)

    @property
    def taken(self) -> int:
        """Exams and pieces of input that should have been one."""
        return len(self.exams) + len(self.retracted) + len(self.refused)


@dataclass
class Read:
    """What other readers made of sheets and HL7 v2 messages. files: those that could be read."""

    records: list[ExamRecord] = field(default_factory=list)
    refused: list[Refused] = field(default_factory=list)
    errors: list[BladderError] = field(default_factory=list)
    files: list[str] = field(default_factory=list)
    empty: list[str] = field(default_factory=list)


def gather(
    paths: Sequence[str | Path],
    *,
    read: Read | None = None,
    receipt_paths: Sequence[str | Path] = (),
    rules: Sequence[Rule] = (),
    settings: Settings | None = None,
    now: dt.datetime | None = None,
    zone: ZoneInfo | None = None,
    key_system: str = "",
) -> Material:
    """Read everything: JSON, NDJSON and export folders here, the rest is given in `read`; the last of a key counts.

    now: the moment the report is made, aware. zone: for times of records without an offset.
    """
    read = read or Read()
    material = Material(
        rules=tuple(rules), settings=settings or Settings(), refused=read.refused, errors=read.errors, empty=read.empty
    )
    if now is not None:
        material.made_at = now
    files = sources.expand(paths, material.errors.append)
    material.files = [*read.files, *(path.name for path in files)]
    reading = _Reading(material, zone, key_system, files)
    for record in read.records:
        reading.record(record)
    for path in files:
        reading.file(path)
    return complete(material, [*reading.from_records(), *reading.from_resources()], receipt_paths, now)


def complete(
    material: Material, exams: Iterable[Exam], receipt_paths: Sequence[str | Path], now: dt.datetime | None
) -> Material:
    """Put exams in order, judge them, and join the receipts."""
    last: dict[str, dict[str, Any]] = {}
    for _, _, receipt in receipts(receipt_paths, material.errors.append) if receipt_paths else ():
        name = str(receipt.get("key") or f"row {receipt.get('row', '')}")
        last.pop(name, None)
        last[name] = receipt
    material.receipts = list(last.values())
    superseded = set()
    ordered = sorted(exams, key=lambda exam: (exam.moment, exam.key))
    for exam in ordered:
        if exam.record.supersedes is not None:
            superseded.add(exam_key(exam.record.device.serial, exam.record.supersedes))
    checker = Checker(material.rules, now=now or material.made_at, settings=material.settings)
    for exam in ordered:
        exam.receipt = last.get(exam.key)
        if exam.status in RETRACTED or exam.key in superseded:
            material.retracted.append(exam)
            continue
        for found in checker.add(exam.record):
            if isinstance(found, Prompt):
                exam.prompts.append(found)
            else:
                exam.findings.append(found)
        material.exams.append(exam)
    material.loose = checker.close()
    return material


def _exam(record: ExamRecord, key: str, settings: Settings, **more: Any) -> Exam:
    choice = choose(record)
    status = status_of(record)
    if choice.how == "none" and status in ("final", "amended", "corrected"):
        status = "preliminary"
    return Exam(record, key, status, choice, calculate(record, settings, choice=choice), **more)


class _Reading:
    """Sorts the lines of the files: records, and FHIR resources, of which Patients and Devices come first."""

    def __init__(self, material: Material, zone: ZoneInfo | None, key_system: str, files: Sequence[Path]) -> None:
        self.material = material
        self.zone = zone
        self.key_system = key_system
        self.records: dict[str, Exam] = {}
        self.resources: list[dict[str, Any]] = []
        self.parse = decoding.pruned(Keys(whole=True))
        self.deleted = sources.Tombstones(files)

    def file(self, path: Path) -> None:
        """Read one file; what is no exam is kept with its reason."""
        try:
            self.resources.extend(self._items(path))
        except InputError as error:
            self.material.errors.append(error)
        except OSError as error:
            self.material.errors.append(
                InputError(f"cannot be read: {(error.strerror or '').lower()}", str(path), "check the file")
            )

    def _items(self, path: Path) -> Iterator[dict[str, Any]]:
        empty = True
        for line, value, reason in sources.values(path, self.parse):
            empty = False
            if reason:
                self.material.refused.append(Refused(path.name, line, reason))
            elif "resourceType" in value:
                if not self.deleted.hold(str(path), value):
                    yield value
            else:
                try:
                    self.record(load(value, zone=self.zone), path.name, line)
                except RecordError as error:
                    self.material.refused.append(Refused(path.name, line, str(error)))
        if empty:
            self.material.empty.append(path.name)

    def record(self, record: ExamRecord, file: str = "", line: int = 0) -> None:
        """Take an exam record."""
        key = exam_key(record.device.serial, record.exam_number)
        self.material.older += key in self.records
        self.records[key] = _exam(record, key, self.material.settings, file=file, line=line)

    def from_records(self) -> list[Exam]:
        """Exams that came as records."""
        return list(self.records.values())

    def from_resources(self) -> Iterator[Exam]:
        """Exams that came as FHIR, newest version of each, in one shape."""
        kept: list[dict[str, Any]] = []
        stored: dict[str, dt.datetime] = {}
        with census.Census(census.INCLUDABLE - {"older-version"}, self.key_system) as count:
            heads = [census.header(resource, self.key_system) for resource in self.resources]
            for head in heads:
                count.see(head)
            for ordinal, (head, resource) in enumerate(zip(heads, self.resources, strict=True)):
                reason = count.final(ordinal, head)
                if reason in (census.OLDER, census.OTHER_SHAPE):
                    self.material.older += reason == census.OLDER and head.key.startswith("exam ")
                    continue
                kept.append(resource)
                meta = resource.get("meta")
                moment = moment_of(meta.get("lastUpdated")) if isinstance(meta, dict) else None
                if head.key.startswith("exam ") and moment is not None:
                    stored[head.exam] = moment
        kept.sort(key=lambda resource: resource["resourceType"] not in ("Patient", "Device"))
        for data in from_fhir(kept, key_system=self.key_system, on_problem=self._problem):
            try:
                record = load(data)
            except RecordError as error:
                self.material.refused.append(Refused("", 0, str(error)))
                continue
            key = exam_key(record.device.serial, record.exam_number)
            moment = stored.get(key)
            yield _exam(record, key, self.material.settings, stored_at=moment)

    def _problem(self, error: RecordError) -> None:
        if "not a bladder-ultrasound exam" not in error.what:
            self.material.refused.append(Refused("", 0, str(error)))


def moment_of(text: Any) -> dt.datetime | None:
    """An ISO date-time with offset, else None."""
    if not isinstance(text, str):
        return None
    try:
        moment = dt.datetime.fromisoformat(text)
    except ValueError:
        return None
    return moment if moment.tzinfo is not None else moment.replace(tzinfo=dt.UTC)
