"""Room `readers`: who, where and with what, from PID, PV1, ORC, OBR and PRT. May import exam.

Rows follow v2-to-FHIR 1.0.0 (segment maps PID, PV1, ORC, OBR, PRT), as far as the exam record has a home for them.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import Any

from fhir_bladder.readers.v2_map import V2Map
from fhir_bladder.readers.v2_parse import Segment, subcomponents
from fhir_bladder.readers.v2_values import date

Warn = Callable[[str, str, str, Segment, str], None]
"""Called with id, what, remedy, segment and place (`PID-3`) where something could not be kept."""

# Table 0001 to administrative gender, v2-to-FHIR 1.0.0 concept map (A and N from memory of it).
_GENDER = {"M": "male", "F": "female", "O": "other", "A": "other", "N": "other", "U": "unknown"}
_OID = re.compile(r"\d+(\.\d+)+\Z", re.ASCII)


def authority(maps: V2Map, namespace: str, universal: str = "", kind: str = "") -> str:
    """The identifier system of an assigning authority (HD), empty where neither map nor OID tells."""
    for name in (namespace, universal):
        if name and name in maps.authorities:
            return maps.authorities[name]
    if _OID.match(universal) and kind in ("ISO", ""):
        return f"urn:oid:{universal}"
    if kind == "UUID" and universal:
        return f"urn:uuid:{universal.lower()}"
    if kind in ("URI", "URL") and ":" in universal:
        return universal
    return ""


def _hd(parts: list[str], position: int) -> tuple[str, str, str]:
    """An HD that is one component: its subcomponents."""
    inner = subcomponents(parts[position]) if position < len(parts) else []
    namespace, universal, kind = (*inner, "", "", "")[:3]
    return namespace, universal, kind


def patient(pid: Segment | None, maps: V2Map, warn: Warn) -> dict[str, Any]:
    """PID-3, -5, -7, -8."""
    if pid is None:
        return {}
    result: dict[str, Any] = {}
    identifiers = []
    for parts in pid.repetitions(3):
        value = parts[0].strip()
        if not value:
            continue
        hd = _hd(parts, 3)
        system = authority(maps, *hd)
        if not system:
            name = hd[0] or hd[1] or "(empty)"
            what = f"assigning authority {name[:40]!r} is not known, so an identifier is left out"
            warn("v2-authority", what, f'add "{name}" = "https://…" to [authorities]', pid, "PID-3")
            continue
        kind = parts[4].strip() if len(parts) > 4 else ""
        identifiers.append({"system": system, "value": value} | ({"type": kind} if kind else {}))
    if identifiers:
        result["identifiers"] = identifiers
    names = pid.components(5)
    if names and subcomponents(names[0])[0].strip():
        result["family_name"] = subcomponents(names[0])[0].strip()
    given = [part.strip() for part in names[1:3] if part.strip()]
    if given:
        result["given_names"] = given
    birth = pid.text(7).strip()
    if birth:
        result["birth_date"] = date(birth, "PID-7")
    gender = pid.text(8).strip()
    if gender in _GENDER:
        result["administrative_gender"] = _GENDER[gender]
    elif gender:
        warn("v2-code", "the code of PID-8 is not known and left out", "send M, F, O or U", pid, "PID-8")
    return result


def encounter(pv1: Segment | None, maps: V2Map, warn: Warn) -> dict[str, Any]:
    """PV1-19, the visit number."""
    parts = pv1.components(19) if pv1 else []
    if pv1 is None or not parts or not parts[0].strip():
        return {}
    return _identifier(parts[0].strip(), _hd(parts, 3), maps, warn, pv1, "PV1-19")


def location(pv1: Segment | None, prts: list[Segment]) -> str:
    """PRT-9, else PV1-3: point of care, room, bed."""
    places = [(prt, 9) for prt in prts] + ([(pv1, 3)] if pv1 else [])
    for segment, number in places:
        parts = [subcomponents(part)[0].strip() for part in segment.components(number)]
        words = " ".join(part for part in [*parts[:3], *parts[8:9]] if part)
        if words:
            return words
    return ""


def order(orc: Segment | None, obr: Segment, maps: V2Map, warn: Warn) -> dict[str, Any]:
    """The placer's number: OBR-2, else ORC-2."""
    for segment in (obr, orc):
        parts = segment.components(2) if segment else []
        if segment is not None and parts and parts[0].strip():
            namespace, universal, kind = (*(part.strip() for part in parts[1:4]), "", "", "")[:3]
            place = f"{segment.name}-2"
            return _identifier(parts[0].strip(), (namespace, universal, kind), maps, warn, segment, place)
    return {}


def filler_number(orc: Segment | None, obr: Segment) -> str:
    """The filler's number: OBR-3, else ORC-3."""
    if orc:
        orc.used |= {2, 3}  # ORC repeats what OBR says
    return obr.text(3).strip() or (orc.text(3).strip() if orc else "")


def _identifier(
    value: str, hd: tuple[str, str, str], maps: V2Map, warn: Warn, segment: Segment, place: str
) -> dict[str, Any]:
    system = authority(maps, *hd)
    if system:
        return {"system": system, "value": value}
    name = hd[0] or hd[1] or "(empty)"
    what = f"assigning authority {name[:40]!r} is not known, so {place} is left out"
    warn("v2-authority", what, f'add "{name}" = "https://…" to [authorities]', segment, place)
    return {}


def operator(obr: Segment, observers: list[Segment], prts: list[Segment], maps: V2Map) -> dict[str, Any]:
    """OBX-16 (responsible observer), else OBR-34 (technician), else PRT-5."""
    for obx in observers:
        if parts := obx.components(16):
            return _person(parts, _hd(parts, 8), maps)
    if technician := obr.components(34):
        inner = [*subcomponents(technician[0]), *[""] * 9]
        return _person(inner, (inner[8], inner[9] if len(inner) > 9 else "", ""), maps)
    for prt in prts:
        if parts := prt.components(5):
            return _person(parts, _hd(parts, 8), maps)
    return {}


def _person(parts: list[str], hd: tuple[str, str, str], maps: V2Map) -> dict[str, Any]:
    number, family, given = (*(subcomponents(part)[0].strip() for part in parts[:3]), "", "", "")[:3]
    display = " ".join(part for part in (given, family) if part)
    system = authority(maps, *hd)
    result: dict[str, Any] = {}
    if number and system:
        result["identifier"] = {"system": system, "value": number}
    elif number:
        display = f"{display} ({number})" if display else number
    if display:
        result["display"] = display
    return result


def devices(
    observations: list[Segment], prts: list[Segment], others: list[Segment]
) -> Iterator[tuple[str, str, Segment, str]]:
    """(serial, UDI device identifier, segment, place) as named by PRT-20 or PRT-10, then by OBX-18.

    others: OBX that fill no field; of those of a PCD-01 containment tree the one of the whole device may name it alone.
    """
    for prt in prts:
        serial, udi = prt.text(20).strip() or prt.text(10).strip(), prt.text(16).strip()
        if serial or udi:
            yield serial, udi, prt, "PRT-20" if prt.text(20).strip() else "PRT-10"
    named = [obx for obx in observations if obx.text(18).strip()]
    for obx in named or others:
        if serial := obx.text(18).strip():
            yield serial, "", obx, "OBX-18"
