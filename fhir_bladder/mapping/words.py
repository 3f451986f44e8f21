"""Room `mapping`: the words people read: texts of codes and the text line of an exam. May import exam, measurement.

Each text stands alone, since record systems show texts and rarely extensions.
"""

from __future__ import annotations

import re
from html import escape

from fhir_bladder.exam import ExamRecord
from fhir_bladder.exam.model import Quantity, Scan
from fhir_bladder.measurement import Calculated, Choice
from fhir_bladder.measurement.choice import place_of

STATE = {"pre-void": " before voiding", "post-void": " after voiding", "unspecified": ", void state not stated"}
ABSENT_SCAN = {
    "not-seen": ("unknown", "bladder not seen"),
    "failed": ("error", "scan failed"),
    "refused": ("asked-declined", "scan refused by the patient"),
}
"""dataAbsentReason and words of a scan without volume."""

_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def volume_text(record: ExamRecord, choice: Choice) -> str:
    """Text of the result."""
    text = "Bladder volume by ultrasound" + STATE[record.void_state]
    if choice.how == "none":
        return text + ", none chosen"
    if record.void_state == "post-void":
        text += " (residual)"
    if choice.scan is None:
        return f"{text}, calculated, {choice.text}"
    if len(record.scans) > 1:
        return f"{text}, scan {place_of(choice.scan, record.scans)}"
    return text


def scan_text(record: ExamRecord, choice: Choice, scan: Scan) -> str:
    """Text of a scan that is not itself the result."""
    place = place_of(scan, record.scans)
    volume = "bladder volume by ultrasound" + STATE[record.void_state]
    if choice.how in ("median", "mean") and scan.volume is not None:
        return f"Scan {place}, used for the {choice.how}: {volume}"
    if choice.how == "none":
        return f"Scan {place}, none chosen: {volume}"
    return f"Repeat scan {place}, not reported: {volume}"


def wall_text(concept: str, layer: str | None, mark: str) -> str:
    """Text of a received wall value; mark: what the filling range says of it."""
    text = _WALL[concept]
    if layer in (None, "unknown") and concept.endswith("wall-thickness"):
        text += ", layer not stated, taken as whole wall"
    return f"{text}; {mark}" if mark else text


_WALL = {
    "wall-thickness": "Bladder wall thickness by ultrasound",
    "caliper-wall-thickness": "Bladder wall thickness by ultrasound, measured by hand with calipers",
    "detrusor-thickness": "Detrusor thickness by ultrasound",
    "caliper-detrusor-thickness": "Detrusor thickness by ultrasound, measured by hand with calipers",
    "surface-area": "Bladder surface area by ultrasound",
    "estimated-mass": "Ultrasound-estimated bladder weight, as received",
}
CALCULATED_MASS = "Ultrasound-estimated bladder weight"
NO_MASS = "Ultrasound-estimated bladder weight, not calculated"


def voided_text(record: ExamRecord) -> str:
    """Text of the voided volume."""
    how = {True: ", measured", False: ", estimated", None: ""}[record.void_measured]
    return "Voided volume before the scan" + how


def earlier_text(position: int, total: int, measured: bool | None) -> str:
    """Text of an earlier void, position counted from 1 in the order of the record."""
    how = {True: ", measured", False: ", estimated", None: ""}[measured]
    return f"Voided volume of an earlier void, {position} of {total}{how}"


def exam_text(record: ExamRecord) -> str:
    """Text of the exam's own code."""
    return "Bladder ultrasound exam" + STATE[record.void_state]


def shown(quantity: Quantity) -> str:
    """A received quantity as people read it."""
    if quantity.comparator is None:
        return f"{quantity.value!s} {quantity.unit}"
    return f"{quantity.comparator}{quantity.value!s} {quantity.unit}"


def text_line(record: ExamRecord, choice: Choice, calculated: Calculated, status: str) -> str:
    """One line that says the exam: value, state, time, scan, quality, wall, verification. Stands alone."""
    parts = [_result(record, choice)]
    if record.void_state == "post-void":
        parts += _void(record, calculated)
    moment = record.started_at.moment
    parts.append(f"{moment.day} {_MONTHS[moment.month - 1]} {moment.year} {moment.hour:02}:{moment.minute:02}")
    scan = choice.scan
    if choice.how == "none" or scan is None:
        parts.append(choice.text)
    else:
        parts.append(f"scan {place_of(scan, record.scans)}")
        if scan.centring in ("centred", "partly-centred", "not-centred"):
            parts.append(scan.centring.replace("-", " "))
        if scan.pubic_shadow:
            parts.append("pubic shadow")
    parts += _wall(record, calculated)
    parts.append(f"verified by {record.verified.by}" if record.verified is not None else "not verified")
    if status not in ("final", "preliminary") or (status == "preliminary" and record.verified is not None):
        parts.append(status.replace("-", " "))
    line = ", ".join(parts)
    return "INVENTED DATA: " + line if record.synthetic else line


def _result(record: ExamRecord, choice: Choice) -> str:
    name = _NAMES[record.void_state] if choice.how != "none" else "Bladder volume" + STATE[record.void_state]
    if choice.value is not None:
        if choice.scan is not None and choice.scan.volume is not None:
            return f"{name} {shown(choice.scan.volume)}"
        return f"{name} {choice.value} mL, calculated"
    if choice.scan is not None and choice.scan.absent_reason is not None:
        return f"{name} absent, {ABSENT_SCAN[choice.scan.absent_reason][1]}"
    return f"{name} absent"


_NAMES = {
    "pre-void": "Bladder volume before voiding",
    "post-void": "Residual",
    "unspecified": "Bladder volume, void state not stated,",
}


def _void(record: ExamRecord, calculated: Calculated) -> list[str]:
    after = f"{calculated.minutes} min after a void" if calculated.minutes is not None else ""
    if record.voided_volume is not None:
        return [(after or "after a void") + " of " + shown(record.voided_volume)]
    if record.void_attempt == "unable":
        return ["unable to void"]
    if record.void_attempt == "not-attempted":
        return ["no attempt to void"]
    return [after] if after else []


def _wall(record: ExamRecord, calculated: Calculated) -> list[str]:
    wall = record.wall
    if wall is None:
        return []
    parts = []
    layer = "detrusor" if wall.layer == "detrusor" else "wall"
    for name, value in (
        (f"{layer} thickness", wall.thickness),
        (f"{layer} thickness by caliper", wall.caliper_thickness),
        ("surface area", wall.surface_area),
        ("bladder weight as received", wall.mass),
    ):
        if value is not None:
            parts.append(f"{name} {shown(value)}")
    if calculated.mass is not None:
        parts.append(f"bladder weight {calculated.mass!s} g ({calculated.mass_text})")
    if parts and calculated.wall_mark:
        parts.append(f"wall values: {calculated.wall_mark}")
    return parts


def narrative(line: str) -> dict[str, str]:
    """`text` of a resource: the line as XHTML, escaped."""
    return {"status": "generated", "div": f'<div xmlns="http://www.w3.org/1999/xhtml"><p>{_xml(line)}</p></div>'}


_NOT_SHOWN = re.compile("[\x7f-\x84\x86-\x9f\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069\ufffe\uffff]")


def _xml(text: str) -> str:
    """Escaped; what XML 1.0 forbids or discourages and bidirectional controls are replaced, so that text stays put."""
    if "&" in text or "<" in text or ">" in text:
        text = escape(text, quote=False)
    if "\r" in text:
        text = text.replace("\r", " ")
    return _NOT_SHOWN.sub("\ufffd", text)
