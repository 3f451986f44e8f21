"""Room `cli`: `report`, one HTML file for people, or a line an exam for the letter."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from fhir_bladder.cli import common
from fhir_bladder.cli.verbs import READ, WRITTEN
from fhir_bladder.errors import BladderError, ConfigError

if TYPE_CHECKING:
    from fhir_bladder.analysis.report import Material
    from fhir_bladder.exam import ExamRecord
    from fhir_bladder.measurement.rulebook import Rule


@click.command("report", cls=common.VerbCommand)
@click.argument("sources", metavar="SRC...", nargs=-1, required=True, type=READ)
@click.option("-o", "--out", type=WRITTEN, help="HTML file, or folder with --one-file-per-patient.")
@click.option("--text", "as_text", is_flag=True, help="A paste-ready line an exam, on stdout or to -o.")
@click.option("--rules", type=READ, help="Rules the site has switched on, TOML; all are off.")
@click.option(
    "--receipts",
    multiple=True,
    type=READ,
    help="Receipts of push, to tell what is in the record.",
)
@click.option(
    "--at-filling",
    metavar="ML",
    type=click.IntRange(1, 2000),
    help="Show wall thickness referred to this filling too, by a model that keeps the wall's volume constant; not for "
    "--text.",
)
@click.option("--one-file-per-patient", is_flag=True, help="index.html and a page a patient, in a folder.")
@common.input_options
def command(
    sources: tuple[Path, ...],
    out: Path | None,
    as_text: bool,
    rules: Path | None,
    receipts: tuple[Path, ...],
    at_filling: int | None,
    one_file_per_patient: bool,
    shape: str,
    codes: Path | None,
    filling_range: str,
    **reading: Any,
) -> None:
    """Exam records, FHIR or an export folder to one self-contained page for people; no network, mode 0600."""
    from fhir_bladder.analysis import report as making
    from fhir_bladder.analysis.report import text
    from fhir_bladder.measurement.rulebook import load_rules

    options = common.map_options(shape=shape, codes=codes, filling_range=filling_range, as_="bundles")
    material = _gather(sources, receipts, load_rules(rules) if rules else (), reading)
    codes_seen = {error.exit_code for error in material.errors} | ({1} if material.refused else set())
    for error in material.errors:
        common.report_error(error)
    if as_text:
        if at_filling is not None:
            common.warn("a line for the letter holds no output of a model", "--at-filling", "make the page for it")
        with common.output(out) as stream:
            for line in text.lines(material):
                stream.write(line.encode() + b"\n")
    else:
        if out is None:
            raise ConfigError("the page needs a file", "-o", "name one, or use --text")
        common.refuse_no_file(out)
        if not material.files and material.errors and not material.exams:
            common.finish(codes_seen)  # nothing was there to read: a page that stands is left alone
        valid = _judge(options)
        written = making.report(
            material, out, one_file_per_patient=one_file_per_patient, accepts=valid, at_filling=at_filling
        )
        for path in written:
            common.say(f"wrote {path}")
    common.say(f"{len(material.exams)} exams, {len(material.refused)} refused")
    common.finish(codes_seen)


def _gather(
    sources: tuple[Path, ...], receipts: tuple[Path, ...], rules: tuple[Rule, ...], reading: dict[str, Any]
) -> Material:
    """Records, FHIR and export folders go to the report's own reading; sheets and messages through the readers."""
    from fhir_bladder import readers
    from fhir_bladder.analysis.report import Refused, from_records, gather

    options = common.read_options(**reading)
    settings = common.measurement_settings()
    if options.columns is None and options.v2_map is None and options.input_format in ("auto", "json", "ndjson"):
        return gather(
            sources,
            receipt_paths=receipts,
            rules=rules,
            settings=settings,
            zone=options.zone,
            key_system=common.site_value("key_system", ""),
        )
    errors: list[BladderError] = []
    records: list[ExamRecord] = []
    refused: list[Refused] = []
    for item in readers.read(sources, options):
        if item.record is not None:
            records.append(item.record)
        elif item.error is not None:
            errors.append(item.error)
        elif not item.about_file:
            refused.append(Refused(item.file, item.line, "; ".join(one.message for one in item.findings)))
    material = from_records(records, refused=refused, receipt_paths=receipts, rules=rules, settings=settings)
    material.errors += errors
    return material


def _judge(options: Any) -> Any:
    from fhir_bladder.conformance import Validator
    from fhir_bladder.mapping import to_fhir

    validator = Validator()

    def valid(exam: Any) -> bool:
        bundle = to_fhir(exam.record, options=options).bundle
        return not any(finding.severity in ("error", "fatal") for finding in validator.validate(bundle))

    return valid
