"""Room `measurement`: one exam as its findings and rules see it, gathered once. May import exam."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from decimal import Decimal

from fhir_bladder.errors import Finding
from fhir_bladder.exam import ExamRecord, Timestamp
from fhir_bladder.exam.model import Quantity, Scan
from fhir_bladder.measurement.calculated import Filling, filling_of
from fhir_bladder.measurement.choice import Choice, choose
from fhir_bladder.measurement.settings import DEFAULT, Settings


class Facts:
    """A record with its result, its volumes in mL and the moment of judging (aware)."""

    __slots__ = ("_filling", "choice", "moments", "now", "record", "settings", "volumes")

    def __init__(
        self,
        record: ExamRecord,
        now: dt.datetime,
        settings: Settings = DEFAULT,
        choice: Choice | None = None,
        filling: Filling | None = None,
    ) -> None:
        self.record = record
        self.now = now
        self.settings = settings
        self.choice = choose(record) if choice is None else choice
        self.volumes: list[tuple[int, Scan, Decimal, str | None]] = []  # the scan's place in the record first
        self.moments = moments = [record.started_at.moment]
        self._filling = filling
        for index, scan in enumerate(record.scans):
            volume = scan.volume
            if volume is not None:
                value = volume.value if volume.unit == "mL" else volume.canonical
                self.volumes.append((index, scan, value, volume.comparator))
            if scan.taken_at is not None:
                moments.append(scan.taken_at.moment)
        if record.voided_at is not None:
            moments.append(record.voided_at.moment)
        if record.verified is not None:
            moments.append(record.verified.at.moment)
        if record.earlier_voids or record.catheter_removed_at or record.catheterised_at or record.action:
            self.moments = [time.moment for _, time in self.times()]

    @property
    def filling(self) -> Filling | None:
        """What the filling range says of the wall's scan; None without wall."""
        if self._filling is None and self.record.wall is not None:
            self._filling = filling_of(self.record, self.record.wall, self.choice, self.settings)
        return self._filling

    @property
    def result_time(self) -> Timestamp:
        """When the result was taken: the reported scan's time, else the start of the exam."""
        scan = self.choice.scan
        return scan.taken_at if scan is not None and scan.taken_at is not None else self.record.started_at

    def quantities(self) -> Iterator[tuple[str, Quantity]]:
        """Every quantity of the record with its field path."""
        record = self.record
        for index, scan in enumerate(record.scans):
            if scan.volume is not None:
                yield f"scans.{index}.volume", scan.volume
        if record.voided_volume is not None:
            yield "voided_volume", record.voided_volume
        for index, void in enumerate(record.earlier_voids or ()):
            if void.volume is not None:
                yield f"earlier_voids.{index}.volume", void.volume
        if record.catheterised_volume is not None:
            yield "catheterised_volume", record.catheterised_volume
        if record.diameters is not None:
            for name in ("length", "width", "height"):
                yield f"diameters.{name}", getattr(record.diameters, name)
        if record.wall is not None:
            for name in ("thickness", "caliper_thickness", "surface_area", "mass", "probe_frequency"):
                quantity = getattr(record.wall, name)
                if quantity is not None:
                    yield f"wall.{name}", quantity

    def all_volumes(self) -> Iterator[tuple[str, Decimal, str | None]]:
        """Every volume of the record with its field path, in mL, with its comparator."""
        record = self.record
        for index, _, value, comparator in self.volumes:
            yield f"scans.{index}.volume", value, comparator
        for name, volume in (
            ("voided_volume", record.voided_volume),
            ("catheterised_volume", record.catheterised_volume),
        ):
            if volume is not None:
                yield name, volume.canonical, None
        for index, void in enumerate(record.earlier_voids or ()):
            if void.volume is not None:
                yield f"earlier_voids.{index}.volume", void.volume.canonical, None

    def times(self) -> Iterator[tuple[str, Timestamp]]:
        """Every point in time of the record with its field path."""
        record = self.record
        yield "started_at", record.started_at
        for index, scan in enumerate(record.scans):
            if scan.taken_at is not None:
                yield f"scans.{index}.taken_at", scan.taken_at
        for index, void in enumerate(record.earlier_voids or ()):
            yield f"earlier_voids.{index}.at", void.at
        for name in ("voided_at", "catheter_removed_at", "catheterised_at"):
            time = getattr(record, name)
            if time is not None:
                yield name, time
        if record.verified is not None:
            yield "verified.at", record.verified.at
        if record.action is not None and record.action.at is not None:
            yield "action.at", record.action.at

    def voids(self) -> Iterator[tuple[str, Timestamp]]:
        """Times of the voids with their field paths."""
        if self.record.voided_at is not None:
            yield "voided_at", self.record.voided_at
        for index, void in enumerate(self.record.earlier_voids or ()):
            yield f"earlier_voids.{index}.at", void.at


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of finding: stable id, severity (`block`, `warn`, `note`), what it says, and its source."""

    id: str
    severity: str
    sentence: str
    source: str

    def found(
        self, record: ExamRecord | str, *, field: str, expected: str, found: str, hint: str = ""
    ) -> tuple[Finding, ...]:
        """The finding of this kind in a record (or the exam of this number), alone in a tuple."""
        return (
            Finding(
                id=self.id,
                severity=self.severity,
                message=self.sentence,
                expected=expected,
                found=found,
                hint=hint,
                exam_number=record if isinstance(record, str) else record.exam_number,
                field=field,
                source=self.source,
            ),
        )


Check = Callable[[Facts], tuple[Finding, ...]]
NOTHING: tuple[Finding, ...] = ()


def at_midnight(moment: dt.datetime) -> bool:
    """Whether a time is midnight to the microsecond, local: as where only a date was known."""
    return not (moment.hour or moment.minute or moment.second or moment.microsecond)


def written_slack(time: Timestamp) -> dt.timedelta:
    """How far a time may lie from what is written: a minute where it was written without seconds, else nothing."""
    clock = time.text[11:]
    return dt.timedelta(minutes=0 if clock[5:6] == ":" else 1)
