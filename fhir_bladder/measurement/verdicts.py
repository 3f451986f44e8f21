"""Room `measurement`: whether a rule meets an exam, three-valued, with the reason where it does not. May import exam.

A rule speaks only of its own technique, layer, model, filling, age, gender and void state. Without a birth date no
rule speaks. What a comparator leaves open stays open.
"""

from __future__ import annotations

import datetime as dt
from calendar import monthrange
from collections.abc import Iterable
from decimal import Decimal
from typing import NamedTuple

from fhir_bladder.measurement import voiding
from fhir_bladder.measurement.ages import age_range
from fhir_bladder.measurement.calculated import Calculated
from fhir_bladder.measurement.facts import Facts
from fhir_bladder.measurement.patients import RETRACTED
from fhir_bladder.measurement.rulebook import Rule

MET, NOT_MET, UNKNOWN, NOT_APPLICABLE = "met", "not-met", "unknown", "not-applicable"


class Verdict(NamedTuple):
    """What a rule says of an exam: state (met, not-met, unknown, not-applicable), the reason, and what was found."""

    rule: Rule
    state: str
    reason: str = ""
    found: str = ""
    field: str = ""


class Value(NamedTuple):
    """A value a rule asks for, in the unit of its quantity; percent of voided + residual where a rule needs it."""

    value: Decimal
    comparator: str | None
    text: str
    field: str
    percent: Decimal | None = None


class Inapplicable(Exception):
    """A rule does not meet an exam; the text completes "not applicable because …"."""


def compare(value: Decimal, comparator: str | None, rule: Rule) -> bool | None:
    """Whether a value meets the rule's limit; None where its comparator leaves it open."""
    if rule.above is not None:
        return _more(value, comparator, rule.above, reached=False)
    if rule.at_least is not None:
        return _more(value, comparator, rule.at_least, reached=True)
    assert rule.below is not None
    return negated(_more(value, comparator, rule.below, reached=True))


def _more(value: Decimal, comparator: str | None, limit: Decimal, *, reached: bool) -> bool | None:
    """value > limit, or ≥ where `reached` counts; with `>` true from the limit on, with `<` false up to it."""
    if comparator is None:
        return value >= limit if reached else value > limit
    if comparator == ">":
        return True if value >= limit else None
    return False if value <= limit else None


def negated(one: bool | None) -> bool | None:
    """Three-valued not."""
    return None if one is None else not one


def either(one: bool | None, other: bool | None) -> bool | None:
    """Three-valued or."""
    if one or other:
        return True
    return None if one is None or other is None else False


def every(values: Iterable[bool | None]) -> bool | None:
    """Three-valued and."""
    answer: bool | None = True
    for value in values:
        if value is False:
            return False
        if value is None:
            answer = None
    return answer


def require_applicable(rule: Rule, facts: Facts, calculated: Calculated) -> None:
    """Raises Inapplicable with the first condition of the rule that the exam does not meet."""
    record = facts.record
    patient = record.patient
    if record.status in RETRACTED:
        raise Inapplicable(f"the exam is {record.status}")
    ages = age_range(patient.birth_date if patient is not None else None, record.started_at.moment.date())
    if ages is None:
        raise Inapplicable("there is no birth date")
    if rule.age_min is not None and ages[0] < rule.age_min:
        raise Inapplicable(f"the age is below {rule.age_min} years or not certain")
    if rule.age_max is not None and ages[1] > rule.age_max:
        raise Inapplicable(f"the age is above {rule.age_max} years or not certain")
    gender = patient.administrative_gender if patient is not None else None
    if rule.gender is not None and gender != rule.gender:
        raise Inapplicable(f"the rule is for gender {rule.gender}, recorded is {gender or 'none'}")
    if rule.locations and record.location not in rule.locations:
        raise Inapplicable(f"the site uses it in {', '.join(rule.locations)} only")
    if rule.void_state is not None and record.void_state != rule.void_state:
        raise Inapplicable(f"the rule is for {rule.void_state} scans, this one is {record.void_state}")
    if record.catheter_in_place and rule.quantity in ("volume", "minutes-since-void"):
        raise Inapplicable("a catheter is in place")
    if rule.symptoms is not None and record.retention_symptoms is not rule.symptoms:
        stated = {True: "present", False: "absent", None: "not recorded"}
        raise Inapplicable(
            f"the rule is for symptoms {stated[rule.symptoms]}, they are {stated[record.retention_symptoms]}"
        )
    if rule.delay_max is not None:
        if calculated.minutes is None:
            raise Inapplicable("the time since the void is not known")
        if calculated.minutes > rule.delay_max:
            raise Inapplicable(f"the scan came {calculated.minutes} min after the void, more than {rule.delay_max}")
    if rule.voided_min is not None:
        voided = measured_void(facts)
        if voided is None:
            raise Inapplicable("no measured voided volume is recorded")
        if voided < rule.voided_min:
            raise Inapplicable(f"the voided volume is below {rule.voided_min} mL")
    if rule.overdistension is not None:
        _require_not_overdistended(rule, facts, ages)


def measured_void(facts: Facts) -> Decimal | None:
    """The measured voided volume before the scan in mL, None where it was not measured."""
    voided = facts.record.voided_volume
    return None if voided is None or not facts.record.void_measured else voided.canonical


def _require_not_overdistended(rule: Rule, facts: Facts, ages: tuple[int, int]) -> None:
    assert rule.overdistension is not None
    least, greatest = ages
    expected = voiding.expected_capacity(least) if least == greatest else None
    voided, choice = measured_void(facts), facts.choice
    if expected is None or voided is None or choice.value is None:
        raise Inapplicable("the bladder's capacity or its expected capacity is not known")
    # At least this much with `>`; with `<` at most this much, which cannot exclude but not clear it either.
    capacity = voided + choice.value
    limit = rule.overdistension * expected / 100
    if capacity >= limit and choice.comparator != "<":
        raise Inapplicable(f"overdistended: {capacity} mL of {expected} mL expected")
    if choice.comparator == ">" or capacity > limit:
        raise Inapplicable("overdistension cannot be told from a comparator")


def value_of(rule: Rule, facts: Facts, calculated: Calculated) -> Value:
    """The value the rule asks for. Raises Inapplicable where the exam has none of that layer, model or filling."""
    if rule.quantity == "minutes-since-void":
        if calculated.minutes is None:
            raise Inapplicable("the time since the void is not known")
        return Value(Decimal(calculated.minutes), None, f"{calculated.minutes} min", "voided_at")
    if rule.quantity == "volume":
        return _volume(rule, facts)
    _require_filling(rule, facts)
    return _thickness(rule, facts) if rule.quantity == "thickness" else _mass(rule, facts, calculated)


def _volume(rule: Rule, facts: Facts) -> Value:
    choice = facts.choice
    if choice.value is None:
        raise Inapplicable("the exam has no resulting volume")
    percent = None
    if rule.or_percent_above is not None:
        voided = measured_void(facts)
        if voided is not None and voided >= 0 and choice.value >= 0:
            efficiency = voiding.efficiency(voided, choice.value)
            percent = None if efficiency is None else 100 - efficiency
    sign = choice.comparator or ""
    text = f"{sign}{choice.value} mL"
    if percent is not None:
        text += f", {sign}{voiding.one_decimal(percent)} % of the capacity"  # which rises with the residual
    return Value(choice.value, choice.comparator, text, "scans", percent)


def _require_filling(rule: Rule, facts: Facts) -> None:
    filling = facts.filling
    if filling is None:
        raise Inapplicable("no wall was measured")
    if filling.volume is None or filling.comparator is not None:
        raise Inapplicable("the filling volume is not known")
    low, high = rule.filling_low, rule.filling_high
    assert low is not None  # the rulebook asks for it
    if filling.volume < low or (high is not None and filling.volume > high):
        wanted = f"at least {low} mL" if high is None else f"{low} to {high} mL"
        raise Inapplicable(f"the filling was {filling.volume} mL, the rule is for {wanted}")


def _thickness(rule: Rule, facts: Facts) -> Value:
    wall = facts.record.wall
    assert wall is not None
    if wall.layer != rule.layer:
        raise Inapplicable(f"the rule is for layer {rule.layer}, measured was {wall.layer or 'not stated'}")
    name, quantity = "thickness", wall.thickness if rule.method in ("automatic", "either") else None
    if quantity is None and rule.method in ("caliper", "either"):
        name, quantity = "caliper_thickness", wall.caliper_thickness
    if quantity is None:
        raise Inapplicable(f"no thickness by method {rule.method} is recorded")
    return Value(quantity.canonical, None, f"{quantity.value} {quantity.unit}", f"wall.{name}")


def _mass(rule: Rule, facts: Facts, calculated: Calculated) -> Value:
    wall = facts.record.wall
    assert wall is not None
    if wall.layer == "detrusor":
        raise Inapplicable("a mass is not judged from the detrusor alone")
    if wall.mass is not None and rule.received_model == rule.model:
        return Value(wall.mass.canonical, None, f"{wall.mass.value} {wall.mass.unit}", "wall.mass")
    if calculated.mass is None:
        raise Inapplicable(f"there is no mass of model {rule.model}")
    if calculated.model != rule.model:
        raise Inapplicable(f"the rule is for model {rule.model}, calculated was {calculated.model}")
    return Value(calculated.mass, None, f"{calculated.mass} g, calculated", "wall")


def meets(rule: Rule, value: Value) -> tuple[bool | None, bool | None]:
    """Whether one value meets the rule's limit, and the limit of its share of the capacity (False without one)."""
    met = compare(value.value, value.comparator, rule)
    if rule.or_percent_above is None:
        return met, False
    if value.percent is None:
        return met, None
    # The share of the capacity rises with the residual, so the residual's comparator is the share's too.
    return met, _more(value.percent, value.comparator, rule.or_percent_above, reached=False)


def add_months(day: dt.date, months: int) -> dt.date:
    """The same day some calendar months later, the last of the month where there is no such day."""
    years, month = divmod(day.month - 1 + months, 12)
    year, month = day.year + years, month + 1
    return dt.date(year, month, min(day.day, monthrange(year, month)[1]))
