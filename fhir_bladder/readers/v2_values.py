"""Room `readers`: what an OBX says: its value by OBX-2, unit, time, measurement status. May import exam.

Tables: HL7 v2.5.1 chapter 2A (data types); OBX-8 by IHE PCD-01 as the point-of-care guide prints it.
"""

from __future__ import annotations

import datetime as dt
import re
from typing import Any
from zoneinfo import ZoneInfo

from fhir_bladder.errors import RecordError
from fhir_bladder.exam import times
from fhir_bladder.exam.problems import Problem, did_you_mean
from fhir_bladder.readers import cells
from fhir_bladder.readers.cells import ABSENT, Reading
from fhir_bladder.readers.v2_map import Entry
from fhir_bladder.readers.v2_parse import Segment
from fhir_bladder.terminology import units

NUMBERS, TEXTS, CODES, TIMES = {"NM"}, {"ST", "TX", "FT"}, {"CWE", "CE", "CNE", "CF", "IS", "ID"}, {"DTM", "TS", "DT"}
TYPES = NUMBERS | TEXTS | CODES | TIMES | {"SN"}

NO_VALUE = {"INV", "NAV", "BUSY", "NI", "OFF"}
"""OBX-8 of PCD-01 that say there is no (usable) value; INV is a value not to be used."""
DOUBTFUL = {"QUES", "CAL", "EARLY"}
INVENTED = {"TEST", "DEMO"}
KNOWN_STATUS = NO_VALUE | DOUBTFUL | INVENTED | {"VAL", ">", "<"}

_NM = re.compile(r"[+-]?\d{1,40}(?:\.\d{0,40})?\Z|[+-]?\.\d{1,40}\Z", re.ASCII)
_DTM = re.compile(r"(\d{4})(\d{2})?(\d{2})?(?:(\d{2})(\d{2})(\d{2}(?:\.\d{1,4})?)?)?([+-]\d{4})?\Z", re.ASCII)
_YES_NO = {"Y": True, "N": False}
"""HL7 table 0136. Table 0532 adds codes that say nothing is known."""
_UNKNOWN = {"NI", "NA", "UNK", "NASK", "ASKU", "NAV", "NP"}


def value_of(obx: Segment, entry: Entry, when: Clock) -> Any:
    """The value of an OBX for the entry's field, or ABSENT. Raises Problem; the caller adds the place."""
    raw = obx.raw(5)
    if raw in ("", '""'):
        return ABSENT
    kind = obx.text(2).strip()
    if not kind:
        raise Problem("v2-type-missing", "OBX-2 is empty though OBX-5 is not", "say the type in OBX-2", field="OBX-2")
    if kind not in TYPES:
        raise Problem(
            "v2-type", f"type {kind[:10]!r} in OBX-2 is not taken here", "send NM, SN, ST or CWE", field="OBX-2"
        )
    repetitions = obx.repetitions(5)
    if entry.field.many:
        found = [_one(parts, kind, obx, entry, when) for parts in repetitions]
        return [item for part in found for item in (part if isinstance(part, list) else [part]) if item is not ABSENT]
    if len(repetitions) > 1:
        raise Problem(
            "v2-repeated", f"OBX-5 has {len(repetitions)} repetitions", "send one OBX for each value", field="OBX-5"
        )
    return _one(repetitions[0], kind, obx, entry, when)


def _one(parts: list[str], kind: str, obx: Segment, entry: Entry, when: Clock) -> Any:
    field = entry.field
    if kind in CODES:
        return _coded(parts, entry)
    if field.kind in ("time", "date"):
        text = parts[0].strip()
        return when.time(text, "OBX-5") if field.kind == "time" else date(text, "OBX-5")
    if kind in TIMES:
        raise Problem("v2-type", f"a time does not fit {entry.path}", "correct the map or the sender", field="OBX-2")
    comparator, text = "", parts[0].strip()
    if kind == "SN":
        comparator, text = _structured(parts)
    if kind in ("NM", "SN") and not _NM.match(text):
        raise Problem("number-not-readable", f"{text[:40]!r} is not a number", f"OBX-2 says {kind}", field="OBX-5")
    if kind in ("NM", "SN"):
        text = text.rstrip(".") if text.endswith(".") else ("0" + text if text.startswith(".") else text)
    status = {part.strip() for item in obx.repetitions(8) for part in item[:1]}
    if field.kind == "quantity" and kind == "NM" and status & {"<", ">"}:
        comparator = ">" if ">" in status else "<"
    reading = Reading(unit=_unit(obx) or entry.unit, values=entry.values, zone=when.zone)
    try:
        value = cells.value_of(comparator + text, field, reading)
    except Problem as problem:
        place = "OBX-6" if problem.id in ("unit-missing", "unit-not-usable", "unit-contradicts") else "OBX-5"
        remedy = "say it in OBX-6, as mL^^UCUM" if problem.id == "unit-missing" else problem.remedy
        raise Problem(problem.id, problem.what, remedy, field=place) from None
    if isinstance(value, dict):
        _check_unit(value["unit"], entry)
    return value


def _unit(obx: Segment) -> str:
    """OBX-6: the code, or the text where there is none."""
    return obx.text(6, 1).strip() or obx.text(6, 2).strip()


def _check_unit(unit: str, entry: Entry) -> None:
    try:
        units.understand(unit, entry.field.dimension)
    except RecordError as error:
        raise Problem("unit-not-usable", error.what, error.remedy, field="OBX-6") from None


def _structured(parts: list[str]) -> tuple[str, str]:
    """SN: comparator, number; ranges and ratios are not one value."""
    comparator, first, separator, second = (*(part.strip() for part in parts[:4]), "", "", "", "")[:4]
    if separator or second:
        raise Problem("v2-type", "a range or ratio is not one value", "send one number", field="OBX-5")
    if comparator not in ("", "=", "<", ">"):
        raise Problem("comparator-not-taken", f"comparator {comparator!r} is not taken", "send < or >", field="OBX-5")
    return comparator.replace("=", ""), first


def _coded(parts: list[str], entry: Entry) -> Any:
    """CWE: the code or its alternate, by the map, else as the field's own word."""
    codes = [parts[i].strip() for i in (0, 3) if i < len(parts) and parts[i].strip()]
    field = entry.field
    for code in codes:
        if entry.values is not None and code in entry.values:
            return entry.values[code]
    for code in codes:
        if field.kind == "choice" and code in field.choices:
            return code
        if field.kind == "boolean" and code in _YES_NO:
            return _YES_NO[code]
        if field.kind in ("choice", "boolean") and code in _UNKNOWN:
            return ABSENT
    if field.kind == "text" and entry.values is None:
        words = [parts[i].strip() for i in (8, 1, 0) if i < len(parts) and parts[i].strip()]
        return words[0] if words else ABSENT
    known = [*(entry.values or ()), *field.choices, *(_YES_NO if field.kind == "boolean" else ())]
    shown = repr(codes[0][:40]) if codes else "an empty code"
    if not known:
        raise Problem("v2-type", f"a code does not fit {entry.path}", "correct the map or the sender", field="OBX-2")
    near = did_you_mean(codes[0], known) if codes else ""
    remedy = near or f"add it to values in the map; known are {', '.join(known)}"
    raise Problem("cell-not-listed", f"{shown} says nothing for {entry.path}", remedy, field="OBX-5")


def date(text: str, place: str) -> str:
    """The date of a DT or DTM as the record writes it. Raises Problem."""
    match = _DTM.match(text)
    if not match:
        raise Problem("date-not-readable", "this is not a date", "write it as 19510309", field=place)
    return "-".join(part for part in match.groups()[:3] if part)


class Clock:
    """Times of one message: offsets of their own, else that of MSH-7, else the configured zone.

    HL7 v2.5.1, MSH-7: a time zone there is the default of the whole message.
    """

    def __init__(self, header: Segment, zone: ZoneInfo | None) -> None:
        match = _DTM.match(header.text(7).split("^")[0])
        self.offset = match[7] if match else None
        self.zone = zone

    def time(self, text: str, place: str) -> str:
        """A DTM as ISO 8601 with offset, seconds where it had them. Raises Problem."""
        if "T" in text:  # ISO 8601 inside a text value
            return times.parse(text, self.zone).text
        match = _DTM.match(text)
        if not match or match[4] is None:
            what = "has no time of day" if match else "is not a date-time"
            raise Problem("time-not-readable", f"{text[:30]!r} {what}", "write it as 20261118104200+0000", field=place)
        year, month, day, hour, minute, second, offset = match.groups()
        offset = offset or self.offset
        local = f"{year}-{month}-{day}T{hour}:{minute}" + (f":{second}" if second else "")
        if offset:
            local += f"{offset[:3]}:{offset[3:]}"
        try:
            moment = times.parse(local, self.zone).moment
        except Problem as problem:
            remedy = problem.remedy
            if problem.id == "time-without-offset":
                remedy = "send the offset (+0000) here or in MSH-7, or configure a zone with --timezone"
            raise Problem(problem.id, problem.what, remedy, field=place) from None
        return local if offset else local + _offset(moment)


def _offset(moment: dt.datetime) -> str:
    return moment.isoformat()[-6:]
