"""Findings across the exams of a stream: boundary pairs, order, corrections, bounded memory."""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Callable, Iterable
from decimal import Decimal
from typing import Any

import pytest

from fhir_bladder.errors import Finding
from fhir_bladder.exam import ExamRecord, dump, load
from fhir_bladder.measurement import Settings
from fhir_bladder.measurement.checking import Checker, check
from fhir_bladder.measurement.patients import Courses, identity_of, surely_different

Exam = Callable[..., ExamRecord]
NOW = dt.datetime(2026, 11, 30, 12, tzinfo=dt.UTC)
MRN = "https://records.example/mrn"
START = dt.datetime(2026, 11, 18, 10, 0, tzinfo=dt.UTC)


@pytest.fixture
def at(exam: Exam) -> Callable[..., ExamRecord]:
    """An exam so many seconds after 10:00, of patient H7 unless said otherwise; pre-void without void."""

    def make(seconds: float, volume: Any = 186, number: Any = None, patient: str = "H7", **changes: Any) -> ExamRecord:
        fields: dict[str, Any] = {
            "exam_number": str(number if number is not None else f"x{seconds}-a"),
            "started_at": (START + dt.timedelta(seconds=seconds)).isoformat(),
            "patient": {"identifiers": [{"system": MRN, "value": patient}], "birth_date": "1951-03-09"},
            "void_state": "pre-void", "void_attempt": None, "voided_at": None, "voided_volume": None,
            "void_measured": None, "verified": None, "volumes": [volume],
        }  # fmt: skip
        return exam(**fields | changes)

    return make


def run(records: Iterable[ExamRecord], settings: Settings | None = None) -> list[Finding]:
    found = [one for one in check(records, now=NOW, settings=settings or Settings()) if isinstance(one, Finding)]
    for one in found:
        assert one.message and one.expected and one.found and one.source and one.exam_number
    return found


def ids(records: Iterable[ExamRecord]) -> list[str]:
    return [one.id for one in run(records)]


AFTER = {"void_state": "post-void", "void_attempt": "voided"}


# Two patients on one device


@pytest.mark.parametrize(("seconds", "hit"), [(0, True), (30, True), (31, False), (3600, False)])
def test_two_patients_within_seconds(at: Exam, seconds: int, hit: bool) -> None:
    first, second = at(0), at(seconds, number="b1-", patient="H8")
    for records in ([first, second], [second, first]):
        assert ("two-patients-within-seconds" in ids(records)) is hit


def test_two_patients_counts_from_the_last_scan(at: Exam) -> None:
    scans = [
        {"scan_number": n, "taken_at": f"2026-11-18T10:0{n}:00Z", "volume": {"value": 186, "unit": "mL"}}
        for n in (1, 4)
    ]
    record = at(0, scans=scans, volumes=None, reported_scan=1)
    assert "two-patients-within-seconds" in ids([record, at(270, patient="H8")])
    assert "two-patients-within-seconds" not in ids([record, at(271, patient="H8")])
    assert "two-patients-within-seconds" in ids([record, at(100, patient="H8")])


@pytest.mark.parametrize(
    ("identifiers", "birth", "hit"),
    [
        ([{"system": MRN, "value": "H7"}, {"system": "https://visit.example", "value": "1"}], "1951-03-09", False),
        ([{"system": "https://visit.example", "value": "1"}], "1951-03-09", False),  # nothing tells them apart
        ([{"system": "https://visit.example", "value": "1"}], "1960-01-01", True),
        ([{"system": "https://visit.example", "value": "1"}], "1960", False),
        ([{"system": MRN, "value": "H8"}], "1951-03-09", True),
        ([], "1960-01-01", False),
    ],
)
def test_only_surely_different_patients(at: Exam, identifiers: Any, birth: str, hit: bool) -> None:
    other = _with_patient(at, identifiers, birth)
    for records in ([at(0), other], [other, at(0)]):
        assert ("two-patients-within-seconds" in ids(records)) is hit
    one, two = identity_of(at(0)), identity_of(other)
    if one is not None and two is not None:
        assert surely_different(one, two) is surely_different(two, one) is hit


def _with_patient(at: Exam, identifiers: Any, birth: str) -> ExamRecord:
    data = dump(at(10, number="n-"))
    data["patient"] = {"identifiers": identifiers, "birth_date": birth}
    return load(data)


def test_other_device_or_the_same_exam_again(at: Exam) -> None:
    assert "two-patients-within-seconds" not in ids([at(0), at(10, patient="H8", device={"serial": "HT-2"})])
    assert "two-patients-within-seconds" not in ids([at(0, number="7-"), at(10, number="7-", patient="H8")])
    assert "two-patients-within-seconds" not in ids([at(0), at(10, patient="H8", status="entered-in-error")])


def test_overlapping_exams_are_0_s_apart(at: Exam) -> None:
    (one,) = run([at(0), at(0, number="b-", patient="H8")])
    assert "0 s apart" in one.found

    scans = [{"scan_number": 1, "taken_at": "2026-11-18T10:04:00Z", "volume": {"value": 186, "unit": "mL"}}]
    (one,) = run([at(0, scans=scans, volumes=None), at(100, patient="H8")])
    assert "0 s apart" in one.found


def test_each_neighbour_is_told_once_whatever_came_between(at: Exam) -> None:
    again = [at(0, number="a-"), at(0, number="a-", status="amended"), at(10, number="b-", patient="H8")]
    assert [one.found for one in run(again)] == ["exam a- of another patient 10 s apart"]
    two = [at(0, number="a-"), at(20, number="c-"), at(25, number="b-", patient="H8")]
    assert [one.found.split()[1] for one in run(two)] == ["a-", "c-"]


def test_eight_neighbours_are_remembered(at: Exam) -> None:
    """Memory is bounded: of a device the latest eight exams."""
    records = [at(0, number=f"n{n}-", patient=f"H{n}") for n in range(11)]
    found = [one.exam_number for one in run(records)]
    assert [found.count(f"n{n}-") for n in range(11)] == [0, 1, 2, 3, 4, 5, 6, 7, 8, 8, 8]


def test_two_patients_finding_names_no_patient(at: Exam) -> None:
    assert all("H7" not in str(one) and "H8" not in str(one) for one in run([at(0), at(10, patient="H8")]))


# Filling


@pytest.mark.parametrize(
    ("seconds", "low", "high", "hit"),
    [(3600, 100, 1300, False), (3600, 100, 1301, True), (600, 0, 200, False), (600, 0, 201, True),
     (60, 100, 145, False), (60, 100, 146, True), (3600, 1300, 100, False),
     (570, 100, 333, False), (570, 100, 334, True)],  # 190 mL, and 20 % of the mean for scatter
)  # fmt: skip
def test_filling_rate_between_exams(at: Exam, seconds: int, low: int, high: int, hit: bool) -> None:
    first, second = at(0, low), at(seconds, high)
    for records in ([first, second], [second, first]):
        assert ("filling-rate" in ids(records)) is hit


def test_filling_rate_only_without_a_void_or_drainage(at: Exam) -> None:
    first = at(0, 100)
    assert "filling-rate" in ids([first, at(3600, 1400)])
    void = {"voided_at": "2026-11-18T10:30:00Z"}
    assert "filling-rate" not in ids([first, at(3600, 1400, **void)])
    assert "filling-rate" not in ids([at(0, 100, catheterised_at="2026-11-18T10:05:00Z"), at(3600, 1400)])
    assert "filling-rate" not in ids([at(0, 100, action={"what": "catheterised", "at": "2026-11-18T10:05:00Z"}),
                                      at(3600, 1400)])  # fmt: skip
    assert "filling-rate" not in ids([at(0, 100, action={"what": "catheterised"}), at(3600, 1400)])
    assert "filling-rate" in ids([at(0, 100, action={"what": "escalated"}), at(3600, 1400)])
    after = {"what": "catheterised", "at": "2026-11-18T11:30:00Z"}
    assert "filling-rate" in ids([at(0, 100, action=after), at(3600, 1400)])
    assert "filling-rate" not in ids([at(0, 100, action=after, catheterised_at="2026-11-18T10:05:00Z"), at(3600, 1400)])
    assert "filling-rate" not in ids([first, at(3600, 1400, **AFTER)])
    for attempt in ("unable", "not-attempted"):
        assert "filling-rate" in ids([first, at(3600, 1400, void_state="post-void", void_attempt=attempt)])
    assert "filling-rate" not in ids([first, at(3600, 1400, void_state="post-void", void_attempt="unknown")])
    assert "filling-rate" in ids([first, at(3600, 1400, **AFTER, voided_at="2026-11-18T09:59:59Z")])  # void before both
    assert "filling-rate" not in ids([first, at(3600, 1400, patient="H8")])
    assert "filling-rate" not in ids([first, at(3600, "<1400")])
    assert "filling-rate" in ids([first, at(3600, ">1400")])
    assert "filling-rate" not in ids([at(0, ">100"), at(3600, 1400)])


def test_filling_rate_takes_minutes_as_written(at: Exam) -> None:
    """Times without seconds may be a minute off: 61 minutes allow 1,220 mL."""
    first = at(0, 100, started_at="2026-11-18T10:00+00:00")
    assert "filling-rate" not in ids([first, at(0, 1320, number="b-", started_at="2026-11-18T11:00+00:00")])
    more = at(0, Decimal("1320.1"), number="b-", started_at="2026-11-18T11:00+00:00")
    assert "filling-rate" in ids([first, more])
    assert "filling-rate" in ids([at(0, 100), at(0, 1321, number="b-", started_at="2026-11-18T11:00+00:00")])


def test_filling_rate_between_neighbours_in_time_only(at: Exam) -> None:
    """Each exam with the one right before and right after it, in whatever order they come."""
    low, middle, high = at(0, 100, number="a-"), at(3600, 700, number="b-"), at(3660, 1350, number="c-")
    for records in ([low, middle, high], [high, middle, low], [low, high, middle], [middle, high, low]):
        found = {one.found for one in run(records) if one.id == "filling-rate"}
        assert "700 mL in exam b-, 1350 mL in exam c-, 1 min later" in found
    later = [at(0, 100, number="a-"), at(7200, 200, number="c-"), at(3600, 1290, number="b-")]
    assert "filling-rate" not in ids(later)
    first = [at(0, 100, number="a-"), at(60, 1290, number="b-"), at(3600, 1290, number="c-")]
    for records in (first, first[::-1]):
        assert [one.found for one in run(records) if one.id == "filling-rate"] == [
            "100 mL in exam a-, 1290 mL in exam b-, 1 min later"
        ]


# Post-void above pre-void


@pytest.mark.parametrize(
    ("pre", "post", "hit"),
    [(100, 125, False), (100, 126, True), (270, 330, False), (270, 331, True), (400, 50, False), ("<100", 126, True),
     ("<100", 125, False), (270, Decimal("330.5"), True), (100, ">126", True), (100, ">120", False),
     (">400", 900, False), (100, "<500", False)],
)  # fmt: skip
def test_post_void_above_pre_void(at: Exam, pre: Any, post: Any, hit: bool) -> None:
    """Beyond the scatter of repeats, 25 mL or 20 % of their mean (our suggestion)."""
    first, second = at(0, pre), at(1200, post, **AFTER)
    for records in ([first, second], [second, first]):
        assert ("post-void-above-pre-void" in ids(records)) is hit


def test_post_above_pre_only_for_a_pair(at: Exam) -> None:
    def hit(*records: ExamRecord) -> bool:
        return "post-void-above-pre-void" in ids(records)

    pre, post = at(0, 100), at(1200, 300, **AFTER)
    assert hit(pre, post)
    assert hit(pre, at(3600, 300, **AFTER))
    assert not hit(pre, at(3601, 300, **AFTER))
    for attempt in ("unable", "not-attempted"):
        assert not hit(pre, at(1200, 300, void_state="post-void", void_attempt=attempt))
    assert not hit(pre, at(1200, 300))
    assert not hit(pre, at(1200, 300, void_state="unspecified"))
    assert not hit(pre, at(1200, 300, **AFTER, voided_at="2026-11-18T09:59:59Z"))
    assert hit(pre, at(1200, 300, **AFTER, voided_at="2026-11-18T10:10:00Z"))
    assert not hit(pre, at(600, 20, **AFTER), post)  # the pair is the nearer one
    assert hit(at(-600, 400, number="z-"), pre, post)
    assert not hit(at(-600, 10, number="z-"), at(0, 290), post)
    assert hit(pre, post, at(2400, 20, number="z-", **AFTER))
    assert not hit(pre, at(600, 90, **AFTER), post)
    late = [at(600, 20, number="y-", **AFTER), at(1200, 300, number="z-", **AFTER), pre]
    assert not hit(*late)  # the one right after it is the pair, though the other came too
    assert hit(pre, at(0, 300, number="b-", **AFTER))  # of one moment: as given
    assert not hit(at(0, 300, number="b-", **AFTER), pre)
    assert not hit(at(0, 100, patient="H8"), post)
    assert not hit(at(0, 100, void_state="unspecified"), post)


def test_a_pair_is_told_once(at: Exam) -> None:
    pre, post, other = at(600, 100), at(1200, 300, **AFTER), at(1800, 310, number="z-", **AFTER)
    for records in ([pre, post, other], [pre, post, at(0, 90, number="z-")], [pre, post, at(1201, 300, number="z-")]):
        assert ids(records).count("post-void-above-pre-void") == 1


def test_absent_volumes_between(at: Exam) -> None:
    assert ids([at(0, None), at(1200, 300, **AFTER)]) == []
    assert ids([at(0, 100), at(1200, None, **AFTER)]) == []
    assert ids([at(0, None), at(3600, 1300)]) == ["volume-large"]
    assert ids([at(0, 100), at(3600, None)]) == []
    for pair in ((None, 300), (300, None), (None, None), (">300", 30), (30, ">300"), ("<300", 30), (300, "<30")):
        assert ids([at(0, pair[0]), at(1200, pair[1])]) == []


# Tenfold


@pytest.mark.parametrize(
    ("seconds", "state", "hit"), [(1800, "pre-void", True), (1801, "pre-void", False), (600, "unspecified", False)]
)
def test_tenfold_between_exams(at: Exam, seconds: int, state: str, hit: bool) -> None:
    first, second = at(0, 300), at(seconds, 30, void_state=state)
    for records in ([first, second], [second, first]):
        assert ("repeat-tenfold" in ids(records)) is hit


def test_tenfold_not_across_a_void_or_patients(at: Exam) -> None:
    assert "repeat-tenfold" not in ids([at(0, 300), at(600, 30, voided_at="2026-11-18T10:05:00Z")])
    assert "repeat-tenfold" not in ids([at(0, 300), at(600, 30, patient="H8")])
    assert "repeat-tenfold" not in ids([at(0, 300), at(600, 32)])
    assert "repeat-tenfold" not in ids([at(0, 99), at(600, Decimal("9.9"))])
    assert "repeat-tenfold" in ids([at(0, 100), at(600, 10)])


# Gaps in exam numbers


def gaps(numbers: Iterable[str], at: Exam) -> list[str]:
    records = [at(600 * n, number=number, patient=f"H{n}") for n, number in enumerate(numbers)]
    found = [one.found for one in run(records) if one.id == "exam-number-gap"]
    assert all(one.endswith(" on device HT-0093") for one in found)
    return [one.removesuffix(" on device HT-0093") for one in found]


@pytest.mark.parametrize(
    ("numbers", "found"),
    [
        (["8", "9", "10"], []),
        (["8", "10"], ["9 missing"]),
        (["2026-00417", "2026-00421"], ["2026-00418 to 2026-00420 missing (3 exams)"]),
        (["0998", "1000"], ["999 missing"]),
        (["8", "11", "9"], ["10 missing"]),
        (["8", "12", "10"], ["9 missing", "11 missing"]),
        (["8", "10", "9"], []),
        (["8", "8", "9"], []),
        (["2026-7", "2027-1", "2027-2"], []),
        (["a", "b"], []),
        (["1", "1002"], ["2 to 1001 missing (1000 exams)"]),
        (["1", "1003"], []),  # not counted one by one
        (["5000", "1", "3"], ["2 missing"]),  # the counter was set anew
        (["1" * 19, "2"], []),
        (["2000", "1000", "1002"], []),  # 1,000 back is late
        (["2001", "1000", "1002"], ["1001 missing"]),  # 1,001 back is a counter set anew
        (["1", "4", "7", "2"], ["3 missing", "5 to 6 missing (2 exams)"]),
        (["٣", "٥"], []),  # not ASCII: no number as devices count
        (["a\n1", "a\n3"], ["a\n2 missing"]),
    ],
)
def test_gaps(at: Exam, numbers: list[str], found: list[str]) -> None:
    assert gaps(numbers, at) == found


def test_gaps_are_of_one_device(at: Exam) -> None:
    records = [at(0, number="1", patient="H1"), at(900, number="3", patient="H2", device={"serial": "HT-2"})]
    assert "exam-number-gap" not in ids(records)


def test_a_gap_is_reported_after_64_more_exams_and_once(at: Exam) -> None:
    checker = Checker(now=NOW)
    seen: list[tuple[int, str]] = []
    for n, number in enumerate(["1", *map(str, range(3, 80))]):
        found = checker.add(at(600 * n, number=number, patient=f"H{n}"))
        seen += [(n, one.found) for one in found if one.id == "exam-number-gap"]
    assert seen == [(65, "2 missing on device HT-0093")]
    assert [one.id for one in checker.close()] == []


def test_each_gap_waits_for_64_exams_of_its_own(at: Exam) -> None:
    checker = Checker(now=NOW)
    seen = []
    numbers = [1, *range(3, 13), *range(14, 90)]  # 2 is missing at the 2nd exam, 13 at the 12th
    for n, number in enumerate(numbers, 1):
        found = checker.add(at(600 * n, number=str(number), patient=f"H{n}"))
        seen += [(n, one.found) for one in found if one.id == "exam-number-gap"]
    assert seen == [(66, "2 missing on device HT-0093"), (76, "13 missing on device HT-0093")]


def test_a_ninth_prefix_ends_the_oldest_run(at: Exam) -> None:
    """Memory is bounded: of a device eight prefixes; the gaps of the one used longest ago are told at once."""
    checker = Checker(now=NOW)
    seen = []
    for n, prefix in enumerate("abcdefgahi"):
        for number in (1, 3) if prefix != "a" or n == 0 else (4,):
            found = checker.add(at(600 * n, number=f"{prefix}-{number}", patient=f"H{n}"))
            seen += [(prefix, one.found) for one in found if one.id == "exam-number-gap"]
    assert seen == [("i", "b-2 missing on device HT-0093")]
    assert len(checker._stream._devices["HT-0093"]._runs) == 8


def test_many_gaps_lose_none(at: Exam) -> None:
    numbers = [str(n) for n in range(1, 400, 2)]
    assert sorted(gaps(numbers, at), key=lambda text: int(text.split()[0])) == [
        f"{n} missing" for n in range(2, 399, 2)
    ]


def test_many_prefixes_lose_none(at: Exam) -> None:
    numbers = [f"{prefix}-{n}" for prefix in "abcdefghijklmn" for n in (1, 3)]
    assert sorted(gaps(numbers, at)) == [f"{prefix}-2 missing" for prefix in "abcdefghijklmn"]


def test_any_order_within_the_patience_leaves_no_gap(at: Exam) -> None:
    numbers = [str(n) for n in range(100, 150)]
    rest = numbers[1:]
    random.Random(8).shuffle(rest)
    assert gaps([numbers[0], *rest], at) == []


# Corrections


def test_a_newer_version_takes_the_place_of_the_older(at: Exam) -> None:
    wrong, right = at(0, 30, number="1-"), at(0, 300, number="1-", status="amended")
    later = at(600, 299, number="2-")
    assert "repeat-tenfold" in ids([wrong, later])
    assert "repeat-tenfold" not in ids([wrong, right, later])
    assert "repeat-tenfold" not in ids([wrong, at(0, 30, number="1-", status="entered-in-error"), later])
    assert "repeat-tenfold" not in ids([wrong, at(0, 300, number="9-", supersedes="1-"), later])
    assert "repeat-tenfold" not in ids([wrong, wrong])


def test_shared_identifier_makes_one_course(exam: Exam) -> None:
    courses = Courses(9)
    other = "https://visit.example"

    def of(*identifiers: tuple[str, str]) -> Any:
        listed = [{"system": system, "value": value} for system, value in identifiers]
        return courses.of(exam(patient={"identifiers": listed}))

    assert of((MRN, "1")) is of((MRN, "1"), (other, "9"))
    assert of((other, "9")) is of((MRN, "1"))
    assert of((MRN, "2")) is not of((MRN, "1"))
    assert courses.of(exam(patient=None)) is None


def test_the_patient_seen_longest_ago_is_forgotten_first(at: Exam) -> None:
    courses = Courses(2)
    first = courses.of(at(0, patient="H1"))
    second = courses.of(at(0, patient="H2"))
    assert courses.of(at(0, patient="H1")) is first
    courses.of(at(0, patient="H3"))
    assert courses.of(at(0, patient="H1")) is first
    assert courses.of(at(0, patient="H2")) is not second


def test_memory_is_bounded(exam: Exam, at: Exam) -> None:
    checker = Checker(now=NOW, patients=50)
    for n in range(300):
        checker.add(at(600 * n, number=f"{n}", patient=f"H{n}", device={"serial": f"HT-{n % 7}"}))
    assert len(checker._stream.courses) == 50
    course = checker._stream.courses.of(at(0, patient="H299"))
    for n in range(300):
        checker.add(at(600 * n, number=f"{n}", patient="H299"))
    assert course is not None
    assert len(course.entries) == 16
    assert [entry.moment for entry in course.entries] == sorted(entry.moment for entry in course.entries)


def test_devices_are_bounded(at: Exam) -> None:
    checker = Checker(now=NOW)
    for n in range(1010):
        checker.add(at(600 * n, number="1", patient=f"H{n}", device={"serial": f"HT-{n}"}))
    assert len(checker._stream._devices) == 1000


def test_a_forgotten_device_still_reports_its_gaps(at: Exam) -> None:
    checker = Checker(now=NOW)
    for number in ("1", "3"):
        checker.add(at(0, number=number, device={"serial": "HT-first"}))
    found = [
        one
        for n in range(1000)
        for one in checker.add(at(600 * n, number="1", patient=f"H{n}", device={"serial": f"HT-{n}"}))
    ]
    assert [one.found for one in found if one.id == "exam-number-gap"] == ["2 missing on device HT-first"]


def test_findings_of_the_exam_itself_come_first(at: Exam) -> None:
    found = Checker(now=NOW).add(at(0, Decimal(1200)))
    assert [one.id for one in found] == ["volume-large"]
