"""Room `exchange`: the manifest of a bulk export (Bulk Data Access STU2, STU3, STU4 draft), read with distrust."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any

from fhir_bladder.errors import ServerError

_TYPE = re.compile(r"[A-Z][A-Za-z]{1,63}")
_INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)")


@dataclass(frozen=True, slots=True)
class Item:
    """One file of the manifest. kind: output, deleted or error; count None where the server does not say."""

    kind: str
    type: str
    url: str = field(repr=False)
    count: int | None = None

    @property
    def shape(self) -> tuple[str, str, int | None]:
        """What must stay the same when the manifest is fetched again; links may change."""
        return self.kind, self.type, self.count


@dataclass(slots=True)
class Manifest:
    """All pages of a manifest together. token: `requiresAccessToken`, true where it is not said.

    repeated: files that it names more than once; `items` has each once.
    """

    transaction_time: str
    token: bool = True
    items: list[Item] = field(default_factory=list)
    next: str = ""
    repeated: int = 0

    def once(self) -> None:
        """Keep each file once: the same link twice would count its resources twice."""
        first: dict[str, Item] = {}
        for item in self.items:
            first.setdefault(item.url, item)
        self.repeated, self.items = len(self.items) - len(first), list(first.values())


def read_manifest(body: Any, where: str) -> Manifest:
    """One page; raises ServerError naming what is wrong with it. Both `error` and `outcome` are read; a missing
    `output` is an empty one (seen where nothing matched).
    """

    def wrong(what: str) -> ServerError:
        return ServerError(f"the export manifest {what}", where, "ask the server's operator")

    if not isinstance(body, dict):
        raise wrong("is no JSON object")
    moment = body.get("transactionTime")
    if not isinstance(moment, str) or not _INSTANT.fullmatch(moment):
        raise wrong("has no readable transactionTime")
    token = body.get("requiresAccessToken", True)
    if not isinstance(token, bool):
        raise wrong("has a requiresAccessToken that is not true or false")
    manifest = Manifest(moment, token)
    for name, kind in (("output", "output"), ("deleted", "deleted"), ("error", "error"), ("outcome", "error")):
        entries = body.get(name, [])
        if not isinstance(entries, list):
            raise wrong(f"has an {name} that is no list")
        for entry in entries:
            url, count = (entry.get("url"), entry.get("count")) if isinstance(entry, dict) else (None, None)
            if not isinstance(url, str) or not url.lower().startswith(("http://", "https://")):
                raise wrong(f"has an entry in {name} without an absolute url")
            number = count if isinstance(count, int) and not isinstance(count, bool) and count >= 0 else None
            manifest.items.append(Item(kind, _type(entry.get("type"), kind), url, number))
    links = body.get("link", [])
    for link in links if isinstance(links, list) else ():
        if isinstance(link, dict) and link.get("relation") == "next" and isinstance(link.get("url"), str):
            manifest.next = link["url"]
    return manifest


def _type(value: Any, kind: str) -> str:
    """A resource type as a part of a file name; what a server writes there is not trusted."""
    if isinstance(value, str) and _TYPE.fullmatch(value):
        return value
    return {"deleted": "Bundle", "error": "OperationOutcome"}.get(kind, "Resource")
