"""Room `mapping`: Device, Patient and the references to them. May import exam, terminology."""

from __future__ import annotations

from typing import Any

from fhir_bladder.exam import ExamRecord
from fhir_bladder.exam.model import Device, Operator, Patient, PatientIdentifier
from fhir_bladder.mapping import values
from fhir_bladder.terminology import names as N

Element = dict[str, Any]

HTEST: Element = {"system": N.ACT_REASON, "code": "HTEST", "display": "test health data"}

_TABLE_0203 = """
    AC ACSN AM AMA AN ANC AND ANON ANT APRN ASID BA BC BCFN BCT BR BRN BSNR CC CONM CY CZ DC DCFN DDS DEA DFN DI
    DL DN DO DP DPM DR DS EI EN ESN FDR FDRFN FI FILL GI GL GN HC IND JHN LACSN LANR LI LN LR MA MB MC MCD MCN
    MCR MCT MD MI MR MRT MS NBSNR NCT NE NH NI NII NIIP NP NPI OBI OD PA PC PCN PE PEN PHC PHE PHO PI PLAC PN
    PNT PPIN PPN PRC PRN PT QA RI RN RPH RR RRI RRP SB SID SL SN SNBSN SNO SP SR SS STN TAX TN TPR TRL U UDI
    UPIN USID VN VP VS WC WCN WP XV XX
"""
_TYPES = frozenset(_TABLE_0203.split())
"""HL7 table 0203 as in FHIR R4 (v2-0203, version 2.9). Another text stays a text: it is no code of that table."""


def patient_identifier(given: PatientIdentifier) -> Element:
    """One identifier of a patient, with its type as code of table 0203, or as text where it is none."""
    found: Element = {"system": given.system, "value": given.value}
    if given.type is not None:
        kind: Element = {"text": given.type}
        if given.type in _TYPES:
            kind["coding"] = [{"system": N.IDENTIFIER_TYPE, "code": given.type}]
        found["type"] = kind
    return found


def subject(patient: Patient | None, url: str = "") -> Element:
    """Observation.subject: by identifier, and by url in a Bundle; absent (`unknown`) without an identifier."""
    if patient is None or patient.identifiers is None:
        return {**values.UNKNOWN, "display": "not identified"}
    reference: Element = {"reference": url} if url else {}
    reference["type"] = "Patient"
    reference["identifier"] = patient_identifier(patient.identifiers[0])
    return reference


def patient_resource(patient: Patient, synthetic: bool) -> Element:
    """The Patient as the record has it."""
    found: Element = {"resourceType": "Patient"}
    if synthetic:
        found["meta"] = {"security": [HTEST]}
    if patient.identifiers is not None:
        found["identifier"] = [patient_identifier(one) for one in patient.identifiers]
    if patient.family_name is not None or patient.given_names is not None:
        name: Element = {}
        if patient.family_name is not None:
            name["family"] = patient.family_name
        if patient.given_names is not None:
            name["given"] = list(patient.given_names)
        found["name"] = [name]
    if patient.administrative_gender is not None:
        found["gender"] = patient.administrative_gender
    if patient.birth_date is not None:
        found["birthDate"] = patient.birth_date
    return found


def unidentified(patient: Patient | None) -> Element | None:
    """What is known of a patient without identifier, to be contained in the Observation; None where nothing is."""
    if patient is None or patient.identifiers is not None:
        return None
    return patient_resource(patient, synthetic=False) | {"id": "patient"}


UNIDENTIFIED = {"url": N.UNIDENTIFIED_PATIENT, "valueReference": {"reference": "#patient"}}


def device_reference(device: Device, system: str, url: str = "") -> Element:
    """Observation.device: by serial, and by url in a Bundle."""
    reference: Element = {"reference": url} if url else {}
    reference["type"] = "Device"
    reference["identifier"] = {"system": system, "value": device.serial}
    if words := " ".join(text for text in (device.manufacturer, device.model) if text is not None):
        reference["display"] = words
    return reference


def device_resource(device: Device, system: str, synthetic: bool) -> Element:
    """The Device; what changes from exam to exam (software, calibration) stays with the Observation."""
    meta: Element = {"profile": [N.DEVICE_PROFILE]}
    if synthetic:
        meta["security"] = [HTEST]
    found: Element = {
        "resourceType": "Device",
        "meta": meta,
        "identifier": [{"system": system, "value": device.serial}],
    }
    if device.udi_device_identifier is not None:
        found["udiCarrier"] = [{"deviceIdentifier": device.udi_device_identifier}]
    if device.manufacturer is not None:
        found["manufacturer"] = device.manufacturer
    found["serialNumber"] = device.serial
    if device.model is not None:
        found["modelNumber"] = device.model
    found["type"] = {"text": "Bladder ultrasound scanner"}
    return found


def performer(operator: Operator) -> Element:
    """Observation.performer: by identifier and display."""
    found: Element = {}
    if operator.identifier is not None:
        found["identifier"] = values.identifier(operator.identifier.system, operator.identifier.value)
    if operator.display is not None:
        found["display"] = operator.display
    return found


def is_synthetic(record: ExamRecord) -> bool:
    """Whether the record says that it is invented."""
    return record.synthetic is True
