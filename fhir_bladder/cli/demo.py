"""Room `cli`: `demo`, the whole job on an invented ward against the embedded server, told in plain words."""

from __future__ import annotations

import contextlib
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from fhir_bladder.cli import common, sending
from fhir_bladder.cli.verbs import WRITTEN
from fhir_bladder.errors import BladderError, ConfigError, UnfinishedError

if TYPE_CHECKING:
    from fhir_bladder.exchange.http.client import Client
    from fhir_bladder.exchange.outbox import Outbox
    from fhir_bladder.exchange.push.engine import Summary

CODES = """\
# The demo ward's code table: it switches on a LOINC code that is known from one secondary source only.
[[code]]
concept = "volume"
when = { void_state = "post-void" }
system = "http://loinc.org"
code = "98856-8"
confirmed_by = "invented terminology group of the demo"
"""
_REFUSED = 3
_KINDS = ("Observation", "DiagnosticReport", "Patient", "Device", "Provenance")


@click.command("demo", cls=common.VerbCommand)
@click.option("--keep", type=WRITTEN, metavar="DIR", help="Keep every file in this new or empty folder.")
def command(keep: Path | None) -> None:
    """Map, validate and push an invented ward to the embedded server, pull it back, export, tabulate, report."""
    began = time.monotonic()
    with _folder(keep) as folder:
        _Demo(folder).run()
        click.echo(f"\nDone in {time.monotonic() - began:.0f} s. ", nl=False)
        click.echo(f"The files are in {folder}." if keep else "Run it with --keep DIR to look at the files.")
    common.finish(set())


@contextlib.contextmanager
def _folder(keep: Path | None) -> Iterator[Path]:
    if keep is None:
        with tempfile.TemporaryDirectory(prefix="fhir-bladder-demo-") as name:
            yield Path(name)
        return
    if keep.exists() and not keep.is_dir():
        raise ConfigError("not a folder", str(keep), "name a new one with --keep")
    if keep.exists() and any(keep.iterdir()):
        raise ConfigError("the folder is not empty", str(keep), "name a new one with --keep")
    keep.mkdir(mode=0o700, parents=True, exist_ok=True)
    yield keep


class _Demo:
    """One run: each step checks its own promise and says what it did; a promise not kept ends the demo."""

    def __init__(self, folder: Path) -> None:
        from fhir_bladder.mapping import MapOptions
        from fhir_bladder.terminology import sites

        self.folder = folder
        (folder / "codes.toml").write_text(CODES)
        self.options = MapOptions(as_="bundles", codes=sites.read(folder / "codes.toml"))
        self.step = 0

    def say(self, title: str, *lines: str) -> None:
        """A numbered step and what came of it."""
        self.step += 1
        click.echo(f"\n{self.step}. {title}")
        for line in lines:
            click.echo(f"   {line}")

    def run(self) -> None:
        """All steps in order."""
        from fhir_bladder.exchange.outbox import Outbox
        from fhir_bladder.sandbox.embedded import embedded_server

        click.echo("INVENTED DATA throughout: a made-up ward, two made-up scanners, nobody's name.")
        first, later = self._write_records()
        self._map()
        with embedded_server() as url, sending.client(url, None, None, False) as client:
            with Outbox(self.folder / "outbox.db") as outbox:
                self._push(client, outbox, url, first, later)
            self._pull(client, [*first, *later])
            self._export(client)
        self._table()
        self._report()

    def _write_records(self) -> tuple[list[Any], list[Any]]:
        from fhir_bladder import wire
        from fhir_bladder.sandbox.ward import ward

        first, later = ward()
        for name, records in (("exams.ndjson", first), ("later.ndjson", later)):
            (self.folder / name).write_bytes(b"".join(wire.dumps(record) + b"\n" for record in records))
        pre = sum(record["void_state"] == "pre-void" for record in first)
        post = sum(record["void_state"] == "post-void" for record in first)
        repeats = sum(len(record["scans"]) > 1 for record in first)
        self.say(
            f"{len(first)} exam records of six weeks on Ward H, in exams.ndjson",
            f"{pre} before and {post} after a void, {repeats} with repeats (off centre or shadowed);",
            "walls measured automatically and by caliper, a trial without catheter, a bladder not seen, one off scale.",
        )
        return first, later

    def _map(self) -> None:
        from fhir_bladder import readers, wire
        from fhir_bladder.conformance import Validator
        from fhir_bladder.mapping import to_fhir

        validator = Validator()
        mapped, refused, invalid, calculated, outside = 0, [], 0, 0, 0
        with (self.folder / "bundles.ndjson").open("wb") as stream:
            for item in readers.read([self.folder / "exams.ndjson"], readers.ReadOptions()):
                if item.record is None:
                    refused.append(item.findings[0])
                    continue
                bundle = to_fhir(item.record, options=self.options, source_sha256=item.sha256).bundle
                data = wire.dumps(bundle)
                stream.write(data + b"\n")
                mapped += 1
                invalid += any(finding.severity in ("error", "fatal") for finding in validator.validate(data))
                calculated += b'"code":"calculated-mass"' in data and b"(calculated, " in data
                outside += b"outside the filling range" in data
        _promise(invalid == 0, f"{invalid} mapped exams do not hold to the profiles")
        self.say(
            f"{mapped} mapped to transaction Bundles of FHIR R4, in bundles.ndjson; all hold to the local profiles",
            f"bladder weight calculated for {calculated}, left out with the reason for {outside} "
            "(volume outside the filling range 150–400 mL);",
            f"{len(refused)} records cannot be read and say why:",
            *(f"  {finding.exam_number}: {finding.message} — {finding.hint}" for finding in refused),
        )

    def _push(self, client: Client, outbox: Outbox, url: str, first: list[Any], later: list[Any]) -> None:
        sent = self._send(client, outbox, url, "exams.ndjson")
        _promise(sent.counts["delivered"] == len(first) - _REFUSED, "an exam was not delivered")
        _promise(sent.counts["held"] == _REFUSED, "what should be held is not")
        before = _counts(client)
        held = [f"  {row.name}: {row.reason}" for row in outbox.rows("held")]
        self.say(
            f"Pushed to {url}: {sent.counts['delivered']} delivered, {sent.counts['held']} held for a person",
            *held,
            f"on the server now: {_listed(before)}",
        )
        self._send(client, outbox, url, "exams.ndjson")
        _promise(_counts(client) == before, "a second push changed the server")
        self.say("Pushed the same file again: nothing was added, of no kind")
        changed = self._send(client, outbox, url, "later.ndjson")
        _promise(changed.counts["delivered"] == len(later), "a later record was not delivered")
        self.say(
            "Pushed what came later: one exam verified after the fact, one sent again, one amended,",
            "and one filed under the wrong patient: the old one is entered in error, a new one stands in its place",
            f"on the server now: {_listed(_counts(client))}",
        )

    def _send(self, client: Client, outbox: Outbox, url: str, name: str) -> Summary:
        from fhir_bladder.exchange.push.engine import Push, check_target
        from fhir_bladder.exchange.push.options import PushOptions
        from fhir_bladder.exchange.push.receipts import Receipts
        from fhir_bladder.readers import ReadOptions

        choices = PushOptions(patients="create")
        target, local = check_target(url, choices)
        prepare = sending.preparer(self.options, choices, local=local)
        receipts = Receipts(self.folder / "receipts.ndjson")
        try:
            push = Push(outbox, client, target, choices, key_system=prepare.key_system, receipts=receipts)
            items = sending.items((self.folder / name,), prepare, ReadOptions(), common.report_error, lambda _: None)
            summary = push.run(items)
        finally:
            receipts.close()
        if summary.error is not None:
            raise summary.error
        _promise(summary.left == 0, "work was left waiting")
        return summary

    def _pull(self, client: Client, given: list[Any]) -> None:
        from fhir_bladder import exam
        from fhir_bladder.errors import RecordError
        from fhir_bladder.exchange.pull import Query, pull_to_file
        from fhir_bladder.wire import files

        path = self.folder / "pulled.ndjson"
        problems: list[BladderError] = []
        pulled = pull_to_file(client, Query(), path, as_="exams", on_problem=problems.append)
        sent: dict[tuple[str, str], list[Any]] = {}
        for record in given:
            with contextlib.suppress(RecordError):  # the records refused on purpose are not on the server
                loaded = exam.load(record)
                sent.setdefault((loaded.device.serial, loaded.exam_number), []).append(loaded)
        equal = 0
        for document in files.documents([path], on_error=problems.append):
            back = exam.load(document.value)
            if back.status != "entered-in-error":
                equal += any(exam.same(back, one) for one in sent[back.device.serial, back.exam_number])
        expected = len(sent) - 1  # the one held as implausible
        _promise(equal == expected and not problems, f"{equal} of {expected} exams came back equal")
        self.say(
            f"Pulled {pulled.lines} exams back into pulled.ndjson: all {equal} that stand are equal, digit for digit"
        )

    def _export(self, client: Client) -> None:
        from fhir_bladder.exchange.export.engine import Export
        from fhir_bladder.exchange.export.options import ExportOptions

        export = Export(client, ExportOptions(self.folder / "export"))
        for _ in export.run():
            pass
        result = export.result
        _promise(result.state == "complete" and not result.problems, "the export is not complete")
        self.say(f"Bulk export: {result.resources} resources in {result.files} files, counted and hashed, in export/")

    def _table(self) -> None:
        from fhir_bladder.analysis.tables import table

        lines = []
        for view in ("exams", "measurements"):
            path = self.folder / f"{view}.csv"
            result = table([self.folder / "export"], view, path, include=["synthetic"])
            left_out = ", ".join(f"{n} {reason}" for reason, n in result.counts.items() if n and reason != "kept")
            lines.append(
                f"{path.name}: {result.rows} rows" + (f"; left out and counted: {left_out}" if left_out else "")
            )
        self.say("Tables for the analyst, each with a dictionary and a list of what was left out", *lines)

    def _report(self) -> None:
        from fhir_bladder.analysis.report import gather, report

        material = gather([self.folder / "export"], receipt_paths=[self.folder / "receipts.ndjson"])
        path = self.folder / "report.html"
        report(material, path)
        self.say(f"A page for people, in report.html: {len(material.exams)} exams, one file, no network")


def _counts(client: Client) -> dict[str, int]:
    return {kind: client.request("GET", f"{kind}?_summary=count").body["total"] for kind in _KINDS}


def _listed(counts: dict[str, int]) -> str:
    return ", ".join(f"{count} {kind}" for kind, count in counts.items())


def _promise(kept: bool, otherwise: str) -> None:
    """The demo claims nothing that did not happen."""
    if not kept:
        raise UnfinishedError(f"the demo did not go as it should: {otherwise}", "", "run it with --keep and report it")
