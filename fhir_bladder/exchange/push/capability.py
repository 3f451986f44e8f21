"""Room `exchange`: what the server says it can do, read once from its `metadata`. May import errors."""

from __future__ import annotations

import re
from dataclasses import dataclass

from fhir_bladder.errors import ServerError
from fhir_bladder.exchange.http.capability import dicts
from fhir_bladder.exchange.push.link import Link
from fhir_bladder.exchange.push.unit import Json

_VERSION = re.compile(r"[\w.-]{1,20}")


@dataclass(slots=True)
class Capability:
    """transactions: Bundles of type transaction are taken. conditional_create: If-None-Exist on Observation is not
    denied. client_ids: PUT may create a Provenance under an id of ours. The last two may be found wrong later.
    """

    transactions: bool = True
    conditional_create: bool = True
    client_ids: bool = True
    version: str = "4.0.1"


def read(link: Link) -> Capability:
    """Read the CapabilityStatement. Raises ServerError for another FHIR version or no FHIR server.

    What a server does not mention about conditional create and client ids is tried.
    """
    response = link.get("metadata")
    body = response.body
    if not response.ok or not isinstance(body, dict) or body.get("resourceType") != "CapabilityStatement":
        raise ServerError(
            "there is no FHIR server at this address" + ("" if response.ok else f" (HTTP {response.status})"),
            response.shown or "metadata",
            "check --server: it ends before the resource type, often in /fhir",
        )
    version = body.get("fhirVersion")
    version = version if isinstance(version, str) and _VERSION.fullmatch(version) else ""
    if not version.startswith("4.0"):
        raise ServerError(
            f"the server speaks FHIR {version or 'of an unknown version'}, push writes 4.0.1 (R4)",
            response.shown or "metadata",
            "give the address of an R4 endpoint",
        )
    rest = next((r for r in dicts(body.get("rest")) if r.get("mode", "server") == "server"), {})
    interactions = [i.get("code") for i in dicts(rest.get("interaction"))]
    return Capability(
        transactions="transaction" in interactions,
        conditional_create=_resource(rest, "Observation").get("conditionalCreate") is not False,
        client_ids=_resource(rest, "Provenance").get("updateCreate") is not False,
        version=version,
    )


def _resource(rest: Json, kind: str) -> Json:
    return next((r for r in dicts(rest.get("resource")) if r.get("type") == kind), {})
