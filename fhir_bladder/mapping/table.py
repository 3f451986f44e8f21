"""Room `mapping`: the table record field → FHIR element, found by trying. May import exam.

A record in which every field is given is mapped; each element of the result is then altered, and the fields of the
record that come back otherwise are those that live there. So the table cannot say what the code does not do.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from typing import Any, Literal, NamedTuple

from fhir_bladder import wire
from fhir_bladder.errors import BladderError, RecordError
from fhir_bladder.exam import dump, load
from fhir_bladder.mapping.back import from_fhir
from fhir_bladder.mapping.forward import to_fhir
from fhir_bladder.mapping.options import MapOptions
from fhir_bladder.terminology import names as N

Path = tuple[str | int, ...]

SAMPLE = b"""{"record_version":"1","exam_number":"7","device":{"serial":"S1","manufacturer":"Invented Works",
"model":"Demo","software_version":"2.4","udi_device_identifier":"di","calibrated_on":"2026-05-01"},
"patient":{"identifiers":[{"system":"urn:x:mrn","value":"1","type":"MR"}],"birth_date":"1951-03-09",
"administrative_gender":"female","family_name":"Htest-Seven","given_names":["Demo"]},
"order":{"system":"urn:x:order","value":"2"},"encounter":{"system":"urn:x:visit","value":"3"},
"episode":{"system":"urn:x:episode","value":"4"},"reason":"reason",
"operator":{"identifier":{"system":"urn:x:staff","value":"5"},"display":"operator 5"},"location":"ward 3",
"started_at":"2026-11-18T10:42:00Z","uterus_present":true,"void_state":"post-void","void_attempt":"voided",
"voided_at":"2026-11-18T10:35:00Z","voided_volume":{"value":260,"unit":"mL"},"void_measured":true,
"earlier_voids":[{"at":"2026-11-18T08:00:00Z","volume":{"value":100,"unit":"mL"},"measured":true}],
"catheter_removed_at":"2026-11-18T06:00:00Z","catheterised_volume":{"value":190,"unit":"mL"},
"catheterised_at":"2026-11-18T11:00:00Z","catheter_in_place":true,"pregnant":true,"hysterectomy":true,"ascites":true,
"pelvic_surgery":true,"retention_symptoms":true,"position":"supine",
"scans":[{"scan_number":1,"absent_reason":"failed"},{"scan_number":5,"taken_at":"2026-11-18T10:43:00Z",
"volume":{"value":186,"unit":"mL","comparator":">"},"centring":"centred","off_centre_towards":["left"],
"pubic_shadow":true}],"reported_scan":5,"choice_rule":"operator",
"diameters":{"scan_number":5,"length":{"value":81,"unit":"mm"},"width":{"value":71,"unit":"mm"},
"height":{"value":62,"unit":"mm"},"coefficient":0.52},
"wall":{"scan_number":5,"layer":"whole-wall","thickness":{"value":2.4,"unit":"mm"},
"caliper_thickness":{"value":2.5,"unit":"mm"},"surface_area":{"value":164,"unit":"cm2"},
"mass":{"value":39,"unit":"g"},"probe_frequency":{"value":7.5,"unit":"MHz"}},
"verified":{"by":"operator 5","at":"2026-11-18T10:44:00Z","note":"note"},
"action":{"what":"catheterised","at":"2026-11-18T11:00:00Z","note":"note"},"status":"corrected","supersedes":"6",
"synthetic":true}"""
"""An invented record in which every field is given."""

_CONSTANT = {"record_version": ["constant 1, read by every version of this software"]}
# Where the reader of a Bundle takes a value from, in other elements than those that carry it for others to read.
_ALSO = {
    "exam_number": ["Observation.identifier.value"],
    "device.serial": ["Observation.identifier.value", "Device.identifier.value", "Device.serialNumber"],
}


class Row(NamedTuple):
    """A field of the record, and its elements in each shape."""

    field: str
    panel: list[str]
    single: list[str]


def fields(value: Any, path: Path = ()) -> Iterator[tuple[Path, Any]]:
    """Leaves of a record or resource with their paths."""
    if isinstance(value, dict):
        for name, item in value.items():
            yield from fields(item, (*path, name))
    elif isinstance(value, list):
        for position, item in enumerate(value):
            yield from fields(item, (*path, position))
    else:
        yield path, value


def field_name(path: Path) -> str:
    """`scans.1.volume.value` as `scans[].volume.value`."""
    return "".join("[]" if isinstance(step, int) else f".{step}" for step in path).removeprefix(".")


def homes(shape: Literal["panel", "single"]) -> dict[str, list[str]]:
    """Elements of each field in one shape."""
    bundle = wire.loads(wire.dumps(to_fhir(load(wire.loads(SAMPLE)), options=MapOptions(shape, "bundles")).bundle))
    bundle["entry"] = [entry for entry in bundle["entry"] if entry["resource"]["resourceType"] in _READ]
    before = _fields_of(bundle)
    assert before is not None
    found: dict[str, list[tuple[int, str]]] = defaultdict(list)
    for path, value in list(fields(bundle)):
        name = _element(bundle, path)
        if not name or name.endswith((".url", ".coding.system")) or ".code." in name or ".hasMember" in name:
            continue
        parent = bundle
        for step in path[:-1]:
            parent = parent[step]
        for other in _others(value):
            parent[path[-1]] = other
            after = _fields_of(bundle)
            parent[path[-1]] = value
            if after is not None:
                touched = {field_name(field) for field in before if before[field] != after.get(field)}
                for field in touched:
                    found[field].append((len(touched), name))
    result = {}
    for field, places in found.items():
        fewest = min(count for count, _ in places)
        names = list(dict.fromkeys(name for count, name in places if count == fewest))
        result[field] = names
    return result


_READ = ("Device", "Patient", "Observation")


def _fields_of(bundle: Any) -> dict[Path, str] | None:
    problems: list[RecordError] = []
    try:
        records = list(from_fhir([bundle], on_problem=problems.append))
        if len(records) != 1 or problems:
            return None
        return {path: str(value) for path, value in fields(dump(load(records[0])))}
    except BladderError:
        return None


_SWAPS = {
    "1951-03-09": "1952-03-09",
    "centred": "partly-centred", "left": "right", "operator": "last", "whole-wall": "detrusor", "female": "male",
    "catheterised": "escalated", "corrected": "amended", ">": "<", "error": "unknown", "voided": "unable",
    "mL": "L", "mm": "cm", "cm2": "mm2", "g": "kg", "MHz": "kHz", "109135": "109134", "40199007": "33586001",
}  # fmt: skip


def _others(value: Any) -> list[Any]:
    """Other values to try in the place of one."""
    if isinstance(value, bool):
        return [not value]
    if not isinstance(value, str):
        return [value + 1, value - 4]
    if value in _SWAPS:
        return [_SWAPS[value]]
    return [value.replace("2026", "2025")] if value.startswith("2026") else [value + "1", "x" + value]


def _element(bundle: Any, path: Path) -> str:
    """The path of an element as people write it: slices by code, extensions by the end of their URL."""
    if len(path) < 4 or path[0] != "entry" or path[2] != "resource":
        return ""
    here = bundle["entry"][path[1]]["resource"]
    text = str(here["resourceType"])
    if text == "Observation" and (code := _local(here)) not in ("", "bladder-ultrasound-exam"):
        text += f"[{code}]"
    for step in path[3:]:
        here = here[step]
        if isinstance(step, int):
            if isinstance(here, dict) and "url" in here:
                text += f"({here['url'].rsplit('/', 1)[1] if '/' in here['url'] else here['url']})"
            elif isinstance(here, dict) and text.endswith(".component"):
                text += f"[{_local(here)}]"
        else:
            text += f".{step}"
    return text


def _local(element: Any) -> str:
    codings = element.get("code", {}).get("coding", [])
    return next((coding["code"] for coding in codings if coding["system"] == N.LOCAL), "")


def rows() -> list[Row]:
    """One row for each field of the record, in the record's order."""
    panel, single = homes("panel"), homes("single")
    names = list(dict.fromkeys(field_name(path) for path, _ in fields(wire.loads(SAMPLE))))
    return [Row(name, *(_where(name, homes_of) for homes_of in (panel, single))) for name in names]


def _where(name: str, places: dict[str, list[str]]) -> list[str]:
    return _CONSTANT.get(name) or list(dict.fromkeys([*places.get(name, []), *_ALSO.get(name, [])]))


_HEAD = """# Record field to FHIR element

Generated by `fhir_bladder.mapping.table`, which alters each element of a mapped record and looks which field of the
record comes back otherwise; a test holds this page to the code. To write it again:

    python -c "from fhir_bladder.mapping.table import markdown; print(markdown(), end='')" > docs/record-to-fhir.md

`component[x]` and `Observation[x]` are the ones with the local code `x`, `extension(x)` the one whose URL ends in `x`.
Values in another unit, times without seconds and numbers with many digits carry `extension(as-received)` beside the
normalised value, and are read from there; for the value of an extension it stands beside that extension and starts with
its name. Trailing zeros are kept by `quantity-precision`. The scan that is the result
is the component `volume`, the others are `scan-volume`; a detrusor's thickness has codes of its own. With
`--as observations` the patient's first identifier stands in `Observation.subject.identifier`; a patient without
identifier is contained in the Observation.

| field | panel | single, where it differs |
|---|---|---|"""


def markdown() -> str:
    """The table as a page of the documentation."""
    lines = [_HEAD]
    for row in rows():
        single = "" if row.single == row.panel else _cell(row.single)
        lines.append(f"| `{row.field}` | {_cell(row.panel)} | {single} |")
    return "\n".join(lines) + "\n"


def _cell(elements: list[str]) -> str:
    return "<br>".join(f"`{element}`" if "." in element else element for element in elements)
