"""Room `conformance`: Bundles too large to hold as objects. Belongs here: judging them in runs of entries.

The file is read twice, a window at a time: for the index of all entries, and to judge. Each run of entries is judged as
a Bundle of its own with the index of the whole, so references resolve across runs. Judged in one piece are documents,
messages and Bundles held to a profile, whose rules look at the whole, and files that windows cannot be made of.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec

from fhir_bladder.conformance.bundles import Index, restful
from fhir_bladder.conformance.entries import BundleFile, Unwindowed, Window
from fhir_bladder.conformance.limits import MAX_BYTES
from fhir_bladder.conformance.positions import Places, Step, duplicates
from fhir_bladder.errors import Finding

RUN = 20
_WHOLE = ("document", "message")


class _Id(msgspec.Struct):
    versionId: str = ""


class _Resource(msgspec.Struct):
    resourceType: str = ""
    id: str = ""
    meta: _Id | None = None


class _Entry(msgspec.Struct):
    fullUrl: str | None = None
    resource: _Resource | None = None


_entry = msgspec.json.Decoder(_Entry).decode


class _Lookup(Index):
    """The index of all entries; of each resource only the type is kept."""

    def __init__(self) -> None:
        super().__init__({})
        self._kinds: dict[str, dict[str, Any]] = {}

    def put(self, entry: _Entry) -> None:
        """Enter one entry."""
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

    def __init__(self, bundle: BundleFile, window: Window, first: int, texts: list[bytes], before: bytes) -> None:
        self._bundle, self._window, self._first, self._texts, self._before = bundle, window, first, texts, before
        self._starts: list[int] = []

    def of(self, path: list[Step]) -> tuple[int, int]:
        """1-based line and column in the file."""
        if len(path) < 2 or path[0] != "entry" or not isinstance(path[1], int) or path[1] >= len(self._texts):
            return self._bundle.before(*Places(self._bundle.frame.decode("utf-8", "replace")).of(path))
        text = self._texts[path[1]].decode("utf-8", "replace")
        return self._in_file(path[1], *Places(text).of(path[2:]))

    def line_column(self, offset: int) -> tuple[int, int]:
        """The same for an offset in characters in the text of the run."""
        offset -= len(self._before.decode("utf-8", "replace"))
        for number, data in enumerate(self._texts):
            text = data.decode("utf-8", "replace")
            if offset < len(text):
                return self._in_file(number, *Places(text).line_column(offset))
            offset -= len(text) + 1
        return 1, 1

    def _in_file(self, number: int, row: int, inside: int) -> tuple[int, int]:
        """Line and column inside an entry as those of the file."""
        window = self._window
        if not self._starts:
            at = 0
            for other in range(self._first + len(self._texts)):
                text = bytes(window.entries[other])
                at = window.text.find(text, at)
                if other >= self._first:
                    self._starts.append(at)
                at += len(text)
        start = self._starts[number]
        lines = window.text.count(b"\n", 0, start)
        text_before = window.text[window.text.rfind(b"\n", 0, start) + 1 : start].decode("utf-8", "replace")
        column = len(text_before) + (1 if lines else window.column)
        return window.line + lines + row - 1, inside if row > 1 else column + inside - 1


def judge_big(validator: Any, path: Path) -> tuple[list[Finding], str, bool]:
    """(findings, label, unreadable) of a file that holds one resource, most likely a Bundle."""
    try:
        bundle = _opened(path, bool(validator.profiles.get("Bundle")))
        label = "/".join(("Bundle", bundle.text("id"))).rstrip("/")
        index, twice = _indexed(bundle)
        result = [
            Finding(
                "bdl-7", "error", "bdl-7: fullUrl stands twice", file=str(path), resource=label,
                path=f"Bundle.entry[{number}].fullUrl", found=url,
            )
            for number, url in twice
        ]  # fmt: skip
        result += _repeated(bundle, str(path), label)
        result += _runs(validator, bundle, index, str(path), label)
    except (Unwindowed, msgspec.DecodeError, RecursionError, UnicodeDecodeError):
        with path.open("rb") as stream:
            data = stream.read(MAX_BYTES + 1)
        findings = validator.validate(data, file=str(path))
        bad = bool(findings) and findings[0].severity == "fatal"
        return findings, findings[0].resource if findings else "", bad
    return result, label, False


def _opened(path: Path, asks_more: bool) -> BundleFile:
    bundle = BundleFile(path)
    if bundle.text("resourceType") != "Bundle" or bundle.text("type") in _WHOLE or asks_more:
        raise Unwindowed
    if b'"profile"' in bundle.head.get("meta", b"") or b"\\" in bundle.head.get("meta", b""):
        raise Unwindowed
    return bundle


def _repeated(bundle: BundleFile, file: str, label: str) -> Iterator[Finding]:
    """Keys of the Bundle itself that stand twice."""
    frame = bundle.frame.decode("utf-8", "replace")
    for key, offset in duplicates(frame):
        line, column = bundle.before(*Places(frame).line_column(offset))
        yield Finding(
            "json-duplicate", "error", f"key {key} stands twice", file=file, line=line, column=column, resource=label,
            path=key, found=key, hint="keep one",
        )  # fmt: skip


def _indexed(bundle: BundleFile) -> tuple[_Lookup, list[tuple[int, str]]]:
    """The index, and which entries have a fullUrl (with version) that another had before."""
    index = _Lookup()
    seen: set[str] = set()
    twice: list[tuple[int, str]] = []
    history = bundle.text("type") == "history"
    number = -1
    for window in bundle.windows():
        for raw in window.entries:
            number += 1
            try:
                entry = _entry(raw)
            except (msgspec.DecodeError, RecursionError):
                continue
            index.put(entry)
            if entry.fullUrl is not None and not history:
                version = entry.resource.meta.versionId if entry.resource is not None and entry.resource.meta else ""
                key = entry.fullUrl + version if version else entry.fullUrl
                if key in seen:
                    twice.append((number, entry.fullUrl))
                seen.add(key)
    return index, twice


def _runs(validator: Any, bundle: BundleFile, index: Index, file: str, label: str) -> Iterator[Finding]:
    """What is found run by run. Raises Unwindowed where a run cannot be read, which is for the file in one piece."""
    head = b"".join(msgspec.json.encode(key) + b":" + value + b"," for key, value in bundle.head.items())
    before = b"{" + head + b'"entry":['
    start = 0
    told: set[tuple[str, str, str]] = set()
    for window in bundle.windows():
        for first in range(0, len(window.entries), RUN):
            texts = [bytes(raw) for raw in window.entries[first : first + RUN]]
            data = before + b",".join(texts) + b"]}"
            for finding in validator.validate_run(data, index, _RunPlaces(bundle, window, first, texts, before)):
                if finding.severity == "fatal":
                    raise Unwindowed
                if finding.path.startswith("Bundle.entry["):
                    number, _, rest = finding.path[len("Bundle.entry[") :].partition("]")
                    finding.path = f"Bundle.entry[{int(number) + start}]{rest}"
                else:  # of the Bundle itself: any run may be the one that breaks its rule, but it is told once
                    mark = finding.id, finding.path, finding.message
                    if finding.id == "bdl-7" or mark in told:
                        continue  # `_indexed` knows of bdl-7 across runs
                    told.add(mark)
                finding.file, finding.resource = file, label
                yield finding
            start += len(texts)
