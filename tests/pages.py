"""Pages made from the code: `python tests/pages.py` writes them, `test_pages.py` holds them to it."""

from __future__ import annotations

import importlib.util
import tomllib
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import ModuleType
from typing import Any

import click

ROOT = Path(__file__).parent.parent
DOCS = ROOT / "docs"


def _beside(name: str) -> ModuleType:
    """A module of this folder; the tests are no package."""
    spec = importlib.util.spec_from_file_location(f"fhir_bladder_tests_{name}", ROOT / "tests" / f"{name}.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


messages = _beside("messages")
flow = _beside("flow")

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
        "command line. The variable of an option is named by the whole path of its verb, or by the option alone, for",
        "all verbs: `outbox list --state` reads `FHIR_BLADDER_OUTBOX_LIST_STATE`, then `FHIR_BLADDER_STATE`. In the",
        "file a key stands in the verb's table (`[outbox]` for all of outbox), or at the top for all verbs; a value",
        "that does not fit is refused with file and key. Paths of the file are relative to it, and an option that may",
        "be given several times takes one value or a list; in a variable, `:` stands between paths.",
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


_ROOMS = {
    "cli": "The command line",
    "wire": "Files",
    "readers": "Reading records, sheets and messages",
    "exam": "The exam record",
    "terminology": "Codes and units",
    "measurement": "Rules and settings",
    "mapping": "FHIR from exams and back",
    "conformance": "Profiles and packages",
    "fhirpath": "FHIRPath expressions, of profiles and views",
    "exchange": "Server, credentials, outbox, export",
    "intake": "Listening",
    "analysis": "Tables and report",
    "sandbox": "The embedded test server",
}

_ERRORS = """\
# Messages and remedies

Read from the program's source by `python tests/pages.py`; a test holds the page to it. `…` stands for what the message
fills in. Where no remedy stands here, the message brings its own, or says what was expected and what was found.

An **error** is one line on stderr, `error: what — where — what to do`; a warning is told alike and counts for nothing.
A **finding** is about one record or resource and has an id that stays the same; `check`, `map --findings` and
`validate` write findings, also for programs. A record that is **held** stays in the outbox until a person decides.

## Exit codes

| code | means | what to do |
|---|---|---|
| 0 | done, nothing wrong (warnings do not count) | – |
| 1 | done, and something was refused, invalid or held | read which and why; the others are done |
| 2 | the command line is wrong | `--help` of the verb |
| 3 | input or configuration cannot be read; the other files are still done | correct what the line names |
| 4 | the server cannot be reached or refuses us | nothing is lost: what was queued stays queued; run it again |
| 5 | unfinished | safe to run again, as it is |

One line of NDJSON that is not JSON is a refused record, 1; a file that is not JSON as a whole cannot be read, 3.
`table` and `report` read every file by lines and count what they refuse. An empty file is a warning, 0, whatever its
name: a stream that had nothing to say is no error, and it counts neither as valid nor as refused. A reader of stdout
that goes away (`| head`), Ctrl-C and SIGTERM leave the work unfinished, 5. Where several codes hold: 3, then 4, 5, 1.
"""


def errors() -> str:
    """Every error and finding with its remedy."""
    from fhir_bladder.exchange.outbox.decide import RELEASABLE
    from fhir_bladder.terminology import artefacts

    said = messages.said()
    lines = [_ERRORS, "## Why an exam is held", ""]
    lines += ["`outbox list --state held` shows them, `outbox show` one with everything that was decided.", ""]
    lines += _table(
        ("code", "means", "what to do", "`outbox release`"),
        [(f"`{code}`", *words, "yes" if code in RELEASABLE else "no") for code, words in messages.HOLDS.items()],
    )
    for title, rooms in (
        ("Findings of exam records", ("measurement", "exam")),
        ("Findings of reading", ("readers",)),
        ("Findings of `validate`", ("conformance",)),
    ):
        found = sorted((one for one in said if one.ident and one.room in rooms), key=lambda one: one.ident)
        lines += [f"## {title}", ""]
        if "measurement" in rooms:
            lines += ["A `block` holds the exam back from the server; `warn` and `note` do not.", ""]
        lines += _table(
            ("id", "severity", "says", "remedy"),
            [(f"`{one.ident}`", one.severity, one.message, one.remedy) for one in found],
        )
    lines += ["## Rules of the local profiles", "", "R4's own invariants keep the standard's ids (`obs-6`).", ""]
    lines += _table(("id", "severity", "says", "profile"), sorted(_invariants(artefacts.load("StructureDefinition"))))
    lines += ["## Errors", ""]
    for room, title in _ROOMS.items():
        rows = [
            (one.severity or str(one.code), one.message, one.remedy)
            for one in said if not one.ident and one.room == room
        ]  # fmt: skip
        lines += [f"### {title}", "", *_table(("exit", "says", "remedy"), sorted(set(rows)))] if rows else []
    return "\n".join(lines)


def _table(head: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> list[str]:
    shown = [
        " | ".join(cell.replace("|", "\\|").replace("\n", " ").replace("<", "&lt;") for cell in row) for row in rows
    ]
    return [f"| {' | '.join(head)} |", "|---" * len(head) + "|", *dict.fromkeys(f"| {row} |" for row in shown), ""]


def _invariants(structures: Sequence[dict[str, Any]]) -> Iterator[tuple[str, str, str, str]]:
    for structure in structures:
        for element in structure["differential"]["element"]:
            for rule in element.get("constraint", ()):
                yield f"`{rule['key']}`", rule["severity"], rule["human"], structure["id"]


_FLOW = """\
# Where each field goes

Drawn by `python tests/pages.py` from what the mapping does: each field of sample records is changed, and the elements
that follow it are seen; the cardinalities are those of the profiles. A whole line: the value of the field stands there
and is read back from there. A broken line: the field bears on the element (a choice, a calculation, a sentence).
[record-to-fhir.md](record-to-fhir.md) has the exact paths; `fhir-bladder profiles show` the profiles themselves.

```mermaid
flowchart LR
  files["JSON, NDJSON, sheets, HL7 v2"] -->|"map, push, listen"| record["exam record"]
  record --> checks["findings, calculated values"]
  checks --> bundle["FHIR Bundle, held to the profiles"]
  bundle -->|"push, listen"| outbox[("outbox")]
  outbox --> server[("record system")]
  server -->|pull| back["exam records, digit for digit"]
  server -->|export| folder["NDJSON with a ledger"]
  folder -->|table| tables["tables with dictionary and exclusions"]
  folder -->|report| page["page for people"]
```
"""

_PROFILES = {
    "bundle": "What `map --as bundles` and `push` send: one transaction for each exam.",
    "exam": "One Observation for each exam (`--shape panel`, the default).",
    "group": "The exam's circumstances, where each measurement is an Observation of its own (`--shape single`).",
    "measurement": "One Observation for each measurement (`--shape single`).",
    "report": "The DiagnosticReport of an exam: its conclusion in one sentence.",
    "device": "The scanner, by its serial number.",
}


def data_flow() -> str:
    """Pictures: from files to tables, and from each field to the elements of each profile."""
    lines = [_FLOW]
    flows = flow.flows()
    for profile, about in _PROFILES.items():
        edges, there = flows[profile]
        lines += [f"## bladder-ultrasound-{profile}", "", about, ""]
        parts = flow.PARTS if profile in ("exam", "measurement") else {"": None}
        for title, names in parts.items():
            lines += [f"### {title.capitalize()}", ""] if title else []
            lines += ["```mermaid", flow.picture(profile, edges, names), "```", ""]
        alone = sorted(element for element in there if not edges.get(element))
        lines += [f"Without a field of its own: {', '.join(f'`{element}`' for element in alone)}.", ""] if alone else []
    return "\n".join(lines)


PAGES = {"commands.md": commands, "safety.md": safety, "errors.md": errors, "data-flow.md": data_flow}

if __name__ == "__main__":
    for name, page in PAGES.items():
        (DOCS / name).write_text(page())
