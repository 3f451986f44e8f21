"""Room `readers`: the way in: which reader a file takes, and what is said of a file that none can read."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from fhir_bladder.errors import BladderError, ConfigError, InputError
from fhir_bladder.readers import column_map, csv_files, json_files, v2_map, v2_records, xlsx_files
from fhir_bladder.readers.column_map import ColumnMap
from fhir_bladder.readers.items import FORMATS, ReadItem, ReadOptions, empty_item, file_item
from fhir_bladder.readers.v2_map import V2Map
from fhir_bladder.wire import files

_SUFFIXES = {
    ".ndjson": "ndjson", ".jsonl": "ndjson", ".json": "json", ".csv": "csv", ".tsv": "csv", ".tab": "csv",
    ".xlsx": "xlsx", ".xlsm": "xlsx", ".hl7": "hl7v2", ".er7": "hl7v2", ".v2": "hl7v2",
}  # fmt: skip
_V2_STARTS = (b"MSH", b"FHS", b"BHS", b"\x0bMSH", b"\x0bFHS", b"\x0bBHS")


def read(paths: Sequence[str | Path], options: ReadOptions) -> Iterator[ReadItem]:
    """Records of the files in order; `-` is stdin. One bad record or file never keeps the others.

    A file that cannot be read gives one item with `error` set; an empty one gives an item with a warning.
    Raises ConfigError, before anything is read, where an option or a map cannot be used.
    """
    if options.input_format not in FORMATS:
        raise ConfigError(f"input format {options.input_format!r} is not known", "", f"use {', '.join(FORMATS)}")
    maps = maps_of(options)
    return itertools.chain.from_iterable(read_file(str(path), options, maps) for path in paths)


@dataclass(frozen=True, slots=True)
class Maps:
    """The maps of the options, loaded once."""

    columns: ColumnMap | None
    v2: V2Map


def maps_of(options: ReadOptions) -> Maps:
    """Load the maps. Raises ConfigError."""
    columns = column_map.load(options.columns).with_zone(options.zone) if options.columns is not None else None
    return Maps(columns, v2_map.load(options.v2_map))


def read_file(file: str, options: ReadOptions, maps: Maps) -> Iterator[ReadItem]:
    """Records of one file; one that cannot be read gives an item with `error` set."""
    try:
        with files.open_stream(file) as stream:
            yield from read_stream(file, stream, options, maps)
    except BladderError as error:
        yield file_item(file, error)
    except OSError as error:
        yield file_item(file, InputError(f"cannot be read: {(error.strerror or '').lower()}", file, "check the file"))


def read_stream(file: str, stream: IO[bytes], options: ReadOptions, maps: Maps) -> Iterator[ReadItem]:
    """Records of one open stream named `file`. Raises InputError or ConfigError where it cannot be read at all."""
    columns = maps.columns
    head = stream.peek(64)[:64] if hasattr(stream, "peek") else b""
    if not head:
        yield empty_item(file)
        return
    auto = options.input_format == "auto"
    chosen = detect(file, head, columns) if auto else options.input_format
    if chosen in ("json", "ndjson"):
        some = False
        reader = (
            json_files.read_ndjson(file, stream, options.zone)
            if chosen == "ndjson"
            else json_files.read_json(file, stream, options.zone, auto=auto)
        )
        for item in reader:
            some = True
            yield item
        if not some:
            yield empty_item(file)
        return
    if chosen in ("csv", "xlsx") and columns is None:
        raise ConfigError(
            "a sheet needs a column map", file, "give --columns; `columns suggest` writes one to start from"
        )
    if chosen == "csv" and columns is not None:
        tab = file.removesuffix(".gz").endswith((".tsv", ".tab"))
        yield from csv_files.read_csv(file, stream, columns, tab=tab)
    elif chosen == "xlsx" and columns is not None:
        yield from xlsx_files.read_xlsx(file, stream, columns)
    elif chosen == "hl7v2":
        some = False
        for item in v2_records.read_v2(file, stream, maps.v2, options.zone):
            some = True
            yield item
        if not some:
            yield empty_item(file)
    else:
        raise InputError("the format is not known", file, "say it with --input-format")


def detect(file: str, head: bytes, columns: ColumnMap | None) -> str:
    """The format by the file's name, else by its first bytes. Raises InputError where neither tells."""
    suffix = Path(file.removesuffix(".gz")).suffix.lower()
    if suffix in _SUFFIXES:
        return _SUFFIXES[suffix]
    start = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    if start.startswith((b"{", b"[")):
        return "json"
    if start.startswith(_V2_STARTS):
        return "hl7v2"
    if head.startswith(b"PK\x03\x04"):
        return "xlsx"
    if columns is not None:
        return "csv"
    if not start:
        return "json"  # nothing but blanks so far: its reader tells an empty file
    raise InputError("the format cannot be told from name or content", file, "say it with --input-format")
