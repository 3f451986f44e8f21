"""Room `mapping`: DiagnosticReport, Provenance and the transaction Bundle of an exam. May import exam, terminology.

Every entry is conditional: sent again, nothing is doubled and nothing gets a new version. The Patient entry is a
conditional create on the first identifier; posting the Bundle by other means than `push` therefore creates patients.
"""

from __future__ import annotations

from typing import Any

from fhir_bladder import __version__
from fhir_bladder.exam import ExamRecord
from fhir_bladder.mapping import people, words
from fhir_bladder.mapping.codebook import report_coding
from fhir_bladder.mapping.keys import token, uuid_of
from fhir_bladder.mapping.observation import TOOL, Exam, urn
from fhir_bladder.mapping.options import MapOptions
from fhir_bladder.terminology import names as N

Element = dict[str, Any]

_SECTION: list[Element] = [{"coding": [{"system": N.SECTION, "code": "RUS", "display": "Radiology Ultrasound"}]}]


def _meta(profile: str, synthetic: bool) -> Element:
    return {"profile": [profile]} | ({"security": [people.HTEST]} if synthetic else {})


_REPORT = {synthetic: _meta(N.REPORT_PROFILE, synthetic) for synthetic in (True, False)}
_BUNDLE = {synthetic: _meta(N.BUNDLE_PROFILE, synthetic) for synthetic in (True, False)}
_REPORT_CODES: dict[str, Element] = {}


def report(record: ExamRecord, exam: Exam, options: MapOptions) -> Element:
    """The DiagnosticReport with the text line; LOINC 69388-7 after a void, else 25019-1."""
    found: Element = {
        "resourceType": "DiagnosticReport",
        "meta": _REPORT[record.synthetic is True],
        "text": words.narrative(exam.line),
        "identifier": [{"system": options.key_system, "value": exam.key}],
        "status": exam.status,
        "category": _SECTION,
        "code": _report_code(record),
    }
    for name in ("subject", "encounter", "basedOn", "effectiveDateTime", "_effectiveDateTime", "issued", "_issued"):
        if name in exam.shared:
            found[name] = exam.shared[name]
    if "performer" in exam.shared:
        found["performer"] = exam.shared["performer"]
    found["result"] = [{"reference": url} for url in exam.urls]
    found["conclusion"] = exam.line
    return found


def _report_code(record: ExamRecord) -> Element:
    code = _REPORT_CODES.get(record.void_state)
    if code is None:
        coding = report_coding(record.void_state == "post-void")
        code = _REPORT_CODES[record.void_state] = {"coding": [coding], "text": words.exam_text(record)}
    return code


def provenance_id(key_system: str, key: str) -> str:
    """The id of an exam's Provenance, derived from its key."""
    return uuid_of(f"Provenance?target={key_system}|{key}")


def provenance(
    record: ExamRecord, exam: Exam, options: MapOptions, source_sha256: str, map_sha256: str, report_url: str
) -> Element:
    """Who and what brought the exam here: verifier, this software, hashes of the source and of the maps used, models.

    `recorded` is the verification, else the exam's start, so that the same exam always gives the same resource.
    """
    found: Element = {"resourceType": "Provenance", "id": provenance_id(options.key_system, exam.key)}
    if record.synthetic is True:
        found["meta"] = {"security": [people.HTEST]}
    found["target"] = [{"reference": url} for url in (*exam.urls, report_url)]
    found["occurredDateTime"] = record.started_at.wire
    found["recorded"] = (record.verified.at if record.verified is not None else record.started_at).wire
    text = "mapped from an exam record" + (f"; {exam.models}" if exam.models else "")
    found["activity"] = {"coding": _CREATE, "text": text}
    agents = [_SOFTWARE]
    if record.verified is not None:
        agents.insert(0, {"type": _VERIFIER, "who": {"display": record.verified.by}})
    found["agent"] = agents
    entities = []
    for system, value, words_ in (
        (N.SOURCE_SYSTEM, source_sha256, "exam record as received, by the SHA-256 of its bytes"),
        (N.MAP_SYSTEM, map_sha256, "column or message map used, by its SHA-256"),
        (N.MAP_SYSTEM, options.codes.sha256, "code table of the site used, by its SHA-256"),
    ):
        if value:
            what = {"identifier": {"system": system, "value": value}, "display": words_}
            entities.append({"role": "source", "what": what})
    if entities:
        found["entity"] = entities
    return found


def _participant(code: str, display: str) -> Element:
    return {"coding": [{"system": N.PARTICIPANT, "code": code, "display": display}]}


_CREATE = [{"system": N.DATA_OPERATION, "code": "CREATE", "display": "create"}]
_VERIFIER = _participant("verifier", "Verifier")
_SOFTWARE: Element = {
    "type": _participant("assembler", "Assembler"),
    "who": {
        "identifier": {"system": N.SOFTWARE_SYSTEM, "value": f"{TOOL}|{__version__}"},
        "display": f"{TOOL} {__version__}",
    },
}


def build(record: ExamRecord, exam: Exam, options: MapOptions, source_sha256: str, map_sha256: str) -> Element:
    """The transaction Bundle: Device, Patient, Observations, DiagnosticReport, Provenance."""
    synthetic = record.synthetic is True
    entries = [
        _create(
            exam.shared["device"]["reference"],
            people.device_resource(record.device, options.device_system, synthetic),
            token(options.device_system, record.device.serial),
        )
    ]
    patient = record.patient
    if patient is not None and patient.identifiers is not None:
        first = patient.identifiers[0]
        resource = people.patient_resource(patient, synthetic)
        entries.append(_create(exam.shared["subject"]["reference"], resource, token(first.system, first.value)))
    for url, observation in zip(exam.urls, exam.observations, strict=True):
        entries.append(_create(url, observation, token(options.key_system, observation["identifier"][0]["value"])))
    report_url = urn("DiagnosticReport", options.key_system, exam.key)
    entries.append(_create(report_url, report(record, exam, options), token(options.key_system, exam.key)))
    note = provenance(record, exam, options, source_sha256, map_sha256, report_url)
    entries.append(
        {
            "fullUrl": f"urn:uuid:{note['id']}",
            "resource": note,
            "request": {"method": "PUT", "url": f"Provenance/{note['id']}"},
        }
    )
    return {"resourceType": "Bundle", "meta": _BUNDLE[synthetic], "type": "transaction", "entry": entries}


def _create(url: str, resource: Element, condition: str) -> Element:
    kind = resource["resourceType"]
    return {
        "fullUrl": url,
        "resource": resource,
        "request": {"method": "POST", "url": kind, "ifNoneExist": condition},
    }
