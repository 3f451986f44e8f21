"""Pictures of the data flow, in Mermaid, drawn from what the mapping does, for docs/data-flow.md.

A field of a record is changed, and the elements that follow it are seen; so no picture can say what the code does not
do. A line is whole where the value of the field is read back from there, broken where the field only bears on it.
"""

from __future__ import annotations

import copy
from collections import defaultdict
from collections.abc import Iterator
from typing import Any

from fhir_bladder import wire
from fhir_bladder.conformance import snapshot_of
from fhir_bladder.errors import BladderError
from fhir_bladder.exam import load
from fhir_bladder.mapping import MapOptions, table, to_fhir
from fhir_bladder.mapping.table import SAMPLE, field_name, fields
from fhir_bladder.terminology import artefacts
from fhir_bladder.terminology import names as N

PROFILES = ("exam", "group", "measurement", "device", "report", "bundle")
_KEPT_OUT = {"resourceType", "id", "text"}
"""The kind, the name and the narrative, which everything goes into."""

_CHOICES = {"effective[x]": "effectiveDateTime", "value[x]": "valueQuantity"}
PARTS = {
    "who, when and where": {
        "exam_number", "device", "patient", "order", "encounter", "episode", "reason", "operator", "location",
        "started_at", "position", "status", "supersedes", "synthetic", "verified", "action",
    },
    "the void and the circumstances": {
        "void_state", "void_attempt", "voided_at", "voided_volume", "void_measured", "earlier_voids",
        "catheter_removed_at", "catheterised_volume", "catheterised_at", "catheter_in_place", "uterus_present",
        "pregnant", "hysterectomy", "ascites", "pelvic_surgery", "retention_symptoms",
    },
    "the scans and the result": {"scans", "reported_scan", "choice_rule"},
    "the wall and the diameters": {"wall", "diameters"},
}  # fmt: skip
"""Parts of the record, by the first names of their fields; a test sees that none is left out."""

Edges = dict[str, set[str]]


def _records() -> Iterator[dict[str, Any]]:
    """The sample with every field given, and what that one cannot have at once."""
    whole = wire.loads(SAMPLE)
    yield whole
    plain = copy.deepcopy(whole)
    del plain["scans"][1]["volume"]["comparator"], plain["catheterised_volume"], plain["earlier_voids"]
    plain["catheter_in_place"] = False
    yield plain  # a volume that can be calculated with
    yield {**plain, "wall": {**plain["wall"], "layer": "detrusor"}, "synthetic": False}
    yield {**plain, "patient": {"family_name": "Htest-Seven", "birth_date": "1951-03-09"}}
    yield {**plain, "scans": [{"scan_number": 5, "absent_reason": "failed"}]}
    unchosen = copy.deepcopy(plain)
    del unchosen["reported_scan"]
    unchosen["scans"] = [{"scan_number": n, "volume": {"value": 180 + n, "unit": "mL"}} for n in (1, 5)]
    yield unchosen


def _mapped(record: dict[str, Any], shape: Any) -> dict[tuple[str, str], str] | None:
    """What stands in every element of every profile, as text; None where the record is refused."""
    try:
        bundle = to_fhir(load(copy.deepcopy(record)), options=MapOptions(shape, "bundles")).bundle
    except BladderError:
        return None
    found: dict[tuple[str, str], list[Any]] = defaultdict(list)
    for entry in bundle["entry"]:
        resource = entry["resource"]
        profile = _profile_of(resource)
        found["bundle", resource["resourceType"]].append({k: v for k, v in resource.items() if k != "text"})
        for element, value in _elements(resource, profile):
            found[profile, element].append(value)
    return {
        place: b" ".join(sorted({wire.dumps(value) for value in values})).decode() for place, values in found.items()
    }


def _profile_of(resource: dict[str, Any]) -> str:
    claimed = resource.get("meta", {}).get("profile", [""])[0]
    return str(claimed.rsplit("bladder-ultrasound-", 1)[-1]) if claimed else str(resource["resourceType"])


def _elements(resource: dict[str, Any], profile: str) -> Iterator[tuple[str, Any]]:
    code = next((c["code"] for c in resource.get("code", {}).get("coding", ()) if c["system"] == N.LOCAL), "")
    for name, value in resource.items():
        if name in _KEPT_OUT:
            continue
        if profile == "measurement" and (name.startswith("value") or name in ("extension", "dataAbsentReason")):
            yield f"value of {code}", value
        elif name in ("component", "extension"):
            for one in value:
                yield f"{name} {_slice(one)}", one
        elif name == "meta":
            yield "meta.security", value.get("security")
        else:
            yield name.lstrip("_"), value


def _slice(element: dict[str, Any]) -> str:
    if "url" in element:
        return str(element["url"].rsplit("/", 1)[-1])
    return next(str(c["code"]) for c in element["code"]["coding"] if c["system"] == N.LOCAL)


def _changed(record: dict[str, Any], path: tuple[str | int, ...]) -> Iterator[dict[str, Any]]:
    """The record with another value at the path, then without it."""
    swaps = {"female": "male", "voided": "unable", "centred": "partly-centred", "left": "right", "supine": "standing",
             "whole-wall": "detrusor", "detrusor": "whole-wall", "catheterised": "escalated", "corrected": "amended",
             ">": "<", "post-void": "pre-void", "operator": "last", "failed": "not-seen", "1951-03-09": "1952-03-09",
             "error": "unknown"}  # fmt: skip
    for step in (0, 1):
        other = copy.deepcopy(record)
        parent = other
        for name in path[:-1]:
            parent = parent[name]  # type: ignore[index]
        value = parent[path[-1]]  # type: ignore[index]
        if step:
            del parent[path[-1]]  # type: ignore[arg-type]
        elif isinstance(value, bool):
            parent[path[-1]] = not value  # type: ignore[index]
        elif not isinstance(value, str):
            parent[path[-1]] = value + 1  # type: ignore[index]
        else:
            follower = swaps.get(value, value.replace("2026-", "2025-") if value.startswith("2026-") else value + "1")
            parent[path[-1]] = follower  # type: ignore[index]
        yield other


def flows() -> dict[str, tuple[Edges, set[str]]]:
    """Of each profile: element to the fields it follows, and every element that is ever there."""
    edges: dict[str, Edges] = {profile: defaultdict(set) for profile in PROFILES}
    there: dict[str, set[str]] = {profile: set() for profile in PROFILES}
    for record in _records():
        for shape in ("panel", "single"):
            before = _mapped(record, shape)
            assert before is not None
            for profile, element in before:
                if profile in there:
                    there[profile].add(element)
            for path, _ in fields(record):
                for other in _changed(record, path):
                    after = _mapped(other, shape)
                    if after is None or other.get("record_version") != record["record_version"]:
                        continue
                    for profile, element in before.keys() | after.keys():
                        place = (profile, element)
                        if profile in edges and before.get(place) != after.get(place):
                            edges[profile][element].add(_short(field_name(path)))
    return {profile: (edges[profile], there[profile]) for profile in PROFILES}


def _short(field: str) -> str:
    """Parts of a quantity, an identifier or a person as one: `scans[].volume.value` and `.unit` as `scans[].volume`."""
    first = field.split(".")[0]
    if first in ("order", "encounter", "episode", "operator"):
        return first
    for end in (".value", ".unit", ".comparator", ".system", ".type", "[]"):
        field = field.removesuffix(end)
    return field


def homes(profile: str) -> set[tuple[str, str]]:
    """(field, element) where the value of the field is read back from."""
    kind = {"device": "Device", "exam": "Observation", "group": "Observation", "measurement": "Observation"}.get(
        profile
    )
    found = set()
    for row in table.rows():
        for home in row.panel if profile == "exam" else row.single:
            resource, _, rest = home.partition(".")
            code = resource.partition("[")[2].rstrip("]")
            if resource.partition("[")[0] != kind or ((profile == "measurement") != bool(code) and profile != "device"):
                continue
            step = rest.split(".")[0].replace("[", " ").replace("(", " ").rstrip("])")
            whole = f"value of {code}" if code and rest.startswith(("value", "extension", "dataAbsent")) else step
            field = _short(row.field)
            found |= {(field, whole), (field, whole.replace("wall-thickness", "detrusor-thickness"))}
    return found


def named(profile: str) -> dict[str, str]:
    """Elements of a profile with their cardinality, `component volume` to `1..1`, but those that may not be."""
    url = next(
        one["url"] for one in artefacts.load("StructureDefinition") if one["id"] == f"bladder-ultrasound-{profile}"
    )
    found = {}
    for element in snapshot_of(url)["snapshot"]["element"]:
        path = element["id"].split(".")[1:]
        if len(path) == 1 and element["max"] != "0" and path[0] not in ("extension", "component"):
            name = _CHOICES.get(path[0], path[0].replace(":", " "))
            found[name] = f"{element['min']}..{element['max']}"
    return found


def picture(profile: str, edges: Edges, parts: set[str] | None = None) -> str:
    """One profile, or a part of the record in it. Fields with the same elements share a box, as do elements."""
    cardinality, solid = named(profile), homes(profile)
    flow: dict[str, dict[str, bool]] = defaultdict(dict)
    for element, fields_of in edges.items():
        for field in fields_of:
            if parts is None or _first(field) in parts:
                name = _first(field) if profile == "bundle" else field
                flow[element][name] = (field, element) in solid
    by_sources: dict[tuple[tuple[str, bool], ...], list[str]] = defaultdict(list)
    for element in sorted(flow):
        by_sources[tuple(sorted(flow[element].items()))].append(element)
    by_targets: dict[frozenset[tuple[int, bool]], list[str]] = defaultdict(list)
    for field in sorted({field for sources in by_sources for field, _ in sources}):
        targets = {
            (number, whole) for number, sources in enumerate(by_sources) for name, whole in sources if name == field
        }
        by_targets[frozenset(targets)].append(field)
    lines = ["flowchart LR", '  subgraph record["exam record"]']
    lines += [f'    f{number}["{"<br>".join(names)}"]' for number, names in enumerate(by_targets.values())]
    lines += ["  end", f'  subgraph profile["bladder-ultrasound-{profile}"]']
    for number, elements in enumerate(by_sources.values()):
        label = "<br>".join(f"{element} {cardinality.get(element, '')}".strip() for element in elements)
        lines.append(f'    e{number}["{label}"]')
    lines.append("  end")
    for number, targets in enumerate(by_targets):
        lines += [f"  f{number} {'-->' if whole else '-.->'} e{target}" for target, whole in sorted(targets)]
    return "\n".join(lines)


def _first(field: str) -> str:
    return field.split(".")[0].removesuffix("[]")
