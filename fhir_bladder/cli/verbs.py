"""Room `cli`: what every verb is: options that also come from variables and a file, no output over an input, --debug.

Imports nothing heavy.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import click

from fhir_bladder.cli.config import CONFIG_NAME, load_config, option_name
from fhir_bladder.errors import ConfigError


class _Path(click.Path):
    """A path of any kind. Whether it can be read is told by who reads it: as an input's error, not the line's."""

    def __init__(self) -> None:
        super().__init__(path_type=Path, readable=False)


class _WrittenPath(_Path):
    """A path that the verb writes to."""


READ = _Path()
WRITTEN = _WrittenPath()


class VerbCommand(click.Command):
    """A verb: every option also comes from FHIR_BLADDER_… variables or the configuration file."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.params += [
            click.Option(
                ["--config"],
                type=READ,
                is_eager=True,
                expose_value=False,
                callback=load_config,
                help=f"Configuration file; {CONFIG_NAME} of this folder where it exists.",
            ),
            click.Option(
                ["--debug"],
                is_flag=True,
                expose_value=False,
                callback=_remember_debug,
                help="Show the traceback of an error.",
            ),
        ]
        self.name_variables(self.name or "")

    def name_variables(self, path: str) -> None:
        """Name the environment variables of the options by the whole path of the verb, then by the option alone."""
        verb = path.replace("-", "_").replace(" ", "_").upper()
        for parameter in self.params:
            if isinstance(parameter, click.Option):
                name = option_name(parameter).upper()
                parameter.envvar = [f"FHIR_BLADDER_{verb}_{name}", f"FHIR_BLADDER_{name}"]

    def invoke(self, ctx: click.Context) -> Any:
        """Run the verb, unless it would write over what it is given."""
        _keep_apart(self.params, ctx.params)
        return super().invoke(ctx)


class VerbGroup(click.Group):
    """A verb of several, as `outbox list`."""

    command_class = VerbCommand

    def add_command(self, cmd: click.Command, name: str | None = None) -> None:
        """Add one; its variables are FHIR_BLADDER_OUTBOX_LIST_…, as click itself would build them."""
        super().add_command(cmd, name)
        if isinstance(cmd, VerbCommand):
            cmd.name_variables(f"{self.name} {name or cmd.name}")


def _remember_debug(ctx: click.Context, _param: click.Parameter, value: bool) -> None:
    from fhir_bladder.cli.main import DEBUG

    ctx.meta[DEBUG] = ctx.meta.get(DEBUG, False) or value


def _keep_apart(parameters: Sequence[click.Parameter], values: dict[str, Any]) -> None:
    """Raise ConfigError where a file to be written is also read, or written twice."""
    read = list(_paths(parameters, values, written=False))
    written = list(_paths(parameters, values, written=True))
    for number, (name, path) in enumerate(written):
        for other, second in (*read, *written[:number]):
            if _are_one_file(path, second):
                raise ConfigError(f"{name} would write over {other}", str(path), "name another file")


def _paths(
    parameters: Sequence[click.Parameter], values: dict[str, Any], *, written: bool
) -> Iterator[tuple[str, Path]]:
    """Every path given, with what people call its parameter."""
    for parameter in parameters:
        if not isinstance(parameter.type, _Path) or isinstance(parameter.type, _WrittenPath) != written:
            continue
        value = values.get(parameter.name or "")
        for path in value if isinstance(value, tuple) else (value,):
            if path is not None and str(path) != "-":
                yield (parameter.opts[0] if isinstance(parameter, click.Option) else "the input"), path


def _are_one_file(one: Path, other: Path) -> bool:
    """Whether both name one plain file; devices and pipes may be read and written at will."""
    try:
        first, second = one.stat(), other.stat()
    except OSError:
        return os.path.realpath(one) == os.path.realpath(other)  # neither is there yet
    return stat.S_ISREG(first.st_mode) and os.path.samestat(first, second)
