"""What a rule of the site's own says of one exam, its words and the field it names.

The limits are invented. Three-valued logic: Kleene's strong tables (as in SQL).
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from fhir_bladder.exam import ExamRecord
from fhir_bladder.measurement.calculated import calculate
from fhir_bladder.measurement.facts import Facts
from fhir_bladder.measurement.patients import Course
from fhir_bladder.measurement.prompts import Engine
from fhir_bladder.measurement.rulebook import switch_on
from fhir_bladder.measurement.verdicts import Verdict, either, every, negated

Exam = Callable[..., ExamRecord]
NOW = dt.datetime(2026, 11, 30, 12, tzinfo=dt.UTC)
OWN = '[[use]]\nrule = "own"\n{use}\n' + Path(__file__).with_name("own_rule.toml").read_text("utf-8") + "{rule}\n"
VOLUME = "above = 100\n"
SHARE = 'above = 30\nor_percent_above = 20\nvoid_state = "post-void"\n'


def verdict(rule: str, record: ExamRecord, use: str = "") -> Verdict:
    """What the rule says of the exam alone, whatever its findings are."""
    engine = Engine(switch_on(OWN.format(rule=rule, use=use)))
    return engine.judge(Facts(record, NOW), calculate(record), Course())[0]


def told(rule: str, record: ExamRecord, use: str = "") -> tuple[str, str]:
    found = verdict(rule, record, use)
    return found.state, found.reason


T, F, N = True, False, None


@pytest.mark.parametrize(
    ("one", "other", "both", "any_"),
    [(T, T, T, T), (T, F, F, T), (T, N, N, T), (F, F, F, F), (F, N, F, N), (N, N, N, N)],
)
def test_three_values(one: bool | None, other: bool | None, both: bool | None, any_: bool | None) -> None:
    for pair in ((one, other), (other, one)):
        assert every(pair) is both
        assert either(*pair) is any_
        assert negated(every(map(negated, pair))) is any_  # De Morgan
    assert every(()) is True


# Whom a rule speaks of


def test_a_rule_asks_only_what_it_names(exam: Exam) -> None:
    """No age, gender, place, void state or symptoms in it: it speaks of whoever has a birth date."""
    for changes in ({}, {"retention_symptoms": True}, {"retention_symptoms": False}, {"location": "Ward H"}):
        assert told(VOLUME, exam(**changes)) == ("met", "")
    newborn = {"identifiers": [{"system": "https://x.example", "value": "1"}], "birth_date": "2026-11-01"}
    assert told(VOLUME, exam(patient=newborn)) == ("met", "")


@pytest.mark.parametrize(
    ("birth", "reason"),
    [
        ("2013-11-19", ""),  # twelve
        ("2013-11-18", "the age is above 12 years or not certain"),
        ("2013-11", "the age is above 12 years or not certain"),  # twelve or thirteen
        ("2019-11-18", ""),  # seven
        ("2019-11", "the age is below 7 years or not certain"),
    ],
)
def test_an_age_that_is_not_certain_is_outside(exam: Exam, birth: str, reason: str) -> None:
    patient = {"identifiers": [{"system": "https://x.example", "value": "1"}], "birth_date": birth}
    assert verdict(VOLUME + "age_min = 7\nage_max = 12", exam(patient=patient)).reason == reason


@pytest.mark.parametrize(
    ("rule", "changes", "reason"),
    [
        ('gender = "female"', {}, "the rule is for gender female, recorded is none"),
        ("symptoms = true", {"retention_symptoms": False}, "the rule is for symptoms present, they are absent"),
        ("symptoms = false", {"retention_symptoms": True}, "the rule is for symptoms absent, they are present"),
        ("symptoms = false", {}, "the rule is for symptoms absent, they are not recorded"),
    ],
)
def test_why_a_rule_does_not_apply(exam: Exam, rule: str, changes: dict[str, Any], reason: str) -> None:
    assert told(VOLUME + rule, exam(**changes)) == ("not-applicable", reason)


OVERDISTENDED = "above = 20\noverdistension = 115\n"
UNCERTAIN = "the bladder's capacity or its expected capacity is not known"


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({}, ("met", "")),
        ({"volumes": [None]}, ("not-applicable", UNCERTAIN)),
        ({"voided_volume": None}, ("not-applicable", UNCERTAIN)),
        ({"void_measured": None}, ("not-applicable", UNCERTAIN)),
        ({"volumes": [107]}, ("not-applicable", "overdistended: 207 mL of 180 mL expected")),
        ({"volumes": ["<107"]}, ("unknown", "<107 mL leaves it open")),
        ({"volumes": ["<108"]}, ("not-applicable", "overdistension cannot be told from a comparator")),
        ({"volumes": [">50"]}, ("not-applicable", "overdistension cannot be told from a comparator")),
    ],
)
def test_overdistension(exam: Exam, changes: dict[str, Any], expected: tuple[str, str]) -> None:
    """A child of five years, 180 mL expected (30 · (age + 1)); 115 % are 207 mL, of which 100 mL were voided."""
    five = {"identifiers": [{"system": "https://x.example", "value": "1"}], "birth_date": "2021-06-01"}
    record = exam(**{"patient": five, "volumes": [50], "voided_volume": {"value": 100, "unit": "mL"}} | changes)
    assert told(OVERDISTENDED, record) == expected


# Volumes and their share of the capacity


@pytest.mark.parametrize(
    ("residual", "voided", "expected"),
    [
        (20, 0, ("met", "20 mL, 100.0 % of the capacity")),
        (0, 100, ("not-met", "0 mL, 0.0 % of the capacity")),
        (0, 0, ("unknown", "0 mL")),  # no share of nothing
        (20, 80, ("not-met", "20 mL, 20.0 % of the capacity")),
        (20, 79, ("met", "20 mL, 20.2 % of the capacity")),
        ("<20", 80, ("not-met", "<20 mL, <20.0 % of the capacity")),
        (">30", 200, ("met", ">30 mL, >13.0 % of the capacity")),
        (-1, 80, ("unknown", "-1 mL")),
        (-0.5, 80, ("unknown", "-0.5 mL")),
        (20, -1, ("unknown", "20 mL")),
        (20, -0.5, ("unknown", "20 mL")),
    ],
)
def test_share_of_the_capacity(exam: Exam, residual: Any, voided: float, expected: tuple[str, str]) -> None:
    """Residual / (residual + voided); impossible volumes, which are held back elsewhere, have none."""
    found = verdict(SHARE, exam(volumes=[residual], voided_volume={"value": voided, "unit": "mL"}))
    assert (found.state, found.found, found.field) == (*expected, "scans")


def test_minutes_since_the_void(exam: Exam) -> None:
    found = verdict('above = 6\nquantity = "minutes-since-void"', exam())
    assert (found.state, found.found, found.field) == ("met", "7 min", "voided_at")


# Walls


def wall(**fields: Any) -> dict[str, Any]:
    """A whole wall, thicknesses in mm and mass in g from numbers; None leaves a field out."""
    units = {"thickness": "mm", "caliper_thickness": "mm", "mass": "g"}
    given = {"scan_number": 1, "layer": "whole-wall"} | fields
    return {
        name: {"value": value, "unit": units[name]} if name in units else value
        for name, value in given.items()
        if value is not None
    }


THICKNESS = 'at_least = 3\nquantity = "thickness"\nlayer = "whole-wall"\nmethod = "{}"\nfilling_low = 150\n'
AUTOMATIC, CALIPER = ("met", "3 mm", "wall.thickness"), ("met", "4 mm", "wall.caliper_thickness")


@pytest.mark.parametrize(
    ("method", "automatic", "caliper", "expected"),
    [
        ("automatic", 3, 4, AUTOMATIC), ("automatic", 3, None, AUTOMATIC), ("automatic", None, 4, None),
        ("caliper", 3, 4, CALIPER), ("caliper", None, 4, CALIPER), ("caliper", 3, None, None),
        ("either", 3, 4, AUTOMATIC), ("either", 3, None, AUTOMATIC), ("either", None, 4, CALIPER),
    ],
)  # fmt: skip
def test_a_thickness_is_of_the_rules_method(
    exam: Exam, method: str, automatic: Any, caliper: Any, expected: tuple[str, str, str] | None
) -> None:
    found = verdict(THICKNESS.format(method), exam(wall=wall(thickness=automatic, caliper_thickness=caliper)))
    if expected is None:
        assert found[1:3] == ("not-applicable", f"no thickness by method {method} is recorded")
    else:
        assert (found.state, found.found, found.field) == expected


@pytest.mark.parametrize(
    ("high", "volume", "reason"),
    [
        ("", 149, "the filling was 149 mL, the rule is for at least 150 mL"),
        ("", 150, ""),
        ("", 900, ""),
        ("filling_high = 300", 149, "the filling was 149 mL, the rule is for 150 to 300 mL"),
        ("filling_high = 300", 300, ""),
        ("filling_high = 300", 301, "the filling was 301 mL, the rule is for 150 to 300 mL"),
        ("", None, "the filling volume is not known"),
        ("", "<200", "the filling volume is not known"),
    ],
)
def test_a_thickness_is_of_the_rules_filling(exam: Exam, high: str, volume: Any, reason: str) -> None:
    record = exam(volumes=[volume], wall=wall(thickness=3))
    assert verdict(THICKNESS.format("either") + high, record).reason == reason


def test_a_thickness_is_of_the_rules_layer(exam: Exam) -> None:
    for layer, words in (("detrusor", "detrusor"), ("unknown", "unknown"), (None, "not stated")):
        assert told(THICKNESS.format("either"), exam(wall=wall(layer=layer, thickness=3))) == (
            "not-applicable", f"the rule is for layer whole-wall, measured was {words}",
        )  # fmt: skip


MASS = 'above = 35\nquantity = "mass"\nmodel = "sphere-shell"\nfilling_low = 150\n'
RECEIVES = 'received_model = "{}"'


@pytest.mark.parametrize(
    ("received", "use", "expected"),
    [
        (None, "", ("met", "40.6 g, calculated", "wall")),  # 200 mL and 2.4 mm: clinical facts, F2
        (20, "", ("met", "40.6 g, calculated", "wall")),  # of a model that nobody named
        (20, RECEIVES.format("area-thickness"), ("met", "40.6 g, calculated", "wall")),
        (None, RECEIVES.format("sphere-shell"), ("met", "40.6 g, calculated", "wall")),
        (20, RECEIVES.format("sphere-shell"), ("not-met", "20 g", "wall.mass")),
    ],
)
def test_a_mass_is_of_the_rules_model(exam: Exam, received: Any, use: str, expected: tuple[str, str, str]) -> None:
    record = exam(volumes=[200], wall=wall(thickness=2.4, mass=received))
    found = verdict(MASS, record, use)
    assert (found.state, found.found, found.field) == expected


def test_no_mass_of_the_rules_model(exam: Exam) -> None:
    record = exam(volumes=[200], wall=wall(mass=20))
    assert told(MASS, record) == ("not-applicable", "there is no mass of model sphere-shell")
    area = {"surface_area": {"value": 172, "unit": "cm2"}}
    assert told(MASS, exam(volumes=[200], wall=wall(thickness=2.4, **area))) == (
        "not-applicable", "the rule is for model sphere-shell, calculated was area-thickness",
    )  # fmt: skip
