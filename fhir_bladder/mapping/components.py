"""Room `mapping`: what a record measures and states, one body a concept. May import exam, measurement, terminology.

A body is a component of the panel shape; in the single shape those of measured concepts are the core of an
Observation of their own. The slices and their texts follow the project's design, section 3.
"""

from __future__ import annotations

from decimal import Decimal
from functools import lru_cache
from typing import Any, NamedTuple

from fhir_bladder.exam import ExamRecord
from fhir_bladder.exam.model import Quantity, Scan, Wall
from fhir_bladder.mapping import values, words
from fhir_bladder.mapping.options import MapOptions
from fhir_bladder.measurement import Calculated, Choice
from fhir_bladder.measurement.settings import CHILD_TEXT
from fhir_bladder.terminology import names as N
from fhir_bladder.terminology.codes import post_void_codes
from fhir_bladder.terminology.sites import SiteCode

Element = dict[str, Any]


Item = tuple[str, bool, Element]
"""One concept's body: what follows the exam key in the key of the single shape, whether it stands alone, the body."""


class _Context(NamedTuple):
    record: ExamRecord
    choice: Choice
    calculated: Calculated
    options: MapOptions
    three_diameters: bool
    extras: tuple[SiteCode, ...]


RECEIVED = {"url": N.ORIGIN, "valueCode": "received"}
CALCULATED = {"url": N.ORIGIN, "valueCode": "calculated"}
_CENTRING = {
    given: {"url": N.CENTRING, "valueCode": "centring-unknown" if given == "unknown" else given}
    for given in ("centred", "partly-centred", "not-centred", "unknown")
}
_OFF = {given: {"url": N.OFF_CENTRE, "valueCode": given} for given in ("left", "right", "cranial", "caudal")}
_SHADOW = {given: {"url": N.PUBIC_SHADOW, "valueBoolean": given} for given in (True, False)}
_INSIDE = {given: {"url": N.INSIDE_RANGE, "valueBoolean": given} for given in (True, False)}
_MEASURED = {given: {"url": N.VOID_MEASURED, "valueBoolean": given} for given in (True, False)}
_STATES: dict[str, Element] = {
    "pre-void": {
        "coding": [{"system": N.DICOM, "code": "109134", "display": "Prior to voiding"}],
        "text": "before voiding",
    },
    "post-void": {
        "coding": [{"system": N.DICOM, "code": "109135", "display": "Post voiding"}],
        "text": "after voiding",
    },
}
_ATTEMPTS = {"voided": "Voided", "unable": "Unable to void", "not-attempted": "Not attempted"}
_STATED_VALUES = _STATES | {
    given: {"coding": [{"system": N.LOCAL, "code": given, "display": text}], "text": text.lower()}
    for given, text in _ATTEMPTS.items()
}
_STATED_ABSENT = {"unspecified": "void state not stated", "unknown": "attempt to void not known"}
_BOOLEANS = (
    ("uterus_present", "uterus-assumed", "Uterus assumed present, acquisition setting, not a finding"),
    ("catheter_in_place", "catheter-in-place", "Urinary catheter in place, as stated"),
    ("pregnant", "pregnant", "Pregnant, as stated"),
    ("hysterectomy", "hysterectomy", "History of hysterectomy, as stated"),
    ("ascites", "ascites", "Ascites, as stated"),
    ("pelvic_surgery", "pelvic-surgery", "History of pelvic surgery, as stated"),
    ("retention_symptoms", "retention-symptoms", "Symptoms of urinary retention, as stated"),
)


def from_three_diameters(record: ExamRecord, choice: Choice) -> bool:
    """Whether the result is the volume of the scan that the three diameters belong to."""
    diameters, scan = record.diameters, choice.scan
    if diameters is None or scan is None or scan.volume is None:
        return False
    if diameters.scan_number is None:
        return len(record.scans) == 1
    return diameters.scan_number == scan.scan_number


def build(
    record: ExamRecord, choice: Choice, calculated: Calculated, options: MapOptions, extras: tuple[SiteCode, ...],
    three_diameters: bool,
) -> list[Item]:  # fmt: skip
    """All bodies of a record, in a fixed order; the scans in the order of the record."""
    context = _Context(record, choice, calculated, options, three_diameters, extras)
    items = _volumes(context)
    if record.diameters is not None:
        items += _diameters(context)
    if record.wall is not None:
        items += _wall(context, record.wall)
    items += _voiding(context)
    for field, concept, text in _BOOLEANS:
        stated = getattr(record, field)
        if stated is not None:
            items.append((concept, False, _stated(context, concept, text, stated)))
    return items


def _stated(context: _Context, concept: str, text: str, given: bool | str) -> Element:
    """The body of a value from a short list; each is built once and shared."""
    key = (concept, given, context.extras)
    body = context.options.book.bodies.get(key)
    if body is None:
        body = {"code": context.options.book.code(concept, text, False, context.extras)}
        if isinstance(given, bool):
            body["valueBoolean"] = given
        elif (value := _STATED_VALUES.get(given)) is not None:
            body["valueCodeableConcept"] = value
        else:
            body["dataAbsentReason"] = values.absent("unknown", _STATED_ABSENT[given])
        context.options.book.bodies[key] = body
    return body


def _volumes(context: _Context) -> list[Item]:
    record, choice, code = context.record, context.choice, context.options.book.code
    items = []
    if choice.scan is None:
        extras = context.extras
        if choice.how == "none":  # no residual code where nothing was chosen
            extras = tuple(row for row in extras if (row.system, row.code) not in post_void_codes())
        body: Element = {"code": code("volume", words.volume_text(record, choice), False, extras)}
        if choice.value is None:
            body["dataAbsentReason"] = values.absent("unknown", choice.text)
        else:
            body["extension"] = [CALCULATED]
            body["valueQuantity"] = values.amount(choice.value, "mL")
        items.append(("volume", True, body))
    for scan in record.scans:
        reported = scan is choice.scan
        if reported:
            concept = part = "volume"
            text = words.volume_text(record, choice)
        else:
            concept, part = "scan-volume", f"scan-volume/{scan.scan_number}"
            text = words.scan_text(record, choice, scan)
        body = {
            "extension": _scan_extensions(scan),
            "code": code(concept, text, reported and context.three_diameters, context.extras),
        }
        if scan.volume is not None:
            body["valueQuantity"] = values.quantity(scan.volume)
        else:
            assert scan.absent_reason is not None
            body["dataAbsentReason"] = values.absent(*words.ABSENT_SCAN[scan.absent_reason])
        items.append((part, True, body))
    return items


def _scan_extensions(scan: Scan) -> list[Element]:
    found = _of_scan(
        scan.scan_number, scan.centring, scan.off_centre_towards, scan.pubic_shadow, scan.volume is not None
    )
    if scan.taken_at is None:
        return found
    return [found[0], *values.time_extension(N.TAKEN_AT, scan.taken_at), *found[1:]]


@lru_cache(maxsize=1024)
def _of_scan(
    number: int, centring: str | None, towards: tuple[str, ...] | None, shadow: bool | None, received: bool
) -> list[Element]:
    """What is known of a scan, shared between exams."""
    found: list[Element] = [{"url": N.SCAN_NUMBER, "valueInteger": number}]
    if centring is not None:
        found.append(_CENTRING[centring])
    if towards is not None:
        found += [_OFF[direction] for direction in towards]
    if shadow is not None:
        found.append(_SHADOW[shadow])
    if received:
        found.append(RECEIVED)
    return found


def _diameters(context: _Context) -> list[Item]:
    diameters = context.record.diameters
    assert diameters is not None
    extension = [*values.decimal_extension(N.COEFFICIENT, diameters.coefficient), RECEIVED]
    of_scan = ""
    if diameters.scan_number is not None:
        extension.insert(0, {"url": N.SCAN_NUMBER, "valueInteger": diameters.scan_number})
        of_scan = f" of scan {diameters.scan_number}"
    items = []
    for concept, given in (("length", diameters.length), ("width", diameters.width), ("height", diameters.height)):
        text = f"Bladder {concept} by ultrasound, for the volume{of_scan} with coefficient {diameters.coefficient}"
        items.append(_received(context, concept, text, given, extension))
    return items


def _received(context: _Context, concept: str, text: str, given: Quantity, extension: list[Element]) -> Item:
    body = {
        "extension": extension,
        "code": context.options.book.code(concept, text, False, context.extras),
        "valueQuantity": values.quantity(given),
    }
    return (concept, True, body)


def _wall(context: _Context, wall: Wall) -> list[Item]:
    calculated, code, extras = context.calculated, context.options.book.code, context.extras
    layer = "detrusor" if wall.layer == "detrusor" else "wall"
    extension: list[Element] = []
    if wall.scan_number is not None:
        extension.append({"url": N.SCAN_NUMBER, "valueInteger": wall.scan_number})
    if calculated.filling_volume is not None:
        filling = values.amount(calculated.filling_volume, "mL")
        if calculated.filling_comparator is not None:
            filling["comparator"] = calculated.filling_comparator
        extension.append({"url": N.FILLING_VOLUME, "valueQuantity": filling})
    if calculated.inside is not None:
        extension.append(_INSIDE[calculated.inside])
    mark = calculated.wall_mark
    omit = context.options.filling_range == "omit" and mark not in ("", CHILD_TEXT)
    with_origin = [*extension, RECEIVED]
    items = []
    for concept, given in (
        (f"{layer}-thickness", wall.thickness),
        (f"caliper-{layer}-thickness", wall.caliper_thickness),
        ("surface-area", wall.surface_area),
        ("estimated-mass", wall.mass),
    ):
        if given is None:
            continue
        text = words.wall_text(concept, wall.layer, mark)
        if omit:
            left_out = values.absent("not-permitted", mark)
            items.append(_absent(concept, code(concept, text, False, extras), left_out, extension))
        else:
            items.append(_received(context, concept, text, given, with_origin))
    if context.options.send_calculated_mass:
        items += _mass(context, extension)
    if wall.probe_frequency is not None:
        of_scan = extension[:1] if wall.scan_number is not None else []
        text = "Ultrasound probe frequency for the bladder wall"
        items.append(_received(context, "probe-frequency", text, wall.probe_frequency, [*of_scan, RECEIVED]))
    return items


@lru_cache(maxsize=16)
def _density(density: str) -> Element:
    return {"url": N.DENSITY, "valueQuantity": values.amount(Decimal(density), "g/mL")}


def _absent(concept: str, code: Element, reason: Element, extension: list[Element]) -> Item:
    body: Element = {"extension": extension} if extension else {}
    body["code"] = code
    body["dataAbsentReason"] = reason
    return (concept, True, body)


def _mass(context: _Context, extension: list[Element]) -> list[Item]:
    calculated, code = context.calculated, context.options.book.code
    if calculated.mass is not None:
        assert calculated.density is not None
        marks = [
            *extension,
            CALCULATED,
            {"url": N.MASS_MODEL, "valueCode": calculated.model},
            _density(str(calculated.density)),
        ]
        text = f"{words.CALCULATED_MASS}, {calculated.mass_text}"
        body: Element = {
            "extension": marks,
            "code": code("calculated-mass", text, False, context.extras),
            "valueQuantity": values.amount(calculated.mass, "g"),
        }
    elif calculated.mass_absent:
        why = values.absent("not-performed", calculated.mass_absent)
        named = code("calculated-mass", words.NO_MASS, False, context.extras)
        return [_absent("calculated-mass", named, why, extension)]
    else:
        return []
    return [("calculated-mass", True, body)]


def _voiding(context: _Context) -> list[Item]:
    record, calculated, code, extras = context.record, context.calculated, context.options.book.code, context.extras
    state = _stated(context, "void-state", "Void state at the scan", record.void_state)
    items = [("void-state", False, state)]
    if record.void_attempt is not None:
        attempt = _stated(context, "void-attempt", "Attempt to void before the scan", record.void_attempt)
        items.append(("void-attempt", False, attempt))
    if calculated.minutes is not None:
        body = {
            "extension": [CALCULATED],
            "code": code(
                "time-since-void", f"Time since the last void, {calculated.minutes_basis}, calculated", False, extras
            ),
            "valueQuantity": values.amount(calculated.minutes, "min"),
        }
        items.append(("time-since-void", False, body))
    if record.voided_volume is not None:
        items.append(_received(context, "voided-volume", words.voided_text(record), record.voided_volume, [RECEIVED]))
    if record.earlier_voids is not None:
        items += _earlier(context)
    if record.catheterised_volume is not None:
        text = "Volume drained by catheter after the scan"
        items.append(_received(context, "catheterised-volume", text, record.catheterised_volume, [RECEIVED]))
    if calculated.efficiency is not None:
        text = "Voiding efficiency, calculated from voided volume and residual"
        body = {
            "extension": [CALCULATED],
            "code": code("voiding-efficiency", text, False, extras),
            "valueQuantity": values.amount(calculated.efficiency, "%"),
        }
        items.append(("voiding-efficiency", True, body))
    elif calculated.efficiency_absent:
        body = {
            "code": code("voiding-efficiency", "Voiding efficiency, not calculated", False, extras),
            "dataAbsentReason": values.absent("not-performed", calculated.efficiency_absent),
        }
        items.append(("voiding-efficiency", True, body))
    return items


def _earlier(context: _Context) -> list[Item]:
    earlier = context.record.earlier_voids
    assert earlier is not None
    items = []
    for position, void in enumerate(earlier, 1):
        text = words.earlier_text(position, len(earlier), void.measured)
        extension = values.time_extension(N.VOID_AT, void.at)
        if void.measured is not None:
            extension.append(_MEASURED[void.measured])
        body: Element = {"code": context.options.book.code("earlier-void", text, False, context.extras)}
        if void.volume is not None:
            extension.append(RECEIVED)
            body["valueQuantity"] = values.quantity(void.volume)
        else:
            body["dataAbsentReason"] = values.absent("unknown", "volume of the void not stated")
        items.append((f"earlier-void/{position}", True, {"extension": extension, **body}))
    return items
