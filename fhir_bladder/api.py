"""The library without the command line: map, unmap, check, validate, push. Imports a room when it is used.

import fhir_bladder
exam = fhir_bladder.map(record)                       # record: a dict of the exam record format
findings = fhir_bladder.validate(exam.bundle)         # [] where it holds to the profiles
records = list(fhir_bladder.unmap([exam.bundle]))     # equal to what was given
summary = fhir_bladder.push([record], "https://records.example/fhir", outbox="outbox.db")
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from fhir_bladder.errors import BladderError, Finding

if TYPE_CHECKING:
    from fhir_bladder.conformance import Validator
    from fhir_bladder.exam import ExamRecord
    from fhir_bladder.exchange.credentials.kinds import Credentials
    from fhir_bladder.exchange.outbox import Item
    from fhir_bladder.exchange.push.engine import Summary
    from fhir_bladder.exchange.push.options import PushOptions
    from fhir_bladder.exchange.push.prepare import Preparer
    from fhir_bladder.mapping import MapOptions, MappedExam
    from fhir_bladder.measurement import Settings
    from fhir_bladder.measurement.prompts import Prompt
    from fhir_bladder.measurement.rulebook import Rule

Record = Mapping[str, Any]


def load(record: Record | ExamRecord, *, zone: ZoneInfo | None = None) -> ExamRecord:
    """A record as the model. Raises RecordError with field and remedy; `zone` is for times without an offset."""
    from fhir_bladder import exam

    return record if isinstance(record, exam.ExamRecord) else exam.load(record, zone=zone)


def map(
    record: Record | ExamRecord,
    *,
    options: MapOptions | None = None,
    zone: ZoneInfo | None = None,
    source_sha256: str = "",
) -> MappedExam:
    """One exam as FHIR: `.observations`, `.bundle`, `.key`. Raises RecordError where the record is refused."""
    from fhir_bladder.mapping import MapOptions, to_fhir

    return to_fhir(load(record, zone=zone), options=options or MapOptions(), source_sha256=source_sha256)


def unmap(
    resources: Iterable[dict[str, Any]], *, on_problem: Callable[[BladderError], None] | None = None
) -> Iterator[dict[str, Any]]:
    """Exam records of the exams among FHIR resources (Bundles or loose ones).

    What cannot be read goes to `on_problem`; without it the first problem is raised.
    """
    from fhir_bladder.mapping import from_fhir

    return from_fhir(resources, on_problem=on_problem)


def check(
    records: Iterable[Record | ExamRecord],
    *,
    rules: Sequence[Rule] = (),
    now: dt.datetime | None = None,
    settings: Settings | None = None,
) -> Iterator[Finding | Prompt]:
    """Findings of exams in time order, and prompts of the rules given. No diagnosis."""
    from fhir_bladder import measurement
    from fhir_bladder.measurement.checking import check as checking

    return checking((load(record) for record in records), rules, now, settings or measurement.Settings())


@lru_cache(maxsize=8)
def _validator(packages: tuple[str, ...], profiles: tuple[str, ...]) -> Validator:
    from fhir_bladder.conformance import Validator

    return Validator(packages, profiles)


def validate(
    resource: bytes | dict[str, Any], *, packages: Sequence[str | Path] = (), profiles: Sequence[str] = ()
) -> list[Finding]:
    """What is wrong with one resource or Bundle, against R4 and the profiles it claims; offline.

    Bytes are judged as text (duplicate keys, digits), with line and column in each finding.
    """
    return _validator(tuple(str(package) for package in packages), tuple(profiles)).validate(resource)


def push(
    records: Iterable[Record | ExamRecord],
    server: str,
    *,
    outbox: str | Path,
    credentials: Credentials | None = None,
    choices: PushOptions | None = None,
    options: MapOptions | None = None,
    deadline: float | None = None,
    insecure_http: bool = False,
) -> Summary:
    """Exam records, or FHIR as `map` gives it, onto a server, each exam once; what was not finished stays queued.

    deadline: seconds for the whole call. Trouble with the server is in `Summary.error`; a record that cannot be sent
    is held in the outbox with the reason and raises nothing.
    """
    from fhir_bladder.exchange.http.client import Client
    from fhir_bladder.exchange.http.retry import Deadline
    from fhir_bladder.exchange.outbox import Outbox
    from fhir_bladder.exchange.push.engine import Push, check_target
    from fhir_bladder.exchange.push.options import PushOptions
    from fhir_bladder.exchange.push.prepare import Preparer
    from fhir_bladder.mapping import MapOptions

    chosen = choices or PushOptions()
    target, local = check_target(server, chosen)
    prepare = Preparer(
        options or MapOptions(as_="bundles"),
        _validator((), ()).validate,
        local=local,
        allow_test=chosen.allow_test,
        hold_unverified=chosen.unverified == "hold",
    )
    until = Deadline(deadline)
    with (
        Client(server, credentials, until=until, insecure_http=insecure_http, concurrency=chosen.concurrency) as client,
        Outbox(outbox) as box,
    ):
        pushing = Push(box, client, target, chosen, key_system=prepare.key_system, deadline=until)
        return pushing.run(_items(records, prepare))


def _items(records: Iterable[Record | ExamRecord], prepare: Preparer) -> Iterator[Item]:
    from fhir_bladder import exam, wire
    from fhir_bladder.readers.items import record_item

    for number, record in enumerate(records, 1):
        data = dict(exam.dump(record) if isinstance(record, exam.ExamRecord) else record)
        if "resourceType" in data:
            yield prepare.fhir([data], line=number)
        else:
            yield prepare.record(record_item("", number, wire.dumps(data), data))
