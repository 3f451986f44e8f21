"""Room `analysis`: the report's page from its templates, and writing it so that only its owner can read it.

Needs jinja2. One file, no network: style and script stand inside, and a content security policy allows just those two.
"""

from __future__ import annotations

import base64
import hashlib
from functools import lru_cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape

from fhir_bladder import __version__
from fhir_bladder.analysis.report import content, display, referred
from fhir_bladder.analysis.report.content import Page, Patient
from fhir_bladder.errors import ConfigError
from fhir_bladder.wire import disk

INVENTED = {
    "all": "INVENTED DATA – no real patient",
    "some": "INVENTED DATA among identifiable data – handle as identifiable",
    "none": "Identifiable data – keep it as you keep the record",
}


@lru_cache(maxsize=1)
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("fhir_bladder.analysis.report", "templates"),
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        trim_blocks=False,
        finalize=lambda value: "" if value is None else value,
    )
    environment.filters["visible"] = display.visible
    environment.filters["when"] = display.when
    return environment


@lru_cache(maxsize=1)
def _assets() -> tuple[str, str]:
    """Style and script."""
    folder = Path(__file__).parent / "templates"
    return (folder / "page.css").read_text("utf-8"), (folder / "page.js").read_text("utf-8")


def _hash(text: str) -> str:
    return base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


def tags(patient: Patient, waiting: set[str]) -> str:
    """What the page's filter knows of a patient."""
    found = []
    if patient.anchor in waiting:
        found.append("person")
    if any(finding.severity in ("block", "warn") for _, finding in patient.findings):
        found.append("look")
    if patient.prompts:
        found.append("prompt")
    if any(exam.record.episode is not None for exam in patient.exams):
        found.append("episode")
    return " ".join(found)


def html(page: Page, *, ward: bool = True, title: str = "Bladder ultrasound report") -> str:
    """The page as one HTML text. ward: with the ward and audit screens, else patients only."""
    waiting = {need.anchor for need in page.needs}
    banner = INVENTED[page.invented]
    css, js = _assets()
    # on every printed page, whatever is on it; the text is one of the three above
    css += f'@page {{ @top-center {{ content: "{banner}"; font: bold 10pt sans-serif; }} }}\n'
    values: dict[str, Any] = {
        "page": page, "ward": ward, "title": title, "css": css, "js": js, "css_hash": _hash(css), "js_hash": _hash(js),
        "banner": banner, "version": __version__, "signs": content.SIGNS,
        "severity_words": content.WORDS, "calibration_days": content.CALIBRATION_DAYS,
        "referred_heads": referred.HEADS, "referred_words": referred.ASSUMPTION,
    }  # fmt: skip
    for patient in page.patients:
        patient.tags = tags(patient, waiting)
        patient.loud = any(finding.severity in ("block", "warn") for _, finding in patient.findings)
    text = _environment().get_template("page.html.j2").render(values)
    return text.encode("utf-8", "replace").decode("utf-8")


def write(path: Path, text: str) -> None:
    """Write a file that only its owner can read (mode 0600), whole or not at all."""
    try:
        disk.replace(path, text.encode())
    except OSError as error:
        reason = (error.strerror or "").lower()
        raise ConfigError(f"cannot write the report: {reason}", str(path), "name another place with -o") from None
