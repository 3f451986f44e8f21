"""Room `exchange`: what the server has: looking keys up and counting. May import errors, mapping.

A server may ignore a parameter, page its answer or repeat entries: what comes back counts only where its identifier is
the one asked for, and each resource once. Where its search lags behind its writes, what it said it has made is read by
its id: sent again it would be there twice.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any
from urllib.parse import quote

from fhir_bladder.errors import ServerError
from fhir_bladder.exchange.push.link import Link, Unreadable
from fhir_bladder.exchange.push.made import Made
from fhir_bladder.exchange.push.unit import Json, identifier_pair
from fhir_bladder.exchange.shapes import Unfit, checked, relative, unfit, usable
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

    def __init__(self, link: Link, made: Made) -> None:
        self._link = link
        self._lists = True
        self.made = made

    def _unseen(self, kind: str, found: dict[Any, list[Json]]) -> Iterator[tuple[Any, Json]]:
        """What we remember as made and a search has not shown, as it reads by its id."""
        self.made.seen(kind, [name for name, resources in found.items() if resources])
        for name, reference in self.made.among(kind, found).items():
            resource = self._read(reference)
            if resource is None:
                self.made.seen(kind, [name])
            else:
                yield name, resource

    def by_identifier(self, kind: str, pairs: Sequence[Pair], *, singly: bool = False) -> dict[Pair, list[Json]]:
        """Resources of one type for each (system, value); an empty list where there is none."""
        wanted = list(dict.fromkeys(pairs))
        found: dict[Pair, list[Json]] = {pair: [] for pair in wanted}
        tokens = {pair: keys.token(*pair).removeprefix("identifier=") for pair in wanted}
        for group in self._groups(wanted, tokens, singly=singly):
            for resource in self._search(kind, "identifier", [tokens[pair] for pair in group]):
                for pair in _pairs(resource) & found.keys():
                    _add(found[pair], resource)
        for pair, resource in self._unseen(kind, found):
            if pair in _pairs(resource):
                _add(found[pair], resource)
        return found

    def by_reference(self, kind: str, parameter: str, references: Sequence[str]) -> dict[str, list[Json]]:
        """Resources of one type that point at each `Type/id` with an element called like the parameter."""
        wanted = list(dict.fromkeys(references))
        found: dict[str, list[Json]] = {reference: [] for reference in wanted}
        tokens = {reference: quote(reference, safe="/") for reference in wanted}
        for group in self._groups(wanted, tokens, singly=False):
            for resource in self._search(kind, parameter, [tokens[reference] for reference in group]):
                for name in _targets(resource, parameter) & found.keys():
                    _add(found[name], resource)
        for name, resource in self._unseen(kind, found):
            if name in _targets(resource, parameter):
                _add(found[name], resource)
        return found

    def read(self, reference: str) -> Json | None:
        """One resource by `Type/id`; None where it is not there or deleted. Raises Unfit where it is another one."""
        resource = self._read(reference)
        if resource is not None:
            resource = checked(resource)
            usable([resource])
        return resource

    def _read(self, reference: str) -> Json | None:
        response = self._link.get(reference)
        if response.status in (404, 410):
            return None
        if not response.ok:
            raise Unreadable(f"the server answers HTTP {response.status}", response.shown, status=response.status)
        kind, _, number = reference.split("/_history/")[0].partition("/")
        body = response.body
        if not isinstance(body, dict) or (body.get("resourceType"), body.get("id")) != (kind, number):
            raise Unfit(f"the server answers another resource for {kind}", kind, "ask the server's operator")
        return dict(body)

    def history(self, reference: str, version: str = "") -> list[Json]:
        """Versions of a resource, newest first; empty where the server keeps none. version: the current one's id.

        HAPI caches the length of a history for a minute and then leaves out what came since: where the list is
        shorter than the version number says, the missing versions are read one by one.
        """
        try:
            kind, _, own = reference.partition("/")
            pages = self._pages(f"{reference}/_history?_count=100")
            found = [r for r in pages if (r.get("resourceType"), r.get("id")) == (kind, own)]
        except Unreadable as error:
            if error.status not in (400, 404, 405, 410, 501):
                raise
            found = []
        found = [resource for resource in map(checked, found) if not unfit(resource)]
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
            union |= {(r.get("resourceType"), str(r.get("id")), _version(r)): r for r in found}
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
            search = entry.get("search")
            if not isinstance(search, dict) or search.get("mode", "match") in ("match", ""):
                yield entry


def _pairs(resource: Json) -> set[Pair]:
    return {identifier_pair(i) for i in _list(resource.get("identifier")) if isinstance(i, dict)}


def _targets(resource: Json, element: str) -> set[str]:
    return {relative(target.get("reference")) for target in _list(resource.get(element)) if isinstance(target, dict)}


def _add(found: list[Json], resource: Json) -> None:
    """Each resource once; what cannot be read as FHIR counts, as a stub."""
    resource = checked(resource)
    if unfit(resource) or all(known["id"] != resource["id"] for known in found):
        found.append(resource)


def _version(resource: Json) -> str:
    meta = resource.get("meta")
    return str(meta.get("versionId", "")) if isinstance(meta, dict) else ""


def _list(value: Any) -> list[Any]:
    return value if isinstance(value, list) else [] if value is None else [value]
