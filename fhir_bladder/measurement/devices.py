"""Room `measurement`: findings across the exams of one device: its neighbours in time, gaps in its numbers.

May import exam. Memory is bounded: the latest exams, and a few runs of numbers.
"""

from __future__ import annotations

import datetime as dt
import re
from collections import OrderedDict, deque
from collections.abc import Iterable, Iterator
from typing import NamedTuple

from fhir_bladder.errors import Finding
from fhir_bladder.exam import ExamRecord
from fhir_bladder.measurement.facts import Facts, Kind, at_midnight
from fhir_bladder.measurement.patients import Identity, identity_of, key_of, surely_different
from fhir_bladder.measurement.settings import OURS, PRACTICE, Settings

TWO_PATIENTS = Kind("two-patients-within-seconds", "warn", "one device, two patients, seconds apart", OURS)
NUMBER_GAP = Kind("exam-number-gap", "note", "exam numbers of a device are missing", PRACTICE)

_NUMBER = re.compile(r"(.*?)(\d{1,18})\Z", re.ASCII | re.DOTALL)
_NEIGHBOURS, _PREFIXES, _PATIENCE = 8, 8, 64


class _Neighbour:
    __slots__ = ("end", "identity", "key", "start")

    def __init__(self, key: tuple[str, str], start: dt.datetime, end: dt.datetime, identity: Identity) -> None:
        self.key, self.start, self.end, self.identity = key, start, end, identity


class Device:
    """What is kept of a device: its latest exams, and the runs of its exam numbers by what stands before them."""

    def __init__(self) -> None:
        self._recent: deque[_Neighbour] = deque(maxlen=_NEIGHBOURS)
        self._runs: OrderedDict[str, _Run] = OrderedDict()

    def neighbours(self, facts: Facts) -> Iterator[Finding]:
        """Another patient's exam on this device within seconds of this one, from its start to its last scan.

        An exam of exactly midnight may be one of the whole day and is not compared.
        """
        record = facts.record
        identity = identity_of(record)
        if identity is None or at_midnight(record.started_at.moment):
            return
        key, start = key_of(record), record.started_at.moment
        taken = [scan.taken_at.moment for scan in record.scans if scan.taken_at is not None]
        end = max([start, *taken])
        for other in self._recent:
            gap = max((start - other.end).total_seconds(), (other.start - end).total_seconds(), 0.0)
            if other.key != key and gap <= facts.settings.swap_seconds and surely_different(identity, other.identity):
                yield from TWO_PATIENTS.found(
                    record,
                    field="patient",
                    expected=f"more than {facts.settings.swap_seconds} s between two patients",
                    found=f"exam {other.key[1]} of another patient {gap:.0f} s apart",
                    hint="make sure that the right patient was selected for both exams",
                )
        self._recent = deque((one for one in self._recent if one.key != key), _NEIGHBOURS)
        self._recent.append(_Neighbour(key, start, end, identity))

    def gaps(self, record: ExamRecord, settings: Settings) -> Iterable[Finding]:
        """Gaps in the numbers that nobody filled while 64 more exams came."""
        match = _NUMBER.match(record.exam_number)
        if match is None:
            return ()
        prefix, number = match[1], int(match[2])
        run = self._runs.pop(prefix, None)
        lost: tuple[Finding, ...] = ()
        if run is None:
            run = _Run(number, prefix, record.device.serial)
            if len(self._runs) >= _PREFIXES:
                lost = tuple(self._runs.popitem(last=False)[1].close())
        self._runs[prefix] = run
        return (*lost, *run.add(number, record, settings.gap_greatest))

    def close(self) -> Iterator[Finding]:
        """Gaps that were never filled."""
        for run in self._runs.values():
            yield from run.close()


class _Missing(NamedTuple):
    """Numbers that are missing: first and last, when the gap was seen, at which exam."""

    low: int
    high: int
    seen: int
    after: str


class _Run:
    """Numbers of one device with one prefix: the highest so far, and gaps below it that may still be filled."""

    __slots__ = ("_count", "_highest", "_pending", "_prefix", "_serial")

    def __init__(self, first: int, prefix: str, serial: str) -> None:
        self._highest = first
        self._prefix = prefix
        self._serial = serial
        self._count = 0
        self._pending: list[_Missing] = []

    def add(self, number: int, record: ExamRecord, greatest: int) -> Iterator[Finding]:
        self._count += 1
        step = number - self._highest
        if step > greatest + 1 or -step > greatest:
            self._highest = number  # not counted one by one, or a counter set anew
        elif step > 0:
            if step > 1:
                self._pending.append(_Missing(self._highest + 1, number - 1, self._count, record.exam_number))
            self._highest = number
        elif self._pending:
            self._fill(number)
        while self._pending and self._count - self._pending[0].seen >= _PATIENCE:
            yield from self._told(self._pending.pop(0))

    def _fill(self, number: int) -> None:
        pending = []
        for gap in self._pending:
            if gap.low <= number <= gap.high:
                parts = (gap._replace(high=number - 1), gap._replace(low=number + 1))
                pending += [part for part in parts if part.low <= part.high]
            else:
                pending.append(gap)
        self._pending = pending

    def close(self) -> Iterator[Finding]:
        while self._pending:
            yield from self._told(self._pending.pop(0))

    def _told(self, gap: _Missing) -> tuple[Finding, ...]:
        digits = gap.after[len(self._prefix) :]
        width = len(digits) if digits.startswith("0") else 0
        first, last = (f"{self._prefix}{number:0{width}}" for number in (gap.low, gap.high))
        count = gap.high - gap.low + 1
        numbers = f"{first} missing" if count == 1 else f"{first} to {last} missing ({count} exams)"
        return NUMBER_GAP.found(
            gap.after,
            field="exam_number",
            expected="numbers of a device without a gap",
            found=f"{numbers} on device {self._serial}",
            hint="exams that were never sent, or not part of this input",
        )
