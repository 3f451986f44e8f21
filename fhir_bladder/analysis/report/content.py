"""Room `analysis`: what each screen of the report says. May import exam, measurement, mapping, errors.

Ward: who needs a person. Patient: identity, one sentence, course, values, findings. Audit: counts with denominators.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import statistics
from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from fhir_bladder.analysis.report import display, plots, referred
from fhir_bladder.analysis.report.gather import Exam, Material, moment_of
from fhir_bladder.analysis.report.links import links
from fhir_bladder.analysis.report.methods import Comparison, comparisons
from fhir_bladder.analysis.report.text import sentence
from fhir_bladder.errors import Finding, RecordError
from fhir_bladder.exam import ExamRecord
from fhir_bladder.mapping import split_key, words
from fhir_bladder.measurement.rulebook import Rule

VOID_MINUTES = 10
"""A residual should be scanned within this time of the void: nursing procedure and textbook, as read in abstracts."""
CALIBRATION_DAYS = 365
"""From this age on a calibration is listed. Our suggestion; the maker and the site decide."""

SIGNS = {"block": "■", "warn": "▲", "note": "○", "prompt": "◆"}
WORDS = {"block": "stops", "warn": "look at", "note": "note", "prompt": "prompt"}


@dataclass
class Row:
    """One exam in a patient's table."""

    number: int
    exam: Exam
    when: str
    state: str
    result: str
    scans: str
    since: str
    voided: str
    wall: str
    status: str
    verified: str


@dataclass
class Patient:
    """A patient's screen. identity: lines that stand on every section and printed page; anchor: an opaque id."""

    anchor: str
    identity: list[str]
    complete: bool
    exams: list[Exam]
    sentence: str
    rows: list[Row] = field(default_factory=list)
    volume_plot: str = ""
    mass_plot: str = ""
    mass_rows: list[tuple[str, str, str]] = field(default_factory=list)
    referred: list[tuple[str, ...]] = field(default_factory=list)
    findings: list[tuple[Exam, Any]] = field(default_factory=list)
    prompts: list[tuple[Exam, Any]] = field(default_factory=list)
    invented: bool = False
    search: str = ""
    limits: list[Any] = field(default_factory=list)
    tags: str = ""
    loud: bool = False


@dataclass
class Need:
    """A line of "needs a person"."""

    kind: str
    what: str
    exam: str
    who: str
    since: str
    age: str
    sort: float
    remedy: str
    anchor: str = ""
    owner: str = ""


@dataclass
class Count:
    """n of N with words."""

    label: str
    text: str
    note: str = ""


@dataclass
class Page:
    """Everything a page shows."""

    made_at: str
    invented: str
    needs: list[Need]
    patients: list[Patient]
    counts: list[Count]
    flow: list[tuple[str, int]]
    flow_plot: str
    wards: list[tuple[str, ...]]
    finding_rates: list[tuple[str, str, str]]
    gaps: list[str]
    calibration: list[tuple[str, str, str, str]]
    comparisons: list[Comparison]
    rules: list[Any]
    refused: list[Any]
    files: list[str]
    retracted: list[Exam]
    older: int
    has_receipts: bool
    referred_title: str = ""


def patient_name(record: ExamRecord) -> str:
    """What tells one patient from another: the first identifier, else empty."""
    patient = record.patient
    if patient is None or not patient.identifiers:
        return ""
    return f"{patient.identifiers[0].system}|{patient.identifiers[0].value}"


def identity(record: ExamRecord) -> list[str]:
    """Identifier, birth date, name, as far as stated: the identifiers of a patient, in the order nurses check them."""
    patient = record.patient
    if patient is None:
        return []
    found = [f"{one.type or 'Identifier'} {one.value}" for one in patient.identifiers or ()][:2]
    if patient.birth_date:
        found.append(f"born {patient.birth_date}")
    name = " ".join([*(patient.given_names or ()), patient.family_name or ""]).strip()
    if name:
        found.append(name)
    return found


def page(material: Material, accepts: Callable[[Exam], bool] | None = None, *, at_filling: int | None = None) -> Page:
    """Everything the report shows. accepts: whether an exam's FHIR is valid, where the caller can tell.

    at_filling: mL to which wall thickness is referred by a model, which is shown only then.
    """
    groups: dict[str, list[Exam]] = {}
    for exam in material.exams:
        name = patient_name(exam.record) or f"unidentified {exam.key}"
        groups.setdefault(name, []).append(exam)
    patients = [_patient(number, name, exams, material) for number, (name, exams) in enumerate(groups.items(), 1)]
    anchors = {exam.key: patient.anchor for patient in patients for exam in patient.exams}
    steps = flow(material, accepts)
    compared = [*links(material.exams, material.rules), *comparisons(material.exams)]
    if at_filling is not None:
        for patient in patients:
            found = referred.rows(patient.exams, at_filling, material.settings)
            patient.referred = [(display.when(exam.moment), *cells) for exam, cells in found]
        of_all = referred.comparison(material.exams, at_filling, material.settings)
        compared += [] if of_all is None else [of_all]
    return Page(
        made_at=display.when(material.made_at), invented=invented(material.exams + material.retracted),
        needs=needs(material, anchors), patients=patients, counts=counts(material), flow=steps,
        flow_plot=plots.flow(steps, "flow") if steps else "", wards=_wards(material),
        finding_rates=_rates(material), gaps=[_gap(finding) for finding in _gaps(material)],
        calibration=_calibration(material),
        comparisons=compared,
        rules=list(material.rules), refused=material.refused,
        files=material.files, retracted=material.retracted, older=material.older,
        has_receipts=bool(material.receipts),
        referred_title=referred.title(at_filling) if at_filling is not None else "",
    )  # fmt: skip


def invented(exams: Sequence[Exam]) -> str:
    """`all`, `some` or `none` of the data are invented."""
    marked = sum(exam.record.synthetic is True for exam in exams)
    return "none" if not marked else "all" if marked == len(exams) else "some"


# ---------------------------------------------------------------------- ward


def needs(material: Material, anchors: dict[str, str]) -> list[Need]:
    """What waits for a person, longest first: held, refused, blocked, unverified, unidentified."""
    found: list[Need] = []
    now = material.made_at

    def add(
        kind: str, what: str, exam: str, who: str, since: dt.datetime | None, remedy: str, key: str = "", of: str = ""
    ) -> None:
        seconds = (now - since).total_seconds() if since is not None else 0.0
        found.append(
            Need(
                kind,
                what,
                exam,
                who,
                display.when(since),
                display.age(since, now),
                seconds,
                remedy,
                anchors.get(key, ""),
                of,
            )
        )

    by_key = {exam.key: exam for exam in material.exams}
    for receipt in material.receipts:
        if receipt.get("state") != "held":
            continue
        key = str(receipt.get("key", ""))
        since = moment_of(receipt.get("held_since") or receipt.get("accepted_at"))
        exam = by_key.get(key)
        who = ", ".join(identity(exam.record)) if exam else ""
        reason = str(receipt.get("reason") or receipt.get("code") or "")
        add("held", reason or "held, no reason given", key or f"row {receipt.get('row', '')}", who, since,
            "outbox show, then release or drop", key, owner(exam.record) if exam else _device_of(key))  # fmt: skip
    for exam in material.exams:
        who = ", ".join(identity(exam.record))
        for finding in exam.findings:
            if finding.severity == "block":
                add("stops", finding.message, exam.record.exam_number, who, exam.moment, finding.hint, exam.key,
                    owner(exam.record))  # fmt: skip
        if exam.status == "preliminary":
            verified = exam.record.verified is not None
            what = exam.choice.text if verified else "nobody has verified it"
            add("unverified" if not verified else "no result", what, exam.record.exam_number, who, exam.moment,
                "choose the scan that counts" if verified else "look at the scans and verify", exam.key,
                owner(exam.record))  # fmt: skip
    for refused in material.refused:
        place = f"{refused.file} line {refused.line}" if refused.line else refused.file
        add("refused", refused.reason, place, "", None, "correct the record and send it again")
    order = {"held": 0, "stops": 1, "refused": 2, "no result": 3, "unverified": 3}
    return sorted(found, key=lambda need: (order[need.kind], -need.sort))


def owner(record: ExamRecord) -> str:
    """Whose task an exam is: the ward, else the operator, else the device it came from."""
    operator = record.operator
    if record.location:
        return record.location
    if operator is not None and (operator.display or operator.identifier):
        return operator.display or f"operator {operator.identifier.value}"  # type: ignore[union-attr]
    return f"device {record.device.serial}"


def _device_of(key: str) -> str:
    """The device in an exam key; empty where it is none."""
    try:
        return f"device {split_key(key)[0]}"
    except RecordError:
        return ""


def counts(material: Material) -> list[Count]:
    """Counts of the ward, each with its denominator."""
    exams = material.exams
    residuals = [e for e in exams if e.record.void_state == "post-void"]
    timed = [e for e in residuals if e.calculated.minutes is not None]
    soon = [e for e in timed if e.calculated.minutes is not None and 0 <= e.calculated.minutes <= VOID_MINUTES]
    with_result = [e for e in exams if e.choice.value is not None]
    found = [
        Count("patients", str(len({patient_name(e.record) or e.key for e in exams}))),
        Count("verified", display.share(sum(e.record.verified is not None for e in exams), len(exams))),
        Count("with a volume as the result", display.share(len(with_result), len(exams))),
        Count("residuals (after a void)", display.share(len(residuals), len(exams))),
        Count("residuals with the time of the void", display.share(len(timed), len(residuals))),
        Count(f"of these, scanned within {VOID_MINUTES} minutes", display.share(len(soon), len(timed)),
              "nursing procedure and textbook: scan within 10 minutes"),
        Count("with more than one scan", display.share(sum(len(e.record.scans) > 1 for e in exams), len(exams))),
        Count("result centred and free of shadow", display.share(
            sum(_clear(e) for e in with_result), len(with_result))),
        Count("what followed is stated", display.share(
            sum(e.record.action is not None for e in exams), len(exams))),
    ]  # fmt: skip
    delays = [
        (e.recorded_at - e.moment).total_seconds() / 60 for e in exams if e.recorded_at and e.recorded_at >= e.moment
    ]
    if delays:
        found.append(
            Count("from scan to record", f"median {display.span(statistics.median(delays))}",
                  f"known for {display.share(len(delays), len(exams))}")
        )  # fmt: skip
    return found


def _clear(exam: Exam) -> bool:
    scan = exam.choice.scan
    return scan is not None and scan.centring == "centred" and scan.pubic_shadow is False


def flow(material: Material, accepts: Callable[[Exam], bool] | None) -> list[tuple[str, int]]:
    """Taken → readable → counting → verified → nothing stops it → (valid) → delivered."""
    exams = material.exams
    verified = [e for e in exams if e.record.verified is not None]
    mapped = [e for e in verified if all(f.severity != "block" for f in e.findings)]
    steps = [
        ("taken", material.taken),
        ("readable", len(exams) + len(material.retracted)),
        ("not retracted", len(exams)),
        ("verified", len(verified)),
        ("nothing stops it", len(mapped)),
    ]
    last = mapped
    if accepts is not None:
        last = [e for e in mapped if accepts(e)]
        steps.append(("valid FHIR", len(last)))
    if any(e.in_record is not None for e in exams):
        steps.append(("delivered", sum(e.in_record is True for e in last)))
    return steps


def _wards(material: Material) -> list[tuple[str, ...]]:
    """Residuals by ward and month: exams, with a volume, median and largest in mL."""
    groups: dict[tuple[str, str], list[Exam]] = defaultdict(list)
    for exam in material.exams:
        if exam.record.void_state == "post-void":
            groups[exam.record.location or "not stated", f"{exam.moment:%Y-%m}"].append(exam)
    rows: list[tuple[str, ...]] = []
    for (ward, month), exams in sorted(groups.items(), key=lambda one: (display.natural(one[0][0]), one[0][1])):
        values = [e.choice.value for e in exams if e.choice.value is not None and e.choice.comparator is None]
        limits = sum(e.choice.comparator is not None for e in exams)
        middle = f"{statistics.median(values):.0f}" if values else ""
        rows.append(
            (ward, month, str(len(exams)), str(len(values)), str(limits), middle, f"{max(values):f}" if values else "")
        )
    return rows


def _gaps(material: Material) -> list[Finding]:
    """Findings about exam numbers: those told with an exam, and those that only the end of the stream shows."""
    with_exams = [f for exam in material.exams for f in exam.findings if f.id == "exam-number-gap"]
    return [*with_exams, *(f for f in material.loose if f.id == "exam-number-gap")]


def _gap(finding: Finding) -> str:
    seen = f"seen at exam {finding.exam_number}" if finding.exam_number else ""
    return "; ".join(part for part in (finding.found or finding.message, seen, finding.hint) if part)


def _rates(material: Material) -> list[tuple[str, str, str]]:
    tally = Counter((f.severity, f.id) for e in material.exams for f in {f.id: f for f in e.findings}.values())
    order = {"block": 0, "warn": 1, "note": 2}
    return [
        (f"{SIGNS.get(severity, '')} {WORDS.get(severity, severity)}", name, display.share(n, len(material.exams)))
        for (severity, name), n in sorted(tally.items(), key=lambda i: (order.get(i[0][0], 3), -i[1], i[0][1]))
    ]


def _calibration(material: Material) -> list[tuple[str, str, str, str]]:
    latest: dict[str, tuple[dt.datetime, str]] = {}
    for exam in material.exams:
        device = exam.record.device
        if device.serial not in latest or latest[device.serial][0] <= exam.moment:
            latest[device.serial] = (exam.moment, device.calibrated_on or "")
    rows = []
    for serial, (used, date) in sorted(latest.items()):
        verdict = "no date recorded"
        if len(date) == 10:
            days = (material.made_at.date() - dt.date.fromisoformat(date)).days
            verdict = f"{days} days ago" + (" – due" if days > CALIBRATION_DAYS else "")
            if days < 0:
                verdict = "in the future: check the date"
        rows.append((serial, date or "–", verdict, display.day(used)))
    return rows


# ---------------------------------------------------------------------- patient


def _patient(number: int, name: str, exams: list[Exam], material: Material) -> Patient:
    newest = exams[-1]
    lines = identity(newest.record)
    digest = hashlib.sha256(f"{material.made_at.isoformat()} {name}".encode()).hexdigest()[:10]
    patient = Patient(
        anchor=f"p{number}-{digest}", identity=lines, complete=len(lines) >= 2, exams=exams, sentence=sentence(newest)
    )
    patient.invented = any(exam.record.synthetic is True for exam in exams)
    patient.rows = [_row(index, exam) for index, exam in enumerate(exams, 1)]
    patient.limits = [
        rule
        for rule in material.rules
        if rule.quantity == "volume" and (rule.above is not None or rule.at_least is not None)
    ]
    lines_of_rules = [
        plots.Limit(float(rule.above if rule.above is not None else rule.at_least), rule.title)
        for rule in patient.limits
    ]
    dots = [_dot(row) for row in patient.rows]
    title = "Bladder volume by ultrasound over time, from 0"
    patient.volume_plot = plots.course(dots, "mL", title, f"v{number}", lines_of_rules)
    _masses(patient, number)
    for exam in exams:
        patient.findings += [(exam, finding) for finding in exam.findings]
        patient.prompts += [(exam, prompt) for prompt in exam.prompts]
    patient.search = " ".join(
        [*lines, *(e.record.exam_number for e in exams), *{e.record.location or "" for e in exams}]
    )
    return patient


def _limit(rule: Rule) -> Decimal | None:
    return rule.above if rule.above is not None else rule.at_least


def _row(number: int, exam: Exam) -> Row:
    record, choice, calculated = exam.record, exam.choice, exam.calculated
    result = f"{choice.comparator or ''}{choice.value:f} mL" if choice.value is not None else "absent"
    if choice.value is None:
        scan = choice.scan
        why = words.ABSENT_SCAN[scan.absent_reason][1] if scan is not None and scan.absent_reason else choice.text
        result += f", {why}"
    wall = []
    if record.wall is not None:
        for label, value in (
            ("thickness", record.wall.thickness),
            ("by caliper", record.wall.caliper_thickness),
            ("area", record.wall.surface_area),
            ("weight as received", record.wall.mass),
        ):
            if value is not None:
                wall.append(f"{label} {words.shown(value)}")
        if calculated.mass is not None:
            wall.append(f"weight {calculated.mass} g, {calculated.mass_text}")
        if calculated.wall_mark:
            wall.append(calculated.wall_mark)
    voided = words.shown(record.voided_volume) if record.voided_volume is not None else ""
    if voided and record.void_measured is not None:
        voided += ", measured" if record.void_measured else ", estimated"
    verified = "not verified"
    if record.verified is not None:
        verified = f"{record.verified.by}, {display.when(record.verified.at.moment)}"
    since = f"{calculated.minutes} min" if calculated.minutes is not None else ""
    return Row(
        number, exam, display.when(exam.moment), _STATE[record.void_state], result, _scans(exam), since, voided,
        "; ".join(wall), exam.status, verified,
    )  # fmt: skip


_STATE = {"pre-void": "before voiding", "post-void": "after voiding", "unspecified": "not stated"}


def _scans(exam: Exam) -> str:
    parts = []
    for scan in exam.record.scans:
        text = f"{scan.scan_number}: "
        if scan.volume is not None:
            text += words.shown(scan.volume)
        else:
            text += words.ABSENT_SCAN[str(scan.absent_reason)][1]
        notes = []
        if scan.centring not in (None, "unknown"):
            notes.append(str(scan.centring).replace("-", " "))
        if scan.pubic_shadow:
            notes.append("pubic shadow")
        if scan is exam.choice.scan and len(exam.record.scans) > 1:
            notes.append("the result")
        parts.append(text + (f" ({', '.join(notes)})" if notes else ""))
    return "; ".join(parts)


def _dot(row: Row) -> plots.Dot:
    exam = row.exam
    volumes = [float(s.volume.canonical) for s in exam.record.scans if s.volume is not None]
    value = float(exam.choice.value) if exam.choice.value is not None else None
    if value is not None:
        volumes.append(value)
    episode = exam.record.episode
    return plots.Dot(
        exam.moment, value, min(volumes, default=0.0), max(volumes, default=0.0), exam.record.void_state,
        exam.status == "preliminary", exam.choice.comparator or "",
        f"{episode.system}|{episode.value}" if episode is not None else "", row.number,
        f"{row.number}: {row.result}, {row.state}, {row.when}",
    )  # fmt: skip


def _masses(patient: Patient, number: int) -> None:
    """Bladder weight, one plot a model, never two models in one line."""
    series: dict[str, list[plots.Dot]] = defaultdict(list)
    for row in patient.rows:
        exam = row.exam
        wall = exam.record.wall
        found: list[tuple[str, Decimal, str]] = []
        if wall is not None and wall.mass is not None:
            found.append(("as received", wall.mass.canonical, wall.mass.comparator or ""))
        if exam.calculated.mass is not None:
            model = "area × thickness" if exam.calculated.model == "area-thickness" else "sphere shell"
            found.append((f"calculated, {model}", exam.calculated.mass, ""))
        for model, mass, comparator in found:
            patient.mass_rows.append((row.when, model, f"{comparator}{mass:f} g"))
            series[model].append(
                plots.Dot(exam.moment, float(mass), float(mass), float(mass), exam.record.void_state,
                          exam.status == "preliminary", comparator, "", row.number,
                          f"{row.number}: {comparator}{mass:f} g, {row.when}")
            )  # fmt: skip
    out = []
    for position, (model, dots) in enumerate(series.items()):
        if len(dots) > 1:
            out.append(f"<figcaption>Bladder weight, {model}</figcaption>")
            out.append(plots.course(dots, "g", f"Bladder weight over time, {model}", f"m{number}-{position}"))
    patient.mass_plot = "".join(out)
