"""Room `conformance`: Bundles too large to hold as objects. Belongs here: splitting into runs of entries.

The file is mapped; entries are raw slices of it. Each run is judged as a Bundle of its own with the index of the whole,
so references resolve across runs. Documents and messages, whose rules look at the whole, are refused by name.
"""

from __future__ import annotations

import mmap
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec

from fhir_bladder.conformance.bundles import Index, restful
from fhir_bladder.conformance.positions import Places, Step
from fhir_bladder.errors import Finding

RUN = 200
_WHOLE = ("document", "message")


class _Bundle(msgspec.Struct):
    resourceType: str
    type: str = ""
    entry: list[msgspec.Raw] = []


class _Id(msgspec.Struct):
    versionId: str = ""


class _Resource(msgspec.Struct):
    resourceType: str = ""
    id: str = ""
    meta: _Id | None = None


class _Entry(msgspec.Struct):
    fullUrl: str | None = None
    resource: _Resource | None = None


class _Lookup(Index):
    """The index of all entries; of each resource only the type is kept."""

    def __init__(self) -> None:
        super().__init__({})
        self._kinds: dict[str, dict[str, Any]] = {}

    def put(self, entry: _Entry) -> None:
        if entry.resource is None:
            return
        kind = entry.resource.resourceType
        stub = self._kinds.setdefault(kind, {"resourceType": kind})
        if entry.fullUrl:
            self.by_url.setdefault(entry.fullUrl, stub)
        if entry.resource.id and (entry.fullUrl is None or restful(entry.fullUrl) is None):
            self.by_id.setdefault((kind, entry.resource.id), stub)


class _RunPlaces:
    """Line and column of paths inside a run: `entry`, number in the run, the rest inside the entry's own text."""

    def __init__(self, texts: list[bytes], starts: list[tuple[int, int]]) -> None:
        self._texts, self._starts = texts, starts

    def of(self, path: list[Step]) -> tuple[int, int]:
        if len(path) < 2 or path[0] != "entry" or not isinstance(path[1], int) or path[1] >= len(self._texts):
            return 1, 1
        line, column = self._starts[path[1]]
        row, inside = Places(self._texts[path[1]].decode("utf-8", "replace")).of(path[2:])
        return line + row - 1, inside if row > 1 else column + inside - 1


def judge_big(validator: Any, path: Path) -> tuple[list[Finding], str, bool]:
    """(findings, label, unreadable) of a file that holds one resource, most likely a Bundle."""
    with path.open("rb") as stream, mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as view:
        try:
            bundle = msgspec.json.decode(view, type=_Bundle)
        except (msgspec.DecodeError, RecursionError, UnicodeDecodeError):
            bundle = None
        if bundle is None or bundle.resourceType != "Bundle" or not bundle.entry or bundle.type in _WHOLE:
            data = view[:]
            findings = validator.validate(data, file=str(path))
            bad = bool(findings) and findings[0].severity == "fatal"
            return findings, findings[0].resource if findings else "", bad
        head = msgspec.json.decode(view, type=dict[str, msgspec.Raw])
        head.pop("entry")
        label = "Bundle" + (f"/{msgspec.json.decode(head['id'])}" if "id" in head else "")
        result = list(_runs(validator, view, bundle, {k: bytes(v) for k, v in head.items()}, str(path), label))
        del bundle, head
    return result, label, False


def _runs(
    validator: Any, view: mmap.mmap, bundle: _Bundle, head: dict[str, bytes], file: str, label: str
) -> Iterator[Finding]:
    index = _Lookup()
    entries = bundle.entry
    decode = msgspec.json.Decoder(_Entry)
    seen: set[str] = set()
    for number, raw in enumerate(entries):
        try:
            entry = decode.decode(raw)
        except (msgspec.DecodeError, RecursionError):
            continue
        index.put(entry)
        if entry.fullUrl is not None and bundle.type != "history":
            version = entry.resource.meta.versionId if entry.resource is not None and entry.resource.meta else ""
            if (key := entry.fullUrl + version) in seen:
                yield Finding(
                    "bdl-7", "error", "bdl-7: fullUrl stands twice", file=file, resource=label,
                    path=f"Bundle.entry[{number}].fullUrl", found=entry.fullUrl,
                )  # fmt: skip
            seen.add(key)
    del seen
    at, line, line_start = 0, 1, 0
    for start in range(0, len(entries), RUN):
        texts = [bytes(raw) for raw in entries[start : start + RUN]]
        starts = []
        for text in texts:
            found = view.find(text, at)
            between = view[at:found]
            if newlines := between.count(b"\n"):
                line += newlines
                line_start = at + between.rfind(b"\n") + 1
            starts.append((line, found - line_start + 1))
            line += text.count(b"\n")
            if b"\n" in text:
                line_start = found + text.rfind(b"\n") + 1
            at = found + len(text)
        data = b"{" + b",".join(b'"%s":%s' % (k.encode(), v) for k, v in head.items())
        data += b',"entry":[' + b",".join(texts) + b"]}"
        for finding in validator.validate_run(data, index, _RunPlaces(texts, starts)):
            inside = finding.path.startswith("Bundle.entry[")
            if start and not inside:
                continue  # the head was judged with the first run
            if inside:
                number, _, rest = finding.path[len("Bundle.entry[") :].partition("]")
                finding.path = f"Bundle.entry[{int(number) + start}]{rest}"
            finding.file, finding.resource = file, label
            yield finding
