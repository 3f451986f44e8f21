"""Room `exchange`: one exam as the resources that carry it, taken out of a transaction Bundle. May import errors,
mapping, terminology, wire.

Bundles come from `mapping` or from a file that `map` wrote; the shape is checked here, the content by `conformance`.
"""

from __future__ import annotations

import copy
from dataclasses import dataclass, field
from typing import Any

from fhir_bladder.errors import RecordError
from fhir_bladder.exchange.push.life import is_revision
from fhir_bladder.mapping.bundle import provenance_id
from fhir_bladder.terminology import names

Json = dict[str, Any]

_TEST_CODES = frozenset({"HTEST"})


@dataclass(slots=True)
class Exam:
    """The resources of one exam; `observations` in the order to write them: members first, the exam or group last."""

    key: str
    system: str
    observations: list[Json]
    report: Json | None = None
    provenance: Json | None = None
    device: Json | None = None
    patient: Json | None = None
    urls: dict[str, str] = field(default_factory=dict)
    """fullUrl by role: `device`, `patient`, `report`, and each Observation's and report's identifier value."""

    @property
    def main(self) -> Json:
        """The exam's own Observation: the panel, or the group of the single shape."""
        return self.observations[-1]

    @property
    def replaces(self) -> str:
        """Key of the exam that this one replaces (`supersedes` in the record), or empty."""
        for extension in self.main.get("extension", ()):
            if extension.get("url") == names.REPLACES:
                return str(((extension.get("valueReference") or {}).get("identifier") or {}).get("value", ""))
        return ""

    @property
    def synthetic(self) -> bool:
        """Whether any resource carries the HTEST tag."""
        resources = [*self.observations, self.report, self.device, self.patient]
        return any(
            tag.get("code") in _TEST_CODES
            for resource in resources
            if resource
            for tag in (resource.get("meta") or {}).get("security", ())
        )

    @property
    def subject_identifiers(self) -> list[tuple[str, str]]:
        """(system, value) of the patient, from the Patient entry and the subject's identifier."""
        found = [identifier_pair(i) for i in (self.patient or {}).get("identifier", ())]
        found.append(identifier_pair((self.main.get("subject") or {}).get("identifier")))
        return list(dict.fromkeys(pair for pair in found if pair[1]))

    @property
    def serial(self) -> tuple[str, str]:
        """(system, value) of the scanner."""
        for identifier in (self.device or {}).get("identifier", ()):
            if identifier.get("value"):
                return identifier_pair(identifier)
        return identifier_pair((self.main.get("device") or {}).get("identifier"))


def identifier_pair(identifier: Any) -> tuple[str, str]:
    """(system, value) of an Identifier, empty texts where it has none."""
    return (str((identifier or {}).get("system", "")), str((identifier or {}).get("value", "")))


def key_of(observation: Json, system: str = "") -> tuple[str, str]:
    """(system, value) of an Observation's exam key: the identifier of the key system, else the first of two parts."""
    pairs = [identifier_pair(i) for i in observation.get("identifier", ())]
    for pair in pairs:
        if pair[0] == system and pair[1]:
            return pair
    return next((pair for pair in pairs if pair[0] and "/" in pair[1]), ("", ""))


def exam_part(value: str) -> str:
    """The exam's part of a key: serial, number and revision, without a measurement's suffix."""
    parts = value.split("/")
    return "/".join(parts[: 3 if len(parts) > 2 and is_revision(parts[2]) else 2])


def revised(value: str, revision: int) -> str:
    """The key with a revision; any part behind it (a measurement's) is kept. Revision 0 is the key itself."""
    parts = value.split("/")
    rest = parts[3:] if len(parts) > 2 and is_revision(parts[2]) else parts[2:]
    middle = [f"r{revision}"] if revision else []
    return "/".join([*parts[:2], *middle, *rest])


def take_apart(bundle: Json, system: str = "") -> Exam:
    """The exam of a transaction Bundle. Raises RecordError where it is not one exam of ours."""
    observations: list[Json] = []
    found: dict[str, Json] = {}
    urls: dict[str, str] = {}
    for entry in bundle.get("entry", ()):
        resource = entry.get("resource") or {}
        kind = resource.get("resourceType", "")
        url = entry.get("fullUrl", "")
        if kind == "Observation":
            observations.append(resource)
            urls[key_of(resource, system)[1]] = url
        elif kind in ("DiagnosticReport", "Provenance", "Device", "Patient"):
            if kind in found:
                raise RecordError(f"the Bundle holds two resources of type {kind}", kind, "give one Bundle an exam")
            found[kind] = resource
            urls[kind] = url
        else:
            raise RecordError(
                f"the Bundle holds a {kind or 'entry without a type'}", "Bundle.entry", "push takes what map writes"
            )
    return assemble(observations, found, urls, system)


def assemble(observations: list[Json], others: dict[str, Json], urls: dict[str, str], system: str = "") -> Exam:
    """One exam from its Observations and the other resources by type; the group is put last."""
    if not observations:
        raise RecordError("there is no Observation", "Bundle.entry", "push takes what map writes")
    groups = [o for o in observations if o.get("hasMember") or len(observations) == 1]
    if len(groups) != 1:
        raise RecordError(
            f"{len(observations)} Observations, {len(groups)} of them a group", "Bundle.entry", "give one exam a Bundle"
        )
    group = groups[0]
    key_system, key = key_of(group, system)
    if not key:
        raise RecordError("the exam's Observation has no key", "Observation.identifier", "push takes what map writes")
    members = [o for o in observations if o is not group]
    if any(exam_part(key_of(o, system)[1]) != exam_part(key) for o in members):
        raise RecordError("members belong to another exam than their group", "Observation.identifier", "map it again")
    exam = Exam(exam_part(key), key_system, [*members, group], urls=urls)
    exam.report = others.get("DiagnosticReport")
    exam.provenance = others.get("Provenance")
    exam.device = others.get("Device")
    exam.patient = others.get("Patient")
    return exam


def resolve(exam: Exam, references: dict[str, Json]) -> None:
    """Put references in place: urn (fullUrl) → the Reference elements to use; keys of `identifier` stay as they are."""
    for resource in [*exam.observations, exam.report, exam.provenance]:
        if resource is not None:
            _resolve(resource, references)


def _resolve(value: Any, references: dict[str, Json]) -> None:
    if isinstance(value, dict):
        literal = value.get("reference")
        if isinstance(literal, str) and literal in references:
            value.pop("reference")
            value.update(references[literal])
        for child in value.values():
            if isinstance(child, dict | list):
                _resolve(child, references)
    elif isinstance(value, list):
        for child in value:
            if isinstance(child, dict | list):
                _resolve(child, references)


def with_revision(exam: Exam, revision: int) -> Exam:
    """A copy of the exam under a revision of its key: Observations, report and Provenance id."""
    new = copy.deepcopy(exam)
    new.key = revised(exam.key, revision)
    base = revised(exam.key, 0)
    for resource in [*new.observations, new.report, new.provenance]:
        _revise(resource, exam.system, base, revision)
    if new.provenance is not None and new.provenance.get("id"):
        new.provenance["id"] = provenance_id(exam.system, new.key)
    new.urls = {revised(k, revision) if "/" in k else k: url for k, url in exam.urls.items()}
    return new


def _revise(value: Any, system: str, base: str, revision: int) -> None:
    """Give every identifier of this exam inside a resource the revision: its own, and those references name."""
    if isinstance(value, dict):
        text = value.get("value")
        if value.get("system") == system and isinstance(text, str) and revised(exam_part(text), 0) == base:
            value["value"] = revised(text, revision)
        for child in value.values():
            _revise(child, system, base, revision)
    elif isinstance(value, list):
        for child in value:
            _revise(child, system, base, revision)
