"""Room `measurement`: a trial without catheter: removal, voids, scans, and its outcome. Imports nothing of ours.

The limits are the site's own; none is built in.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import NamedTuple

PASSED, FAILED, OPEN = "passed", "failed", "open"


@dataclass(frozen=True, slots=True)
class TrialLimits:
    """The site's limits: passes with a void and a residual below `below` mL, fails above `above` mL or without a void
    within `hours` of the removal. What lies between stays open.
    """

    below: Decimal
    above: Decimal
    hours: Decimal


class Reading(NamedTuple):
    """A post-void exam of a trial: key, when, mL with comparator, times of voids, and whether there was a void."""

    key: tuple[str, str]
    moment: dt.datetime
    value: Decimal | None
    comparator: str | None
    voids: tuple[dt.datetime, ...]
    attempt: str | None


class Outcome(NamedTuple):
    """How a trial stands (passed, failed, open), why, and the exam that decided."""

    state: str
    reason: str
    key: tuple[str, str] | None = None


def outcome(removed_at: dt.datetime, readings: Sequence[Reading], limits: TrialLimits) -> Outcome:
    """How a trial stands by its latest post-void reading within the hours allowed; readings in time order."""
    end = removed_at + dt.timedelta(hours=float(limits.hours))
    after = [reading for reading in readings if reading.moment >= removed_at]
    within = [reading for reading in after if reading.moment <= end]
    if any(_voided(reading, removed_at, end) for reading in after):
        if not within:
            return Outcome(OPEN, f"voided, but no scan within {limits.hours} h of the removal")
        return _by_residual(within[-1], limits)
    late = next((reading for reading in after if reading.moment >= end), None)
    if late is not None and late.attempt in ("unable", "not-attempted"):
        return Outcome(FAILED, f"no void within {limits.hours} h of the removal", late.key)
    return Outcome(OPEN, "no void recorded yet")


def _voided(reading: Reading, removed_at: dt.datetime, end: dt.datetime) -> bool:
    if reading.voids:
        return any(removed_at <= void <= end for void in reading.voids)
    return reading.attempt == "voided" and reading.moment <= end


def _by_residual(reading: Reading, limits: TrialLimits) -> Outcome:
    if reading.value is None:
        return Outcome(OPEN, "the latest scan has no volume", reading.key)
    told = f"{reading.comparator or ''}{reading.value} mL left"
    if reading.comparator != "<" and (
        reading.value > limits.above or (reading.comparator == ">" and reading.value >= limits.above)
    ):
        return Outcome(FAILED, f"{told}, above {limits.above} mL", reading.key)
    if reading.comparator != ">" and (
        reading.value < limits.below or (reading.comparator == "<" and reading.value <= limits.below)
    ):
        return Outcome(PASSED, f"{told}, below {limits.below} mL", reading.key)
    return Outcome(OPEN, f"{told}, which the limits leave open", reading.key)
