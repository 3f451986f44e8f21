"""Repeatability and agreement against check values, analysis of variance and simulation; scipy is needed."""

from __future__ import annotations

import builtins
import math
from collections.abc import Callable
from typing import Any

import pytest

from fhir_bladder.errors import ConfigError
from fhir_bladder.exam import ExamRecord
from fhir_bladder.measurement import statistics
from fhir_bladder.measurement.statistics import (
    Excluded,
    Referred,
    at_standard_filling,
    bland_altman,
    catheter_agreement,
    repeatability,
    scans_against_catheter,
    thickness_agreement,
    thicknesses,
)

np = pytest.importorskip("numpy", reason="needs the extra `stats`")
stats = pytest.importorskip("scipy.stats", reason="needs the extra `stats`")
Exam = Callable[..., ExamRecord]


def test_check_values(checks: dict[str, Any]) -> None:
    case = checks["repeatability"]
    first, second = zip(*case["pairs"], strict=True)
    repeated = repeatability(case["pairs"])
    assert repeated.within_sd == pytest.approx(case["sw"], abs=5.1e-7)
    assert repeated.coefficient == pytest.approx(case["rc"], rel=2e-5)  # 1.96 there, the exact quantile here
    agreement = bland_altman(first, second)
    assert agreement.bias == pytest.approx(case["bias"], abs=1e-12)
    assert agreement.sd == pytest.approx(case["sd"], abs=5.1e-7)
    assert agreement.lower == pytest.approx(case["loa"][0], rel=2e-5)
    assert agreement.upper == pytest.approx(case["loa"][1], rel=4e-5)
    assert (agreement.pairs, agreement.subjects, repeated.subjects, repeated.readings) == (5, 5, 5, 10)


def test_within_sd_is_the_residual_of_an_analysis_of_variance() -> None:
    groups = [[10, 12, 11], [20, 23], [5, 5.5, 6, 4], [9]]
    result = repeatability(groups)
    used = [np.array(group) for group in groups[:3]]
    n, k = sum(map(len, used)), len(used)
    f = stats.f_oneway(*used).statistic
    grand = np.concatenate(used).mean()
    between = sum(len(group) * (group.mean() - grand) ** 2 for group in used) / (k - 1)
    assert result.within_sd**2 == pytest.approx(between / f, rel=1e-12)
    assert (result.subjects, result.readings) == (3, 9)
    low, high = result.within_sd_interval
    freedom = n - k
    assert stats.chi2.cdf(freedom * result.within_sd**2 / low**2, freedom) == pytest.approx(0.975)
    assert stats.chi2.cdf(freedom * result.within_sd**2 / high**2, freedom) == pytest.approx(0.025)
    assert result.coefficient_interval.low < result.coefficient < result.coefficient_interval.high
    assert result.coefficient == pytest.approx(stats.norm.ppf(0.975) * math.sqrt(2) * result.within_sd)


def test_variance_with_repeats_is_the_classical_sum_of_components() -> None:
    """Balanced data: total = s²_between (ANOVA) + s²_within, Bland and Altman 2007."""
    rng = np.random.default_rng(3)
    table = rng.normal(5, 10, (20, 1)) + rng.normal(0, 4, (20, 3))
    within = table.var(axis=1, ddof=1).mean()
    between = (3 * table.mean(axis=1).var(ddof=1) - within) / 3
    result = bland_altman(table.ravel(), np.zeros(60), [n for n in range(20) for _ in range(3)])
    assert result.sd**2 == pytest.approx(between + within, rel=1e-12)
    assert result.bias == pytest.approx(table.mean(), rel=1e-12)
    assert (result.pairs, result.subjects) == (60, 20)


def test_intervals_without_repeats_against_the_exact_ones() -> None:
    """Exact intervals of a limit by the noncentral t (Carkeet 2015, Optom Vis Sci 92:e71; from memory, high)."""
    values = np.random.default_rng(4).normal(3, 20, 60)
    result = bland_altman(values, np.zeros(60))
    mean, sd, n = values.mean(), values.std(ddof=1), 60
    low, high = stats.t.interval(0.95, n - 1, mean, sd / math.sqrt(n))
    assert result.bias_interval == pytest.approx((low, high), rel=1e-12)
    factors = [stats.nct.ppf(q, n - 1, stats.norm.ppf(0.975) * math.sqrt(n)) / math.sqrt(n) for q in (0.025, 0.975)]
    for ours, exact in zip(result.upper_interval, (mean + f * sd for f in factors), strict=True):
        assert ours == pytest.approx(exact, abs=0.02 * sd)
    for ours, exact in zip(result.lower_interval, (mean - f * sd for f in reversed(factors)), strict=True):
        assert ours == pytest.approx(exact, abs=0.02 * sd)


CARDIAC = {
    1: [(7.83, 6.57), (7.42, 5.62), (7.89, 6.90), (7.12, 6.57), (7.88, 6.35)],
    2: [(6.16, 4.06), (7.26, 4.29), (6.71, 4.26), (6.54, 4.09)],
    3: [(4.75, 4.71), (5.24, 5.50), (4.86, 5.08), (4.78, 5.02), (6.05, 6.01), (5.42, 5.67)],
    4: [(4.21, 4.14), (3.61, 4.20), (3.72, 4.61), (3.87, 4.68), (3.92, 5.04)],
}
"""Cardiac ejection by two methods in the first four subjects of Bland and Altman 2007, table 1."""


def test_intervals_with_repeats_against_a_published_example() -> None:
    """Zou 2013 on these four subjects: the values that the tests of the R package SimplyAgree (`agree_nest`) quote.

    They are quoted to two decimals and reached there within 1 %.
    """
    pairs = [(*pair, subject) for subject, found in CARDIAC.items() for pair in found]
    result = bland_altman(*zip(*pairs, strict=True))
    assert (result.pairs, result.subjects) == (20, 4)
    assert (result.bias, result.lower, result.upper) == pytest.approx((0.7255, -2.14, 3.59), abs=0.005)
    assert result.lower_interval == pytest.approx((-9.83, -0.33), rel=0.01)
    assert result.upper_interval == pytest.approx((1.77, 11.27), rel=0.01)


def test_intervals_with_repeats_worked_by_hand() -> None:
    """Zou 2013 with quantiles from printed tables: χ² of 3 and 16 degrees, t of 3, the normal; five pairs each.

    Means 1, 3, 5 and 7: variance 20/3. Within: squares 4 · 40 over 16 degrees, 10, of which 1 − 1/5 count: 8.
    """
    result = bland_altman(
        [mean + off for mean in (1, 3, 5, 7) for off in (-4, -2, 0, 2, 4)], [0] * 20, [n // 5 for n in range(20)]
    )
    between, share = 20 / 3, 8.0
    total = between + share
    assert (result.bias, result.sd) == pytest.approx((4, math.sqrt(total)), rel=1e-12)
    low = total - math.hypot(between * (1 - 3 / 9.3484), share * (1 - 16 / 28.8454))
    high = total + math.hypot(between * (3 / 0.21580 - 1), share * (16 / 6.9077 - 1))
    error = 1.95996 * math.sqrt(between / 4)
    inner = math.hypot(error, 1.95996 * (math.sqrt(total) - math.sqrt(low)))
    outer = math.hypot(error, 1.95996 * (math.sqrt(high) - math.sqrt(total)))
    upper = 4 + 1.95996 * math.sqrt(total)
    assert result.upper_interval == pytest.approx((upper - inner, upper + outer), rel=1e-4)
    assert result.lower_interval == pytest.approx((8 - upper - outer, 8 - upper + inner), rel=1e-4)
    assert result.bias_interval.high == pytest.approx(4 + 3.1824 * math.sqrt(between / 4), rel=1e-4)


@pytest.mark.parametrize("confidence", [0.01, 0.5, 0.95, 0.9999])
def test_every_confidence_gives_intervals_around_their_limits(confidence: float) -> None:
    for subjects in (None, [1, 1, 2]):
        result = bland_altman([1, 2, 4], [0, 0, 0], subjects, confidence=confidence)
        for name in ("bias", "lower", "upper"):
            interval = getattr(result, f"{name}_interval")
            assert -math.inf < interval.low < getattr(result, name) < interval.high < math.inf


@pytest.mark.parametrize(("between", "within", "repeats"), [(20.0, 10.0, 3), (5.0, 20.0, 2), (20.0, 0.0, 1)])
def test_intervals_cover_the_truth_with_unequal_repeats(between: float, within: float, repeats: int) -> None:
    """In 95 of 100 simulated studies, within what 400 studies allow (three standard errors: 3.3)."""
    rng = np.random.default_rng(5)
    hits = {"bias": 0, "lower": 0, "upper": 0}
    z = stats.norm.ppf(0.975)
    truth = math.hypot(between, within)
    for _ in range(400):
        subjects, differences = [], []
        for subject in range(25):
            offset = rng.normal(4, between)
            for _ in range(rng.integers(1, repeats + 1)):
                subjects.append(subject)
                differences.append(offset + rng.normal(0, within))
        result = bland_altman(differences, [0.0] * len(differences), subjects)
        hits["bias"] += result.bias_interval.low <= 4 <= result.bias_interval.high
        hits["lower"] += result.lower_interval.low <= 4 - z * truth <= result.lower_interval.high
        hits["upper"] += result.upper_interval.low <= 4 + z * truth <= result.upper_interval.high
    for count in hits.values():
        assert abs(count / 400 - 0.95) < 0.034, hits


@pytest.mark.parametrize("scale", [0.001, 1000])
def test_agreement_scales_with_the_unit(scale: float) -> None:
    values = np.random.default_rng(6).normal(3, 2, 30)
    subjects = [n // 2 for n in range(30)]
    one, other = bland_altman(values, values * 0, subjects), bland_altman(values * scale, values * 0, subjects)
    for name in ("bias", "sd", "lower", "upper", "bias_interval", "lower_interval", "upper_interval"):
        assert np.allclose(np.multiply(getattr(one, name), scale), getattr(other, name), rtol=1e-9), name


def test_confidence_widens() -> None:
    first, second = [1, 2, 3, 4, 6], [1, 1, 4, 2, 5]
    narrow, wide = (bland_altman(first, second, confidence=c) for c in (0.8, 0.99))
    assert (narrow.lower, narrow.upper, narrow.bias) == (wide.lower, wide.upper, wide.bias)
    for name in ("bias_interval", "lower_interval", "upper_interval"):
        one, other = getattr(narrow, name), getattr(wide, name)
        assert other.low < one.low < one.high < other.high
    assert repeatability([[1, 2], [3, 5]], confidence=0.8).within_sd_interval.high < (
        repeatability([[1, 2], [3, 5]], confidence=0.99).within_sd_interval.high
    )


def test_what_cannot_be_computed_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one subject"):
        repeatability([[1], [2]])
    with pytest.raises(ValueError, match="at least two subjects"):
        bland_altman([1, 2], [1, 2], ["a", "a"])
    with pytest.raises(ValueError, match="equally many"):
        bland_altman([1, 2], [1])
    with pytest.raises(ValueError, match="equally many"):
        bland_altman([1, 2], [1, 2], ["a"])


def test_without_the_extra_one_clear_line(monkeypatch: pytest.MonkeyPatch) -> None:
    real = builtins.__import__

    def without(name: str, *rest: Any) -> Any:
        if name in ("numpy", "scipy"):
            raise ImportError(name)
        return real(name, *rest)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(ConfigError, match="pip install"):
        statistics.repeatability([[1, 2]])
    with pytest.raises(ConfigError, match="pip install"):
        statistics.bland_altman([1, 2], [1, 3])


def drained(exam: Exam, number: int, scan: Any, volume: Any, at: str | None, **changes: Any) -> ExamRecord:
    fields = {"exam_number": str(number), "volumes": [scan], "catheterised_at": at,
              "catheterised_volume": {"value": volume, "unit": "mL"}}  # fmt: skip
    return exam(**fields | changes)


def test_scan_against_catheter_with_the_delay(exam: Exam) -> None:
    at = "2026-11-18T10:52:00+00:00"
    other = {"identifiers": [{"system": "https://x.example", "value": "8"}]}
    records = [
        drained(exam, 1, 186, 200, at),
        drained(exam, 2, 300, 310, at),
        drained(exam, 3, 186, 180, at, patient=other),
        drained(exam, 4, 186, 200, None),
        drained(exam, 5, 186, 200, "2026-11-18T10:41:00+00:00"),
        drained(exam, 6, ">999", 1200, at),
        drained(exam, 7, None, 20, at),
        drained(exam, 8, 186, 200, at, patient=None),
        drained(exam, 9, 186, 200, at, status="entered-in-error"),
        exam(exam_number="10"),
    ]
    compared, excluded = scans_against_catheter(records)
    assert [(one.key[1], one.scan, one.drained, one.minutes) for one in compared] == [
        ("1", 186, 200, 10), ("2", 300, 310, 10), ("3", 186, 180, 10),
    ]  # fmt: skip
    assert [one.key[1] for one in excluded] == ["4", "5", "6", "7", "8", "9"]
    agreement = catheter_agreement(compared)
    assert (agreement.pairs, agreement.subjects) == (3, 2)
    assert agreement.bias == pytest.approx((-12 + 6) / 2)
    assert agreement == bland_altman([186, 300, 186], [200, 310, 180], ["a", "a", "b"], confidence=0.95)
    mean = drained(exam, 11, 186, 200, at, volumes=[180, 190], choice_rule="mean")
    assert scans_against_catheter([mean])[0][0].scan == 185
    kept, left = scans_against_catheter(records[:1], longest_delay=10)
    assert (len(kept), left) == (1, [])
    kept, left = scans_against_catheter(records[:1], longest_delay=9)
    assert (kept, left[0].reason) == ([], "drained 10 min after the scan, more than 9")


def test_an_exam_is_of_the_first_identifier_stated(exam: Exam) -> None:
    two = {"identifiers": [{"system": f"https://{n}.example", "value": f"{n}"} for n in "12"]}
    (one,), _ = scans_against_catheter([drained(exam, 1, 186, 200, "2026-11-18T10:52:00Z", patient=two)])
    assert one.patient == ("https://1.example", "1")


def test_delay_runs_from_the_reported_scan(exam: Exam) -> None:
    scan = {"scan_number": 1, "taken_at": "2026-11-18T10:50:00Z", "volume": {"value": 186, "unit": "mL"}}
    compared, _ = scans_against_catheter([drained(exam, 1, 1, 200, "2026-11-18T10:52:00Z", volumes=None, scans=[scan])])
    assert compared[0].minutes == 2


def walls(
    exam: Exam, number: int, automatic: Any, caliper: Any, layer: str | None = "whole-wall", **changes: Any
) -> ExamRecord:
    measured: dict[str, Any] = {"scan_number": 1}
    if layer is not None:
        measured["layer"] = layer
    if automatic is not None:
        measured["thickness"] = {"value": automatic, "unit": "mm"}
    if caliper is not None:
        measured["caliper_thickness"] = {"value": caliper, "unit": "mm"}
    return exam(exam_number=str(number), wall=measured, **changes)


def test_automatic_against_caliper(exam: Exam) -> None:
    records = [
        walls(exam, 1, 2, 3),
        walls(exam, 2, 4, 3, patient={"identifiers": [{"system": "https://x.example", "value": "8"}]}),
        walls(exam, 3, 4, None),
        walls(exam, 4, None, 4),
        walls(exam, 5, 1, 2, "detrusor"),
        walls(exam, 6, 2, 3, status="cancelled"),
        exam(exam_number="7"),
        walls(exam, 8, 2, 3, patient=None),
    ]
    found = thicknesses(records)
    assert [(one.key[1], one.automatic, one.caliper, one.filling) for one in found] == [
        ("1", 2, 3, 186),
        ("2", 4, 3, 186),
    ]
    assert thickness_agreement(found).bias == 0
    assert thickness_agreement(found) == bland_altman([2, 4], [3, 3], confidence=0.95)
    assert [one.key[1] for one in thicknesses(records, layer="detrusor")] == ["5"]


@pytest.mark.parametrize(("volume", "filling"), [(200, 200), (0, 0), (None, None), (">200", None), ("<200", None)])
def test_thicknesses_come_with_a_filling_that_is_known(exam: Exam, volume: Any, filling: float | None) -> None:
    assert [one.filling for one in thicknesses([walls(exam, 1, 2, 3, volumes=[volume])])] == [filling]


def test_thickness_at_a_standard_filling(exam: Exam, checks: dict[str, Any]) -> None:
    """F5 of the clinical facts, CALC: the wall's volume constant, the lumen a sphere."""
    for case in checks["thickness_reference"]["cases"]:
        referred = at_standard_filling(walls(exam, 1, int(case["T0"]), None, volumes=[case["V0"]]), case["V"])
        assert isinstance(referred, Referred)
        assert referred.thickness == pytest.approx(case["T_exact"], abs=5.1e-7)
        assert (referred.measured, referred.measured_filling, referred.filling) == (case["T0"], case["V0"], case["V"])
        assert (referred.key[1], referred.method, referred.layer) == ("1", "automatic", "whole-wall")
        assert referred.model == "model: constant wall volume, sphere"


def test_thickness_at_a_standard_filling_takes_the_caliper_where_there_is_no_other(exam: Exam) -> None:
    both, caliper = at_standard_filling(walls(exam, 1, 2, 3), 200), at_standard_filling(walls(exam, 1, None, 3), 200)
    assert isinstance(both, Referred) and isinstance(caliper, Referred)
    assert (both.measured, both.method) == (2, "automatic")
    assert (caliper.measured, caliper.method) == (3, "caliper")
    for layer in ("unknown", None):
        unknown = at_standard_filling(walls(exam, 1, 2, None, layer), 200)
        assert isinstance(unknown, Referred) and unknown.layer == "unknown"


@pytest.mark.parametrize(("volume", "thickness", "filling"), [(200, 2, 0.5), (200, 0.5, 200), (0.5, 2, 200)])
def test_a_small_number_is_a_number(exam: Exam, volume: float, thickness: float, filling: float) -> None:
    assert isinstance(at_standard_filling(walls(exam, 1, thickness, None, volumes=[volume]), filling), Referred)


@pytest.mark.parametrize(
    ("wall", "changes", "reason"),
    [
        (None, {}, "no wall thickness was received"),
        ((None, None), {}, "no wall thickness was received"),
        ((2, None, "detrusor"), {}, "the thickness is of the detrusor alone"),
        ((0, None), {}, "the thickness is not above 0"),
        ((2, None), {"volumes": [None]}, "the volume of the wall's scan is unknown or not above 0"),
        ((2, None), {"volumes": [">200"]}, "the volume of the wall's scan is unknown or not above 0"),
        ((2, None), {"volumes": [0]}, "the volume of the wall's scan is unknown or not above 0"),
        ((2, None), {"patient": {"identifiers": [], "birth_date": "2008-11-19"}}, "the patient is a child"),
    ],
)  # fmt: skip
def test_no_referred_thickness_where_the_model_does_not_hold(exam: Exam, wall: Any, changes: Any, reason: str) -> None:
    record = exam(**changes) if wall is None else walls(exam, 1, *wall, **changes)
    assert at_standard_filling(record, 200) == Excluded(("HT-0093", record.exam_number), reason)


def test_the_thickness_of_a_mean_has_no_filling(exam: Exam) -> None:
    record = exam(wall={"thickness": {"value": 2, "unit": "mm"}}, volumes=[200, 210], choice_rule="mean")
    found = at_standard_filling(record, 200)
    assert isinstance(found, Excluded) and "unknown" in found.reason  # a mean is no scan of a wall


def test_at_18_years_a_thickness_is_referred(exam: Exam) -> None:
    adult = {"identifiers": [{"system": "https://x.example", "value": "8"}], "birth_date": "2008-11-18"}
    assert isinstance(at_standard_filling(walls(exam, 1, 2, None, patient=adult), 200), Referred)


def test_a_standard_filling_is_above_0(exam: Exam) -> None:
    for bad in (0, -1, math.inf, math.nan):
        with pytest.raises(ValueError, match="filling must be above 0"):
            at_standard_filling(walls(exam, 1, 2, None), bad)
