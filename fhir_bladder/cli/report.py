"""Room `cli`: `report`, one HTML file for people, or a line an exam for the letter."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from fhir_bladder.cli import common
from fhir_bladder.cli.telling import tell_refused
from fhir_bladder.cli.verbs import READ, WRITTEN
from fhir_bladder.errors import BladderError, ConfigError, Finding, InputError

if TYPE_CHECKING:
    from fhir_bladder.analysis.report import Material, Read
    from fhir_bladder.measurement.rulebook import Rule
    from fhir_bladder.readers import ReadOptions
    from fhir_bladder.readers.column_map import ColumnMap


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
    tell_refused((one.file, one.line, one.reason) for one in material.refused)
    for name in material.empty:
        common.warn("the file holds no record", name, "check that its source has finished")
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
    common.say(f"{common.counted(len(material.exams), 'exam')}, {len(material.refused)} refused")
    common.finish(codes_seen)


def _gather(
    sources: tuple[Path, ...], receipts: tuple[Path, ...], rules: tuple[Rule, ...], reading: dict[str, Any]
) -> Material:
    """Records, FHIR and export folders go to the report's own reading; sheets and messages through the readers."""
    from fhir_bladder.analysis.report import gather
    from fhir_bladder.readers.reading import maps_of

    options = common.read_options(**reading)
    columns = maps_of(options).columns
    others = [path for path in sources if _is_for_readers(path, options.input_format, columns)]
    return gather(
        [path for path in sources if path not in others],
        read=_read(others, options),
        receipt_paths=receipts,
        rules=rules,
        settings=common.measurement_settings(),
        zone=options.zone,
        key_system=common.site_value("key_system", ""),
    )


def _is_for_readers(path: Path, input_format: str, columns: ColumnMap | None) -> bool:
    """Whether a source is a sheet or holds messages, by the options, its name or its first bytes; or cannot be told."""
    from fhir_bladder.readers.reading import detect
    from fhir_bladder.wire import files

    if input_format != "auto":
        return input_format not in ("json", "ndjson")
    if path.is_dir():
        return False
    try:
        head = files.head(path)
    except BladderError:
        return False  # the report's own reading says what is wrong with it
    try:
        return bool(head) and detect(str(path), head, columns) not in ("json", "ndjson")
    except InputError:
        return True  # the readers say what to do


def _read(paths: Sequence[Path], options: ReadOptions) -> Read:
    from fhir_bladder import readers
    from fhir_bladder.analysis.report import Read, Refused

    read = Read(files=[path.name for path in paths])
    for item in readers.read(paths, options) if paths else ():
        if item.record is not None:
            read.records.append(item.record)
        elif item.error is not None:
            read.errors.append(item.error)
            read.files.remove(Path(item.file).name)
        elif item.about_file:
            read.empty.append(Path(item.file).name)
        else:
            reason = "; ".join(_reason(finding) for finding in item.findings if finding.severity in ("error", "fatal"))
            read.refused.append(Refused(Path(item.file).name, item.line, reason))
    return read


def _reason(finding: Finding) -> str:
    return " — ".join(part for part in (finding.message, finding.field, finding.hint) if part)


def _judge(options: Any) -> Any:
    from fhir_bladder.conformance import Validator
    from fhir_bladder.mapping import to_fhir

    validator = Validator()

    def valid(exam: Any) -> bool:
        bundle = to_fhir(exam.record, options=options).bundle
        return not any(finding.severity in ("error", "fatal") for finding in validator.validate(bundle))

    return valid
