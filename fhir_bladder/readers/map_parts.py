"""Room `readers`: what column maps and HL7 v2 maps share: the file, keys, values, constants. May import exam."""

from __future__ import annotations

import datetime as dt
import tomllib
from collections.abc import Iterable, Mapping
from decimal import Decimal
from pathlib import Path
from typing import Any

from fhir_bladder.errors import ConfigError
from fhir_bladder.exam.problems import did_you_mean
from fhir_bladder.readers.fields import Field, field_at

CONFIRMED = ("void_state", "uterus_present", "verified")
"""Fields that a constant may fill only with the name of who confirmed it: they change what a result means."""


def bytes_of(path: str | Path, option: str) -> bytes:
    """A map's file. option: which names it. Raises ConfigError."""
    try:
        return Path(path).read_bytes()
    except OSError as error:
        raise ConfigError(
            f"cannot read the map: {(error.strerror or '').lower()}", str(path), f"check {option}"
        ) from None


def table_of(data: bytes, where: str) -> dict[str, Any]:
    """The TOML of a map, numbers as they are written. Raises ConfigError."""
    try:
        return tomllib.loads(data.decode("utf-8"), parse_float=Decimal)
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ConfigError(f"the map is not TOML: {error}", where, "correct it") from None


def known_keys(table: Mapping[str, Any], names: Iterable[str], where: str) -> None:
    """Raise ConfigError for a key that nobody reads."""
    names = list(names)
    for key in table:
        if key not in names:
            raise ConfigError(
                f"unknown key {key!r}", where, did_you_mean(key, names) or f"known are {', '.join(names)}"
            )


def flat(table: Any, *, columns: bool, prefix: str = "") -> Iterable[tuple[str, Any]]:
    """`"device.serial" = …` and `device.serial = …` (a nested table in TOML) mean the same."""
    if not isinstance(table, dict):
        raise ConfigError("this is not a table", prefix, "write it as [columns] and [constants] with a line a field")
    for key, value in table.items():
        path = prefix + key
        own = isinstance(value, dict) and ("column" in value if columns else set(value) == {"value", "confirmed_by"})
        if isinstance(value, dict) and not own and (field_at(path).kind == "object" or field_at(path).many):
            yield from flat(value, columns=columns, prefix=f"{path}.")
        else:
            yield path, value


def values_of(values: Any, field: Field, where: str) -> dict[str, Any] | None:
    """A table of texts and what they mean, checked against the field."""
    if values is None:
        return None
    if not isinstance(values, dict):
        raise ConfigError("values has the wrong type", where, 'write values = { "text" = "what it means" }')
    for text, meaning in values.items():
        for one in meaning if isinstance(meaning, list) else [meaning]:
            if (field.kind == "boolean") != isinstance(one, bool):
                wanted = "true or false" if field.kind == "boolean" else "a text"
                raise ConfigError(f"the meaning of {text!r} is not {wanted}", where, f"write {wanted}")
            if field.kind == "choice" and one not in field.choices:
                near = did_you_mean(str(one), field.choices)
                raise ConfigError(f"{one!r} is not known", where, near or f"write one of {', '.join(field.choices)}")
    return values


def constants_of(table: Any) -> dict[str, Any]:
    """The constants of a map by field path."""
    return {path: _constant(path, value) for path, value in flat(table, columns=False)}


def _constant(path: str, value: Any) -> Any:
    where = f"[constants] {path}"
    field_at(path)
    confirmed = isinstance(value, dict) and set(value) <= {"value", "confirmed_by"} and "value" in value
    if path.split(".")[0] in CONFIRMED:
        name = value.get("confirmed_by") if confirmed else None
        if not isinstance(name, str) or not name.strip():
            given = value["value"] if confirmed else value
            shown = str(given).lower() if isinstance(given, bool) else f'"{given}"'
            raise ConfigError(
                f"a constant for {path} changes what every result means and needs a name", where,
                f'write {{ value = {shown}, confirmed_by = "who, when" }}',
            )  # fmt: skip
    value = value["value"] if confirmed and "confirmed_by" in value else value
    return value.isoformat() if isinstance(value, dt.date | dt.datetime) else value
