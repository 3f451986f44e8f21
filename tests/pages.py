"""Pages made from the code: `python tests/pages.py` writes them, `test_pages.py` holds them to it."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path

import click

ROOT = Path(__file__).parent.parent
DOCS = ROOT / "docs"


_INTENDED = """\
## Intended use

fhir-bladder carries results of bladder-ultrasound exams from exam records into a record system and back. What it
calculates is marked as calculated, with model and constants. It makes no diagnosis and gives no advice; prompts are off
by default. Local codes and licensed practice decide. Nothing in it was checked by a clinician.

## What a site verifies before it relies on a number

- One exam of each scanner, end to end: what the screen showed, what the record holds, what the record system shows.
- Units, decimal mark and time zone of every column map or HL7 v2 map, with exams on both sides of a clock change.
- The void state of every source: who enters it, and what is sent where nobody did.
- The codes: `fhir-bladder profiles check` against the licensed releases the site has.
- The filling range and the density that apply at the site, and whether calculated weights are wanted at all.
- Which patients `push` may match, on a copy of the record system, with merged and inactive records among them.
- That somebody looks at held exams every day: `fhir-bladder outbox list --state held`.
"""


def commands() -> str:
    """The help of every command."""
    from fhir_bladder.cli.main import cli

    lines = [
        "# Commands",
        "",
        "Made from the program's own help by `python tests/pages.py`. Data goes to stdout or `-o`, everything else to",
        "stderr. Every option also comes from the environment or from `fhir-bladder.toml`, in this order after the",
        "command line. The variable of an option is named by the whole path of its verb, or by the option alone, for all",
        "verbs: `outbox list --state` reads `FHIR_BLADDER_OUTBOX_LIST_STATE`, then `FHIR_BLADDER_STATE`. In the file a",
        "key stands in the verb's table (`[outbox]` for all of outbox), or at the top for all verbs.",
        "",
    ]
    for path, command, context in _walk(cli, "fhir-bladder", None):
        lines += [f"## `{path}`", "", "```text", command.get_help(context).replace("\b", "").rstrip(), "```", ""]
    return "\n".join(lines)


def _walk(
    command: click.Command, path: str, parent: click.Context | None
) -> Iterator[tuple[str, click.Command, click.Context]]:
    name = path.rsplit(" ", 1)[-1]
    context = click.Context(command, info_name=name, parent=parent, terminal_width=100, **command.context_settings)
    yield path, command, context
    if isinstance(command, click.Group):
        for name in command.list_commands(context):
            sub = command.get_command(context, name)
            assert sub is not None
            yield from _walk(sub, f"{path} {name}", context)


def safety() -> str:
    """Intended use, hazards with their controls, and what a site must verify."""
    hazards = tomllib.loads((ROOT / "tests" / "hazards.toml").read_text())["hazard"]
    lines = [
        "# Safety",
        "",
        "Made from `tests/hazards.toml` by `python tests/pages.py`; a test fails on a control without a test.",
        "",
        *_INTENDED.splitlines(),
        "",
        "## Hazards",
        "",
    ]
    for hazard in hazards:
        lines += [
            f"### {hazard['hazard']}",
            "",
            f"- Cause: {hazard['cause']}.",
            f"- Harm: {hazard['harm']}.",
            f"- Control: {hazard['control']}.",
            f"- Tests: {', '.join(f'`{name}`' for name in hazard['tests'])}.",
            f"- What is left: {hazard['residual']}.",
            "",
        ]
    return "\n".join(lines)


PAGES = {"commands.md": commands, "safety.md": safety}

if __name__ == "__main__":
    for name, page in PAGES.items():
        (DOCS / name).write_text(page())
