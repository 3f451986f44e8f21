"""Room `exchange`: the export of a server without `$export`: every page of a search, one file a type.

It promises less than `$export`, and the ledger says so: no one moment in time, no deletions, only what a search shows.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from typing import Any
from urllib.parse import quote

from fhir_bladder import wire
from fhir_bladder.errors import ServerError
from fhir_bladder.exchange.export.ledger import AtomicFile, FileEntry, boundary
from fhir_bladder.exchange.export.lines import LineWriter
from fhir_bladder.exchange.export.options import ExportOptions
from fhir_bladder.exchange.http.client import Client

TYPES = ("Patient", "Device", "Observation", "DiagnosticReport", "Provenance")
"""What is looked for where no type is asked for: what this program writes."""
MAY_MISS = [
    "resources deleted on the server: a search does not report them",
    "resources that changed while the pages were read: there is no one moment the files stand for",
    "what the server hides from searches, such as types or compartments we may not read",
]
_PAGE = 200


def types_of(client: Client, options: ExportOptions) -> list[str]:
    """The types to search for."""
    if options.types:
        return list(options.types)
    if options.type_filters:
        return list(dict.fromkeys(text.partition("?")[0] for text in options.type_filters))
    known = client.capability.search
    return [name for name in TYPES if not known or name in known]


def searches(client: Client, options: ExportOptions, kind: str, since: str) -> Iterator[str]:
    """The searches that together give one type: by filter, by patient of the group."""
    filters = [text.partition("?")[2] for text in options.type_filters if text.startswith(f"{kind}?")] or [""]
    limits = "".join(
        f"&_lastUpdated={prefix}{quote(text, safe='')}"
        for prefix, text in (("ge", since), ("le", options.until))
        if text
    )
    for text in filters:
        query = f"{kind}?_count={_PAGE}{limits}" + (f"&{quote(text, safe='=&,:|%')}" if text else "")
        if options.level != "group":
            yield query
            continue
        for patient in members(client, options.group):
            yield f"{query}&{'_id' if kind == 'Patient' else 'patient'}={quote(patient, safe='')}"


def members(client: Client, group: str) -> list[str]:
    """Ids of the active Patient members of a Group."""
    response = client.request("GET", f"Group/{group}")
    if not response.ok or not isinstance(response.body, dict):
        raise response.error("the group cannot be read")
    found = []
    for member in response.body.get("member", []):
        reference = member.get("entity", {}).get("reference", "") if isinstance(member, dict) else ""
        if isinstance(reference, str) and "Patient/" in reference and member.get("inactive") is not True:
            found.append(reference.partition("Patient/")[2].partition("/")[0])
    return list(dict.fromkeys(found))


def download_type(
    client: Client, options: ExportOptions, kind: str, since: str, entry: FileEntry, longest: int
) -> Iterator[int]:
    """Write one type's file; yields the number of resources after each page. Fills in the entry at the end.

    A resource that comes twice, from two filters or because pages shifted, is written once.
    """
    seen: set[bytes] = set()
    with AtomicFile(options.folder / entry.name) as file:
        writer = LineWriter(file, longest)
        for path in searches(client, options, kind, since):
            for bundle in client.pages(path, foreign=True):
                for resource in matches(bundle, kind):
                    mark = hashlib.blake2b(str(resource.get("id")).encode(), digest_size=12).digest()
                    if mark not in seen:
                        seen.add(mark)
                        writer.write(wire.dumps(resource) + b"\n")
                boundary("page-written")
                yield writer.lines
        writer.finish()
        entry.lines, entry.bytes, entry.broken = writer.lines, file.bytes, writer.broken
        entry.types = dict(writer.types)
        file.commit()
        entry.sha256 = file.sha256


def matches(bundle: dict[str, Any], kind: str) -> Iterator[dict[str, Any]]:
    """Resources of the type that the search was for; included ones and outcomes are left out."""
    for entry in bundle.get("entry", []):
        resource = entry.get("resource") if isinstance(entry, dict) else None
        search = entry.get("search") if isinstance(entry, dict) else None
        mode = search.get("mode", "match") if isinstance(search, dict) else "match"
        if isinstance(resource, dict) and resource.get("resourceType") == kind and mode == "match":
            if not isinstance(resource.get("id"), str):
                raise ServerError(f"a {kind} in a search answer has no id", kind, "ask the server's operator")
            yield resource
