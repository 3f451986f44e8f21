"""Room `readers`: what every reader takes and gives: options and items. May import exam."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from fhir_bladder import exam
from fhir_bladder.errors import BladderError, Finding, InputError, RecordError
from fhir_bladder.exam.problems import findings_of

FORMATS = ("auto", "json", "ndjson", "csv", "xlsx", "hl7v2")


@dataclass(frozen=True, slots=True)
class ReadOptions:
    """How to read. columns, v2_map: TOML files. zone: for times without an offset where the map names none."""

    input_format: str = "auto"
    columns: str | Path | None = None
    v2_map: str | Path | None = None
    zone: ZoneInfo | None = None


@dataclass(slots=True)
class ReadItem:
    """One record as read, or the trouble with a record or a file.

    line: 1-based, where the record starts. raw: the record's bytes as received; empty where the item is about a file.
    sha256: of `raw`. record: None where refused, `findings` then say why. data: the record as plain data, also of a
    refused one where it could be parsed. map_hash: SHA-256 of the column or code map used. error: set where a file
    cannot be read (exit code 3).
    """

    file: str
    line: int = 0
    raw: bytes = b""
    sha256: str = ""
    record: exam.ExamRecord | None = None
    data: dict[str, Any] | None = None
    findings: list[Finding] = field(default_factory=list)
    map_hash: str = ""
    error: BladderError | None = None

    @property
    def about_file(self) -> bool:
        """True where there is no record behind it: a file that is missing, empty or not what it should be."""
        return not self.raw

    @property
    def exit_code(self) -> int:
        """0 for a record or a warning, 1 for a refused record, 3 for a file that cannot be read."""
        if self.error is not None:
            return self.error.exit_code
        return int(self.record is None and any(f.severity in ("fatal", "error") for f in self.findings))


def sha256(data: bytes) -> str:
    """SHA-256 in hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def record_item(
    file: str,
    line: int,
    raw: bytes,
    data: Any,
    *,
    zone: ZoneInfo | None = None,
    map_hash: str = "",
    place: Callable[[Finding], None] | None = None,
) -> ReadItem:
    """Load parsed data into an item; what is wrong becomes findings. `place` may add row and column to each."""
    item = ReadItem(file, line, raw, sha256(raw), map_hash=map_hash, data=data if isinstance(data, dict) else None)
    number = item.data.get("exam_number") if item.data else None
    number = number if isinstance(number, str) else ""
    resource = item.data.get("resourceType") if item.data else None
    if isinstance(resource, str):
        item.findings.append(
            Finding(
                "fhir-not-record", "error", f"this is FHIR ({resource[:40]}), not an exam record",
                hint="turn it into exam records with unmap", file=file, line=line,
            )
        )  # fmt: skip
        return item
    try:
        item.record = exam.load(data, zone=zone)
    except RecordError as error:
        item.findings.extend(findings_of(error, file=file, line=line, exam_number=number[:80]))
        if place is not None:
            for finding in item.findings:
                place(finding)
    return item


def refused_item(file: str, line: int, raw: bytes, error: BladderError, *, id: str, map_hash: str = "") -> ReadItem:
    """A record that could not even be parsed; its bytes are kept."""
    spot = re.search(r"line (\d+) column (\d+)", error.where)
    finding = Finding(id, "error", error.what, hint=error.remedy, file=file, line=line)
    if spot:
        finding.line, finding.column = max(line, 1) + int(spot[1]) - 1, int(spot[2])
    elif error.where:
        finding.message = f"{error.what}, {error.where}"
    return ReadItem(file, line, raw, sha256(raw), findings=[finding], map_hash=map_hash)


def file_item(file: str, error: BladderError, *, id: str = "file-not-read") -> ReadItem:
    """A file that cannot be read, or a map that does not fit it."""
    finding = Finding(id, "fatal", error.what, hint=error.remedy, file=file)
    spot = re.fullmatch(r"line (\d+)", error.where)
    if spot:
        finding.line = int(spot[1])
    elif error.where and file not in error.where:
        finding.message = f"{error.what}, {error.where}"
    where = error.where if file in error.where else f"{file} {error.where}".strip()
    return ReadItem(file, findings=[finding], error=InputError(error.what, where, error.remedy))


def empty_item(file: str) -> ReadItem:
    """A file without any record, which is a warning."""
    finding = Finding(
        "file-empty", "warning", "the file holds no record", hint="check that its source has finished", file=file
    )
    return ReadItem(file, findings=[finding])
