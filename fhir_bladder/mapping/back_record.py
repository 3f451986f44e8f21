"""Room `mapping`: one exam's Observations back to its record. May import terminology, errors.

What was calculated is left out; what was received comes back with its digits, units and times.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from fhir_bladder.errors import RecordError
from fhir_bladder.mapping import back_values as back
from fhir_bladder.mapping.extensions import ACTIONS, POSITIONS
from fhir_bladder.mapping.keys import ExamKey, is_key, parse_key
from fhir_bladder.terminology import names as N

Element = dict[str, Any]

_REASONS = {"unknown": "not-seen", "error": "failed", "asked-declined": "refused"}
_BOOLEANS = {
    "uterus-assumed": "uterus_present",
    "catheter-in-place": "catheter_in_place",
    "pregnant": "pregnant",
    "hysterectomy": "hysterectomy",
    "ascites": "ascites",
    "pelvic-surgery": "pelvic_surgery",
    "retention-symptoms": "retention_symptoms",
}
_WALL = {
    "wall-thickness": "thickness",
    "detrusor-thickness": "thickness",
    "caliper-wall-thickness": "caliper_thickness",
    "caliper-detrusor-thickness": "caliper_thickness",
    "surface-area": "surface_area",
    "estimated-mass": "mass",
    "probe-frequency": "probe_frequency",
}
_STATES = {"109134": "pre-void", "109135": "post-void"}
_POSITIONS = {code: given for given, (code, _) in POSITIONS.items()}
_ACTIONS = {code: given for given, code in ACTIONS.items()}


def key_of(observation: Element, key_system: str = "") -> tuple[str, ExamKey]:
    """System and parts of an Observation's key.

    Taken from the identifier in `key_system`, else the one in the default system, else the only one that has a key's
    form. Raises RecordError where there is none, or several without a known system.
    """
    identifiers = [
        one for one in observation.get("identifier", ()) if isinstance(one.get("value"), str) and is_key(one["value"])
    ]
    for system in (key_system, N.EXAM_KEY_SYSTEM):
        for one in identifiers:
            if one.get("system") == system:
                return system, parse_key(one["value"])
    if len(identifiers) != 1:
        what = "several identifiers could be the exam key" if identifiers else "no identifier is an exam key"
        raise RecordError(what, "Observation.identifier", "configure the key system of the site")
    return identifiers[0].get("system", ""), parse_key(identifiers[0]["value"])


def concept_of(observation: Element) -> str:
    """The local concept of an Observation or component, empty for a foreign one."""
    return back.local_code(observation.get("code", {}))


def record(
    exam: Element, parts: Sequence[Element], patient: Element | None, device: Element | None, key_system: str = ""
) -> Element:
    """The exam record of an Observation.

    exam: the panel or the group. parts: its components, and the measurements of the single shape, in order. patient,
    device: the resources, where they are at hand; without them the references on the Observation are read.
    """
    _, key = key_of(exam, key_system)
    own = back.extensions(exam)
    components = [(concept_of(part), part) for part in parts]
    by_code = {code: part for code, part in reversed(components) if code}
    if "void-state" not in by_code:
        raise RecordError("no component says the void state", "Observation.component", "send the whole exam")
    choice = back.extensions(own.get(N.CHOICE, {}))
    found: list[tuple[str, Any]] = [
        ("record_version", "1"),
        ("exam_number", key.number),
        ("device", _device(key, own, device)),
        ("patient", _patient(exam, patient)),
        ("order", _order(exam)),
        ("encounter", back.identifier(exam.get("encounter", {}).get("identifier"))),
        ("episode", back.identifier(own.get(N.EPISODE, {}).get("valueReference", {}).get("identifier"))),
        ("reason", own.get(N.REASON, {}).get("valueCodeableConcept", {}).get("text")),
        ("operator", _operator(exam)),
        ("location", own.get(N.LOCATION, {}).get("valueReference", {}).get("display")),
        ("started_at", back.time(exam, "effectiveDateTime")),
        ("uterus_present", by_code.get("uterus-assumed", {}).get("valueBoolean")),
        ("void_state", _void_state(by_code["void-state"])),
        ("void_attempt", _void_attempt(by_code.get("void-attempt"))),
        ("voided_at", back.extension_time(exam, own, N.VOIDED_AT)),
        ("voided_volume", _quantity(by_code.get("voided-volume"))),
        ("void_measured", own.get(N.VOID_MEASURED, {}).get("valueBoolean")),
        ("earlier_voids", [_earlier(part) for code, part in components if code == "earlier-void"] or None),
        ("catheter_removed_at", back.extension_time(exam, own, N.CATHETER_REMOVED_AT)),
        ("catheterised_volume", _quantity(by_code.get("catheterised-volume"))),
        ("catheterised_at", back.extension_time(exam, own, N.CATHETERISED_AT)),
    ]
    found += [
        (field, by_code[code]["valueBoolean"])
        for code, field in _BOOLEANS.items()
        if code != "uterus-assumed" and "valueBoolean" in by_code.get(code, {})
    ]
    found += [
        ("position", _position(own.get(N.BODY_POSITION))),
        ("scans", _scans(components)),
        ("reported_scan", choice.get("stated-scan", {}).get("valueInteger")),
        ("choice_rule", choice.get("rule", {}).get("valueCode")),
        ("diameters", _diameters(by_code)),
        ("wall", _wall(by_code, own)),
        ("verified", _verified(exam, own)),
        ("action", _action(exam, own.get(N.ACTION))),
        ("status", own.get(N.STATUS_AS_RECEIVED, {}).get("valueCode") or exam.get("status")),
        ("supersedes", _supersedes(own.get(N.REPLACES))),
        ("synthetic", _synthetic(exam, own)),
    ]
    return back.given(found)


def _device(key: ExamKey, own: dict[str, Element], device: Element | None) -> Element:
    device = device or {}
    carriers = device.get("udiCarrier") or [{}]
    return back.given(
        (
            ("serial", key.serial),
            ("manufacturer", device.get("manufacturer")),
            ("model", device.get("modelNumber")),
            ("software_version", own.get(N.SOFTWARE_VERSION, {}).get("valueString")),
            ("udi_device_identifier", carriers[0].get("deviceIdentifier")),
            ("calibrated_on", own.get(N.CALIBRATED_ON, {}).get("valueDate")),
        )
    )


def _patient(exam: Element, patient: Element | None) -> Element | None:
    contained = next((one for one in exam.get("contained", ()) if one.get("resourceType") == "Patient"), None)
    patient = patient or contained
    if patient is None:
        reference = exam.get("subject", {}).get("identifier")
        return {"identifiers": [_patient_identifier(reference)]} if back.identifier(reference) else None
    name = (patient.get("name") or [{}])[0]
    identifiers = [_patient_identifier(one) for one in patient.get("identifier", ()) if back.identifier(one)]
    found = back.given(
        (
            ("identifiers", identifiers or None),
            ("birth_date", patient.get("birthDate")),
            ("administrative_gender", patient.get("gender")),
            ("family_name", name.get("family")),
            ("given_names", name.get("given")),
        )
    )
    return found or None


def _patient_identifier(element: Element) -> Element:
    found = {"system": element["system"], "value": element["value"]}
    kind = element.get("type", {})
    text = kind.get("text") or back.local_code(kind, N.IDENTIFIER_TYPE)
    return found | {"type": text} if text else found


def _order(exam: Element) -> Element | None:
    orders = exam.get("basedOn") or [{}]
    return back.identifier(orders[0].get("identifier"))


def _operator(exam: Element) -> Element | None:
    performers = exam.get("performer") or [{}]
    found = back.given(
        (("identifier", back.identifier(performers[0].get("identifier"))), ("display", performers[0].get("display")))
    )
    return found or None


def _void_state(part: Element) -> str:
    return _STATES.get(back.local_code(part.get("valueCodeableConcept", {}), N.DICOM), "unspecified")


def _void_attempt(part: Element | None) -> str | None:
    if part is None:
        return None
    return back.local_code(part.get("valueCodeableConcept", {})) or "unknown"


def _quantity(part: Element | None) -> Element | None:
    return back.quantity(part["valueQuantity"]) if part is not None and "valueQuantity" in part else None


def _earlier(part: Element) -> Element:
    own = back.extensions(part)
    return back.given(
        (
            ("at", back.extension_time(part, own, N.VOID_AT)),
            ("volume", _quantity(part)),
            ("measured", own.get(N.VOID_MEASURED, {}).get("valueBoolean")),
        )
    )


def _position(extension: Element | None) -> str | None:
    if extension is None:
        return None
    concept = extension.get("valueCodeableConcept", {})
    return _POSITIONS.get(back.local_code(concept, N.SNOMED)) or concept.get("text")


def _scans(components: list[tuple[str, Element]]) -> list[Element]:
    found = []
    for code, part in components:
        own = back.extensions(part)
        if code not in ("volume", "scan-volume") or N.SCAN_NUMBER not in own:
            continue
        centring = own.get(N.CENTRING, {}).get("valueCode")
        towards = [one["valueCode"] for one in part.get("extension", ()) if one.get("url") == N.OFF_CENTRE]
        reason = None
        if "valueQuantity" not in part:
            code_of_reason = back.local_code(part.get("dataAbsentReason", {}), N.ABSENT)
            reason = _REASONS.get(code_of_reason)
            if reason is None:
                raise RecordError(
                    f"absent reason {code_of_reason!r} of a scan is not known", "component.dataAbsentReason",
                    f"known are {', '.join(_REASONS)}",
                )  # fmt: skip
        found.append(
            back.given(
                (
                    ("scan_number", own[N.SCAN_NUMBER].get("valueInteger")),
                    ("taken_at", back.extension_time(part, own, N.TAKEN_AT)),
                    ("volume", _quantity(part)),
                    ("absent_reason", reason),
                    ("centring", "unknown" if centring == "centring-unknown" else centring),
                    ("off_centre_towards", towards or None),
                    ("pubic_shadow", own.get(N.PUBIC_SHADOW, {}).get("valueBoolean")),
                )
            )
        )
    return found


def _diameters(by_code: dict[str, Element]) -> Element | None:
    if "length" not in by_code:
        return None
    own = back.extensions(by_code["length"])
    return back.given(
        (
            ("scan_number", own.get(N.SCAN_NUMBER, {}).get("valueInteger")),
            *((name, _quantity(by_code.get(name))) for name in ("length", "width", "height")),
            ("coefficient", back.decimal(by_code["length"], own, N.COEFFICIENT)),
        )
    )


def _wall(by_code: dict[str, Element], own: dict[str, Element]) -> Element | None:
    context = back.extensions(own.get(N.WALL_CONTEXT, {}))
    layer = context.get("layer", {}).get("valueCode")
    found: list[tuple[str, Any]] = [
        ("scan_number", context.get("scan-number", {}).get("valueInteger")),
        ("layer", "unknown" if layer == "layer-unknown" else layer),
    ]
    found += [(field, _quantity(by_code[code])) for code, field in _WALL.items() if code in by_code]
    return back.given(found) or None


def _verified(exam: Element, own: dict[str, Element]) -> Element | None:
    if N.VERIFIED_BY not in own:
        return None
    note = next((one.get("text") for one in exam.get("note", ()) if "time" in one), None)
    return back.given(
        (("by", own[N.VERIFIED_BY].get("valueString")), ("at", back.time(exam, "issued")), ("note", note))
    )


def _action(exam: Element, extension: Element | None) -> Element | None:
    if extension is None:
        return None
    own = back.extensions(extension)
    return back.given(
        (
            ("what", _ACTIONS.get(own.get("what", {}).get("valueCode", ""))),
            ("at", back.received_in(exam, N.ACTION) or own.get("at", {}).get("valueDateTime")),
            ("note", own.get("note", {}).get("valueString")),
        )
    )


def _supersedes(extension: Element | None) -> str | None:
    value = (extension or {}).get("valueReference", {}).get("identifier", {}).get("value")
    return parse_key(value).number if value else None


def _synthetic(exam: Element, own: dict[str, Element]) -> bool | None:
    tags = exam.get("meta", {}).get("security", ())
    if any(tag.get("system") == N.ACT_REASON and tag.get("code") == "HTEST" for tag in tags):
        return True
    return False if N.NOT_SYNTHETIC in own else None
