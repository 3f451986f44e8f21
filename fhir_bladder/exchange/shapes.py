"""Room `exchange`: whether a resource read from a server has the JSON shape that FHIR gives it, where we read it.

What does not fit is never judged: it becomes a stub that says so (`unfit`), and the exam it belongs to is held. Whether
the content is right is `conformance`'s question, not this one's.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any

from fhir_bladder.errors import ServerError

Json = dict[str, Any]

_UNFIT = "_unfit"
_ID = re.compile(r"(?!\.+\Z)[A-Za-z0-9.\-]{1,64}")
"""R4 datatype id; one of dots alone would climb out of a path."""
_REFERENCE = re.compile(r"[A-Z][A-Za-z]{1,63}/(?!\.+\Z)[A-Za-z0-9.\-]{1,64}")

_IDENTIFIER: Json = {"system": str, "value": str}
_REF: Json = {"reference": str, "identifier": _IDENTIFIER}
_CONCEPT: Json = {"coding": [{"system": str, "code": str}], "text": str}
_EXTENSION: Json = {"url": str, "valueReference": _REF, "valueCode": str}
_EXTENSION["extension"] = [_EXTENSION]
_VALUES: Json = {
    "code": _CONCEPT,
    "valueQuantity": {"unit": str, "code": str, "comparator": str},
    "valueCodeableConcept": _CONCEPT,
    "dataAbsentReason": _CONCEPT,
    "extension": [_EXTENSION],
}
_BASE: Json = {"id": _ID, "meta": {"versionId": str}, "identifier": [_IDENTIFIER]}
_SHAPES: dict[str, Json] = {
    "Observation": _BASE
    | _VALUES
    | {
        "status": str,
        "subject": _REF,
        "encounter": _REF,
        "device": _REF,
        "basedOn": [_REF],
        "performer": [_REF],
        "hasMember": [_REF],
        "effectiveDateTime": str,
        "issued": str,
        "note": [{"text": str}],
        "component": [_VALUES],
    },
    "DiagnosticReport": _BASE | {"status": str, "result": [_REF]},
    "Provenance": {"id": _ID, "meta": {"versionId": str}, "target": [_REF]},
    "Patient": _BASE
    | {
        "active": bool,
        "link": [{"type": str}],
        "name": [{"family": str}],
        "birthDate": str,
        "deceasedDateTime": str,
    },
    "Device": _BASE,
    "ServiceRequest": _BASE | {"subject": _REF},
    "Encounter": _BASE | {"subject": _REF},
}


class Unfit(ServerError):
    """A resource on the server that cannot be read as FHIR; only what depends on it is held."""


def checked(resource: Json) -> Json:
    """The resource, or a stub of it where it does not fit: type, the id where that can be told, and the mark."""
    kind = str(resource.get("resourceType"))
    if "id" in resource and _fits(resource, _SHAPES.get(kind, _BASE)):
        return resource
    number = resource.get("id")
    told = number if isinstance(number, str) and _ID.fullmatch(number) else "?"
    return {"resourceType": kind, "id": told, _UNFIT: True}


def unfit(resource: Json) -> bool:
    """Whether it is a stub made by `checked`."""
    return _UNFIT in resource


def usable(resources: Iterable[Json]) -> None:
    """Raise Unfit where one of them is a stub."""
    for resource in resources:
        if unfit(resource):
            name = f"{resource['resourceType']}/{resource['id']}"
            raise Unfit(f"the server's {name} cannot be read as FHIR", name, "ask the server's operator")


def relative(reference: object) -> str:
    """`Type/id` of a literal reference, absolute or versioned; empty for `urn:`, contained and unreadable ones."""
    if not isinstance(reference, str) or reference.startswith(("urn:", "#")):
        return ""
    parts = reference.split("/_history/")[0].rstrip("/").split("/")
    name = "/".join(parts[-2:])
    return name if _REFERENCE.fullmatch(name) else ""


def _fits(value: Any, shape: Any) -> bool:
    if isinstance(shape, dict):
        return isinstance(value, dict) and all(_fits(value[name], shape[name]) for name in shape.keys() & value.keys())
    if isinstance(shape, list):
        return isinstance(value, list) and all(_fits(one, shape[0]) for one in value)
    if isinstance(shape, re.Pattern):
        return isinstance(value, str) and bool(shape.fullmatch(value))
    return isinstance(value, shape)
