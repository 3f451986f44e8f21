"""Room `cli`: the command group, its lazily imported verbs, and the one place where errors become lines and codes."""

from __future__ import annotations

import contextlib
import importlib
import io
import os
import signal
import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import click

from fhir_bladder import __version__

if TYPE_CHECKING:
    from fhir_bladder.errors import BladderError

DEBUG = "fhir_bladder.debug"
"""Where a run keeps whether --debug was asked for, on the line, by a variable or in the file."""

UNFINISHED = 5
"""The exit code of what stopped before the end."""

VERBS = {
    "map": "Exam records to FHIR, NDJSON.",
    "unmap": "FHIR back to exam records, NDJSON.",
    "check": "Plausibility findings and rule prompts of exam records.",
    "columns": "Start and try out a column map for a sheet.",
    "validate": "FHIR against profiles, offline.",
    "push": "Exam records or mapped FHIR to a server, through the outbox.",
    "outbox": "What waits, what was delivered, what is held and why.",
    "listen": "HL7 v2 over MLLP and watched folders, unattended.",
    "pull": "Observations back from a server, paged.",
    "export": "Bulk export to a folder; the same command again resumes.",
    "table": "NDJSON files or export folders to tables.",
    "report": "One HTML file for people, or a line an exam for the letter.",
    "profiles": "The local profiles and code systems.",
    "serve": "The embedded test server on 127.0.0.1.",
    "demo": "The whole job on an invented ward, with the embedded server.",
}
"""Every verb and its short help. The module of a verb is imported when the verb is used, not before."""

_MODULES = {"map": "map_records", "unmap": "unmap_records"}


class LazyGroup(click.Group):
    """A group that knows its verbs by name and imports one only to run it; errors of a verb become lines and codes."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """The verbs in the order of the work."""
        return list(VERBS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import the verb's module and give its command."""
        if cmd_name not in VERBS:
            return None
        module = importlib.import_module(f"fhir_bladder.cli.{_MODULES.get(cmd_name, cmd_name)}")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the list from the short helps, so that `--help` imports no verb."""
        with formatter.section("Verbs"):
            formatter.write_dl(list(VERBS.items()))

    def make_context(self, *args: Any, **kwargs: Any) -> click.Context:
        """As click does; here the help and the version are written."""
        with _reader_may_go():
            return super().make_context(*args, **kwargs)

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """As click does; --debug counts wherever it stands, also for errors of the configuration file."""
        ctx.meta[DEBUG] = "--debug" in args
        return super().parse_args(ctx, args)

    def invoke(self, ctx: click.Context) -> Any:
        """Run the verb; an error is one line on stderr, a traceback only with --debug."""
        try:
            with _reader_may_go():
                return super().invoke(ctx)
        except (click.ClickException, click.Abort, click.exceptions.Exit):
            raise
        except Exception as error:
            if ctx.meta[DEBUG]:
                raise
            raise click.exceptions.Exit(_tell(error)) from None


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.option("--debug", is_flag=True, expose_value=False, help="Show the traceback of an error.")
@click.version_option(__version__, prog_name="fhir-bladder")
def cli() -> None:
    """Bladder-ultrasound exam records to checked HL7 FHIR R4, onto a server and back.

    Data goes to stdout or -o; everything else to stderr. Exit codes: 0 done, 1 something was refused, invalid or
    held, 2 wrong command line, 3 input or configuration cannot be read, 4 the server cannot be reached or refuses
    us, 5 unfinished and safe to run again.
    """


def run(arguments: list[str] | None = None) -> None:
    """Run one command line and exit. SIGTERM and a lost terminal end it as Ctrl-C does, with nothing half written."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")  # a terminal that lacks a sign of ours
    try:
        with _ended_in_order():
            code = cli.main(arguments, prog_name="fhir-bladder", standalone_mode=False)
    except click.ClickException as error:
        _name_variable(error)
        error.show()
        code = error.exit_code
    except (click.Abort, KeyboardInterrupt):
        code = _tell(KeyboardInterrupt())
    sys.exit(code if isinstance(code, int) else 0)


def _tell(error: BaseException) -> int:
    """Tell an error in one line; its exit code."""
    from fhir_bladder.cli.telling import report_error

    planned = _planned(error)
    report_error(planned)
    return planned.exit_code


def _planned(error: BaseException) -> BladderError:
    """An error as people are told it."""
    from concurrent.futures import BrokenExecutor

    from fhir_bladder.errors import BladderError, ConfigError, UnfinishedError

    if isinstance(error, BladderError):
        return error
    if isinstance(error, KeyboardInterrupt):
        return UnfinishedError("stopped before the end", "", "run the same command again to go on")
    if isinstance(error, MemoryError):
        return UnfinishedError("not enough memory", "", "give the input in smaller files")
    if isinstance(error, BrokenExecutor):
        return UnfinishedError("a worker was ended from outside", "", "run it again, with fewer --workers")
    if isinstance(error, OSError):
        reason = (error.strerror or type(error).__name__).lower()
        return ConfigError(reason, str(error.filename or ""), "check the path, the permissions and the space left")
    # The type only: the message of an error nobody planned may hold a patient's data.
    return UnfinishedError(f"unexpected {type(error).__name__}", "", "run again with --debug and report what it shows")


@contextlib.contextmanager
def _reader_may_go() -> Iterator[None]:
    """A reader of stdout that goes away, as `head` does, leaves the work unfinished, with nothing to say."""
    try:
        yield
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # else Python complains at exit
        raise click.exceptions.Exit(UNFINISHED) from None


@contextlib.contextmanager
def _ended_in_order() -> Iterator[None]:
    """Let SIGTERM and SIGHUP raise KeyboardInterrupt, where nobody set them otherwise, as nohup does."""

    def end(*_: object) -> None:
        raise KeyboardInterrupt

    set_by_us = []
    for number in (signal.SIGTERM, signal.SIGHUP):
        with contextlib.suppress(ValueError):  # not the main thread
            if signal.getsignal(number) is signal.SIG_DFL:
                signal.signal(number, end)
                set_by_us.append(number)
    try:
        yield
    finally:
        for number in set_by_us:
            signal.signal(number, signal.SIG_DFL)


def _name_variable(error: click.ClickException) -> None:
    """Name the environment variable that a wrong value came from, where it came from one."""
    if not isinstance(error, click.BadParameter) or error.ctx is None or error.param is None:
        return
    from click.core import ParameterSource

    if error.ctx.get_parameter_source(error.param.name or "") is ParameterSource.ENVIRONMENT:
        names = error.param.envvar or ()
        error.param_hint = next((name for name in names if os.environ.get(name)), None)
