"""Voiding efficiency, capacities, balance, minutes, ages, rounding."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhir_bladder.measurement import voiding
from fhir_bladder.measurement.ages import age_range, is_child

millilitres = st.decimals(0, 5000, places=1)


def test_efficiency_check_values(checks: dict[str, Any]) -> None:
    for case in checks["efficiency"]["cases"]:
        value = voiding.efficiency(Decimal(case["voided"]), Decimal(case["pvr"]))
        assert value == (None if case["pct"] is None else Decimal(str(case["pct"])))


@given(millilitres, millilitres)
def test_efficiency_is_a_share(voided: Decimal, residual: Decimal) -> None:
    value = voiding.efficiency(voided, residual)
    if not voided and not residual:
        assert value is None
        return
    assert value is not None
    assert 0 <= value <= 100
    assert abs(Fraction(value) - Fraction(voided) / (Fraction(voided) + Fraction(residual)) * 100) < Fraction(1, 10**50)


def test_capacities_check_values(checks: dict[str, Any]) -> None:
    assert {str(age): voiding.expected_capacity(age) for age in range(4, 13)} == checks["capacity"]["cases"]
    assert {str(age): voiding.koff_capacity(age) for age in range(4, 13)} == checks["koff"]["cases"]


@pytest.mark.parametrize("age", [-1, 0, 3, 13, 40])
def test_capacity_only_from_4_to_12(age: int) -> None:
    assert voiding.expected_capacity(age) is None
    assert voiding.koff_capacity(age) is None


def test_emptied_fraction_and_balance() -> None:
    assert voiding.emptied_fraction(Decimal(400), Decimal(100)) == 75
    assert voiding.emptied_fraction(Decimal(100), Decimal(120)) == -20
    assert voiding.emptied_fraction(Decimal(0), Decimal(10)) is None
    assert voiding.balance(Decimal(400), Decimal(100), Decimal(290)) == 10
    assert voiding.balance(Decimal("400.5"), Decimal(100), Decimal("310.5")) == -10


def test_a_share_of_the_smallest_and_greatest_volumes_that_a_record_takes() -> None:
    """64 digits before and behind the point are what a record takes."""
    smallest, greatest = Decimal("1E-63"), Decimal("9" * 64)
    fraction = voiding.emptied_fraction(smallest, greatest)
    assert fraction is not None
    exact = (Fraction(smallest) - Fraction(greatest)) / Fraction(smallest) * 100
    assert voiding.one_decimal(fraction) == exact
    efficiency = voiding.efficiency(smallest, greatest)
    assert efficiency is not None and str(voiding.one_decimal(efficiency)) == "0.0"


@pytest.mark.parametrize(("first", "second"), [("-0.1", "5"), ("5", "-0.1")])
def test_negative_volumes_are_refused(first: str, second: str) -> None:
    for call in (voiding.efficiency, voiding.emptied_fraction):
        with pytest.raises(ValueError, match="at least 0"):
            call(Decimal(first), Decimal(second))


@pytest.mark.parametrize(
    ("seconds", "minutes"), [(0, 0), (29, 0), (30, 0), (31, 1), (90, 2), (150, 2), (420, 7), (-1, None), (-3600, None)]
)
def test_minutes_are_whole_halves_to_even(seconds: int, minutes: int | None) -> None:
    start = dt.datetime(2026, 3, 29, 0, 59, tzinfo=dt.timezone(dt.timedelta(hours=1)))
    end = (start + dt.timedelta(seconds=seconds)).astimezone(dt.timezone(dt.timedelta(hours=-5)))
    assert voiding.minutes_between(start, end) == minutes


@pytest.mark.parametrize(
    ("value", "text"), [("6.25", "6.2"), ("6.35", "6.4"), ("37.66752", "37.7"), ("0.05", "0.0"), ("100", "100.0")]
)
def test_one_decimal_halves_to_even(value: str, text: str) -> None:
    assert str(voiding.one_decimal(Decimal(value))) == text


def test_one_decimal_of_a_float_rounds_the_float_itself() -> None:
    assert str(voiding.one_decimal(0.25)) == "0.2"
    assert str(voiding.one_decimal(40.554737)) == "40.6"


@pytest.mark.parametrize(
    ("birth", "day", "ages"),
    [
        ("2008-11-18", "2026-11-18", (18, 18)),
        ("2008-11-19", "2026-11-18", (17, 17)),
        ("2008-12-01", "2026-11-30", (17, 17)),
        ("2008-02-29", "2026-02-28", (17, 17)),
        ("2008-02-29", "2026-03-01", (18, 18)),
        ("2008-11", "2026-11-30", (17, 18)),
        ("2008-10", "2026-11-01", (18, 18)),
        ("2008-12", "2026-11-30", (17, 17)),
        ("2008", "2026-12-31", (17, 18)),
        ("2026-11-18", "2026-11-18", (0, 0)),
        ("2026-11-19", "2026-11-18", (-1, -1)),
        ("2027", "2026-11-18", (-2, -1)),
        ("1890-01-01", "2026-11-18", (136, 136)),
        (None, "2026-11-18", None),
    ],
)
def test_ages(birth: str | None, day: str, ages: tuple[int, int] | None) -> None:
    assert age_range(birth, dt.date.fromisoformat(day)) == ages


@pytest.mark.parametrize(
    ("birth", "child"),
    [("2008-11-19", True), ("2008-11-18", False), ("2008-11", None), ("2008", None), ("2009", True), ("2007", False),
     (None, None)],
)  # fmt: skip
def test_child_or_not_or_unknown(birth: str | None, child: bool | None) -> None:
    assert is_child(birth, dt.date(2026, 11, 18)) is child


def test_adult_age_is_the_sites() -> None:
    assert is_child("2008-11-18", dt.date(2026, 11, 18), 19) is True
    assert is_child("2007-11-18", dt.date(2026, 11, 18), 19) is False
