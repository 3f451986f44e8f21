"""Room `readers`: which OBX code fills which record field. The ready map, and the site's TOML that adds to it.

Ready: our own CodeSystem as local codes, and the LOINC and DICOM codes of certainty A or B. A site's file never
replaces a ready entry in silence.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from fhir_bladder.errors import ConfigError, RecordError
from fhir_bladder.exam import times
from fhir_bladder.readers.fields import Field, field_at
from fhir_bladder.readers.items import sha256
from fhir_bladder.readers.map_parts import bytes_of, constants_of, known_keys, table_of, values_of
from fhir_bladder.terminology import units

LOCAL = "99FHBLAD"
"""Name of our CodeSystem in CWE.3 (HL7 table 0396: 99zzz is local); its canonical URL is taken too."""
LOCAL_URL = "https://w3id.org/fhir-bladder/CodeSystem/bladder-ultrasound"
LISTS = ("scans", "earlier_voids")


@dataclass(frozen=True, slots=True)
class Entry:
    """One code: the field it fills (list positions left out: `scans.volume`), and what goes with it.

    also: further fields set beside it. reported: its scan is the result. values: codes and what they mean.
    """

    field: Field
    path: str
    unit: str = ""
    values: Mapping[str, Any] | None = None
    also: tuple[tuple[str, Any], ...] = ()
    reported: bool = False


@dataclass(frozen=True, slots=True)
class V2Map:
    """Codes by (code, system), study codes of OBR-4, authorities, constants. `sha256` is that of the site's file."""

    entries: Mapping[tuple[str, str], Entry]
    authorities: Mapping[str, str] = field(default_factory=dict)
    constants: Mapping[str, Any] = field(default_factory=dict)
    zone: ZoneInfo | None = None
    sha256: str = ""

    def entry(self, code: str, system: str) -> Entry | None:
        """The entry of a code in its system."""
        return self.entries.get((code, LOCAL if system == LOCAL_URL else system))


STUDIES = {("25019-1", "LN"): "", ("69388-7", "LN"): "post-void", ("bladder-ultrasound-exam", LOCAL): ""}
"""Study codes understood in OBR-4 and the void state they say."""

_VOID = {"109134": "pre-void", "109135": "post-void"}  # DICOM PS3.16 CID 91


def _entry(path: str, *, also: tuple[tuple[str, Any], ...] = (), **more: Any) -> Entry:
    return Entry(_field(path), path, also=also, **more)


def _field(path: str) -> Field:
    """The field of a path without list positions."""
    steps = path.split(".")
    if steps[0] in LISTS and len(steps) > 1 and not steps[1].isdecimal():
        steps.insert(1, "0")
    return field_at(".".join(steps))


def _ready() -> dict[tuple[str, str], Entry]:
    whole, detrusor = (("wall.layer", "whole-wall"),), (("wall.layer", "detrusor"),)
    local = {
        "volume": _entry("scans.volume", reported=True),
        "scan-volume": _entry("scans.volume"),
        "wall-thickness": _entry("wall.thickness", also=whole),
        "caliper-wall-thickness": _entry("wall.caliper_thickness", also=whole),
        "detrusor-thickness": _entry("wall.thickness", also=detrusor),
        "caliper-detrusor-thickness": _entry("wall.caliper_thickness", also=detrusor),
        "surface-area": _entry("wall.surface_area"),
        "estimated-mass": _entry("wall.mass"),
        "probe-frequency": _entry("wall.probe_frequency"),
        "void-state": _entry("void_state", values=_VOID),
        "void-attempt": _entry("void_attempt"),
        "voided-volume": _entry("voided_volume"),
        "earlier-void": _entry("earlier_voids.volume"),
        "catheterised-volume": _entry("catheterised_volume"),
        "uterus-assumed": _entry("uterus_present"),
        "length": _entry("diameters.length"),
        "width": _entry("diameters.width"),
        "height": _entry("diameters.height"),
    }
    for name in (
        "catheter-in-place", "pregnant", "hysterectomy", "ascites", "pelvic-surgery", "retention-symptoms",
    ):  # fmt: skip
        local[name] = _entry(name.replace("-", "_"))
    ready = {(code, LOCAL): entry for code, entry in local.items()}
    ready["15309-8", "LN"] = _entry("scans.volume")
    ready["9187-6", "LN"] = _entry("voided_volume")
    ready["130324", "DCM"] = _entry("void_state", values=_VOID)
    return ready


READY = V2Map(_ready())


def load(path: str | Path | None) -> V2Map:
    """The ready map with a site's file added. Raises ConfigError with the place."""
    if path is None:
        return READY
    return parse(bytes_of(path, "--v2-map"), str(path))


def parse(data: bytes, where: str = "") -> V2Map:
    """The ready map with the bytes of a site's file added."""
    table = table_of(data, where)
    try:
        return replace(_site(table), sha256=sha256(data))
    except (ConfigError, RecordError) as error:
        raise ConfigError(error.what, f"{where} {error.where}".strip(), error.remedy) from None


def _site(table: dict[str, Any]) -> V2Map:
    known_keys(table, ("observation", "authorities", "constants", "timezone"), "")
    entries = dict(READY.entries)
    for number, one in enumerate(table.get("observation", []), 1):
        where = f"[[observation]] {number}"
        if not isinstance(one, dict):
            raise ConfigError("observation is not a list of tables", where, "write [[observation]]")
        known_keys(one, ("code", "system", "field", "unit", "values", "replaces_ready"), where)
        for name in ("code", "system", "field"):
            if not isinstance(one.get(name), str) or not one[name]:
                raise ConfigError(f"{name} is missing", where, f'add {name} = "…"')
        key = (one["code"], one["system"])
        if key in entries and not one.get("replaces_ready"):
            raise ConfigError(
                f"code {key[0]} of {key[1]} is there already", where, "leave it out, or add replaces_ready = true"
            )
        entries[key] = _site_entry(one, where)
    authorities = table.get("authorities", {})
    if not isinstance(authorities, dict) or not all(isinstance(v, str) and ":" in v for v in authorities.values()):
        raise ConfigError("an authority needs a URI", "[authorities]", '"HOSP" = "https://records.example/mrn"')
    zone = times.zone(table["timezone"]) if "timezone" in table else None
    return V2Map(entries, authorities, constants_of(table.get("constants", {})), zone)


def _site_entry(one: dict[str, Any], where: str) -> Entry:
    steps = one["field"].split(".")
    path = ".".join(s for s in steps if steps[0] not in LISTS or not s.isdecimal())
    found = _field(path)
    if found.kind == "object":
        raise ConfigError(f"{path} is not one value", where, "name one field")
    unit = one.get("unit", "")
    if unit:
        if found.kind != "quantity":
            raise ConfigError(f"{path} is no quantity and takes no unit", where, "leave unit out")
        units.understand(unit, found.dimension)
    return Entry(found, path, unit=unit, values=values_of(one.get("values"), found, where))
