"""Room `measurement`: rules over a stream of exams: verdicts, and prompts one a patient and state. May import exam.

A prompt shows what a cited rule says; it is no diagnosis, and local codes and licensed practice decide.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, fields
from itertools import pairwise
from typing import Any, NamedTuple

from fhir_bladder.measurement import verdicts
from fhir_bladder.measurement.calculated import Calculated
from fhir_bladder.measurement.facts import Facts
from fhir_bladder.measurement.patients import RETRACTED, Course, entry_of, key_of
from fhir_bladder.measurement.rulebook import KEPT, Rule
from fhir_bladder.measurement.trials import OPEN, Reading, TrialLimits, outcome
from fhir_bladder.measurement.verdicts import MET, NOT_APPLICABLE, NOT_MET, UNKNOWN, Inapplicable, Verdict

CAUTION = "a prompt, no diagnosis: local codes and licensed practice decide"


@dataclass(slots=True)
class Prompt:
    """A rule met by an exam. `as_dict` has the keys of a finding, severity `prompt`.

    file, line: where the exam stood, for who reads files to fill in.
    """

    id: str
    version: str
    exam_number: str
    field: str
    message: str
    expected: str
    found: str
    source: str
    certainty: str
    confirmed_by: str = ""
    hint: str = CAUTION
    severity: str = "prompt"
    file: str = ""
    line: int = 0

    def as_dict(self) -> dict[str, Any]:
        """The written form, the place first, empty values left out."""
        names = ("file", "line", *(field.name for field in fields(self)))
        return {name: value for name in names if (value := getattr(self, name))}


class _Met(NamedTuple):
    """A reading that a rule with a memory keeps: exam, when, local day, limit met, limit of the share met."""

    key: tuple[str, str]
    moment: dt.datetime
    day: dt.date
    met: bool | None
    share: bool | None


class Engine:
    """Judges exams by the rules a site has switched on, in time order; what it remembers lies in the courses."""

    def __init__(self, rules: Sequence[Rule] = ()) -> None:
        self.rules = tuple(rules)

    def judge(self, facts: Facts, calculated: Calculated, course: Course | None, *, held: str = "") -> list[Verdict]:
        """What each rule says of this exam; a rule without an answer says why.

        held: the finding that holds the exam back; no rule speaks of such an exam, and none remembers it.
        """
        return [self._judge(rule, facts, calculated, course, held) for rule in self.rules]

    def prompts(self, judged: Sequence[Verdict], facts: Facts, course: Course | None) -> list[Prompt]:
        """Prompts of an exam just judged: a rule newly met. Still met is not said again, met after not met is."""
        prompts: list[Prompt] = []
        for verdict in judged:
            if verdict.state not in (MET, NOT_MET):
                continue
            assert course is not None  # without one no rule applies
            name = f"state of {verdict.rule.id}"
            state = verdict.reason if verdict.rule.kind == "trial" else verdict.state
            before, _ = course.memory.get(name, ("", None))
            if verdict.state == MET and before != state:
                prompts.append(_prompt(verdict, facts))
            if before != state:
                course.memory[name] = (state, key_of(facts.record))
        return prompts

    def _judge(self, rule: Rule, facts: Facts, calculated: Calculated, course: Course | None, held: str) -> Verdict:
        if course is None:
            return Verdict(rule, NOT_APPLICABLE, "the patient is not identified")
        if facts.record.status in RETRACTED or facts.record.supersedes is not None or held:
            _forget(rule, facts, course)
        if held:
            return Verdict(rule, NOT_APPLICABLE, f"the exam is held back: {held}")
        try:
            verdicts.require_applicable(rule, facts, calculated)
            if rule.kind == "trial":
                return _trial(rule, facts, course)
            value = verdicts.value_of(rule, facts, calculated)
        except Inapplicable as because:
            return Verdict(rule, NOT_APPLICABLE, str(because))
        limit, share = verdicts.meets(rule, value)
        met, reason = verdicts.either(limit, share), ""
        if rule.kind == "lasting":
            met, reason = _lasting(rule, _remember(rule, facts, course, met, share))
        elif rule.consecutive > 1:
            met, reason = _consecutive(rule, _remember(rule, facts, course, limit, share))
        elif met is None:
            reason = f"{value.text} leaves it open"
        state = {True: MET, False: NOT_MET, None: UNKNOWN}[met]
        return Verdict(rule, state, reason, value.text, value.field)


def trial_limits(rule: Rule) -> TrialLimits:
    """The limits of a rule of kind `trial`, for `sequences.trials`. ValueError for another kind."""
    if rule.kind != "trial":
        raise ValueError(f"rule {rule.id!r} is not about a trial without catheter")
    assert rule.below is not None
    assert rule.above is not None
    assert rule.hours is not None
    return TrialLimits(rule.below, rule.above, rule.hours)


def _forget(rule: Rule, facts: Facts, course: Course) -> None:
    record = facts.record
    gone = {key_of(record), (record.device.serial, record.supersedes)}
    for name in (f"readings of {rule.id}", f"trial of {rule.id}"):
        if name in course.memory:
            course.memory[name] = [one for one in course.memory[name] if one.key not in gone]
    name = f"state of {rule.id}"
    if name in course.memory and course.memory[name][1] in gone:
        del course.memory[name]


def _remember(rule: Rule, facts: Facts, course: Course, met: bool | None, share: bool | None) -> list[_Met]:
    """The rule's readings of this patient in time order, this one among them, a newer version instead of its older."""
    time = facts.result_time.moment
    this = _Met(key_of(facts.record), time, time.date(), met, share)
    name = f"readings of {rule.id}"
    readings = [one for one in course.memory.get(name, ()) if one.key != this.key]
    readings.append(this)
    readings.sort(key=lambda one: one.moment)
    if len(readings) > KEPT:
        del readings[_spare(readings) if rule.kind == "lasting" else 0]
    course.memory[name] = readings
    return readings


def _spare(readings: list[_Met]) -> int:
    """The place of one that tells a lasting rule nothing, in the middle of a run of its like; else of the oldest."""
    alike = (n for n in range(1, len(readings) - 1) if readings[n].met is readings[n - 1].met)
    return next(alike, 0)


def _lasting(rule: Rule, readings: list[_Met]) -> tuple[bool | None, str]:
    """Met now, and first met at least so many calendar months before with nothing known to the contrary between."""
    assert rule.months is not None
    first: dt.date | None = None
    sure: dt.date | None = None
    for reading in readings:
        if reading.met is False:
            first = sure = None
        elif reading.met is None:
            sure = None
        else:
            first, sure = first or reading.day, sure or reading.day
    last = readings[-1]
    if last.met is False:
        return False, ""
    if last.met is None:
        return None, "the value leaves it open"
    assert first is not None
    assert sure is not None
    if last.day >= verdicts.add_months(sure, rule.months):
        return True, ""
    if last.day >= verdicts.add_months(first, rule.months):
        return None, "a value between leaves it open"
    return False, f"met, but for less than {rule.months} months"


def _consecutive(rule: Rule, readings: list[_Met]) -> tuple[bool | None, str]:
    """Met by the last readings in a row, each within so many days of the one before."""
    assert rule.within_days is not None
    row = readings[-rule.consecutive :]
    if verdicts.either(row[-1].met, row[-1].share) is False:
        return False, ""
    apart = dt.timedelta(days=rule.within_days)
    near = all(after.moment - before.moment <= apart for before, after in pairwise(row))
    if len(row) < rule.consecutive or not near:
        return False, f"fewer than {rule.consecutive} readings within {rule.within_days} days of each other"
    # The lowest exceeds a limit where all do, each limit by itself.
    met = verdicts.either(verdicts.every(one.met for one in row), verdicts.every(one.share for one in row))
    return met, "" if met is not None else "a value leaves it open"


def _trial(rule: Rule, facts: Facts, course: Course) -> Verdict:
    record = facts.record
    removed = record.catheter_removed_at
    if removed is None:
        raise Inapplicable("no removal of a catheter is recorded")
    if record.void_state != "post-void":
        raise Inapplicable(f"a trial is judged after voids, this scan is {record.void_state}")
    entry = entry_of(facts)
    name = f"trial of {rule.id}"
    kept = course.memory.get(name, [])
    if course.memory.get(name + ", removal") != removed.moment:
        kept = []  # another removal, another trial
        course.memory[name + ", removal"] = removed.moment
    readings = [one for one in kept if one.key != entry.key][-KEPT:]
    readings.append(Reading(entry.key, entry.moment, entry.value, entry.comparator, entry.voids, entry.attempt))
    readings.sort(key=lambda one: one.moment)
    course.memory[name] = readings
    result = outcome(removed.moment, readings, trial_limits(rule))
    if result.state == OPEN:
        return Verdict(rule, UNKNOWN, result.reason, result.reason, "catheter_removed_at")
    state = f"{result.state} after the removal at {removed.text}"
    return Verdict(rule, MET, state, f"{result.state}: {result.reason}", "catheter_removed_at")


def _prompt(verdict: Verdict, facts: Facts) -> Prompt:
    rule = verdict.rule
    return Prompt(
        id=rule.id,
        version=rule.version,
        exam_number=facts.record.exam_number,
        field=verdict.field,
        message=f"{rule.prompt} (rule for {rule.population}; {rule.technique})",
        expected=rule.limit_text,
        found=verdict.found,
        source=rule.citation,
        certainty=rule.certainty,
        confirmed_by=rule.confirmed_by,
    )
