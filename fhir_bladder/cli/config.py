"""Room `cli`: the configuration file: its values become defaults of options, its [site] table settings.

Imports nothing heavy.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import difflib
import tomllib
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import click

from fhir_bladder.errors import ConfigError

CONFIG_NAME = "fhir-bladder.toml"
_SITE = "fhir_bladder.site"
_FILE = "fhir_bladder.config"


def option_name(parameter: click.Parameter) -> str:
    """The name of an option as people write it, `--max-entries` as `max_entries`."""
    long = next((text for text in parameter.opts if text.startswith("--")), parameter.name or "")
    return long.lstrip("-").replace("-", "_")


def load_config(ctx: click.Context, _param: click.Parameter, path: Path | None) -> None:
    """Callback of --config: take the verb's defaults and the site's table from the file. Raises ConfigError."""
    file = path or Path(CONFIG_NAME)
    if path is None and not file.is_file():
        return
    table = read_toml(file)
    site = table.pop("site", {})
    _check_site(site, str(file))
    ctx.meta[_SITE], ctx.meta[_FILE] = site, str(file)
    _check_keys(table, str(file))
    verb = ctx.parent.info_name if ctx.parent and ctx.parent.parent else ctx.info_name
    known = _options(ctx.command)
    ctx.default_map = {}
    for key, value in (table | table.get(verb or "", {})).items():
        option = known.get(key.replace("-", "_"))
        if option is None or option.name is None or isinstance(value, dict):
            continue  # a key at the top may belong to another verb
        where = f"{file} [{verb}]" if key in table.get(verb or "", {}) else str(file)
        ctx.default_map[option.name] = _default(ctx, option, value, key, where, file.parent)


def _options(command: click.Command) -> dict[str, click.Option]:
    """What the file may set, by name: all options but the one that names the file."""
    options = {option_name(option): option for option in command.params if isinstance(option, click.Option)}
    options.pop("config", None)
    return options


def _default(ctx: click.Context, option: click.Option, value: Any, key: str, where: str, folder: Path) -> Any:
    """A value of the file as the default of an option; paths are relative to the file. Raises ConfigError."""
    if option.multiple:
        values = value if isinstance(value, list) else [value]
        return [_one_default(ctx, option, one, key, where, folder) for one in values]
    return _one_default(ctx, option, value, key, where, folder)


def _one_default(ctx: click.Context, option: click.Option, value: Any, key: str, where: str, folder: Path) -> Any:
    if isinstance(value, dt.date):
        value = value.isoformat()
    if option.is_flag:
        fits, wanted = isinstance(value, bool), "true or false"
    elif isinstance(option.type, click.types.IntParamType):
        fits, wanted = isinstance(value, int) and not isinstance(value, bool), "a whole number"
    else:
        fits, wanted = isinstance(value, str), "a text, in quotation marks"
    if not fits:
        raise ConfigError(f"{key} = {_shown(value)} is not {wanted}", where, f"write {wanted}")
    if isinstance(option.type, click.Path):
        if "\0" in value:
            raise ConfigError(f"{key} is no path", where, "take the NUL character out")
        return value if value == "-" else str(folder / value)
    try:
        option.type.convert(value, option, ctx)
    except click.BadParameter as error:
        raise ConfigError(f"{key} = {_shown(value)} will not do", where, error.message.rstrip(".")) from None
    return value


def _shown(value: Any) -> str:
    """A value as TOML has it, short."""
    text = str(value).lower() if isinstance(value, bool) else f'"{value}"' if isinstance(value, str) else str(value)
    return text if len(text) <= 60 else f"{text[:60]}…"


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
            raise ConfigError(f"{name} = {_shown(site[name])} is not {wanted}", f"{file} [site]", f"write {wanted}")


def _check_keys(table: dict[str, Any], file: str) -> None:
    """Refuse keys that no verb reads; a slip of the keyboard would else change what is sent, in silence."""
    from fhir_bladder.cli.main import VERBS, cli

    def options(command: click.Command | None) -> set[str]:
        if isinstance(command, click.Group):
            return set().union(*(options(command.commands[name]) for name in command.commands))
        return set(_options(command)) if command is not None else set()

    context = click.Context(cli)
    of_verbs = {key: value for key, value in table.items() if isinstance(value, dict)}
    refuse_unknown(of_verbs, (*VERBS, "site"), file)
    for verb, values in of_verbs.items():
        plain = {key.replace("-", "_"): None for key in values}
        refuse_unknown(plain, options(cli.get_command(context, verb)), f"{file} [{verb}]")
    rest = {key.replace("-", "_"): None for key in table.keys() - of_verbs.keys()}
    if rest:
        of_any = set().union(*(options(cli.get_command(context, verb)) for verb in VERBS))
        for verb in sorted((rest.keys() & VERBS.keys()) - of_any):
            raise ConfigError(f"{verb} is not a table", file, f"write [{verb}] on a line of its own, its keys below")
        refuse_unknown(rest, of_any, file)


def read_toml(path: Path) -> dict[str, Any]:
    """A TOML file. Raises ConfigError with the place."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise ConfigError(f"cannot be read: {(error.strerror or '').lower()}", str(path), "check --config") from None
    except UnicodeDecodeError:
        raise ConfigError("not UTF-8", str(path), "save it as UTF-8") from None
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(f"not TOML: {error}", str(path), "correct it") from None


def refuse_unknown(table: dict[str, Any], known: Iterable[str], where: str) -> None:
    """Raise ConfigError for a key that nobody reads."""
    names = sorted(known)
    for key in table:
        if key not in names:
            close = difflib.get_close_matches(key, names, 1)
            hint = f"did you mean {close[0]!r}?" if close else f"known are {', '.join(names)}"
            raise ConfigError(f"unknown key {key!r}", where, hint)


def site_table() -> dict[str, Any]:
    """The configuration file's [site] table."""
    table: dict[str, Any] = click.get_current_context().meta.get(_SITE, {})
    return table


def site_value(name: str, default: Any = None) -> Any:
    """A value of [site]."""
    return site_table().get(name, default)


def site_place() -> str:
    """Where the [site] table stands."""
    return f"{click.get_current_context().meta.get(_FILE, CONFIG_NAME)} [site]"


@contextlib.contextmanager
def of_site() -> Iterator[None]:
    """Name the [site] table as the place of an error that names none."""
    try:
        yield
    except ConfigError as error:
        error.where = error.where or site_place()
        raise
