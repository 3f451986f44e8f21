"""Room `readers`: the column map of a sheet, a TOML file, read strictly. May import exam."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from fhir_bladder.errors import ConfigError, RecordError
from fhir_bladder.exam import times
from fhir_bladder.exam.problems import did_you_mean
from fhir_bladder.readers.cells import Reading
from fhir_bladder.readers.fields import Field, field_at
from fhir_bladder.readers.items import sha256
from fhir_bladder.readers.map_parts import bytes_of, constants_of, flat, known_keys, table_of, values_of
from fhir_bladder.terminology import units

SCAN = "scans.0."
KEYS = (
    "group_by", "delimiter", "encoding", "decimal_mark", "timezone", "date_format", "sheet", "header_row", "absent",
    "columns", "constants",
)  # fmt: skip
COLUMN_KEYS = ("column", "unit", "values", "others", "absent", "date_format")
"""Keys of a map, and of a column's table."""


@dataclass(frozen=True, slots=True)
class Column:
    """One record field and the columns its text comes from, joined by one blank."""

    field: Field
    names: tuple[str, ...]
    reading: Reading


@dataclass(frozen=True, slots=True)
class ColumnMap:
    """A column map as read. `sha256` is that of the file."""

    columns: tuple[Column, ...]
    constants: Mapping[str, Any]
    sha256: str
    group_by: tuple[str, ...] = ()
    delimiter: str = ""
    encoding: str = "utf-8"
    sheet: str = ""
    header_row: int = 1

    @property
    def names(self) -> list[str]:
        """Names of all columns used, each once."""
        every = [name for column in self.columns for name in column.names] + list(self.group_by)
        return list(dict.fromkeys(every))

    def with_zone(self, zone: ZoneInfo | None) -> ColumnMap:
        """The map with a zone where it names none itself."""
        columns = (
            replace(c, reading=replace(c.reading, zone=zone)) if c.reading.zone is None and zone else c
            for c in self.columns
        )
        return replace(self, columns=tuple(columns))


def load(path: str | Path) -> ColumnMap:
    """Read a map file. Raises ConfigError with the place and what to write instead."""
    return parse(bytes_of(path, "--columns"), str(path))


def parse(data: bytes, where: str = "") -> ColumnMap:
    """Read the bytes of a map. Raises ConfigError."""
    table = table_of(data, where)
    try:
        return _map(table, sha256(data))
    except (ConfigError, RecordError) as error:
        raise ConfigError(error.what, f"{where} {error.where}".strip(), error.remedy) from None


def _map(table: dict[str, Any], digest: str) -> ColumnMap:
    known_keys(table, KEYS, "")
    for name, wanted in (("columns", dict), ("constants", dict), ("header_row", int)):
        if name in table and (not isinstance(table[name], wanted) or isinstance(table[name], bool)):
            raise ConfigError(f"{name} has the wrong type", "", _TYPES[wanted])
    for name in ("group_by", "delimiter", "encoding", "decimal_mark", "timezone", "date_format", "sheet"):
        if not isinstance(table.get(name, ""), str):
            raise ConfigError(f"{name} is not a text", "", "put it in quotation marks")
    mark = table.get("decimal_mark", ".")
    if mark not in (".", ","):
        raise ConfigError(f"decimal_mark {mark!r} is not known", "", 'write "." or ","')
    zone = times.zone(table["timezone"]) if "timezone" in table else None
    base = Reading(
        absent=_texts(table.get("absent", []), ""),
        date_format=_date_format(table.get("date_format", "")), decimal_mark=mark, zone=zone,
    )  # fmt: skip
    columns = tuple(_column(path, spec, base) for path, spec in flat(table.get("columns", {}), columns=True))
    if not columns:
        raise ConfigError("the map names no columns", "[columns]", 'add lines such as exam_number = "No"')
    constants = constants_of(table.get("constants", {}))
    for column in columns:
        if column.field.path in constants:
            raise ConfigError(f"{column.field.path} is both a column and a constant", "", "keep one of them")
    return ColumnMap(
        columns, constants, digest, _group_by(table.get("group_by", ""), columns),
        _delimiter(table.get("delimiter", "")), _encoding(table.get("encoding", "utf-8")),
        table.get("sheet", ""), max(1, table.get("header_row", 1)),
    )  # fmt: skip


_TYPES = {dict: "write it as a table", int: "write a whole number"}


def _column(path: str, spec: Any, base: Reading) -> Column:
    where = f"[columns] {path}"
    field = field_at(path)
    if field.kind == "object":
        raise ConfigError(f"{path} is not one value", where, "map its fields one by one")
    if path.startswith("scans.") and not path.startswith(SCAN):
        raise ConfigError("a row holds one scan", where, f"write {SCAN}{path.split('.', 2)[-1]}")
    if isinstance(spec, str | list):
        spec = {"column": spec}
    if not isinstance(spec, dict) or "column" not in spec:
        raise ConfigError("no column is named", where, 'write the column\'s name, or { column = "…" }')
    known_keys(spec, COLUMN_KEYS, where)
    names = spec["column"] if isinstance(spec["column"], list) else [spec["column"]]
    if not names or not all(isinstance(name, str) and name.strip() for name in names):
        raise ConfigError("a column's name must be a text", where, "put it in quotation marks")
    unit, values = spec.get("unit", ""), spec.get("values")
    if unit:
        if field.kind != "quantity":
            raise ConfigError(f"{path} is no quantity and takes no unit", where, "leave unit out")
        try:
            units.understand(unit, field.dimension)
        except RecordError as error:
            raise ConfigError(error.what, where, error.remedy) from None
    if spec.get("others", "refuse") not in ("refuse", "absent"):
        raise ConfigError(f"others {spec['others']!r} is not known", where, 'write "refuse" or "absent"')
    reading = replace(
        base, unit=unit, absent=base.absent + _texts(spec.get("absent", []), where),
        values=values_of(values, field, where), others_absent=spec.get("others") == "absent",
        date_format=_date_format(spec.get("date_format", base.date_format)),
    )  # fmt: skip
    return Column(field, tuple(name.strip() for name in names), reading)


def _texts(texts: Any, where: str) -> tuple[str, ...]:
    if not isinstance(texts, list) or not all(isinstance(text, str) for text in texts):
        raise ConfigError("absent has the wrong type", where, 'write a list of texts, such as ["---"]')
    return tuple(texts)


def _group_by(name: str, columns: tuple[Column, ...]) -> tuple[str, ...]:
    if not name:
        return ()
    mapped = {column.field.path: column.names for column in columns}
    if name in mapped:
        return mapped[name]
    if any(name in names for names in mapped.values()):
        return (name,)
    raise ConfigError(f"group_by {name!r} is no field mapped here", "", did_you_mean(name, mapped) or "map it first")


def _delimiter(text: str) -> str:
    text = {"\\t": "\t", "tab": "\t"}.get(text, text)
    if len(text) > 1 or text in ('"', "\r", "\n"):
        raise ConfigError(f"delimiter {text!r} will not do", "", 'write one character, such as ";" or "\\t"')
    return text


def _encoding(name: str) -> str:
    try:
        "".encode(name)
    except LookupError:
        raise ConfigError(f"encoding {name!r} is not known", "", 'write "utf-8", "cp1252" or "latin-1"') from None
    return name


def _date_format(text: Any) -> str:
    if not isinstance(text, str):
        raise ConfigError("date_format is not a text", "", 'write it like "%d.%m.%Y %H:%M"')
    if text:
        moment = dt.datetime(2026, 11, 18, 10, 42, 31)
        try:
            dt.datetime.strptime(moment.strftime(text), text)
        except ValueError as error:
            raise ConfigError(f"date_format {text!r} will not do: {error}", "", 'write "%d.%m.%Y %H:%M"') from None
    return text
