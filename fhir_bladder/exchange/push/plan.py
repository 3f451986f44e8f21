"""Room `exchange`: Bundle entries for creating, updating, completing and retracting one exam. May import mapping.

Only Observations, DiagnosticReport and Provenance are written here; Device and Patient are there before (`patients`,
`refer`), so that no two requests in flight ever create the same one.
"""

from __future__ import annotations

import copy
from collections.abc import Sequence

from fhir_bladder.exchange.push import life
from fhir_bladder.exchange.push.capability import Capability
from fhir_bladder.exchange.push.unit import Exam, Json, identifier_pair, resolve, revised
from fhir_bladder.exchange.shapes import relative
from fhir_bladder.mapping import keys

REVISION_ROLE = "revision"
"""R4 provenance-entity-role: the entity that was revised."""


def own_identifier(resource: Json, system: str) -> tuple[str, str]:
    """(system, value) that a resource of ours is found by: that of the key system, else its first."""
    pairs = [identifier_pair(i) for i in resource.get("identifier", ())]
    return next((p for p in pairs if p[0] == system and p[1]), pairs[0] if pairs else ("", ""))


def post(resource: Json, url: str, system: str, capability: Capability) -> Json:
    """An entry that creates a resource unless one with its identifier is there."""
    kind = str(resource["resourceType"])
    request = {"method": "POST", "url": kind}
    identifier = own_identifier(resource, system)
    if capability.conditional_create and identifier[1]:
        request["ifNoneExist"] = keys.token(*identifier)
    entry: Json = {"fullUrl": url or "urn:uuid:" + keys.uuid_of(f"{kind}|{identifier[1]}")}
    return entry | {"resource": {k: v for k, v in resource.items() if k != "id"}, "request": request}


def put(resource: Json, on_server: Json) -> Json:
    """An entry that updates the resource read from the server, only while it is the version read."""
    number = str(on_server["id"])
    url = f"{resource['resourceType']}/{number}"
    request = {"method": "PUT", "url": url}
    if version := (on_server.get("meta") or {}).get("versionId"):
        request["ifMatch"] = f'W/"{version}"'
    return {"fullUrl": url, "resource": resource | {"id": number}, "request": request}


def provenance(exam: Exam, capability: Capability, on_server: Sequence[Json] = ()) -> Json | None:
    """The Provenance entry: under its own id where the server allows that, else the one found, else a new one."""
    if exam.provenance is None:
        return None
    number = str(exam.provenance.get("id", ""))
    if on_server:
        return put(exam.provenance, on_server[0])
    if capability.client_ids and number:
        request = {"method": "PUT", "url": f"Provenance/{number}"}
        return {"fullUrl": f"Provenance/{number}", "resource": exam.provenance, "request": request}
    resource = {k: v for k, v in exam.provenance.items() if k != "id"}
    url = exam.urls.get("Provenance") or "urn:uuid:" + keys.uuid_of(f"Provenance|{exam.key}")
    url = url if url.startswith("urn:") else "urn:uuid:" + keys.uuid_of(f"Provenance|{exam.key}")
    return {"fullUrl": url, "resource": resource, "request": {"method": "POST", "url": "Provenance"}}


def create(exam: Exam, capability: Capability) -> list[Json]:
    """All entries of an exam that is not there, in the order of dependence: members, exam, report, Provenance."""
    entries = [
        post(o, exam.urls.get(own_identifier(o, exam.system)[1], ""), exam.system, capability)
        for o in exam.observations
    ]
    if exam.report is not None:
        entries.append(post(exam.report, exam.urls.get("DiagnosticReport", ""), exam.system, capability))
    if (last := provenance(exam, capability)) is not None:
        entries.append(last)
    return entries


def known_references(exam: Exam, found: Sequence[Json], report: Json | None) -> dict[str, Json]:
    """fullUrl → literal reference of what is on the server already."""
    by_value = {own_identifier(o, exam.system)[1]: f"Observation/{o['id']}" for o in found if o.get("id")}
    known = {exam.urls[value]: {"reference": name} for value, name in by_value.items() if exam.urls.get(value)}
    if report is not None and exam.urls.get("DiagnosticReport"):
        known[exam.urls["DiagnosticReport"]] = {"reference": f"DiagnosticReport/{report['id']}"}
    return known


def update(
    exam: Exam, found: Sequence[Json], reports: Sequence[Json], provenances: Sequence[Json], capability: Capability
) -> list[Json]:
    """Entries that bring the exam on the server to our state: changed Observations, new ones, those no longer part of
    it retracted, the report, the Provenance; last the exam itself, whose state says that the rest was done.
    """
    exam = copy.deepcopy(exam)
    report = reports[0] if len(reports) == 1 else None
    resolve(exam, known_references(exam, found, report))
    by_value = {own_identifier(o, exam.system)[1]: o for o in found}
    entries = []
    last_of_all: list[Json] = []
    for observation in exam.observations:
        value = own_identifier(observation, exam.system)[1]
        there = by_value.pop(value, None)
        if there is None:
            entries.append(post(observation, exam.urls.get(value, ""), exam.system, capability))
        elif observation is exam.main:
            last_of_all.append(put(observation, there))
        elif not _equal(observation, there):
            entries.append(put(observation, there))
    entries += [put(retracted(gone), gone) for gone in by_value.values() if gone.get("status") != "entered-in-error"]
    if exam.report is not None and len(reports) <= 1:
        entries.append(
            put(exam.report, report)
            if report is not None
            else post(exam.report, exam.urls.get("DiagnosticReport", ""), exam.system, capability)
        )
    if (last := provenance(exam, capability, provenances)) is not None:
        entries.append(last)
    return entries + last_of_all


def complete(
    exam: Exam,
    found: Sequence[Json],
    reports: Sequence[Json],
    provenances: Sequence[Json],
    capability: Capability,
) -> list[Json]:
    """Entries for what is missing beside Observations that are there already; usually none."""
    report = reports[0] if len(reports) == 1 else None
    exam = copy.deepcopy(exam)
    resolve(exam, known_references(exam, found, report))
    entries = []
    if exam.report is not None and not reports:
        entries.append(post(exam.report, exam.urls.get("DiagnosticReport", ""), exam.system, capability))
    elif exam.report is not None and report is not None and not _reports_agree(exam.report, report):
        entries.append(put(exam.report, report))
    if not provenances and (last := provenance(exam, capability)) is not None:
        entries.append(last)
    return entries


def _reports_agree(ours: Json, theirs: Json) -> bool:
    """Whether the report there says what ours says of the same Observations."""
    mine = {relative(r.get("reference")) for r in ours.get("result", ())} - {""}
    other = {relative(r.get("reference")) for r in theirs.get("result", ())}
    return ours.get("status") == theirs.get("status") and mine <= other


def retracted(resource: Json) -> Json:
    """The resource as read, with status entered-in-error; what the server keeps itself is left to it."""
    meta = {k: v for k, v in (resource.get("meta") or {}).items() if k not in ("versionId", "lastUpdated")}
    return resource | {"status": "entered-in-error"} | ({"meta": meta} if meta else {})


def retract(resources: Sequence[Json]) -> list[Json]:
    """Entries that retract what is not retracted yet."""
    return [put(retracted(r), r) for r in resources if r.get("status") != "entered-in-error"]


def linked(exam: Exam, retired: Sequence[Json]) -> None:
    """Name the retired Observations in the Provenance as what was revised."""
    if exam.provenance is not None:
        entity = exam.provenance.setdefault("entity", [])
        for resource in retired:
            entity.append(
                {"role": REVISION_ROLE, "what": {"reference": f"{resource['resourceType']}/{resource['id']}"}}
            )


def observation_keys(exam: Exam, revision: int = 0) -> list[tuple[str, str]]:
    """(system, value) of every Observation of the exam, under a revision of its key."""
    return [(exam.system, revised(own_identifier(o, exam.system)[1], revision)) for o in exam.observations]


def _equal(ours: Json, theirs: Json) -> bool:
    agreed = life.compare([ours], [theirs])
    return agreed.whole and agreed.subject and ours.get("status") == theirs.get("status")
