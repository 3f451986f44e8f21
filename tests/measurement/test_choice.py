"""Which scan is the result: the steps of the exam record's own rule, in their order."""

from __future__ import annotations

import statistics
from collections.abc import Callable
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhir_bladder.exam import ExamRecord
from fhir_bladder.measurement import choice, choose

Exam = Callable[..., ExamRecord]


def test_stated_scan_wins_over_every_rule(exam: Exam) -> None:
    for rule in ("operator", "last", "largest", None):
        record = exam(volumes=[100, 300, 200], reported_scan=1, choice_rule=rule)
        chosen = choose(record)
        assert (chosen.how, chosen.scan, chosen.value) == ("stated", record.scans[0], 100)
        assert chosen.text == "scan 1 of 3, stated as the result"


def test_stated_scan_without_volume(exam: Exam) -> None:
    chosen = choose(exam(volumes=[100, None], reported_scan=2))
    assert chosen.how == "stated"
    assert chosen.value is None
    assert chosen.scan is not None
    assert chosen.scan.absent_reason == "not-seen"


@pytest.mark.parametrize(
    ("rule", "value", "text"),
    [("last", "230", "scan 3 of 3, the last"), ("largest", "300", "scan 2 of 3, the largest"),
     ("median", "230", "median of scans 1, 2 and 3"), ("mean", "210", "mean of scans 1, 2 and 3")],
)  # fmt: skip
def test_rules(exam: Exam, rule: str, value: str, text: str) -> None:
    chosen = choose(exam(volumes=[100, 300, 230], choice_rule=rule))
    assert (chosen.how, chosen.value, chosen.text) == (rule, Decimal(value), text)
    assert (chosen.scan is None) == (rule in ("median", "mean"))
    assert chosen.note == ""


def test_every_way_has_its_word(exam: Exam) -> None:
    """The words stand in a ValueSet; each is reached, and no other."""
    found = [choose(exam(volumes=[100, 300], reported_scan=2)), choose(exam()), choose(exam(volumes=[100, 300])),
             choose(exam(volumes=[100, 300], choice_rule="largest", reported_scan=None)),
             choose(exam(scans=[{"scan_number": n, "absent_reason": "failed"} for n in (1, 2)])),
             *(choose(exam(volumes=[100, 300], choice_rule=rule)) for rule in ("last", "median", "mean"))]  # fmt: skip
    assert {one.how for one in found} == set(choice.HOW)


def test_operator_alone_chooses_none_and_the_next_steps_apply(exam: Exam) -> None:
    assert choose(exam(volumes=[100], choice_rule="operator")).how == "only"
    unclear = [{"scan_number": n, "volume": {"value": 100, "unit": "mL"}, "centring": "partly-centred"} for n in (1, 2)]
    chosen = choose(exam(scans=unclear, choice_rule="operator"))
    assert (chosen.how, chosen.scan, chosen.value, chosen.text) == ("none", None, None, "several scans, none chosen")
    assert choose(exam(volumes=[100, 120], choice_rule="operator")).how == "last-clear"


def test_only_scan_needs_no_quality(exam: Exam) -> None:
    scan = {"scan_number": 4, "absent_reason": "failed", "centring": "not-centred", "pubic_shadow": True}
    chosen = choose(exam(scans=[scan]))
    assert (chosen.how, chosen.value, chosen.text) == ("only", None, "the only scan")
    assert chosen.scan is not None


def test_last_clear_scan_with_a_note(exam: Exam) -> None:
    def scan(number: int, value: int, centring: str | None, shadow: bool | None) -> dict[str, object]:
        return {"scan_number": number, "volume": {"value": value, "unit": "mL"}, "centring": centring,
                "pubic_shadow": shadow}  # fmt: skip

    scans = [
        scan(2, 120, "centred", False),
        scan(1, 110, "centred", False),
        scan(3, 130, "centred", None),
        scan(4, 140, "unknown", False),
        scan(5, 150, "centred", True),
    ]
    chosen = choose(exam(scans=scans))
    assert (chosen.how, chosen.value) == ("last-clear", 120)
    assert chosen.text == "scan 2 of 5, the last one centred and free of pubic shadow"
    assert chosen.note == "no scan was stated as the result; " + chosen.text
    assert choose(exam(scans=scans[2:])).how == "none"


def test_last_is_the_highest_number_not_the_last_in_the_list(exam: Exam) -> None:
    scans = [{"scan_number": n, "volume": {"value": 100 + n, "unit": "mL"}} for n in (3, 1, 2)]
    assert choose(exam(scans=scans, choice_rule="last")).value == 103


def test_absent_scans_take_no_part_in_sizes(exam: Exam) -> None:
    assert choose(exam(volumes=[None, 100, 120], choice_rule="median")).value == 110
    assert choose(exam(volumes=[None, 100, 120], choice_rule="median")).text == "median of scans 2 and 3"
    assert choose(exam(volumes=[100, None], choice_rule="mean")).text == "mean of scan 1"
    assert choose(exam(volumes=[100, None], choice_rule="largest")).value == 100
    assert choose(exam(volumes=[100, None], choice_rule="last")).value is None
    for rule in ("median", "mean", "largest"):
        chosen = choose(exam(volumes=[None, None], choice_rule=rule))
        assert (chosen.how, chosen.value, chosen.text) == ("none", None, f"no scan has a volume to take the {rule} of")
        chosen = choose(exam(volumes=[None], choice_rule=rule))
        assert (chosen.how, chosen.scan is None) == ("only", False)


@pytest.mark.parametrize(
    ("volumes", "value"),
    [
        ([800, ">1500"], ">1500"),
        ([">1500", 800], ">1500"),
        ([">999", ">1500"], ">1500"),
        ([1600, ">1500"], None),
        ([1500, ">1500"], ">1500"),
        ([300, "<50"], "300"),
        (["<50", 300], "300"),
        ([40, "<50"], None),
        ([50, "<50"], "50"),
        (["<50", "<30"], None),
        (["<50"], "<50"),
        ([0, "<50"], "<50"),
        ([1, "<50"], None),
    ],
)
def test_largest_with_comparators_only_where_it_is_true(exam: Exam, volumes: list[object], value: str | None) -> None:
    chosen = choose(exam(volumes=volumes, choice_rule="largest"))
    told = None if chosen.value is None else f"{chosen.comparator or ''}{chosen.value:.0f}"
    assert told == value
    assert (chosen.how == "none") == (value is None)


def test_equal_largest_is_the_later(exam: Exam) -> None:
    chosen = choose(exam(volumes=[200, 200, 100], choice_rule="largest"))
    assert chosen.scan is not None
    assert chosen.scan.scan_number == 2


def test_comparator_and_other_units_are_kept(exam: Exam) -> None:
    chosen = choose(exam(volumes=[">1500"]))
    assert (chosen.value, chosen.comparator) == (1500, ">")
    litre = choose(exam(scans=[{"scan_number": 1, "volume": {"value": 0.186, "unit": "L"}}]))
    assert str(litre.value) == "186"


@pytest.mark.parametrize(
    ("values", "mean"),
    [
        (["171", "187"], "179"),
        (["171", "186"], "178.5"),
        (["100", "101", "101"], "100.7"),
        (["100", "100", "101"], "100.3"),
        (["1.10", "1.20"], "1.15"),
        (["1.10", "1.15"], "1.125"),
        (["100", "100.0"], "100.0"),
        (["1E+2", "100"], "100"),
        (["1E+2", "3E+2"], "200"),
    ],
)
def test_mean_rounds_once_to_one_digit_more(values: list[str], mean: str) -> None:
    assert str(choice.mean([Decimal(value) for value in values])) == mean


@given(st.lists(st.decimals(0, 5000, places=2), min_size=1, max_size=9))
def test_mean_and_median_against_exact_arithmetic(values: list[Decimal]) -> None:
    exact = sum(map(Fraction, values)) / len(values)
    assert abs(Fraction(choice.mean(values)) - exact) <= Fraction(1, 2000)
    assert Fraction(choice.median(values)) == statistics.median(map(Fraction, values))


@given(st.lists(st.integers(0, 2000), min_size=1, max_size=6), st.sampled_from([None, "operator", "last", "largest"]))
def test_result_is_always_one_of_the_scans_or_none(values: list[int], rule: str | None) -> None:
    from fhir_bladder.exam import load

    record = load(
        {
            "record_version": "1", "exam_number": "1", "device": {"serial": "HT-1"}, "void_state": "unspecified",
            "started_at": "2026-11-18T10:42:00Z", "choice_rule": rule,
            "scans": [{"scan_number": n, "volume": {"value": v, "unit": "mL"}} for n, v in enumerate(values, 1)],
        }
    )  # fmt: skip
    chosen = choose(record)
    assert chosen.how in choice.HOW
    assert chosen.scan is None or chosen.scan in record.scans
    assert (chosen.scan is None) == (chosen.how == "none")


def test_numbers_beyond_reason_give_no_mean_and_no_traceback(exam: Exam) -> None:
    chosen = choose(exam(volumes=[1e60, 1e-60], choice_rule="mean"))
    assert (chosen.how, chosen.value) == ("none", None)
