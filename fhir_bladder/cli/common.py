"""Room `cli`: what verbs share: options, configuration, output, summaries. Imports nothing heavy at the top."""

from __future__ import annotations

import contextlib
import difflib
import os
import re
import stat
import sys
import tempfile
import tomllib
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, NoReturn, TypeVar, cast

import click

from fhir_bladder.errors import BladderError, ConfigError, Finding, combined_exit_code

if TYPE_CHECKING:
    from fhir_bladder.mapping import MapOptions
    from fhir_bladder.measurement import Settings
    from fhir_bladder.readers import ReadOptions

CONFIG_NAME = "fhir-bladder.toml"
_SITE = "fhir_bladder.site"
_MAPPING_KEYS = ("key_system", "device_system", "category", "send_calculated_mass")

_F = TypeVar("_F", bound=Callable[..., Any])


def option_name(parameter: click.Parameter) -> str:
    """The name of an option as people write it, `--max-entries` as `max_entries`; of an argument, its own."""
    long = next((text for text in parameter.opts if text.startswith("--")), parameter.name or "")
    return long.lstrip("-").replace("-", "_")


class VerbCommand(click.Command):
    """A verb: every option also comes from FHIR_BLADDER_… variables or the configuration file."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.params += [
            click.Option(
                ["--config"],
                type=click.Path(path_type=Path),
                is_eager=True,
                expose_value=False,
                callback=_load_config,
                help=f"Configuration file; {CONFIG_NAME} of this folder where it exists.",
            ),
            click.Option(["--debug"], is_flag=True, expose_value=False, help="Show the traceback of an error."),
        ]
        self.name_variables(self.name or "")

    def name_variables(self, path: str) -> None:
        """Name the environment variables of the options by the whole path of the verb, then by the option alone."""
        verb = path.replace("-", "_").replace(" ", "_").upper()
        for parameter in self.params:
            if isinstance(parameter, click.Option):
                name = option_name(parameter).upper()
                parameter.envvar = [f"FHIR_BLADDER_{verb}_{name}", f"FHIR_BLADDER_{name}"]


class VerbGroup(click.Group):
    """A verb of several, as `outbox list`."""

    command_class = VerbCommand

    def add_command(self, cmd: click.Command, name: str | None = None) -> None:
        """Add one; its variables are FHIR_BLADDER_OUTBOX_LIST_…, as click itself would build them."""
        super().add_command(cmd, name)
        if isinstance(cmd, VerbCommand):
            cmd.name_variables(f"{self.name} {name or cmd.name}")


def _load_config(ctx: click.Context, _param: click.Parameter, path: Path | None) -> None:
    file = path or Path(CONFIG_NAME)
    if path is None and not file.is_file():
        return
    table = read_toml(file)
    site = table.pop("site", {})
    _check_site(site, str(file))
    ctx.find_root().meta[_SITE] = site
    _check_keys(table, str(file))
    verb = ctx.parent.info_name if ctx.parent and ctx.parent.parent else ctx.info_name
    for key in [key for key, value in table.items() if isinstance(value, dict)]:
        values = table.pop(key)
        table |= values if key == verb else {}
    known = {option_name(option): option for option in ctx.command.params}
    ctx.default_map = {}
    for key, value in table.items():
        option = known.get(key.replace("-", "_"))
        if option is None or option.name is None:
            continue  # a key at the top may belong to another verb
        if isinstance(option.type, click.Path):
            value = [str(file.parent / v) for v in value] if isinstance(value, list) else str(file.parent / value)
        ctx.default_map[option.name] = value


def _check_site(site: Any, file: str) -> None:
    """Refuse values of [site] that are of another kind; what is no number is told by `measurement_settings`."""
    if not isinstance(site, dict):
        raise ConfigError("site is not a table", file, "write [site] on a line of its own, its keys below")
    for name, kind, wanted in (
        ("key_system", str, "a text"),
        ("device_system", str, "a text"),
        ("category", str, "a text"),
        ("send_calculated_mass", bool, "true or false"),
    ):
        if name in site and not isinstance(site[name], kind):
            raise ConfigError(f"{name} = {site[name]!r} is not {wanted}", "[site]", f"write {wanted}")


def _check_keys(table: dict[str, Any], file: str) -> None:
    """Refuse keys that no verb reads; a slip of the keyboard would else change what is sent, in silence."""
    from fhir_bladder.cli.main import VERBS, cli

    def options(command: click.Command | None) -> set[str]:
        if isinstance(command, click.Group):
            return set().union(*(options(command.commands[name]) for name in command.commands))
        return {option_name(option) for option in command.params} if command is not None else set()

    context = click.Context(cli)
    of_verbs = {key: value for key, value in table.items() if isinstance(value, dict)}
    refuse_unknown(of_verbs, (*VERBS, "site"), file)
    for verb, values in of_verbs.items():
        plain = {key.replace("-", "_"): None for key in values}
        refuse_unknown(plain, options(cli.get_command(context, verb)), f"{file} [{verb}]")
    rest = {key.replace("-", "_"): None for key in table.keys() - of_verbs.keys()}
    if rest:
        refuse_unknown(rest, set().union(*(options(cli.get_command(context, verb)) for verb in VERBS)), file)


def read_toml(path: Path) -> dict[str, Any]:
    """A TOML file. Raises ConfigError with the place."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise ConfigError(f"cannot read {path}", error.strerror or "", "check the path") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ConfigError(f"{path} is not TOML", str(error), "correct it") from None


def refuse_unknown(table: dict[str, Any], known: Iterable[str], where: str) -> None:
    """Raise ConfigError for a key that nobody reads."""
    names = sorted(known)
    for key in table:
        if key not in names:
            close = difflib.get_close_matches(key, names, 1)
            hint = f"did you mean {close[0]!r}?" if close else f"known are {', '.join(names)}"
            raise ConfigError(f"unknown key {key!r}", where, hint)


def site_value(name: str, default: Any = None) -> Any:
    """A value of the configuration file's [site] table."""
    return click.get_current_context().find_root().meta.get(_SITE, {}).get(name, default)


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
            click.option("--columns", type=click.Path(path_type=Path), help="Column map of a sheet, TOML."),
            click.option("--v2-map", type=click.Path(path_type=Path), help="HL7 v2 map, TOML, added to the ready one."),
            click.option("--codes", type=click.Path(path_type=Path), help="The site's code table, TOML."),
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

    site: dict[str, Any] = click.get_current_context().find_root().meta.get(_SITE, {})
    names = {field.name: field.type for field in fields(Settings)}
    refuse_unknown(site, {*names, *_MAPPING_KEYS}, "[site]")
    values: dict[str, Any] = {}
    for name in names.keys() & site.keys():
        value = site[name]
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise ConfigError(f"{name} = {value!r} is not a number", "[site]", "write a number")
        values[name] = value if names[name] == "int" else Decimal(str(value))
    return Settings(**values)


def map_options(*, shape: str, codes: Path | None, filling_range: str, as_: str = "observations") -> MapOptions:
    """Mapping options from the command line's and the site's."""
    from fhir_bladder.mapping import MapOptions
    from fhir_bladder.terminology import sites

    values: dict[str, Any] = {name: value for name in _MAPPING_KEYS if (value := site_value(name)) is not None}
    if codes is not None:
        values["codes"] = sites.read(codes)
    return MapOptions(
        as_=cast(Any, as_),
        shape=cast(Any, shape),
        filling_range=cast(Any, filling_range),
        settings=measurement_settings(),
        **values,
    )


def _is_no_file(path: Path) -> bool:
    return os.path.lexists(path) and not stat.S_ISREG(path.lstat().st_mode)


def refuse_no_file(path: Path) -> None:
    """Raise ConfigError where a device, a pipe or a link has the name of a file that is written as a whole."""
    if _is_no_file(path) and not path.is_dir():
        raise ConfigError(f"cannot write {path}", "it is no plain file", "name a file")


def _opened(path: Path) -> IO[bytes]:
    try:
        return path.open("wb")
    except OSError as error:
        raise ConfigError(f"cannot write {path}", error.strerror or "", "name a file") from None


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
        raise ConfigError(f"cannot write {path}", error.strerror or "", "check the folder") from None
    try:
        with os.fdopen(descriptor, "wb") as stream:
            yield stream
        umask = os.umask(0)
        os.umask(umask)
        Path(temporary).chmod(0o666 & ~umask)
        Path(temporary).replace(path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise


def say(text: str) -> None:
    """A line for people, on stderr."""
    click.echo(text, err=True)


def report_error(error: BladderError) -> None:
    """The one line of an error that does not end the verb."""
    from fhir_bladder.cli.main import one_line

    say(f"error: {one_line(str(error))}")


def finding_line(finding: Finding) -> str:
    """A finding on one line: severity, place, message, remedy."""
    from fhir_bladder.cli.main import one_line

    place = ":".join(str(part) for part in (finding.file, finding.line) if part)
    if finding.exam_number:
        place = f"{place} exam {finding.exam_number}".strip()
    where = " ".join(part for part in (place, finding.field or finding.path) if part)
    severity = "error" if finding.severity == "fatal" else finding.severity
    return one_line(" — ".join(part for part in (f"{severity}: {finding.message}", where, finding.hint) if part))


def finish(codes: set[int]) -> NoReturn:
    """Leave the verb with the exit code where several hold."""
    raise click.exceptions.Exit(combined_exit_code(codes))


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
        return float(match[1]) * _SECONDS[match[2]]


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
