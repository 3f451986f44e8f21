"""Room `analysis`: the HTML report and its text line. May import exam, measurement, mapping, errors, wire.

material = gather(paths, receipt_paths=[...], rules=load_rules(...))
report(material, "report.html")                        one self-contained page, mode 0600
report(material, "report.html", at_filling=250)        with wall thickness at 250 mL, by a model
report(material, "folder", one_file_per_patient=True)  index.html and a page a patient
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from fhir_bladder.analysis.report import content
from fhir_bladder.analysis.report.gather import Exam, Material, Read, Refused, gather
from fhir_bladder.errors import ConfigError

__all__ = ["Exam", "Material", "Read", "Refused", "gather", "report"]


def report(
    material: Material,
    out: str | Path,
    *,
    one_file_per_patient: bool = False,
    accepts: Callable[[Exam], bool] | None = None,
    at_filling: int | None = None,
) -> list[Path]:
    """Write the report; the files written. accepts: whether an exam's FHIR is valid, for the flow of exams.

    at_filling: mL; shows wall thickness referred to this filling by a model, which is left out otherwise.

    With `one_file_per_patient`, `out` is a folder: `index.html` holds the ward and audit screens without a patient,
    `patient-0001.html` … one patient each; no file name says who it is.
    """
    from fhir_bladder.analysis.report import render

    page = content.page(material, accepts, at_filling=at_filling)
    target = Path(out)
    if not one_file_per_patient:
        render.write(target, render.html(page))
        return [target]
    try:
        target.mkdir(parents=True, exist_ok=True, mode=0o700)
    except OSError as error:
        reason = (error.strerror or "").lower()
        raise ConfigError(f"cannot make the folder: {reason}", str(target), "name another with -o") from None
    written = [target / "index.html"]
    names = {patient.anchor: f"patient-{n:04}.html" for n, patient in enumerate(page.patients, 1)}
    ward = replace(page, patients=[], needs=[replace(need, who="", anchor="") for need in page.needs])
    render.write(written[0], render.html(ward))
    for patient in page.patients:
        path = target / names[patient.anchor]
        own = [need for need in page.needs if need.anchor == patient.anchor]
        alone = replace(page, patients=[patient], needs=own, invented=content.invented(patient.exams))
        render.write(path, render.html(alone, ward=False, title="Bladder ultrasound, one patient"))
        written.append(path)
    return written
