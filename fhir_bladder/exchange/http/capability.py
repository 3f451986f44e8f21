"""Room `exchange`: what a server says it can do, read once from `metadata`; another FHIR version is refused."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from fhir_bladder.errors import ServerError

if TYPE_CHECKING:
    from fhir_bladder.exchange.http.client import Client
    from fhir_bladder.exchange.http.retry import Deadline

_SHORT = re.compile(r"[\w .,()+-]{1,80}")


@dataclass(frozen=True, slots=True)
class Capability:
    """What we use of a CapabilityStatement. `search`: resource type → search parameter names."""

    fhir_version: str
    software: str = ""
    software_version: str = ""
    software_date: str = ""
    transaction: bool = False
    batch: bool = False
    conditional_create: frozenset[str] = frozenset()
    update_create: frozenset[str] = frozenset()
    operations: frozenset[str] = frozenset()
    search: Mapping[str, frozenset[str]] = field(default_factory=dict)

    def creates_conditionally(self, resource_type: str) -> bool:
        """Whether a conditional create of this type is promised."""
        return resource_type in self.conditional_create


def read_capability(client: Client, deadline: Deadline | None = None) -> Capability:
    """GET metadata. Raises ServerError in one line for a server that is not FHIR R4 (4.0.x)."""
    response = client.request("GET", "metadata", deadline=deadline)
    if not response.ok:
        raise response.error("metadata cannot be read")
    body = response.body
    if not isinstance(body, dict) or body.get("resourceType") != "CapabilityStatement":
        raise ServerError("metadata is no CapabilityStatement", response.shown, "check the server's base URL")
    version = body.get("fhirVersion")
    if not isinstance(version, str) or not re.fullmatch(r"4\.0\.\d{1,2}", version):
        told = version if isinstance(version, str) and re.fullmatch(r"[\w.-]{1,20}", version) else "an unnamed version"
        raise ServerError(
            f"the server speaks FHIR {told}, this program FHIR R4 (4.0.1)",
            response.shown,
            "use the server's R4 base URL",
        )
    rest = next((one for one in dicts(body.get("rest")) if one.get("mode", "server") == "server"), {})
    system = [one.get("code") for one in dicts(rest.get("interaction"))]
    resources = {one["type"]: one for one in dicts(rest.get("resource")) if isinstance(one.get("type"), str)}
    operations = [*dicts(rest.get("operation"))]
    for resource in resources.values():
        operations += dicts(resource.get("operation"))
    software = body.get("software") if isinstance(body.get("software"), dict) else {}
    return Capability(
        fhir_version=version,
        software=_short(software, "name"),
        software_version=_short(software, "version"),
        software_date=_short(software, "releaseDate"),
        transaction="transaction" in system,
        batch="batch" in system,
        conditional_create=frozenset(name for name, one in resources.items() if one.get("conditionalCreate") is True),
        update_create=frozenset(name for name, one in resources.items() if one.get("updateCreate") is True),
        operations=frozenset(one["name"].lstrip("$") for one in operations if isinstance(one.get("name"), str)),
        search={
            name: frozenset(p["name"] for p in dicts(one.get("searchParam")) if isinstance(p.get("name"), str))
            for name, one in resources.items()
        },
    )


def dicts(value: Any) -> Iterator[dict[str, Any]]:
    """The objects of what should be a list of objects; nothing where it is none."""
    yield from (one for one in value if isinstance(one, dict)) if isinstance(value, list) else ()


def _short(table: Any, name: str) -> str:
    value = table.get(name) if isinstance(table, dict) else None
    return value if isinstance(value, str) and _SHORT.fullmatch(value) else ""
