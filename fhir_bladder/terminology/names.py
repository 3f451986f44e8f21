"""Room `terminology`: every canonical, system and extension URL, once. Constants only; imports nothing of ours."""

from __future__ import annotations

BASE = "https://w3id.org/fhir-bladder/"
"""Canonical base of all artefacts. To be registered before a release."""

VERSION = "0.1.0"
"""Version of the artefacts in `profiles/`."""

_PROFILE = BASE + "StructureDefinition/"
_STANDARD = "http://hl7.org/fhir/StructureDefinition/"

# Profiles
EXAM_PROFILE = _PROFILE + "bladder-ultrasound-exam"
GROUP_PROFILE = _PROFILE + "bladder-ultrasound-group"
MEASUREMENT_PROFILE = _PROFILE + "bladder-ultrasound-measurement"
DEVICE_PROFILE = _PROFILE + "bladder-ultrasound-device"
REPORT_PROFILE = _PROFILE + "bladder-ultrasound-report"
BUNDLE_PROFILE = _PROFILE + "bladder-ultrasound-bundle"

# Code systems
LOCAL = BASE + "CodeSystem/bladder-ultrasound"
LOINC = "http://loinc.org"
SNOMED = "http://snomed.info/sct"
DICOM = "http://dicom.nema.org/resources/ontology/DCM"
UCUM = "http://unitsofmeasure.org"
ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"
IDENTIFIER_TYPE = "http://terminology.hl7.org/CodeSystem/v2-0203"
SECTION = "http://terminology.hl7.org/CodeSystem/v2-0074"
ACT_REASON = "http://terminology.hl7.org/CodeSystem/v3-ActReason"
DATA_OPERATION = "http://terminology.hl7.org/CodeSystem/v3-DataOperation"
PARTICIPANT = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"

# Identifier systems, defaults that a site replaces by its own
EXAM_KEY_SYSTEM = BASE + "NamingSystem/exam-key"
DEVICE_SYSTEM = BASE + "NamingSystem/device-serial"
SOURCE_SYSTEM = BASE + "NamingSystem/source-sha256"
MAP_SYSTEM = BASE + "NamingSystem/map-sha256"
SOFTWARE_SYSTEM = BASE + "NamingSystem/software"

# Standard extensions (R4)
BODY_POSITION = _STANDARD + "observation-bodyPosition"
LOCATION = _STANDARD + "event-location"
EPISODE = _STANDARD + "workflow-episodeOfCare"
REASON = _STANDARD + "workflow-reasonCode"
REPLACES = _STANDARD + "observation-replaces"
PRECISION = _STANDARD + "quantity-precision"
ABSENT_EXTENSION = _STANDARD + "data-absent-reason"

# Extensions of ours: on any element
AS_RECEIVED = _PROFILE + "as-received"
# on Observation
SOFTWARE_VERSION = _PROFILE + "device-software-version"
CALIBRATED_ON = _PROFILE + "device-calibrated-on"
CHOICE = _PROFILE + "choice"
FILLING_RANGE = _PROFILE + "filling-range"
STATUS_AS_RECEIVED = _PROFILE + "status-as-received"
VERIFIED_BY = _PROFILE + "verified-by"
ACTION = _PROFILE + "action"
VOIDED_AT = _PROFILE + "voided-at"
CATHETER_REMOVED_AT = _PROFILE + "catheter-removed-at"
CATHETERISED_AT = _PROFILE + "catheterised-at"
WALL_CONTEXT = _PROFILE + "wall-context"
NOT_SYNTHETIC = _PROFILE + "stated-not-synthetic"
UNIDENTIFIED_PATIENT = _PROFILE + "unidentified-patient"
# on Observation and component
VOID_MEASURED = _PROFILE + "void-measured"
# on component, and on the measurement of the single shape
SCAN_NUMBER = _PROFILE + "scan-number"
TAKEN_AT = _PROFILE + "taken-at"
CENTRING = _PROFILE + "centring"
OFF_CENTRE = _PROFILE + "off-centre-towards"
PUBIC_SHADOW = _PROFILE + "pubic-shadow"
ORIGIN = _PROFILE + "origin"
MASS_MODEL = _PROFILE + "mass-model"
DENSITY = _PROFILE + "density"
COEFFICIENT = _PROFILE + "coefficient"
FILLING_VOLUME = _PROFILE + "filling-volume"
INSIDE_RANGE = _PROFILE + "inside-filling-range"
VOID_AT = _PROFILE + "void-at"
# on ConceptMap targets
CERTAINTY = _PROFILE + "certainty"
USE = _PROFILE + "use"

EXAM_CODE = "bladder-ultrasound-exam"
