"""Room `exchange`: what the server has: looking keys up and counting. May import errors, mapping.

A server may ignore a parameter, page its answer or repeat entries: what comes back counts only where its identifier is
the one asked for, and each resource once.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any
from urllib.parse import quote

from fhir_bladder.errors import ServerError
from fhir_bladder.exchange.life import relative
from fhir_bladder.exchange.push_link import Link, Unreadable
from fhir_bladder.exchange.push_unit import Json, identifier_pair
from fhir_bladder.mapping import keys

Pair = tuple[str, str]

QUERY_LENGTH = 3000
"""Longest query we write; servers and proxies commonly take 8,000 bytes of request line (Apache's default is 8,190)."""

READINGS = 3
"""Most readings of a look-up that does not add up; a server's count may be an estimate, so it is not insisted on."""

VERSIONS = 100
"""Most versions of one resource that are read one by one."""

PAGES = 1000
"""Most pages of one look-up."""


class Proof:
    """Look-ups on one server. One search names many keys; a server that refuses such a list is asked one by one."""

    def __init__(self, link: Link) -> None:
        self._link = link
        self._lists = True

    def by_identifier(self, kind: str, pairs: Sequence[Pair], *, singly: bool = False) -> dict[Pair, list[Json]]:
        """Resources of one type for each (system, value); an empty list where there is none."""
        wanted = list(dict.fromkeys(pairs))
        found: dict[Pair, list[Json]] = {pair: [] for pair in wanted}
        tokens = {pair: keys.token(*pair).removeprefix("identifier=") for pair in wanted}
        for group in self._groups(wanted, tokens, singly=singly):
            for resource in self._search(kind, "identifier", [tokens[pair] for pair in group]):
                for pair in {identifier_pair(i) for i in _list(resource.get("identifier"))} & found.keys():
                    if all(known.get("id") != resource.get("id") for known in found[pair]):
                        found[pair].append(resource)
        return found

    def by_reference(self, kind: str, parameter: str, references: Sequence[str]) -> dict[str, list[Json]]:
        """Resources of one type that point at each `Type/id` with an element called like the parameter."""
        wanted = list(dict.fromkeys(references))
        found: dict[str, list[Json]] = {reference: [] for reference in wanted}
        tokens = {reference: quote(reference, safe="/") for reference in wanted}
        for group in self._groups(wanted, tokens, singly=False):
            for resource in self._search(kind, parameter, [tokens[reference] for reference in group]):
                for target in _list(resource.get(parameter)):
                    name = relative(str((target or {}).get("reference", "")))
                    if name in found and all(k.get("id") != resource.get("id") for k in found[name]):
                        found[name].append(resource)
        return found

    def read(self, reference: str) -> Json | None:
        """One resource by `Type/id`; None where it is not there or deleted."""
        response = self._link.get(reference)
        if response.status in (404, 410):
            return None
        if not response.ok:
            raise Unreadable(f"the server answers HTTP {response.status}", response.shown, status=response.status)
        return dict(response.body)

    def history(self, reference: str, version: str = "") -> list[Json]:
        """Versions of a resource, newest first; empty where the server keeps none. version: the current one's id.

        HAPI caches the length of a history for a minute and then leaves out what came since: where the list is
        shorter than the version number says, the missing versions are read one by one.
        """
        try:
            found = [r for r in self._pages(f"{reference}/_history?_count=100") if r.get("resourceType")]
        except Unreadable as error:
            if error.status not in (400, 404, 405, 410, 501):
                raise
            found = []
        known = {str((resource.get("meta") or {}).get("versionId", "")) for resource in found}
        if found and version.isdigit() and len(known) < int(version) <= VERSIONS:
            for number in range(int(version), 0, -1):
                if str(number) not in known and (one := self.read(f"{reference}/_history/{number}")) is not None:
                    found.append(one)
        return found

    def _groups(self, wanted: Sequence[Any], tokens: dict[Any, str], *, singly: bool) -> Iterator[list[Any]]:
        group: list[Any] = []
        length = 0
        for name in wanted:
            size = len(tokens[name]) + 3
            if group and (singly or not self._lists or length + size > QUERY_LENGTH):
                yield group
                group, length = [], 0
            group.append(name)
            length += size
        if group:
            yield group

    def _search(self, kind: str, parameter: str, tokens: list[str]) -> Iterable[Json]:
        query = f"{kind}?{parameter}={'%2C'.join(tokens)}&_count={2 * len(tokens) + 8}"
        try:
            return [r for r in self._pages(query) if r.get("resourceType") == kind]
        except Unreadable as error:
            if not 400 <= error.status < 500 or len(tokens) == 1:
                raise
        self._lists = False
        return [resource for token in tokens for resource in self._search(kind, parameter, [token])]

    def _pages(self, query: str) -> Iterator[Json]:
        """Resources of all pages. Read anew where the links run in a circle or fewer come than the server counts."""
        union: dict[Any, Json] = {}
        circles = 0
        for _ in range(READINGS):
            total, complete, found = self._reading(query)
            union |= {(r.get("resourceType"), r.get("id"), (r.get("meta") or {}).get("versionId")): r for r in found}
            circles += not complete
            if complete and (total is None or total <= len(union)):
                return iter(union.values())
        if circles == READINGS:
            raise ServerError("the server's next links run in a circle", query.partition("?")[0], "ask its operator")
        return iter(union.values())

    def _reading(self, query: str) -> tuple[int | None, bool, list[Json]]:
        """One reading of all pages: the server's count if it gives one, whether it came to an end, the resources."""
        found: list[Json] = []
        total: int | None = None
        seen: set[str] = set()
        link: str | None = query
        while link:
            if link in seen:
                return total, False, found
            seen.add(link)
            if len(seen) > PAGES:
                raise ServerError(f"a look-up has more than {PAGES} pages", query.partition("?")[0], "ask its operator")
            response = self._link.get(link)
            if not response.ok:
                raise Unreadable(
                    f"the server refuses a look-up (HTTP {response.status})",
                    response.shown,
                    "push needs search by identifier",
                    status=response.status,
                )
            body = response.body
            if body.get("resourceType") != "Bundle":
                raise Unreadable("a search was answered with something that is no Bundle", response.shown)
            if isinstance(body.get("total"), int):
                total = max(total or 0, body["total"])
            found += [entry["resource"] for entry in _entries(body)]
            link = next_link(body)
        return total, True, found


def next_link(bundle: Json) -> str | None:
    """The next page's URL of a searchset."""
    for link in _list(bundle.get("link")):
        if isinstance(link, dict) and link.get("relation") == "next" and link.get("url"):
            return str(link["url"])
    return None


def _entries(bundle: Json) -> Iterator[Json]:
    for entry in _list(bundle.get("entry")):
        if isinstance(entry, dict) and isinstance(entry.get("resource"), dict):
            mode = (entry.get("search") or {}).get("mode", "match")
            if mode in ("match", ""):
                yield entry


def _list(value: Any) -> list[Any]:
    return value if isinstance(value, list) else [] if value is None else [value]
