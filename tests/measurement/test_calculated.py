"""Calculated mass, the filling range, voiding efficiency and minutes of whole exams."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest

from fhir_bladder.errors import ConfigError
from fhir_bladder.exam import ExamRecord
from fhir_bladder.measurement import Settings, calculate, geometry

Exam = Callable[..., ExamRecord]
OUTSIDE = "volume outside the filling range 150–400 mL"


def wall(**changes: Any) -> dict[str, Any]:
    fields: dict[str, Any] = {
        "scan_number": 1,
        "layer": "whole-wall",
        "thickness": {"value": Decimal("2.40"), "unit": "mm"},
        "surface_area": {"value": 164, "unit": "cm2"},
    }
    fields.update(changes)
    return {name: value for name, value in fields.items() if value is not None}


def test_example_of_the_exam_record(exam: Exam) -> None:
    """The record format's own example: 0.957 × 164 × 0.240 = 37.7 g."""
    done = calculate(exam(wall=wall()))
    assert str(done.mass) == "37.7"
    assert (done.model, done.density, done.thickness, done.thickness_source) == (
        "area-thickness", Decimal("0.957"), Decimal("2.40"), "automatic",
    )  # fmt: skip
    assert done.mass_text == "calculated, area × thickness × 0.957 g/mL"
    assert (done.filling_volume, done.filling_scan, done.inside, done.wall_mark) == (186, 1, True, "")
    assert (done.mass_absent, done.age_note) == ("", "")


def test_sphere_shell_without_an_area(exam: Exam, checks: dict[str, Any]) -> None:
    for case in checks["mass"]["cases"]:
        thickness = {"value": Decimal(str(case["T_mm"])), "unit": "mm"}
        record = exam(volumes=[case["V_mL"]], wall=wall(thickness=thickness, surface_area=None))
        done = calculate(record)
        assert done.model == "sphere-shell"
        assert done.mass == Decimal(str(round(case["shell_g_0957"], 1)))
        assert done.mass_text == "calculated, sphere shell × 0.957 g/mL"


def test_automatic_thickness_first_then_caliper(exam: Exam) -> None:
    caliper = {"value": Decimal("3.0"), "unit": "mm"}
    both = calculate(exam(wall=wall(caliper_thickness=caliper)))
    assert (both.mass, both.thickness_source) == (Decimal("37.7"), "automatic")
    alone = calculate(exam(wall=wall(thickness=None, caliper_thickness=caliper)))
    assert (alone.mass, alone.thickness, alone.thickness_source) == (Decimal("47.1"), 3, "caliper")
    assert alone.mass_text == "calculated, area × thickness × 0.957 g/mL, thickness by caliper"


def test_never_from_the_detrusor(exam: Exam) -> None:
    done = calculate(exam(wall=wall(layer="detrusor")))
    assert (done.mass, done.model) == (None, "")
    assert done.mass_absent == "not calculated from the thickness of the detrusor alone"


@pytest.mark.parametrize("layer", ["unknown", None])
def test_unknown_layer_is_taken_as_wall_and_said(exam: Exam, layer: str | None) -> None:
    done = calculate(exam(wall=wall(layer=layer)))
    assert done.mass == Decimal("37.7")
    assert done.mass_text.endswith(", layer not stated, taken as whole wall")


@pytest.mark.parametrize(
    ("volume", "inside"),
    [
        (149, False), (150, True), (400, True), (401, False), (Decimal("149.9999"), False),
        (Decimal("400.0001"), False), (Decimal("150.0000"), True), (0, False),
    ],
)  # fmt: skip
def test_filling_range_is_inclusive_and_before_rounding(exam: Exam, volume: Any, inside: bool) -> None:
    area = {"value": round(geometry.sphere_area(float(volume) or 1) * 1.04), "unit": "cm2"}
    done = calculate(exam(volumes=[volume], wall=wall(surface_area=area)))
    assert done.inside is inside
    assert (done.mass is not None) is inside
    assert done.mass_absent == ("" if inside else OUTSIDE)
    assert done.wall_mark == ("" if inside else OUTSIDE)


@pytest.mark.parametrize(
    ("volume", "inside"),
    [(">300", None), ("<200", None), (">400", False), ("<150", False), (">1500", False), (">399", None), ("<151", None),
     (">149", None), ("<401", None)],
)  # fmt: skip
def test_comparator_gives_nothing_calculated(exam: Exam, volume: str, inside: bool | None) -> None:
    done = calculate(exam(volumes=[volume], wall=wall()))
    assert (done.mass, done.mass_absent, done.inside) == (None, OUTSIDE, inside)
    assert done.filling_comparator == volume[0]
    assert done.wall_mark == (OUTSIDE if inside is False else "volume unknown, filling range 150–400 mL")


def test_volume_of_the_walls_own_scan(exam: Exam) -> None:
    record = exam(volumes=[186, 500], reported_scan=2, wall=wall(scan_number=1))
    assert (calculate(record).inside, calculate(record).filling_volume) == (True, 186)
    record = exam(volumes=[186, 500], reported_scan=2, wall=wall(scan_number=None))
    assert (calculate(record).inside, calculate(record).filling_scan) == (False, 2)
    record = exam(volumes=[186, 500], reported_scan=1, wall=wall(scan_number=None))
    assert calculate(record).mass == Decimal("37.7")


@pytest.mark.parametrize(
    "changes",
    [
        {"volumes": [186, 190], "choice_rule": "mean", "wall": wall(scan_number=None)},
        {"volumes": [186], "wall": wall(scan_number=7)},
        {"volumes": [None], "wall": wall()},
    ],
    ids=["mean", "scan not there", "absent"],
)
def test_unknown_volume_gives_nothing(exam: Exam, changes: dict[str, Any]) -> None:
    done = calculate(exam(**changes))
    assert (done.mass, done.mass_absent, done.inside, done.filling_volume) == (None, OUTSIDE, None, None)
    assert done.wall_mark == "volume unknown, filling range 150–400 mL"


def test_mean_with_the_walls_scan_stated_is_calculated(exam: Exam) -> None:
    assert calculate(exam(volumes=[186, 190], choice_rule="mean", wall=wall(scan_number=2))).inside is True


@pytest.mark.parametrize(("birth", "child"), [("2008-11-19", True), ("2008-11-18", False)])
def test_children_have_no_range_and_nothing_calculated(exam: Exam, birth: str, child: bool) -> None:
    for volume in (80, 186):
        patient = {"identifiers": [{"system": "https://x.example", "value": "1"}], "birth_date": birth}
        done = calculate(exam(volumes=[volume], patient=patient, wall=wall()))
        if child:
            assert (done.mass, done.inside) == (None, None)
            assert done.mass_absent == done.wall_mark == "no filling range for children"
        else:
            assert done.inside is (volume == 186)
        assert done.age_note == ""


@pytest.mark.parametrize(
    "patient", [None, {"identifiers": [{"system": "https://x.example", "value": "1"}]}, {"birth_date": "2008"}]
)
def test_age_unknown_applies_the_range_and_says_so(exam: Exam, patient: Any) -> None:
    done = calculate(exam(patient=patient, wall=wall()))
    assert done.mass == Decimal("37.7")
    assert done.age_note == "age unknown, the filling range of adults applied"
    assert calculate(exam(volumes=[149], patient=patient, wall=wall())).mass_absent == OUTSIDE


def test_birthday_counts_on_the_exams_own_local_day(exam: Exam) -> None:
    patient = {"identifiers": [{"system": "https://x.example", "value": "1"}], "birth_date": "2008-11-19"}
    local = exam(patient=patient, started_at="2026-11-19T00:10:00+10:00", wall=wall())
    assert local.started_at.utc.date() == dt.date(2026, 11, 18)
    assert calculate(local).mass == Decimal("37.7")


def test_no_thickness_nothing_to_say(exam: Exam) -> None:
    done = calculate(exam(wall=wall(thickness=None)))
    assert (done.mass, done.mass_absent, done.inside) == (None, "", True)
    assert calculate(exam()).mass_absent == ""


@pytest.mark.parametrize(("field", "value"), [("thickness", 0), ("surface_area", 0), ("thickness", -1),
                                              ("surface_area", 10**9), ("thickness", 10**40)])  # fmt: skip
def test_nothing_from_zero_or_beyond_any_bladder(exam: Exam, field: str, value: int) -> None:
    unit = "mm" if field == "thickness" else "cm2"
    done = calculate(exam(wall=wall(**{field: {"value": value, "unit": unit}})))
    assert done.mass is None
    assert done.mass_absent == "not calculated, thickness or area is not above 0 or beyond any bladder"


def test_thin_walls_and_small_areas_are_calculated(exam: Exam) -> None:
    thin = wall(thickness={"value": Decimal("0.9"), "unit": "mm"})
    assert calculate(exam(wall=thin)).mass == Decimal("14.1")
    small = wall(thickness={"value": 100, "unit": "mm"}, surface_area={"value": 1, "unit": "cm2"})
    assert calculate(exam(wall=small)).mass == Decimal("9.6")


def test_other_units_give_the_same_mass(exam: Exam) -> None:
    converted = wall(thickness={"value": Decimal("0.240"), "unit": "cm"}, surface_area={"value": 16400, "unit": "mm2"})
    assert calculate(exam(wall=converted)).mass == Decimal("37.7")


def test_a_site_sets_range_density_and_age(exam: Exam) -> None:
    site = Settings(filling_low=Decimal(200), filling_high=Decimal(500), density=Decimal("1.05"), adult_age=16)
    assert calculate(exam(wall=wall()), site).mass_absent == "volume outside the filling range 200–500 mL"
    done = calculate(exam(volumes=[450], wall=wall(surface_area={"value": 300, "unit": "cm2"})), site)
    assert done.mass == Decimal("75.6")
    assert "1.05 g/mL" in done.mass_text


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"filling_low": Decimal(500)}, "filling range 500 to 400 mL is empty"),
        ({"filling_low": Decimal(400)}, "filling range 400 to 400 mL is empty"),
        ({"density": Decimal(0)}, "density is 0"),
        ({"density": Decimal("NaN")}, "not a finite number"),
        ({"density": 0.957}, "not a whole number or a Decimal"),
        ({"adult_age": True}, "not a whole number or a Decimal"),
    ],
)
def test_settings_that_cannot_be_are_refused(change: dict[str, Any], words: str) -> None:
    with pytest.raises(ConfigError, match=words):
        Settings(**change)


# Voiding efficiency


def test_efficiency_of_the_example(exam: Exam) -> None:
    done = calculate(exam())
    assert str(done.efficiency) == "58.3"  # 260 / (260 + 186)
    assert (done.minutes, done.minutes_basis) == (7, "from the void to the start of the exam")


def test_efficiency_check_values_through_a_record(exam: Exam, checks: dict[str, Any]) -> None:
    for case in checks["efficiency"]["cases"]:
        voided = {"value": case["voided"], "unit": "mL"}
        done = calculate(exam(volumes=[case["pvr"]], voided_volume=voided))
        if case["pct"] is None:
            assert (done.efficiency, done.efficiency_absent) == (None, "voided volume and residual are both 0 mL")
        else:
            assert (done.efficiency, done.efficiency_absent) == (Decimal(str(case["pct"])), "")


@pytest.mark.parametrize(
    "change",
    [
        {"verified": None},
        {"void_state": "pre-void"},
        {"void_state": "unspecified"},
        {"catheter_in_place": True},
        {"void_measured": False},
        {"void_measured": None},
        {"voided_volume": None},
        {"void_attempt": "not-attempted"},
        {"volumes": [">186"]},
        {"volumes": [None]},
        {"volumes": [-1]},
        {"voided_volume": {"value": -1, "unit": "mL"}},
        {"voided_at": "2026-11-18T10:11:29+00:00"},
        {"voided_at": "2026-11-18T10:43:00+00:00"},
    ],
    ids=lambda change: "-".join(map(str, change.items())),
)
def test_no_efficiency(exam: Exam, change: dict[str, Any]) -> None:
    done = calculate(exam(**change))
    assert (done.efficiency, done.efficiency_absent) == (None, "")


@pytest.mark.parametrize(
    "change",
    [{"catheter_in_place": False}, {"void_attempt": "unable", "voided_volume": {"value": 0, "unit": "mL"}},
     {"voided_at": None}, {"voided_at": "2026-11-18T10:12:00+00:00"}, {"volumes": [180, 192], "choice_rule": "mean"}],
)  # fmt: skip
def test_still_an_efficiency(exam: Exam, change: dict[str, Any]) -> None:
    assert calculate(exam(**change)).efficiency is not None


def test_minutes_to_the_reported_scan_first(exam: Exam) -> None:
    scan = {"scan_number": 3, "taken_at": "2026-11-18T10:45:31+00:00", "volume": {"value": 186, "unit": "mL"}}
    done = calculate(exam(scans=[scan]))
    assert (done.minutes, done.minutes_basis) == (11, "from the void to scan 3")
    done = calculate(exam(scans=[scan, scan | {"scan_number": 4}], choice_rule="mean"))
    assert (done.minutes, done.minutes_basis) == (7, "from the void to the start of the exam")


def test_no_minutes_without_or_after_the_scan(exam: Exam) -> None:
    assert calculate(exam(voided_at=None)).minutes is None
    late = calculate(exam(voided_at="2026-11-18T10:42:01+00:00"))
    assert (late.minutes, late.minutes_basis) == (None, "")
