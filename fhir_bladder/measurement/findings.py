"""Room `measurement`: all findings of one exam. May import exam.

What is found is physics, arithmetic or practice, each with its source; nothing here is a diagnosis.
"""

from __future__ import annotations

import datetime as dt

from fhir_bladder.errors import Finding
from fhir_bladder.exam import ExamRecord
from fhir_bladder.measurement import block, contradictions, plausible, remarks
from fhir_bladder.measurement.calculated import Calculated
from fhir_bladder.measurement.choice import Choice
from fhir_bladder.measurement.facts import Check, Facts, Kind
from fhir_bladder.measurement.settings import DEFAULT, Settings

CHECKS: tuple[Check, ...] = block.CHECKS + plausible.CHECKS + contradictions.CHECKS + remarks.CHECKS
KINDS: tuple[Kind, ...] = block.KINDS + plausible.KINDS + contradictions.KINDS + remarks.KINDS


def findings(
    record: ExamRecord,
    *,
    now: dt.datetime | None = None,
    settings: Settings = DEFAULT,
    choice: Choice | None = None,
    calculated: Calculated | None = None,
) -> list[Finding]:
    """Findings of one exam, `block` first. `now` (aware) is the moment of judging, default the present.

    `choice` and `calculated` (with the same settings) save work done before. Never raises on a record
    that the model accepts.
    """
    filling = calculated.filling if calculated is not None else None
    facts = Facts(record, now or dt.datetime.now(dt.UTC), settings, choice, filling)
    found: list[Finding] = []
    for check in CHECKS:
        if one := check(facts):
            found += one
    return found
