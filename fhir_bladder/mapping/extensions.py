"""Room `mapping`: extensions on the Observation of an exam: what has no element. May import exam, measurement."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from fhir_bladder.exam import ExamRecord
from fhir_bladder.exam.model import Action, Wall
from fhir_bladder.mapping import values
from fhir_bladder.mapping.keys import exam_key
from fhir_bladder.measurement import Calculated, Choice, Settings
from fhir_bladder.measurement.settings import CHILD_TEXT
from fhir_bladder.terminology import names as N

Element = dict[str, Any]

POSITIONS = {
    "supine": ("40199007", "Supine body position"),
    "sitting": ("33586001", "Sitting position"),
    "standing": ("10904000", "Orthostatic body position"),
    "left-lateral": ("102536004", "Left lateral decubitus position"),
    "right-lateral": ("102535000", "Right lateral decubitus position"),
}
"""SNOMED CT code of each body position (certainty A: Global Patient Set, DICOM context group 20)."""

_BODY_POSITION: dict[str, Element] = {
    given: {
        "url": N.BODY_POSITION,
        "valueCodeableConcept": {"coding": [{"system": N.SNOMED, "code": code}], "text": given},
    }
    for given, (code, _) in POSITIONS.items()
} | {"unspecified": {"url": N.BODY_POSITION, "valueCodeableConcept": {"text": "unspecified"}}}
_MEASURED = {given: {"url": N.VOID_MEASURED, "valueBoolean": given} for given in (True, False)}
_NOT_SYNTHETIC = {"url": N.NOT_SYNTHETIC, "valueBoolean": True}
ACTIONS = {"none": "no-action", "repeat-scan": "repeat-scan", "catheterised": "catheterised", "escalated": "escalated"}
"""Code of what followed."""


def build(
    record: ExamRecord, choice: Choice, calculated: Calculated, settings: Settings, key_system: str, stated_status: str
) -> list[Element]:
    """All extensions of the exam's Observation, in a fixed order. stated_status: empty where sent as received."""
    found: list[Element] = []
    add = found.append
    if record.position is not None:
        add(_BODY_POSITION[record.position])
    if record.location is not None:
        add({"url": N.LOCATION, "valueReference": {"display": record.location}})
    if record.episode is not None:
        identifier = values.identifier(record.episode.system, record.episode.value)
        add({"url": N.EPISODE, "valueReference": {"identifier": identifier}})
    if record.reason is not None:
        add({"url": N.REASON, "valueCodeableConcept": {"text": record.reason}})
    if record.supersedes is not None:
        identifier = values.identifier(key_system, exam_key(record.device.serial, record.supersedes))
        add({"url": N.REPLACES, "valueReference": {"identifier": identifier}})
    if record.device.software_version is not None:
        add({"url": N.SOFTWARE_VERSION, "valueString": record.device.software_version})
    if record.device.calibrated_on is not None:
        add({"url": N.CALIBRATED_ON, "valueDate": record.device.calibrated_on})
    add(_choice(choice.how, record.reported_scan, record.choice_rule))
    if record.wall is not None:
        add(_filling_range(settings, calculated.wall_mark == CHILD_TEXT, calculated.age_note))
        if (context := _wall_context(record.wall)) is not None:
            add(context)
    if stated_status:
        add({"url": N.STATUS_AS_RECEIVED, "valueCode": stated_status})
    if record.verified is not None:
        add({"url": N.VERIFIED_BY, "valueString": record.verified.by})
    if record.action is not None:
        found += _action(record.action)
    if record.voided_at is not None:
        found += values.time_extension(N.VOIDED_AT, record.voided_at)
    if record.void_measured is not None:
        add(_MEASURED[record.void_measured])
    if record.catheter_removed_at is not None:
        found += values.time_extension(N.CATHETER_REMOVED_AT, record.catheter_removed_at)
    if record.catheterised_at is not None:
        found += values.time_extension(N.CATHETERISED_AT, record.catheterised_at)
    if record.synthetic is False:
        add(_NOT_SYNTHETIC)
    return found


@lru_cache(maxsize=512)
def _choice(how: str, stated: int | None, rule: str | None) -> Element:
    parts: list[Element] = []
    if rule is not None:
        parts.append({"url": "rule", "valueCode": rule})
    if stated is not None:
        parts.append({"url": "stated-scan", "valueInteger": stated})
    parts.append({"url": "how", "valueCode": "none-chosen" if how == "none" else how})
    return {"url": N.CHOICE, "extension": parts}


@lru_cache(maxsize=64)
def _filling_range(settings: Settings, child: bool, note: str) -> Element:
    if child:
        parts: list[Element] = [{"url": "text", "valueString": CHILD_TEXT}]
    else:
        parts = [
            {"url": "low", "valueQuantity": values.amount(settings.filling_low, "mL")},
            {"url": "high", "valueQuantity": values.amount(settings.filling_high, "mL")},
        ]
        if note:
            parts.append({"url": "text", "valueString": note})
    return {"url": N.FILLING_RANGE, "extension": parts}


def _wall_context(wall: Wall) -> Element | None:
    parts: list[Element] = []
    if wall.scan_number is not None:
        parts.append({"url": "scan-number", "valueInteger": wall.scan_number})
    if wall.layer is not None:
        parts.append({"url": "layer", "valueCode": "layer-unknown" if wall.layer == "unknown" else wall.layer})
    return {"url": N.WALL_CONTEXT, "extension": parts} if parts else None


def _action(action: Action) -> list[Element]:
    parts: list[Element] = [{"url": "what", "valueCode": ACTIONS[action.what]}]
    beside: list[Element] = []
    if action.at is not None:
        parts.append({"url": "at", "valueDateTime": action.at.wire})
        if action.at.wire != action.at.text:
            beside.append(values.received_in(N.ACTION, action.at.text))
    if action.note is not None:
        parts.append({"url": "note", "valueString": action.note})
    return [{"url": N.ACTION, "extension": parts}, *beside]
