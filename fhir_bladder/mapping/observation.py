"""Room `mapping`: the Observations of an exam, in both shapes. May import exam, measurement, terminology.

`panel`: one Observation, everything a component. `single`: a group Observation with the circumstances, and one
Observation for each measured concept, all known by keys.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any, NamedTuple

from fhir_bladder.exam import ExamRecord
from fhir_bladder.exam.record import status_of
from fhir_bladder.mapping import components, extensions, people, values, words
from fhir_bladder.mapping.keys import exam_key, uuid_of
from fhir_bladder.mapping.options import MapOptions
from fhir_bladder.measurement import Calculated, calculate, choose
from fhir_bladder.terminology import names as N

Element = dict[str, Any]

BODY_SITE: Element = {
    "coding": [{"system": N.SNOMED, "code": "89837001", "display": "Urinary bladder structure"}],
    "text": "Urinary bladder",
}
TOOL = "fhir-bladder"
_META = {
    (profile, synthetic): {"profile": [profile]} | ({"security": [people.HTEST]} if synthetic else {})
    for profile in (N.EXAM_PROFILE, N.GROUP_PROFILE, N.MEASUREMENT_PROFILE)
    for synthetic in (True, False)
}
_CATEGORIES: dict[str, list[Element]] = {}


class Exam(NamedTuple):
    """An exam as Observations, the exam's own first; what the other resources of its Bundle need.

    urls: of the Observations in a Bundle, else empty. shared: elements that all Observations carry. models: what was
    calculated, and with which constants, in words.
    """

    key: str
    status: str
    line: str
    observations: list[Element]
    urls: list[str]
    shared: Element
    models: str


def urn(kind: str, system: str, value: str) -> str:
    """`urn:uuid:` of a resource, derived from its identifier."""
    return f"urn:uuid:{uuid_of(f'{kind}?identifier={system}|{value}')}"


@lru_cache(maxsize=512)
def device_urn(system: str, serial: str) -> str:
    """`urn:uuid:` of a scanner; few scanners make many exams."""
    return urn("Device", system, serial)


def status(record: ExamRecord, how: str) -> tuple[str, str]:
    """Observation.status, and the status of the record where another had to be sent (else empty).

    `final`, `amended` and `corrected` become `preliminary` where no scan could be chosen.
    """
    given = status_of(record)
    if how == "none" and given in ("final", "amended", "corrected"):
        return "preliminary", given
    return given, ""


def build(record: ExamRecord, options: MapOptions, *, bundled: bool) -> Exam:
    """Map a record. bundled: references by `urn:uuid:` too, for a Bundle."""
    choice = choose(record)
    calculated = calculate(record, options.settings, choice=choice)
    state, stated = status(record, choice.how)
    key = exam_key(record.device.serial, record.exam_number, options.revision)
    three = components.from_three_diameters(record, choice)
    extras = options.book.extras(record, three)
    items = components.build(record, choice, calculated, options, extras, three)
    line = words.text_line(record, choice, calculated, state)
    shared = _shared(record, options, state, bundled)
    own = extensions.build(record, choice, calculated, options.settings, options.key_system, stated)
    panel = options.shape == "panel"
    profile = N.EXAM_PROFILE if panel else N.GROUP_PROFILE
    if (contained := people.unidentified(record.patient)) is not None:
        shared["contained"] = [contained]
        own.append(people.UNIDENTIFIED)
    exam: Element = {
        "resourceType": "Observation",
        "meta": _META[profile, record.synthetic is True],
        "text": words.narrative(line),
        "extension": own,
        "identifier": [{"system": options.key_system, "value": key}],
        "code": options.book.code(N.EXAM_CODE, words.exam_text(record), False, extras),
        **shared,
        "component": [body for _, measured, body in items if panel or not measured],
    }
    shared.pop("contained", None)
    if notes := _notes(record, choice.note, calculated.age_note):
        exam["note"] = notes
    observations = [exam]
    urls = [urn("Observation", options.key_system, key)] if bundled else []
    if not panel:
        members: list[Element] = []
        exam["hasMember"] = members
        meta = _META[N.MEASUREMENT_PROFILE, record.synthetic is True]
        for part, measured, body in items:
            if not measured:
                continue
            identifier = {"system": options.key_system, "value": f"{key}/{part}"}
            reference: Element = {}
            if bundled:
                urls.append(urn("Observation", options.key_system, identifier["value"]))
                reference["reference"] = urls[-1]
            members.append(reference | {"type": "Observation", "identifier": identifier})
            observations.append(
                {
                    "resourceType": "Observation",
                    "meta": meta,
                    "text": words.narrative(_measurement_line(body)),
                    "identifier": [identifier],
                    **shared,
                    **body,
                }
            )
    return Exam(key, state, line, observations, urls, shared, _models(calculated, options) if bundled else "")


def _shared(record: ExamRecord, options: MapOptions, state: str, bundled: bool) -> Element:
    """Elements that every Observation of the exam carries."""
    patient_url = device_url = ""
    if bundled:
        device_url = device_urn(options.device_system, record.device.serial)
        if record.patient is not None and record.patient.identifiers is not None:
            first = record.patient.identifiers[0]
            patient_url = urn("Patient", first.system, first.value)
    found: Element = {
        "status": state,
        "category": category(options),
        "subject": people.subject(record.patient, patient_url),
        "bodySite": BODY_SITE,
        "device": people.device_reference(record.device, options.device_system, device_url),
    }
    values.put_time(found, "effectiveDateTime", record.started_at)
    if record.encounter is not None:
        found["encounter"] = {"identifier": values.identifier(record.encounter.system, record.encounter.value)}
    if record.order is not None:
        found["basedOn"] = [{"identifier": values.identifier(record.order.system, record.order.value)}]
    if record.verified is not None:
        values.put_time(found, "issued", record.verified.at)
    if record.operator is not None:
        found["performer"] = [people.performer(record.operator)]
    return found


def category(options: MapOptions) -> list[Element]:
    """Observation.category."""
    found = _CATEGORIES.get(options.category)
    if found is None:
        coding = {"system": N.CATEGORY, "code": options.category, "display": options.category_display}
        found = _CATEGORIES[options.category] = [{"coding": [coding]}]
    return found


def _notes(record: ExamRecord, *ours: str) -> list[Element]:
    """The verifier's note, which alone has a time, then what this software has to say."""
    notes: list[Element] = []
    verified = record.verified
    if verified is not None and verified.note is not None:
        notes.append({"authorString": verified.by, "time": verified.at.wire, "text": verified.note})
    notes += [{"authorString": TOOL, "text": text} for text in ours if text]
    return notes


def _models(calculated: Calculated, options: MapOptions) -> str:
    parts = []
    if calculated.mass is not None and options.send_calculated_mass:
        parts.append(f"mass by the model {calculated.model}, density {calculated.density} g/mL")
    if calculated.mass is not None or calculated.wall_mark:
        parts.append(f"filling range {options.settings.filling_text}")
    if calculated.efficiency is not None:
        parts.append("voiding efficiency from voided volume and residual")
    return "; ".join(parts)


def _measurement_line(body: Element) -> str:
    text: str = body["code"]["text"]
    quantity = body.get("valueQuantity")
    if quantity is None:
        return f"{text}: absent, {body['dataAbsentReason']['text']}"
    return f"{text}: {quantity.get('comparator', '')}{quantity['value']} {quantity['unit']}"
