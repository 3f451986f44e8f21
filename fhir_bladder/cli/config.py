"""Room `cli`: where the values of options come from: variables and the configuration file. Imports nothing heavy."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import click

from fhir_bladder.errors import ConfigError

CONFIG_NAME = "fhir-bladder.toml"
_SITE = "fhir_bladder.site"


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


def site_table() -> dict[str, Any]:
    """The configuration file's [site] table."""
    table: dict[str, Any] = click.get_current_context().find_root().meta.get(_SITE, {})
    return table


def site_value(name: str, default: Any = None) -> Any:
    """A value of [site]."""
    return site_table().get(name, default)
