"""Room `cli`: `profiles`, the local profiles, code systems and views."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from fhir_bladder import __version__
from fhir_bladder.cli import common
from fhir_bladder.cli.verbs import WRITTEN
from fhir_bladder.errors import InputError

_TYPES = ("StructureDefinition", "CodeSystem", "ValueSet", "ConceptMap", "CapabilityStatement", "ViewDefinition")
PACKAGE = "org.w3id.fhir-bladder"


@click.group("profiles", cls=common.VerbGroup)
def command() -> None:
    """The local profiles and code systems: standard FHIR artefacts, no rule of them repeated in code."""


def _artefacts() -> list[dict[str, Any]]:
    from fhir_bladder.terminology import artefacts

    return [found for kind in _TYPES for found in artefacts.load(kind)]


def _names(one: dict[str, Any]) -> tuple[str | None, ...]:
    ident = one.get("id") or one.get("name")
    return ident, one.get("name"), one.get("url"), f"{one['resourceType']}/{ident}"


def _named(name: str) -> dict[str, Any]:
    found = [one for one in _artefacts() if name in _names(one)]
    if not found:
        raise InputError("no such artefact", name, "see fhir-bladder profiles list")
    return found[0]


@command.command("list")
def list_() -> None:
    """Every artefact: type, id, title."""
    for found in _artefacts():
        click.echo(
            f"{found['resourceType']:<20} {found.get('id') or found.get('name'):<34} {found.get('title', '')}".rstrip()
        )


@command.command("show")
@click.argument("name")
@click.option("-o", "--out", type=WRITTEN, help="Output file; stdout without it.")
def show(name: str, out: Path | None) -> None:
    """One artefact as JSON, by id, TYPE/id, name or URL."""
    _write(_named(name), out)


@command.command("snapshot")
@click.argument("name")
@click.option("-o", "--out", type=WRITTEN, help="Output file; stdout without it.")
def snapshot(name: str, out: Path | None) -> None:
    """A profile with its snapshot, by id, name or URL."""
    from fhir_bladder import conformance

    found = _named(name)
    if found["resourceType"] != "StructureDefinition":
        raise InputError(f"a {found['resourceType']} has no snapshot", name, "name a StructureDefinition")
    _write(conformance.snapshot_of(found["url"]), out)


def _write(resource: dict[str, Any], out: Path | None) -> None:
    import msgspec

    from fhir_bladder import wire

    with common.output(out) as stream:
        stream.write(msgspec.json.format(wire.dumps(resource), indent=2) + b"\n")


@command.command("pack")
@click.option("-o", "--out", type=WRITTEN, help=f"The package; {PACKAGE}-VERSION.tgz without it.")
def pack(out: Path | None) -> None:
    """The artefacts as a FHIR NPM package (.tgz), snapshots included; the same bytes every time."""
    from fhir_bladder import conformance
    from fhir_bladder.terminology.names import BASE

    target = out or Path(f"{PACKAGE}-{__version__}.tgz")
    data = conformance.pack(_artefacts(), name=PACKAGE, version=__version__, canonical=BASE.rstrip("/"))
    with common.output(target) as stream:
        stream.write(data)
    common.say(f"wrote {target}: {len(_artefacts())} artefacts, {len(data):,} bytes")


@command.command("check")
def check() -> None:
    """Prove the artefacts (valid R4, snapshots, every rule can be judged), and print each code with its certainty.

    A: seen in the standard's own artefact. B: in independent copies of it. C: in one secondary source only, off
    until the site's table switches it on. LOINC and SNOMED CT releases were not at hand: check against yours.
    """
    from fhir_bladder import conformance
    from fhir_bladder.terminology import codes

    findings = conformance.check_artefacts()
    for finding in findings:
        common.say(common.finding_line(finding))
    for concept in codes.concepts().values():
        rows = [row for row in codes.mappings() if row.concept == concept.code]
        if not rows:
            click.echo(f"{concept.code:<28} local only")
        for row in rows:
            click.echo(f"{concept.code:<28} {row.certainty}  {row.system} {row.code} {row.display}".rstrip())
    for notice in codes.notices():
        common.say(notice)
    common.say(f"{len(_artefacts())} artefacts, {len(findings)} findings")
    common.finish({1} if findings else set())
