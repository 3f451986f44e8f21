"""Room `exchange`: a record on its way into the outbox: mapped, checked, held where it must not be sent.

May import exam, measurement, mapping, errors, wire. Nothing here raises on a bad record: it becomes a held item that
says why, so that no record is lost.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any, Protocol

from fhir_bladder import exam, mapping, wire
from fhir_bladder.errors import BladderError, Finding, RecordError
from fhir_bladder.exam import ExamRecord
from fhir_bladder.exchange.outbox import Item
from fhir_bladder.exchange.push.life import declared_status
from fhir_bladder.exchange.push.unit import Exam, Json, assemble, exam_part, identifier_pair, key_of, take_apart
from fhir_bladder.mapping import MapOptions
from fhir_bladder.measurement import Settings, block
from fhir_bladder.measurement.facts import Facts

Validate = Callable[[Json], Sequence[Finding]]

_HOLDS = ("invalid", "no-patient", "plausibility", "test-data", "unverified")
"""Reasons to hold, the gravest first; the first one found gives the code, all of them stand in the words."""


class Given(Protocol):
    """What a reader gives: `readers.ReadItem`. record is None where it was refused; `findings` then say why."""

    file: str
    line: int
    raw: bytes
    sha256: str
    record: ExamRecord | None
    data: dict[str, Any] | None
    findings: list[Finding]
    map_hash: str


class Preparer:
    """Turns records and FHIR into outbox items.

    validate: findings of a Bundle; those of severity error or fatal hold it. local: the server is on this machine.
    """

    def __init__(
        self,
        options: MapOptions,
        validate: Validate | None,
        *,
        local: bool,
        allow_test: bool = False,
        hold_unverified: bool = False,
        settings: Settings | None = None,
    ) -> None:
        self._options = options if options.as_ == "bundles" else _bundled(options)
        self._validate = validate
        self._test_allowed = local or allow_test
        self._hold_unverified = hold_unverified
        self._settings = settings or options.settings

    @property
    def key_system(self) -> str:
        """The site's key system."""
        return self._options.key_system

    def record(self, given: Given) -> Item:
        """The outbox item of one record as read."""
        item = Item(given.sha256, file=given.file, line=given.line, map_sha256=given.map_hash, source=given.raw)
        item.key = _key_of_data(given.data)
        if given.record is None:
            return _held(item, {"unreadable": _told(given.findings, "the record cannot be read")})
        record = given.record
        try:
            mapped = mapping.to_fhir(
                record, options=self._options, source_sha256=given.sha256, map_sha256=given.map_hash
            )
            item.key = mapped.key
            return self._filled(item, mapped.bundle, record)
        except RecordError as error:
            return _held(item, {"invalid": str(error)})

    def fhir(
        self, resources: Sequence[Json], *, file: str = "", line: int = 0, raw: bytes = b"", sha256: str = ""
    ) -> Item:
        """The outbox item of one exam as `map` wrote it: a transaction Bundle, or its Observations."""
        raw = raw or wire.dumps(list(resources))
        item = Item(sha256 or hashlib.sha256(raw).hexdigest(), file=file, line=line, source=raw)
        try:
            bundle = resources[0] if len(resources) == 1 and resources[0].get("resourceType") == "Bundle" else None
            found = take_apart(bundle, self.key_system) if bundle else _loose(resources, self.key_system)
            item.key = found.key
            if found.system != self.key_system:
                words = f"its exam key is of the system {found.system}, this outbox writes {self.key_system}"
                return _held(item, {"invalid": words})
            return self._filled(item, bundle or as_bundle(found), self._back(resources))
        except (BladderError, KeyError, TypeError, ValueError, AttributeError) as error:
            words = str(error) if isinstance(error, BladderError) else "the FHIR is not what map writes"
            return _held(item, {"invalid": words})

    def _back(self, resources: Sequence[Json]) -> ExamRecord | None:
        """The record behind FHIR input, for the plausibility checks; None where it does not come back."""
        try:
            records = list(mapping.from_fhir(resources, on_problem=lambda _: None))
            return exam.load(records[0]) if len(records) == 1 else None
        except (BladderError, KeyError, TypeError, ValueError, AttributeError):
            return None

    def _filled(self, item: Item, bundle: Json, record: ExamRecord | None) -> Item:
        found = take_apart(bundle, self.key_system)
        item.bundle = wire.dumps(bundle)
        item.content = _content_hash(bundle)
        item.status = declared_status(found.main)
        item.replaces = found.replaces
        item.synthetic = found.synthetic
        holds: dict[str, str] = {}
        if self._validate is not None:
            errors = [f for f in self._validate(bundle) if f.severity in ("error", "fatal")]
            if errors:
                holds["invalid"] = _told(errors, "does not hold to the profiles")
        if record is not None:
            blocked = self._blocking(record)
            missing = [f for f in blocked if f.id == block.IDENTITY_MISSING.id]
            others = [f for f in blocked if f.id != block.IDENTITY_MISSING.id]
            if missing:
                holds["no-patient"] = "the exam names no patient; identify the patient in the record and send it again"
            if others:
                holds["plausibility"] = _told(others, "not plausible")
        if not found.subject_identifiers:
            holds["no-patient"] = "the exam names no patient; identify the patient in the record and send it again"
        if found.synthetic and not self._test_allowed:
            holds["test-data"] = "invented data goes to a server on this machine only; allow it with --allow-test"
        if self._hold_unverified and item.status == "preliminary":
            holds["unverified"] = "nobody has verified the exam; verify it on the scanner, or release it"
        return _held(item, holds) if holds else item

    def _blocking(self, record: ExamRecord) -> list[Finding]:
        facts = Facts(record, dt.datetime.now(dt.UTC), self._settings, None, None)
        return [finding for check in block.CHECKS for finding in check(facts)]

    def documents(self, documents: Iterable[Any]) -> Iterator[Item]:
        """Items of FHIR documents (`wire.files.resources`): one a Bundle, one an exam of loose Observations.

        Loose Observations of one exam stand next to each other, as `map` writes them.
        """
        waiting: list[Any] = []
        for document in documents:
            if document.value.get("resourceType") != "Observation":
                yield from self._flush(waiting)
                waiting = []
                yield self.fhir([document.value], file=document.file, line=document.line, raw=document.raw)
                continue
            if waiting and self._exam_of(waiting[0].value) != self._exam_of(document.value):
                yield from self._flush(waiting)
                waiting = []
            waiting.append(document)
        yield from self._flush(waiting)

    def _exam_of(self, observation: Json) -> str:
        return exam_part(key_of(observation, self.key_system)[1])

    def _flush(self, waiting: list[Any]) -> Iterator[Item]:
        if waiting:
            raw = b"\n".join(document.raw for document in waiting)
            values = [document.value for document in waiting]
            yield self.fhir(values, file=waiting[0].file, line=waiting[0].line, raw=raw)


def _bundled(options: MapOptions) -> MapOptions:
    import dataclasses

    return dataclasses.replace(options, as_="bundles")


def _held(item: Item, holds: dict[str, str]) -> Item:
    order = [code for code in _HOLDS if code in holds] + [code for code in holds if code not in _HOLDS]
    item.state, item.code = "held", order[0]
    item.reason = "; ".join(holds[code] for code in order)
    return item


def _told(findings: Sequence[Finding], otherwise: str) -> str:
    """Up to three findings in words; place and remedy, never a value of the record."""
    told = []
    for finding in findings[:3]:
        where = finding.field or finding.path
        told.append(f"{where}: {finding.message}" if where else finding.message)
    more = f" and {len(findings) - 3} more" if len(findings) > 3 else ""
    return ("; ".join(told) or otherwise) + more


def _key_of_data(data: dict[str, Any] | None) -> str:
    """The exam key of a record that was refused, as far as it says so."""
    device = (data or {}).get("device")
    serial = device.get("serial") if isinstance(device, dict) else None
    number = (data or {}).get("exam_number")
    if isinstance(serial, str) and isinstance(number, str) and serial.strip() and number.strip():
        return mapping.exam_key(serial, number)
    return ""


def _content_hash(bundle: Json) -> str:
    """Hash of what is sent, without the Provenance, which names the source's bytes."""
    resources = [e["resource"] for e in bundle["entry"] if e["resource"].get("resourceType") != "Provenance"]
    return hashlib.sha256(wire.dumps(resources)).hexdigest()


def _loose(resources: Sequence[Json], system: str) -> Exam:
    """An exam of loose Observations; members named by identifier get a reference, so that the server links them."""
    observations = [r for r in resources if r.get("resourceType") == "Observation"]
    if len(observations) != len(resources):
        kinds = {str(r.get("resourceType")) for r in resources} - {"Observation"}
        raise RecordError(
            f"a {', '.join(sorted(kinds))} alone is no exam", "resourceType", "push takes what map writes"
        )
    urls = {}
    for observation in observations:
        value = key_of(observation, system)[1]
        urls[value] = "urn:uuid:" + mapping.uuid_of(f"Observation|{system}|{value}")
    for observation in observations:
        for member in observation.get("hasMember", ()):
            value = identifier_pair(member.get("identifier"))[1]
            if value in urls and "reference" not in member:
                member["reference"] = urls[value]
    return assemble(observations, {}, urls, system)


def as_bundle(found: Exam) -> Json:
    """A transaction Bundle of an exam that came as loose Observations."""
    entries = []
    for observation in found.observations:
        value = key_of(observation, found.system)[1]
        condition = mapping.token(found.system, value)
        request = {"method": "POST", "url": "Observation", "ifNoneExist": condition}
        entries.append({"fullUrl": found.urls[value], "resource": observation, "request": request})
    return {"resourceType": "Bundle", "type": "transaction", "entry": entries}
