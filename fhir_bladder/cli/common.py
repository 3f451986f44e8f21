"""Room `cli`: what verbs share: input options, output, durations, progress. Imports nothing heavy at the top."""

from __future__ import annotations

import contextlib
import os
import re
import stat
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, NoReturn, TypeVar, cast

import click

from fhir_bladder.cli.config import of_site, refuse_unknown, site_place, site_table
from fhir_bladder.cli.config import site_value as site_value
from fhir_bladder.cli.telling import counted as counted
from fhir_bladder.cli.telling import finding_line as finding_line
from fhir_bladder.cli.telling import report_error as report_error
from fhir_bladder.cli.telling import say as say
from fhir_bladder.cli.telling import warn as warn
from fhir_bladder.cli.verbs import READ
from fhir_bladder.cli.verbs import VerbCommand as VerbCommand
from fhir_bladder.cli.verbs import VerbGroup as VerbGroup
from fhir_bladder.errors import ConfigError, combined_exit_code

if TYPE_CHECKING:
    from fhir_bladder.mapping import MapOptions
    from fhir_bladder.measurement import Settings
    from fhir_bladder.readers import ReadOptions

_MAPPING_KEYS = ("key_system", "device_system", "category", "send_calculated_mass")

_F = TypeVar("_F", bound=Callable[..., Any])


def input_options(function: _F) -> _F:
    """The input options of `map`, which check, push, listen and report take too."""
    for option in reversed(
        (
            click.option(
                "--input-format",
                type=click.Choice(["auto", "json", "ndjson", "csv", "xlsx", "hl7v2"]),
                default="auto",
                show_default=True,
                help="What the input is; auto looks at the name and the first bytes.",
            ),
            click.option("--columns", type=READ, help="Column map of a sheet, TOML."),
            click.option("--v2-map", type=READ, help="HL7 v2 map, TOML, added to the ready one."),
            click.option("--codes", type=READ, help="The site's code table, TOML."),
            click.option("--timezone", help="IANA zone of times without offset, such as Europe/Lisbon."),
            click.option(
                "--shape", type=click.Choice(["panel", "single"]), default="panel", show_default=True,
                help="One Observation an exam, or one a measurement in a group.",
            ),
            click.option(
                "--filling-range", type=click.Choice(["keep", "omit"]), default="keep", show_default=True,
                help="Wall values received outside the filling range: send marked, or leave out.",
            ),
        )
    ):  # fmt: skip
        function = option(function)
    return function


def read_options(*, input_format: str, columns: Path | None, v2_map: Path | None, timezone: str | None) -> ReadOptions:
    """Reader options from the command line's."""
    from fhir_bladder.exam import times
    from fhir_bladder.readers import ReadOptions

    return ReadOptions(
        input_format=input_format,
        columns=columns,
        v2_map=v2_map,
        zone=times.zone(timezone) if timezone else None,
    )


def measurement_settings() -> Settings:
    """Measurement settings with the site's values; the one place that refuses a key of [site] nobody reads."""
    from dataclasses import fields
    from decimal import Decimal

    from fhir_bladder.measurement import Settings

    site = site_table()
    names = {field.name: field.type for field in fields(Settings)}
    refuse_unknown(site, {*names, *_MAPPING_KEYS}, site_place())
    values: dict[str, Any] = {}
    for name in names.keys() & site.keys():
        value = site[name]
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise ConfigError(f"{name} = {value!r} is not a number", site_place(), "write a number")
        values[name] = value if names[name] == "int" else Decimal(str(value))
    with of_site():
        return Settings(**values)


def map_options(*, shape: str, codes: Path | None, filling_range: str, as_: str = "observations") -> MapOptions:
    """Mapping options from the command line's and the site's."""
    from fhir_bladder.mapping import MapOptions
    from fhir_bladder.terminology import sites

    values: dict[str, Any] = {name: value for name in _MAPPING_KEYS if (value := site_value(name)) is not None}
    if codes is not None:
        values["codes"] = sites.read(codes)
    settings = measurement_settings()
    with of_site():
        return MapOptions(
            as_=cast(Any, as_),
            shape=cast(Any, shape),
            filling_range=cast(Any, filling_range),
            settings=settings,
            **values,
        )


def _is_no_file(path: Path) -> bool:
    return os.path.lexists(path) and not stat.S_ISREG(path.lstat().st_mode)


def refuse_no_file(path: Path) -> None:
    """Raise ConfigError where a device, a pipe or a link has the name of a file that is written as a whole."""
    if _is_no_file(path) and not path.is_dir():
        raise ConfigError("cannot be written: it is no plain file", str(path), "name a file")


def _unwritable(path: Path, error: OSError) -> ConfigError:
    return ConfigError(
        f"cannot be written: {(error.strerror or '').lower()}", str(path), "make room, or name another file"
    )


def _opened(path: Path) -> IO[bytes]:
    try:
        return path.open("wb")
    except OSError as error:
        raise _unwritable(path, error) from None


@contextlib.contextmanager
def output(path: Path | None) -> Iterator[IO[bytes]]:
    """Where data goes: stdout, or a file that appears under its name only when it is complete."""
    if path is None or str(path) == "-":
        yield sys.stdout.buffer
        sys.stdout.buffer.flush()
        return
    if _is_no_file(path):
        with _opened(path) as stream:  # /dev/null, /dev/stdout, a pipe: written to, never replaced
            yield stream
        return
    try:
        descriptor, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    except OSError as error:
        raise _unwritable(path, error) from None
    try:
        with os.fdopen(descriptor, "wb") as stream:
            yield stream
        umask = os.umask(0)
        os.umask(umask)
        Path(temporary).chmod(0o666 & ~umask)
        Path(temporary).replace(path)
    except OSError as error:
        Path(temporary).unlink(missing_ok=True)
        if error.filename is None:  # of a write; what cannot be read names its file
            raise _unwritable(path, error) from None
        raise
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise


def finish(codes: set[int]) -> NoReturn:
    """Leave the verb with the exit code where several hold."""
    raise click.exceptions.Exit(combined_exit_code(codes))


_LONGEST = 100 * 366 * 86400.0
_DURATION = re.compile(r"(\d+(?:\.\d+)?)(ms|s|m|h|d)\Z")
_SECONDS = {"ms": 0.001, "s": 1.0, "m": 60.0, "h": 3600.0, "d": 86400.0}


class Duration(click.ParamType):  # type: ignore[type-arg]  # generic in newer releases of click only
    """`90s`, `10m`, `2h`, `30d`; gives seconds."""

    name = "duration"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Seconds as a float."""
        if isinstance(value, int | float):
            return float(value)
        match = _DURATION.match(value.strip())
        if not match:
            self.fail(f"{value!r} is not a duration; write 90s, 10m, 2h or 30d", param, ctx)
        seconds = float(match[1]) * _SECONDS[match[2]]
        if seconds > _LONGEST:
            self.fail(f"{value!r} is longer than a hundred years", param, ctx)
        return seconds


@contextlib.contextmanager
def optional_output(path: Path | None) -> Iterator[IO[bytes] | None]:
    """An output file where one is asked for, else None."""
    if path is None:
        yield None
        return
    with output(path) as stream:
        yield stream


class Progress:
    """A progress bar on a terminal; nothing elsewhere."""

    def __init__(self, bar: Any = None) -> None:
        self._bar = bar

    def __call__(self, done: int, known: int = 0) -> None:
        """Show how much is done and how much is known to be there."""
        if self._bar is not None:
            self._bar.length = max(done, known, 1)
            self._bar.pos = done
            self._bar.update(0)


@contextlib.contextmanager
def progress(what: str) -> Iterator[Progress]:
    """Show how far long work has come."""
    if not sys.stderr.isatty():
        yield Progress()
        return
    with click.progressbar(length=1, label=what, file=sys.stderr, show_pos=True) as bar:
        yield Progress(bar)
