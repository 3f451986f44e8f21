"""Findings of one exam that are warned of or remarked: each with a pair on both sides of its boundary.

Limits come from the project's design; what is our suggestion there is so here.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhir_bladder.errors import Finding
from fhir_bladder.exam import ExamRecord
from fhir_bladder.exam.model import Area
from fhir_bladder.measurement import Settings, findings, geometry, mass
from fhir_bladder.measurement.checking import Checker
from fhir_bladder.measurement.findings import KINDS
from fhir_bladder.measurement.plausible import tenfold
from fhir_bladder.measurement.written import half_step, span

Exam = Callable[..., ExamRecord]
NOW = dt.datetime(2026, 11, 30, 12, tzinfo=dt.UTC)
D = Decimal


def found(record: ExamRecord, settings: Settings | None = None) -> dict[str, Finding]:
    settings = settings or Settings()
    every = findings(record, now=NOW, settings=settings)
    assert Checker(now=NOW, settings=settings).add(record) == every
    for one in every:
        assert one.exam_number == record.exam_number
        assert one.message and one.expected and one.found and one.source and one.field
    return {one.id: one for one in every}


def quantity(value: Any, unit: str) -> dict[str, Any]:
    return {"value": D(str(value)), "unit": unit}


def wall(thickness: Any = None, area: Any = None, grams: Any = None, **more: Any) -> dict[str, Any]:
    fields: dict[str, Any] = {"scan_number": 1, "layer": "whole-wall", **more}
    for name, value, unit in (("thickness", thickness, "mm"), ("surface_area", area, "cm2"), ("mass", grams, "g")):
        if value is not None:
            fields[name] = quantity(value, unit)
    return fields


def exactly(value: float) -> str:
    """A float with so many digits that what they may be off changes it no more."""
    return f"{value:.20f}"


def test_kinds_are_well_formed() -> None:
    ids = [kind.id for kind in KINDS]
    assert len(ids) == len(set(ids))
    for kind in KINDS:
        assert kind.severity in ("block", "warn", "note")
        assert kind.source and not kind.sentence[0].isupper() and not kind.sentence.endswith(".")
    severities = [("block", "warn", "note").index(kind.severity) for kind in KINDS]
    assert severities == sorted(severities)


@pytest.mark.parametrize(
    ("volume", "large"),
    [
        (1000, False),
        (D("1000.1"), True),
        (">1000", True),
        (">999", False),
        ("<1200", False),
        ("<1000", False),
        (5000, True),
        (D("5000.1"), False),  # that blocks, and is told once
    ],
)
def test_volume_large(exam: Exam, volume: Any, large: bool) -> None:
    one = found(exam(volumes=[200, volume], reported_scan=1)).get("volume-large")
    assert (one is not None) is large
    if one:
        assert one.field == "scans.1.volume"
        assert one.found == f"{volume} mL"
        assert one.hint == "scan again; think of a cyst, ascites or a slip of the unit"


def test_large_volume_that_was_not_scanned(exam: Exam) -> None:
    one = found(exam(voided_volume=quantity(1001, "mL")))["volume-large"]
    assert (one.field, one.hint) == ("voided_volume", "check value and unit")


@pytest.mark.parametrize(
    ("one", "other", "hit"),
    [
        (100, 10, True), (95, 10, False), (950, 100, True), (949, 100, False), (1050, 100, True), (1051, 100, False),
        (99, D("9.9"), False), (40, 4, False), (1000, 0, False), (186, 186, False), (190, 20, True), (189, 20, False),
        (">1000", 100, False),
    ],
)  # fmt: skip
def test_tenfold_between_repeats(exam: Exam, one: Any, other: Any, hit: bool) -> None:
    """±5 % and at least 100 mL (design; our suggestion)."""
    for volumes in ([one, other], [other, one]):
        finding = found(exam(volumes=volumes, reported_scan=1)).get("repeat-tenfold")
        assert (finding is not None) is hit
        if finding:
            assert finding.field == "scans.1.volume"


def test_tenfold_names_each_pair(exam: Exam) -> None:
    every = findings(exam(volumes=[200, 20, 201], reported_scan=1), now=NOW)
    assert [one.found for one in every if one.id == "repeat-tenfold"] == ["200 and 20 mL", "20 and 201 mL"]


@given(st.decimals(1, 500, places=1), st.decimals("0.01", "10", places=2))
def test_tenfold_is_symmetric(value: Decimal, factor: Decimal) -> None:
    other = value * factor
    assert tenfold(value, other, D(100), D(5)) == tenfold(other, value, D(100), D(5))
    assert not tenfold(value, value, D(1), D(5))


@pytest.mark.parametrize(
    ("volumes", "hit"),
    [
        ([100, 125], False), ([100, D("125.1")], True), ([200, 240], False), ([180, 220], False),
        ([180, D("220.1")], True), ([180, 221], True), ([0, 25], False), ([0, 26], True), ([270, 330], False),
        ([270, 331], True), ([100, 110, 126], True), ([100], False), ([100, None], False), ([100, ">300"], False),
    ],
)  # fmt: skip
def test_spread_of_repeats(exam: Exam, volumes: list[Any], hit: bool) -> None:
    """Above the larger of 25 mL and 20 % of the repeats' mean (design; the mean is ours)."""
    one = found(exam(volumes=volumes, reported_scan=1)).get("repeat-spread")
    assert (one is not None) is hit


def timed(*scans: tuple[str, Any]) -> list[dict[str, Any]]:
    return [
        {"scan_number": n, "taken_at": f"2026-11-18T{clock}+00:00", "volume": {"value": value, "unit": "mL"},
         "centring": "centred", "pubic_shadow": False}
        for n, (clock, value) in enumerate(scans, 1)
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("scans", "hit"),
    [
        ((("10:42:00", 100), ("10:52:00", 300)), False),  # 20 mL/min exactly
        ((("10:42:00", 100), ("10:52:00", 301)), True),
        ((("10:52:00", 301), ("10:42:00", 100)), True),
        ((("10:42:00", 300), ("10:52:00", 100)), False),
        ((("10:42:00", 100), ("10:43:00", 145)), False),  # a repeat: 25 mL of scatter and 20 mL/min
        ((("10:42:00", 100), ("10:43:00", 146)), True),
        ((("10:42:00", 300), ("10:43:00", 388)), False),  # scatter 20 % of the mean: 68.9 + 20 mL
        ((("10:42:00", 300), ("10:43:00", 389)), True),
        ((("10:42:00", 305), ("10:43:00", 395)), False),  # 20 % of 350 is 70, and 20 mL
        ((("10:42:00", 305), ("10:43:00", D("395.1"))), True),
        ((("10:42:00", 100), ("10:42:00", 125)), False),
    ],
)
def test_filling_rate_within_an_exam(exam: Exam, scans: Any, hit: bool) -> None:
    record = exam(scans=timed(*scans), reported_scan=1)
    assert ("filling-rate" in found(record)) is hit


@pytest.mark.parametrize("comparator", ["<", ">"])
def test_filling_rate_only_of_volumes_measured(exam: Exam, comparator: str) -> None:
    scans = timed(("10:42:00", 100), ("10:52:00", 301))
    for scan in scans:
        scan["volume"]["comparator"] = comparator
        assert "filling-rate" not in found(exam(scans=scans, reported_scan=1))
        del scan["volume"]["comparator"]
    assert "filling-rate" in found(exam(scans=scans, reported_scan=1))


def test_filling_rate_not_across_a_void(exam: Exam) -> None:
    scans = timed(("10:42:00", 100), ("10:52:00", 400))
    assert "filling-rate" in found(exam(scans=scans, reported_scan=1))
    for clock in ("10:42:00", "10:45:00", "10:52:00"):
        assert "filling-rate" not in found(exam(scans=scans, reported_scan=1, voided_at=f"2026-11-18T{clock}Z"))


@pytest.mark.parametrize("volume", [150, 186, 250, 333, 400])
def test_area_below_the_sphere_only_beyond_the_digits(exam: Exam, volume: int) -> None:
    """The greatest area that `A` can stand for against the sphere of the least volume that `V` can stand for."""
    least = geometry.sphere_area(volume - 0.5)
    plausible = math.ceil(least - 0.5)
    assert "area-below-sphere" not in found(exam(volumes=[volume], wall=wall(area=plausible)))
    assert "area-below-sphere" in found(exam(volumes=[volume], wall=wall(area=plausible - 1)))
    fine = math.ceil((geometry.sphere_area(volume - 0.05) - 0.005) * 100) / 100
    record = exam(volumes=[D(f"{volume}.0")], wall=wall(area=f"{fine:.2f}"))
    assert "area-below-sphere" not in found(record)
    record = exam(volumes=[D(f"{volume}.0")], wall=wall(area=f"{fine - 0.01:.2f}"))
    assert "area-below-sphere" in found(record)


def test_area_at_its_bounds(exam: Exam) -> None:
    """The sphere's itself (isoperimetric theorem) and twice it (our suggestion): plausible, a last place more not."""
    least, greatest = geometry.sphere_area(185.5), 2 * geometry.sphere_area(186.5)
    for area, kind, hit in (
        (least, "area-below-sphere", False), (math.nextafter(least, 0), "area-below-sphere", True),
        (greatest, "area-far-above-sphere", False), (math.nextafter(greatest, 999), "area-far-above-sphere", True),
    ):  # fmt: skip
        assert (kind in found(exam(wall=wall(area=exactly(area))))) is hit


@pytest.mark.parametrize(("area", "sphericity"), [(0, ""), ("0.5", ", sphericity 9.672"), (1, ", sphericity 4.836")])
def test_area_around_1_ml(exam: Exam, area: Any, sphericity: str) -> None:
    """A sphere of 0.5 mL has 3.05 cm2, of 1 mL (36π)^(1/3) = 4.836 cm2 (geometry)."""
    one = found(exam(volumes=[1], wall=wall(area=area)))["area-below-sphere"]
    assert one.expected == "at least 3.0 cm2 around 1 mL"
    assert one.found == f"{area} cm2{sphericity}"


def test_area_in_mm2_by_mistake_and_absent_or_bounded_volumes(exam: Exam) -> None:
    assert "area-below-sphere" in found(exam(wall=wall(surface_area=quantity(164, "mm2"))))
    assert "area-below-sphere" not in found(exam(volumes=[None], wall=wall(area=1)))
    assert "area-below-sphere" not in found(exam(volumes=["<186"], wall=wall(area=1)))
    assert "area-below-sphere" in found(exam(volumes=[">186"], wall=wall(area=100)))
    assert "area-below-sphere" in found(exam(wall=wall(area=0, thickness=2)))
    assert "area-below-sphere" not in found(exam(wall=wall(area=-1)))  # impossible by itself
    assert "area-below-sphere" not in found(exam(wall=wall(area="-0.1")))
    assert "area-below-sphere" not in found(exam(volumes=[0], wall=wall(area=0)))
    litre = [{"scan_number": 1, "volume": quantity("0.186", "L")}]
    assert "area-below-sphere" in found(exam(scans=litre, wall=wall(area=100)))
    assert "area-below-sphere" not in found(
        exam(volumes=[186, 20], wall=wall(area=100, scan_number=2), reported_scan=1)
    )


@given(st.integers(20, 1000), st.floats(1, 3), st.floats(1, 3), st.integers(-1, 2))
def test_a_true_ellipsoid_is_never_below_the_sphere(volume: int, p: float, q: float, places: int) -> None:
    """Area and volume of one ellipsoid, rounded to any number of places, give no finding: the digits explain it."""
    from fhir_bladder.exam import load

    k = (volume / (math.pi / 6 * p * q)) ** (1 / 3)
    area = D(repr(geometry.ellipsoid_surface(k, k * p, k * q))).quantize(D(1).scaleb(-max(places, 0)))
    record = load(
        {
            "record_version": "1", "exam_number": "1", "device": {"serial": "HT-1"}, "void_state": "unspecified",
            "started_at": "2026-11-18T10:42:00Z", "wall": {"surface_area": {"value": area, "unit": "cm2"}},
            "scans": [{"scan_number": 1, "volume": {"value": volume, "unit": "mL"}}],
        }
    )  # fmt: skip
    assert "area-below-sphere" not in {one.id for one in findings(record, now=NOW)}


def test_mass_bounds_from_the_digits(exam: Exam) -> None:
    """[A·t·0.95 … Steiner bound·1.06·1.01], each number as far off as it is written."""
    low = 163.5 * 2.395 / 10 * 0.95
    high = mass.steiner_volume(164.5, 2.405) * 1.06 * 1.01
    for grams, hit in (
        (math.ceil((low - 0.05) * 10) / 10, False),
        (math.ceil((low - 0.05) * 10) / 10 - 0.1, True),
        (math.floor((high + 0.05) * 10) / 10, False),
        (math.floor((high + 0.05) * 10) / 10 + 0.1, True),
    ):
        one = found(exam(wall=wall(thickness="2.40", area=164, grams=f"{grams:.1f}"))).get("mass-implausible")
        assert (one is not None) is hit
        if one:
            assert f"implied density {grams / (164 * 0.24):.3f} g/mL" in one.found


def test_mass_at_its_bounds(exam: Exam) -> None:
    """A thickness of 2 mm stands for 1.5 to 2.5; a mass of so many digits for itself."""
    low, high = 163.5 * 1.5 / 10 * 0.95, mass.steiner_volume(164.5, 2.5) * 1.06 * 1.01
    for grams, hit in (
        (low, False), (math.nextafter(low, 0), True), (high, False), (math.nextafter(high, 99), True),
    ):  # fmt: skip
        assert ("mass-implausible" in found(exam(wall=wall(2, 164, exactly(grams))))) is hit


def test_mass_of_every_seen_model_is_plausible(exam: Exam, checks: dict[str, Any]) -> None:
    """Shell and product masses of the check values (density 0.957) stay inside, also as whole grams."""
    for case in checks["mass"]["cases"]:
        area = f"{geometry.sphere_area(case['V_mL']):.1f}"
        for grams in (case["shell_g_0957"], case["product_g_0957_sphere_area"]):
            for written in (f"{grams:.1f}", f"{grams:.0f}"):
                record = exam(volumes=[case["V_mL"]], wall=wall(case["T_mm"], area, written))
                assert "mass-implausible" not in found(record)


def test_mass_is_not_judged_without_an_area_or_from_the_detrusor(exam: Exam) -> None:
    assert "mass-implausible" in found(exam(wall=wall(2, 164, 90)))
    assert "mass-implausible" not in found(exam(wall=wall(2, None, 90)))
    assert "mass-implausible" not in found(exam(wall=wall(None, 164, 90)))
    assert "mass-implausible" not in found(exam(wall=wall(2, 164, 90, layer="detrusor")))
    assert "mass-implausible" not in found(exam(wall=wall(0, 164, 90)))
    assert "mass-implausible" not in found(exam(wall=wall(2, 0, 90)))
    assert "mass-implausible" not in found(exam(wall=wall(2, 164)))
    assert "mass-implausible" in found(exam(wall=wall(1, 164, 90)))
    assert "mass-implausible" in found(exam(wall=wall(2, 1, 90)))
    caliper = wall(None, 164, 90, caliper_thickness=quantity(2, "mm"))
    assert "mass-implausible" in found(exam(wall=caliper))


@pytest.mark.parametrize(
    ("value", "unit", "hit"),
    [("0.5", "mm", False), ("0.49", "mm", True), ("15", "mm", False), ("15.1", "mm", True), ("1.5", "cm", False),
     ("2.4", "cm", True), ("0", "mm", True), ("-1", "mm", False)],
)  # fmt: skip
def test_thickness(exam: Exam, value: str, unit: str, hit: bool) -> None:
    for name in ("thickness", "caliper_thickness"):
        one = found(exam(wall={"scan_number": 1, name: quantity(value, unit)})).get("thickness-implausible")
        assert (one is not None) is hit
        if one:
            assert one.field == f"wall.{name}"


@pytest.mark.parametrize(
    ("uterus", "hysterectomy", "gender", "hit"),
    [(True, True, "female", True), (True, None, "male", True), (True, False, "female", False),
     (True, None, None, False),
     (False, True, "male", False), (None, True, "male", False), (True, None, "other", False),
     (True, True, None, True)],
)  # fmt: skip
def test_uterus(exam: Exam, uterus: Any, hysterectomy: Any, gender: Any, hit: bool) -> None:
    patient = {"identifiers": [{"system": "https://x.example", "value": "1"}], "birth_date": "1951-03-09"}
    if gender:
        patient["administrative_gender"] = gender
    assert ("uterus-mismatch" in found(exam(uterus_present=uterus, hysterectomy=hysterectomy, patient=patient))) is hit


@pytest.mark.parametrize(
    ("volume", "catheter", "hit"),
    [(100, True, False), (101, True, True), (">100", True, True), (">99", True, False), ("<500", True, False),
     (500, False, False), (500, None, False), (None, True, False)],
)  # fmt: skip
def test_catheter(exam: Exam, volume: Any, catheter: Any, hit: bool) -> None:
    one = found(exam(volumes=[volume], catheter_in_place=catheter)).get("catheter-large-volume")
    assert (one is not None) is hit
    if one:
        assert one.found == f"{volume} mL"


@pytest.mark.parametrize(
    ("state", "attempt", "hit"),
    [("post-void", "not-attempted", True), ("post-void", "unable", False), ("post-void", "voided", False),
     ("pre-void", "not-attempted", False), ("unspecified", "not-attempted", False), ("post-void", None, False)],
)  # fmt: skip
def test_post_void_without_void(exam: Exam, state: str, attempt: Any, hit: bool) -> None:
    assert ("post-void-without-void" in found(exam(void_state=state, void_attempt=attempt))) is hit


@pytest.mark.parametrize(
    ("attempt", "changes", "hit"),
    [(None, {}, True), ("unknown", {}, True), ("unable", {}, False), (None, {"voided_at": "2026-11-18T10:00Z"}, False),
     (None, {"voided_volume": {"value": 1, "unit": "mL"}}, False), (None, {"void_state": "pre-void"}, False),
     (None, {"earlier_voids": [{"at": "2026-11-18T10:00Z"}]}, False)],
)  # fmt: skip
def test_void_not_recorded(exam: Exam, attempt: Any, changes: Any, hit: bool) -> None:
    fields = {"voided_at": None, "voided_volume": None, "void_measured": None, "void_attempt": attempt, **changes}
    assert ("void-not-recorded" in found(exam(**fields))) is hit


def graded(*grades: tuple[str | None, bool | None, bool]) -> list[dict[str, Any]]:
    return [
        {"scan_number": n, "centring": centring, "pubic_shadow": shadow,
         **({"volume": {"value": 186, "unit": "mL"}} if volume else {"absent_reason": "failed"})}
        for n, (centring, shadow, volume) in enumerate(grades, 1)
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("reported", "other", "hit"),
    [
        (("partly-centred", False, True), ("centred", False, True), True),
        (("not-centred", False, True), ("partly-centred", False, True), True),
        (("centred", True, True), ("centred", False, True), True),
        (("centred", True, True), ("partly-centred", False, True), False),
        (("partly-centred", False, True), ("centred", True, True), False),
        (("partly-centred", True, True), ("centred", True, True), True),
        (("partly-centred", None, True), ("centred", None, True), True),
        (("partly-centred", False, True), ("centred", None, True), False),
        (("partly-centred", None, True), ("centred", False, True), True),
        (("partly-centred", None, True), ("centred", True, True), False),
        (("centred", False, True), ("centred", False, True), False),
        (("unknown", None, True), ("centred", False, True), False),
        ((None, True, True), (None, False, True), True),
        (("partly-centred", False, True), ("centred", False, False), False),
        (("partly-centred", True, True), ("unknown", False, True), False),
    ],
)
def test_better_scan(exam: Exam, reported: Any, other: Any, hit: bool) -> None:
    assert ("better-scan-exists" in found(exam(scans=graded(reported, other), reported_scan=1))) is hit
    assert ("better-scan-exists" in found(exam(scans=graded(other, reported), reported_scan=2))) is hit


def test_better_scan_says_how_each_was(exam: Exam) -> None:
    scans = graded(("partly-centred", True, True), ("centred", False, True))
    one = found(exam(scans=scans, reported_scan=1))["better-scan-exists"]
    assert one.found == "scan 1 partly-centred, shadowed, scan 2 centred, free of shadow"
    scans = graded((None, True, True), (None, False, True))
    one = found(exam(scans=scans, reported_scan=1))["better-scan-exists"]
    assert one.found == "scan 1 centring unknown, shadowed, scan 2 centring unknown, free of shadow"


# Notes


@pytest.mark.parametrize(
    ("volume", "hit"), [(149, True), (150, False), (400, False), (401, True), (None, True), (">300", True)]
)
def test_outside_filling_range(exam: Exam, volume: Any, hit: bool) -> None:
    one = found(exam(volumes=[volume], wall=wall(thickness=2))).get("outside-filling-range")
    assert (one is not None) is hit
    if one:
        assert "150–400 mL" in one.expected
        assert one.found == ("unknown" if volume is None else f"{volume} mL")
    assert "outside-filling-range" not in found(exam(volumes=[volume]))
    probe = {"probe_frequency": quantity(3, "MHz")}
    assert "outside-filling-range" not in found(exam(volumes=[volume], wall=probe))


@pytest.mark.parametrize("name", ["thickness", "caliper_thickness", "surface_area", "mass"])
def test_each_wall_value_is_remarked(exam: Exam, name: str) -> None:
    unit = {"surface_area": "cm2", "mass": "g"}.get(name, "mm")
    assert "outside-filling-range" in found(
        exam(volumes=[20], wall={name: quantity(300 if unit == "cm2" else 2, unit)})
    )


@pytest.mark.parametrize("years", range(25))
def test_no_filling_range_below_18(exam: Exam, years: int) -> None:
    patient = {"identifiers": [{"system": "https://x.example", "value": "1"}], "birth_date": f"{2026 - years}-11-18"}
    ids = found(exam(volumes=[20], patient=patient, wall=wall(thickness=2)))
    assert ("outside-filling-range" in ids) is (years >= 18)
    assert "age-unknown" not in ids
    assert "before-birth" not in ids


def test_age_unknown(exam: Exam) -> None:
    patient = {"identifiers": [{"system": "https://x.example", "value": "1"}]}
    assert "age-unknown" in found(exam(patient=patient, wall=wall(thickness=2)))
    assert "age-unknown" not in found(exam(patient=patient))


@pytest.mark.parametrize(
    ("volume", "centring", "hit"),
    [(0, None, True), (0, "unknown", True), (0, "centred", False), (0, "not-centred", False), (1, None, False),
     (None, None, False)],
)  # fmt: skip
def test_zero_volume(exam: Exam, volume: Any, centring: Any, hit: bool) -> None:
    scan: dict[str, Any] = {"scan_number": 1, "centring": centring}
    scan |= {"absent_reason": "not-seen"} if volume is None else {"volume": {"value": volume, "unit": "mL"}}
    assert ("zero-volume" in found(exam(scans=[scan]))) is hit


@pytest.mark.parametrize(
    ("started", "hit"),
    [("2026-11-18T00:00:00+00:00", True), ("2026-11-18T00:00+02:00", True), ("2026-11-18T00:00:01+00:00", False),
     ("2026-11-18T00:00:00.5+00:00", False), ("2026-11-18T00:00:00.0+00:00", True),
     ("2026-11-18T00:01:00+00:00", False), ("2026-11-18T10:00:00+00:00", False),
     ("2026-11-18T12:00:00+00:00", False), ("2026-11-18T01:00:00+01:00", False)],
)  # fmt: skip
def test_midnight_is_local(exam: Exam, started: str, hit: bool) -> None:
    record = exam(started_at=started, voided_at=None, verified=None)
    assert ("midnight-time" in found(record)) is hit
    voided = found(exam(voided_at="2026-11-18T00:00:00+00:00"))["midnight-time"]
    assert voided.field == "voided_at"


def test_result_not_stated(exam: Exam) -> None:
    one = found(exam(volumes=[180, 186]))["result-not-stated"]
    assert "scan 2 of 2" in one.found
    none = found(exam(scans=graded((None, None, True), (None, None, True))))["result-not-stated"]
    assert none.found == "several scans, none chosen"
    assert (one.hint, none.hint) == ("", "state reported_scan")
    assert "result-not-stated" not in found(exam())
    assert "result-not-stated" not in found(exam(volumes=[180, 186], choice_rule="last"))


def test_limits_are_the_sites(exam: Exam) -> None:
    site = Settings(
        large_volume=D(150), thickness_low=D(3), catheter_volume=D(10), spread_volume=D(1), spread_percent=D(1)
    )
    ids = found(exam(volumes=[186, 190], reported_scan=1, wall=wall(thickness=2), catheter_in_place=True), site)
    assert {"volume-large", "thickness-implausible", "catheter-large-volume", "repeat-spread"} <= set(ids)


@pytest.mark.parametrize(("text", "half"), [("164", 0.5), ("164.0", 0.05), ("2.40", 0.005), ("1E+2", 50.0)])
def test_half_steps(text: str, half: float) -> None:
    assert half_step(Area(value=D(text), unit="cm2")) == pytest.approx(half)
    low, high = span(Area(value=D(text), unit="mm2"))
    assert (high - low) == pytest.approx(half / 100 * 2)
