"""Room `conformance`: rules of Bundles and where references lead. Belongs here: the index, built once per Bundle.

Source: FHIR R4 Bundle (2.36), references in Bundles (2.36.4), and the invariants bdl-1 to bdl-12, one pass over the
entries, so that the cost of an entry does not grow with the Bundle.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

_ABSOLUTE = re.compile(r"[A-Za-z][A-Za-z0-9+.\-]*:\S").match
_RESTFUL = re.compile(
    r"((?:https?)://[^\s?#]+/)?([A-Z][A-Za-z]+)/([A-Za-z0-9\-.]{1,64})(?:/_history/[A-Za-z0-9\-.]{1,64})?"
).fullmatch


def absolute(url: str) -> bool:
    """Whether a text is an absolute URI (has a scheme)."""
    return _ABSOLUTE(url) is not None


def restful(reference: str) -> tuple[str, str, str] | None:
    """(base, type, id) of a reference in the form of a RESTful URL, relative or absolute; None otherwise."""
    found = _RESTFUL(reference)
    return None if found is None else (found[1] or "", found[2], found[3])


def _searched(bundle: dict[str, Any]) -> str:
    """The resource type that the self link of a search names; empty where it names none."""
    links = bundle.get("link")
    for link in links if isinstance(links, list) else ():
        if isinstance(link, dict) and link.get("relation") == "self" and isinstance(link.get("url"), str):
            name: str = link["url"].partition("?")[0].rstrip("/").rpartition("/")[2]
            if name[:1].isupper() and name.isalpha():
                return name
    return ""


class Index:
    """Entries of one Bundle by fullUrl, and by type and id."""

    def __init__(self, bundle: dict[str, Any]) -> None:
        self.by_url: dict[str, dict[str, Any]] = {}
        self.by_id: dict[tuple[str, str], dict[str, Any]] = {}
        entries = bundle.get("entry")
        for entry in entries if isinstance(entries, list) else ():
            if not isinstance(entry, dict) or not isinstance(resource := entry.get("resource"), dict):
                continue
            url = entry.get("fullUrl")
            if isinstance(url, str):
                self.by_url.setdefault(url, resource)
            kind, ident = resource.get("resourceType"), resource.get("id")
            if isinstance(kind, str) and isinstance(ident, str):
                self.by_id.setdefault((kind, ident), resource)

    def find(self, reference: str) -> dict[str, Any] | None:
        """The resource in the Bundle that a reference means, or None."""
        found = self.by_url.get(reference)
        if found is None and (parts := restful(reference)) is not None and not parts[0]:
            found = self.by_id.get((parts[1], parts[2]))
        return found


def entry_problems(bundle: dict[str, Any]) -> Iterator[tuple[int, str, str, str, str]]:
    """(entry number, id, message, expected, found) for what no invariant says. Entry -1 is the Bundle."""
    kind = bundle.get("type")
    entries = bundle.get("entry")
    searched = _searched(bundle) if kind == "searchset" else ""
    for number, entry in enumerate(entries) if isinstance(entries, list) else ():
        if not isinstance(entry, dict):
            continue
        url, resource = entry.get("fullUrl"), entry.get("resource")
        if searched and isinstance(resource, dict) and resource.get("resourceType") != searched:
            search = entry.get("search")
            if isinstance(search, dict) and search.get("mode") == "match":
                found = str(resource.get("resourceType"))
                yield (
                    number,
                    "bundle-search-type",
                    f"a match that is no {searched}",
                    f"{searched}, or mode include",
                    found,
                )
        if url is None:
            if (
                kind not in ("transaction", "batch", "transaction-response", "batch-response")
                and "_fullUrl" not in entry
            ):
                yield (
                    number,
                    "bundle-fullurl-missing",
                    "entry without fullUrl",
                    "a fullUrl, the identity of the resource",
                    "",
                )
            continue
        if not isinstance(url, str):
            continue
        if not absolute(url):
            yield number, "bundle-fullurl-relative", "fullUrl is not absolute", "an absolute URL or urn:uuid:…", url
            continue
        if not isinstance(resource, dict) or not url.startswith(("http://", "https://")):
            continue
        parts = restful(url)
        if parts is None and "/_history/" not in url:
            continue
        name, ident = resource.get("resourceType"), resource.get("id")
        if ident is None:
            yield (
                number,
                "bundle-fullurl-no-id",
                "fullUrl looks like a server's, but the resource has no id",
                "an id",
                url,
            )
        elif not url.endswith(f"/{name}/{ident}"):
            yield (
                number,
                "bundle-fullurl-differs",
                "fullUrl and resource differ in type or id",
                f"…/{name}/{ident}",
                url,
            )
