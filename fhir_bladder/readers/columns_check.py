"""Room `readers`: what a column map makes of a file: the first records, and every value it could not read."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from fhir_bladder import exam
from fhir_bladder.errors import BladderError, Finding
from fhir_bladder.readers import column_map, columns_suggest
from fhir_bladder.readers.items import ReadOptions
from fhir_bladder.readers.reading import read


@dataclass(slots=True)
class Checked:
    """first: records as plain data, at most as many as asked for. unused: columns the map does not name."""

    records: int = 0
    refused: int = 0
    first: list[dict[str, Any]] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    unused: list[str] = field(default_factory=list)
    exit_codes: set[int] = field(default_factory=set)


def check(map_file: str | Path, file: str | Path, *, first: int = 3, zone: ZoneInfo | None = None) -> Checked:
    """Read a sheet with a map. Raises ConfigError for a map that cannot be used; the rest is in the result."""
    columns = column_map.load(map_file)
    result = Checked()
    for item in read([file], ReadOptions(columns=map_file, zone=zone)):
        result.exit_codes.add(item.exit_code)
        result.findings += item.findings
        if item.record is not None:
            result.records += 1
            result.findings += [_placed(note, item.file, item.line) for note in exam.notes(item.record)]
            if len(result.first) < first:
                result.first.append(exam.dump(item.record))
        elif not item.about_file:
            result.refused += 1
    try:
        header = columns_suggest.sample(file).header
    except BladderError:
        return result  # that it cannot be read is among the findings already
    result.unused = [name for name in header if name and name not in columns.names]
    return result


def _placed(note: Finding, file: str, line: int) -> Finding:
    note.file, note.line = file, line
    return note
