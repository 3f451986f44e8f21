"""Room `cli`: the command group, its lazily imported verbs, and the one place where errors become lines and codes."""

from __future__ import annotations

import importlib
import os
import sys

import click

from fhir_bladder import __version__

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
    """A group that knows its verbs by name and imports one only to run it."""

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


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.option("--debug", is_flag=True, expose_value=False, help="Show the traceback of an error.")
@click.version_option(__version__, prog_name="fhir-bladder")
def cli() -> None:
    """Bladder-ultrasound exam records to checked HL7 FHIR R4, onto a server and back.

    Data goes to stdout or -o; everything else to stderr. Exit codes: 0 done, 1 something was refused, invalid or
    held, 2 wrong command line, 3 input or configuration cannot be read, 4 the server cannot be reached or refuses
    us, 5 unfinished and safe to run again.
    """


_OFF = ("", "0", "f", "false", "n", "no", "off")  # as click reads a flag's variable


def run(arguments: list[str] | None = None) -> None:
    """Run one command line and exit. Errors become one line on stderr; a traceback only with --debug."""
    arguments = sys.argv[1:] if arguments is None else arguments
    debug = "--debug" in arguments or os.environ.get("FHIR_BLADDER_DEBUG", "").lower() not in _OFF
    try:
        code = cli.main(arguments, prog_name="fhir-bladder", standalone_mode=False)
    except click.exceptions.Exit as stop:
        code = stop.exit_code
    except click.ClickException as error:
        error.show()
        code = error.exit_code
    except (click.Abort, KeyboardInterrupt):
        code = _say("stopped before the end", "run the same command again to go on", 5)
    except BrokenPipeError:
        _silence_stdout()
        code = 5
    except Exception as error:
        if debug:
            raise
        code = _failure(error)
    sys.exit(code if isinstance(code, int) else 0)


def _failure(error: Exception) -> int:
    from fhir_bladder.errors import BladderError

    if isinstance(error, BladderError):
        click.echo(f"error: {one_line(str(error))}", err=True)
        return error.exit_code
    if isinstance(error, MemoryError):
        return _say("not enough memory", "give the input in smaller files", 5)
    if isinstance(error, OSError):
        place = f" — {error.filename}" if error.filename else ""
        reason = (error.strerror or type(error).__name__).lower()
        return _say(f"{reason}{place}", "check the path, the permissions and the space left", 3)
    # The type only: the message of an error nobody planned may hold a patient's data.
    return _say(f"unexpected {type(error).__name__}", "run again with --debug and report what it shows", 5)


def _say(what: str, remedy: str, code: int) -> int:
    click.echo(f"error: {one_line(what)} — {remedy}", err=True)
    return code


def one_line(text: str) -> str:
    """Text on one line, without control characters."""
    return " ".join("".join(char if char.isprintable() else " " for char in text).split())


def _silence_stdout() -> None:
    """Keep Python from complaining at exit about a reader that went away."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
