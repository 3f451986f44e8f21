"""Parts of one exam that contradict each other, and exams that contradict each other: pairs around each boundary.

The limits are our suggestions (Settings); diameters are arithmetic within the digits written.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest

from fhir_bladder.exam import ExamRecord
from fhir_bladder.measurement import Settings, findings
from fhir_bladder.measurement.checking import Checker

Exam = Callable[..., ExamRecord]
NOW = dt.datetime(2026, 11, 30, 12, tzinfo=dt.UTC)
MRN = "https://records.example/mrn"
D = Decimal


def ids(*records: ExamRecord, **more: Any) -> list[str]:
    checker = Checker(now=NOW, **more)
    return [one.id for record in records for one in checker.add(record)]


def mm(value: Any) -> dict[str, Any]:
    return {"value": D(str(value)), "unit": "mm"}


def fields(record: ExamRecord) -> list[str]:
    return [one.field for one in findings(record, now=NOW) if one.id == "time-order"]


SCAN = {"scan_number": 1, "volume": {"value": 186, "unit": "mL"}, "centring": "centred"}


# Times: the exam starts at 10:42:00, clocks may differ by five minutes


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"scans": [SCAN | {"taken_at": "2026-11-18T10:37:00Z"}]}, ""),
        ({"scans": [SCAN | {"taken_at": "2026-11-18T10:36:59Z"}]}, "scans.0.taken_at"),
        ({"scans": [SCAN | {"taken_at": "2026-11-18T12:42:00Z"}]}, ""),
        ({"scans": [SCAN | {"taken_at": "2026-11-18T12:42:01Z"}]}, "scans.0.taken_at"),
        ({"verified": {"by": "x", "at": "2026-11-18T10:37:00Z"}}, ""),
        ({"verified": {"by": "x", "at": "2026-11-18T10:36:59Z"}}, "verified.at"),
        ({"action": {"what": "escalated", "at": "2026-11-18T10:37:00Z"}}, ""),
        ({"action": {"what": "escalated", "at": "2026-11-18T10:36:59Z"}}, "action.at"),
        ({"action": {"what": "escalated"}}, ""),
        ({"catheterised_at": "2026-11-18T10:37:00Z"}, ""),
        ({"catheterised_at": "2026-11-18T10:36:59Z"}, "catheterised_at"),
        ({"catheter_removed_at": "2026-11-18T10:47:00Z"}, ""),
        ({"catheter_removed_at": "2026-11-18T10:47:01Z"}, "catheter_removed_at"),
        ({"catheter_removed_at": "2026-11-18T10:47:01Z", "catheter_in_place": False}, "catheter_removed_at"),
        ({"catheter_removed_at": "2026-11-18T14:00:00Z", "catheter_in_place": True}, ""),  # still in during the exam
        ({"earlier_voids": [{"at": "2026-11-18T10:35:00Z"}]}, ""),
        ({"earlier_voids": [{"at": "2026-11-18T09:00:00Z"}, {"at": "2026-11-18T10:35:01Z"}]}, "earlier_voids.1.at"),
        ({"earlier_voids": [{"at": "2026-11-18T10:36Z"}]}, ""),
        ({"earlier_voids": [{"at": "2026-11-18T10:37Z"}]}, "earlier_voids.0.at"),
        ({"earlier_voids": [{"at": "2026-11-18T10:36:00Z"}], "voided_at": "2026-11-18T10:35Z"}, ""),
        ({"earlier_voids": [{"at": "2026-11-18T10:41:00Z"}], "voided_at": None}, ""),
        ({"device": {"serial": "HT-1", "calibrated_on": "2026-11-19"}}, ""),  # today in another zone
        ({"device": {"serial": "HT-1", "calibrated_on": "2026-11-20"}}, "device.calibrated_on"),
    ],
)
def test_order_of_times(exam: Exam, changes: dict[str, Any], field: str) -> None:
    assert fields(exam(**{"voided_at": "2026-11-18T10:35:00Z"} | changes)) == ([field] if field else [])


def test_drained_counts_from_the_reported_scan(exam: Exam) -> None:
    scans = [SCAN | {"taken_at": "2026-11-18T11:00:00Z"}]
    assert fields(exam(scans=scans, catheterised_at="2026-11-18T10:55:00Z")) == []
    assert fields(exam(scans=scans, catheterised_at="2026-11-18T10:54:59Z")) == ["catheterised_at"]


def test_clock_changes_are_no_disorder(exam: Exam) -> None:
    """Lisbon, 25 Oct 2026: 01:50 summer time comes before 01:05 winter time; the offsets tell."""
    record = exam(started_at="2026-10-25T01:05:00+00:00", voided_at="2026-10-25T01:50:00+01:00",
                  verified={"by": "x", "at": "2026-10-25T01:10:00+00:00"})  # fmt: skip
    assert findings(record, now=NOW) == []
    wrong = exam(started_at="2026-10-25T01:05:00+00:00", voided_at="2026-10-25T01:50:00+00:00", verified=None)
    assert [one.id for one in findings(wrong, now=NOW)] == ["void-after-scan"]


# Diameters: 100 × 80 × 60 mm, the nearest whole millimetre each, 0.52


@pytest.mark.parametrize(
    ("volume", "hit"),
    # 0.515 · 9.95 · 7.95 · 5.95 = 242.38 and 0.525 · 10.05 · 8.05 · 6.05 = 256.96 mL
    [("241", True), ("241.8", True), ("242", False), ("242.4", False), ("250", False), ("257", False), ("257.1", True),
     ("258", True), (">257", False), (">258", True), ("<242", False), ("<241", True), ("<300", False), (">100", False)],
)  # fmt: skip
def test_volume_against_diameters(exam: Exam, volume: str, hit: bool) -> None:
    diameters = {"length": mm(100), "width": mm(80), "height": mm(60), "coefficient": D("0.52")}
    record = exam(volumes=[volume if volume[0] in "<>" else D(volume)], diameters=diameters)
    assert ("diameters-mismatch" in ids(record)) is hit


def test_a_mismatch_is_told_with_its_comparator(exam: Exam) -> None:
    diameters = {"length": mm(100), "width": mm(80), "height": mm(60), "coefficient": D("0.52")}
    [one] = findings(exam(volumes=[">258"], diameters=diameters), now=NOW)
    assert (one.expected, one.found) == ("a volume of 242 to 257 mL", ">258 mL")


def test_diameters_belong_to_their_scan(exam: Exam) -> None:
    diameters = {"length": mm(100), "width": mm(80), "height": mm(60), "coefficient": D("0.52")}
    for number, hit in ((None, True), (1, False), (2, True), (3, False)):
        one = exam(volumes=[250, 200], reported_scan=2, diameters=diameters | {"scan_number": number})
        assert ("diameters-mismatch" in ids(one)) is hit
    assert "diameters-mismatch" not in ids(exam(volumes=[None], diameters=diameters))
    assert "diameters-mismatch" in ids(
        exam(volumes=[250], diameters=diameters | {"length": {"value": 100, "unit": "cm"}})
    )


def test_diameters_that_cannot_be_say_so_otherwise(exam: Exam) -> None:
    diameters = {"length": mm(-100), "width": mm(80), "height": mm(60), "coefficient": D("0.52")}
    assert ids(exam(volumes=[250], diameters=diameters)) == ["value-impossible"]
    almost = diameters | {"length": mm("-0.4")}  # up to -0.35 mm: no body at all
    assert ids(exam(volumes=[250], diameters=almost)) == ["value-impossible"]
    thin = diameters | {"length": mm(0), "width": mm(10)}  # up to 0.525 · 0.05 · 1.05 · 6.05 = 0.17 mL
    assert "diameters-mismatch" not in ids(exam(volumes=["<1"], diameters=thin))
    zero = diameters | {"length": mm(0)}  # up to 0.5 mm: 0.525 · 0.05 · 8.05 · 6.05 = 1.28 mL
    assert "diameters-mismatch" not in ids(exam(volumes=[1], diameters=zero))
    assert "diameters-mismatch" in ids(exam(volumes=[2], diameters=zero))


# Ages


@pytest.mark.parametrize(
    ("birth", "told"),
    [("1905-11-19", ""), ("1905-11-18", "121 years"), ("1905", ""), ("1904", "121 years"), ("1905-11", ""),
     ("1905-10", "121 years"), (None, ""), ("1900-01-01", "126 years")],
)  # fmt: skip
def test_age(exam: Exam, birth: str | None, told: str) -> None:
    """A year alone counts as the least age it can mean."""
    record = exam(patient={"identifiers": [{"system": MRN, "value": "H7"}], "birth_date": birth})
    found = [one.found for one in findings(record, now=NOW) if one.id == "age-implausible"]
    assert found == ([told] if told else [])
    assert "age-implausible" not in ids(exam(patient=None))


def test_pregnancy(exam: Exam) -> None:
    def hit(gender: str | None = None, **changes: Any) -> bool:
        patient = {"identifiers": [{"system": MRN, "value": "H7"}], "administrative_gender": gender}
        return "pregnancy-mismatch" in ids(exam(patient=patient, **changes))

    assert hit("male", pregnant=True) and hit("female", pregnant=True, hysterectomy=True)
    assert not hit("female", pregnant=True, hysterectomy=False) and not hit("male", pregnant=False)
    assert not hit("male") and not hit(pregnant=True) and not hit(hysterectomy=True)
    assert "pregnancy-mismatch" not in ids(exam(patient=None, pregnant=True))


# Area and volumes


@pytest.mark.parametrize(
    ("volume", "area", "hit"),
    # spheres: 150.5 mL has 136.83 cm2, 200.5 mL 165.66 cm2
    [(200, 331, False), (200, "331.3", False), (200, "331.8", True), (200, 332, True), (150, 274, False),
     (150, 275, True), (149, 999, False), (">200", 999, False), ("<200", 332, True), (None, 999, False)],
)  # fmt: skip
def test_area_far_above_the_sphere(exam: Exam, volume: Any, area: Any, hit: bool) -> None:
    record = exam(volumes=[volume], wall={"surface_area": {"value": D(str(area)), "unit": "cm2"}})
    assert ("area-far-above-sphere" in ids(record)) is hit
    assert "area-far-above-sphere" not in ids(exam(volumes=[volume], wall={"thickness": mm(2)}))


def test_area_belongs_to_the_scan_of_the_wall(exam: Exam) -> None:
    area = {"surface_area": {"value": 340, "unit": "cm2"}}
    for number, hit in ((None, True), (1, False), (2, True), (3, False)):
        one = exam(volumes=[400, 200], reported_scan=2, wall=area | {"scan_number": number})
        assert ("area-far-above-sphere" in ids(one)) is hit
        small = exam(volumes=[20, 200], reported_scan=2,
                     wall={"surface_area": {"value": 40, "unit": "cm2"}, "scan_number": number})  # fmt: skip
        assert ("area-below-sphere" in ids(small)) is hit


@pytest.mark.parametrize("value", ["0", "0.001", "0.999", "1", "1.0"])
def test_tiny_volumes_everywhere(exam: Exam, value: str) -> None:
    quantity = {"value": D(value), "unit": "mL"}
    for changes in (
        {"scans": [SCAN | {"volume": quantity}]}, {"voided_volume": quantity}, {"catheterised_volume": quantity},
        {"earlier_voids": [{"at": "2026-11-18T10:00:00Z", "volume": quantity}]},
    ):  # fmt: skip
        assert ids(exam(**changes)) == (["volume-tiny"] if value.startswith("0.") else [])


def test_large_volumes_everywhere(exam: Exam) -> None:
    for value, unit, hit in ((1000, "mL", False), (1001, "mL", True), (1, "L", False), (D("1.001"), "L", True)):
        quantity = {"value": value, "unit": unit}
        for field, changes in (
            ("voided_volume", {"voided_volume": quantity}), ("catheterised_volume", {"catheterised_volume": quantity}),
            ("earlier_voids.0.volume", {"earlier_voids": [{"at": "2026-11-18T10:00:00Z", "volume": quantity}]}),
        ):  # fmt: skip
            found = findings(exam(**changes), now=NOW)
            assert [(one.id, one.field, one.hint) for one in found] == (
                [("volume-large", field, "check value and unit")] if hit else []
            )


# A void that the scans do not show


def void_pair(exam: Exam, pre: Any, post: Any, voided: Any, at: str | None, **changes: Any) -> list[str]:
    before = exam(exam_number="a-", started_at="2026-11-18T10:30:00Z", volumes=[pre], void_state="pre-void",
                  void_attempt=None, voided_at=None, voided_volume=None, void_measured=None, verified=None)  # fmt: skip
    after = exam(exam_number="b-", volumes=[post], voided_volume=voided, voided_at=at, **changes)
    return [one for one in ids(before, after) if one in ("void-not-seen", "post-void-above-pre-void")]


@pytest.mark.parametrize(
    ("pre", "post", "voided", "at", "hit"),
    # allowed: 20 % of 350 = 70 mL, of 100 mL 25 mL of scatter, and 20 mL/min · 12 min = 240 mL, whenever the void was:
    # what comes before it is voided, what comes after it is seen again
    [(350, 350, 310, "10:35", False), (350, 350, 311, "10:35", True), (350, 345, 315, "10:35", False),
     (350, 345, 316, "10:35", True), (350, 350, 310, None, False), (350, 350, 311, None, True),
     (100, 100, 265, "10:35", False), (100, 100, 266, "10:35", True), (350, 100, 400, "10:35", False),
     (350, 350, 311, "10:42", True), (350, 350, 310, "10:42", False), ("<350", 345, 315, "10:35", False),
     ("<350", 345, 316, "10:35", True), (">350", 345, 400, "10:35", False), (350, ">345", 316, "10:35", True),
     (350, "<345", 400, "10:35", False), (350, 345, 400, "10:29", False), (None, 345, 400, "10:35", False),
     (350, None, 400, "10:35", False)],
)  # fmt: skip
def test_void_not_seen(exam: Exam, pre: Any, post: Any, voided: int, at: str | None, hit: bool) -> None:
    time = None if at is None else f"2026-11-18T{at}:00Z"
    found = void_pair(exam, pre, post, {"value": voided, "unit": "mL"}, time)
    assert found == (["void-not-seen"] if hit else [])


def test_void_not_seen_only_with_a_measured_void_and_once(exam: Exam) -> None:
    big, at = {"value": 400, "unit": "mL"}, "2026-11-18T10:35:00Z"
    assert void_pair(exam, 350, 345, big, at) == ["void-not-seen"]
    assert void_pair(exam, 350, 345, big, at, void_measured=False) == []
    assert void_pair(exam, 350, 345, None, at) == []
    assert void_pair(exam, 350, 345, big, at, void_attempt="unable") == []
    assert void_pair(exam, 100, 345, big, at) == ["post-void-above-pre-void"]
    late = {"started_at": "2026-11-18T11:30:01Z", "verified": None}
    assert void_pair(exam, 350, 345, {"value": 1900, "unit": "mL"}, "2026-11-18T11:29:00Z", **late) == []
    minute = {"started_at": "2026-11-18T10:42Z"}  # written without seconds: a minute more, 20 mL
    assert void_pair(exam, 350, 350, {"value": 330, "unit": "mL"}, at, **minute) == []
    assert void_pair(exam, 350, 350, {"value": D("330.2"), "unit": "mL"}, at, **minute) == ["void-not-seen"]


def test_a_long_wait_for_the_void_is_no_alarm(exam: Exam) -> None:
    """300 mL, 50 minutes' wait at 3 mL/min, 430 mL voided, 50 mL left: nothing is missing."""
    late = {"started_at": "2026-11-18T11:20:00Z", "verified": None}
    assert void_pair(exam, 300, 50, {"value": 430, "unit": "mL"}, "2026-11-18T11:18:00Z", **late) == []


def test_midnight_may_be_the_whole_day(exam: Exam) -> None:
    """Sheets with dates only: neither order nor distance in time is known, so that nothing follows from it."""
    whole = {"started_at": "2026-11-18T00:00:00Z", "voided_at": None, "verified": None}
    other = {"identifiers": [{"system": MRN, "value": "H8"}]}
    for changes in ({}, {"volumes": [900]}, {"volumes": [1860]}, {"patient": other}):
        for later in ({}, {"void_state": "pre-void", "void_attempt": None, "voided_volume": None}):
            found = ids(exam(exam_number="a-", **whole), exam(exam_number="b-", **whole | changes | later))
            assert set(found) <= {"midnight-time", "volume-large", "void-not-recorded"}, found
    pre = {"void_state": "pre-void", "void_attempt": None, "voided_volume": None}
    soon = whole | pre | {"exam_number": "b-", "started_at": "2026-11-18T00:00:10Z", "volumes": [900]}
    for changes in ({}, {"patient": other}):
        pair = exam(exam_number="a-", **whole | pre), exam(**soon | changes)
        assert ids(*pair) == ids(*reversed(pair)) == ["midnight-time"]
    for clock in ("00:00:01", "00:30:00", "01:00:00"):
        late = [whole | {"exam_number": number, "started_at": f"2026-11-18T{clock}Z"} for number in ("a-", "b-")]
        assert "exam-twice" in ids(*(exam(**one) for one in late))
        assert "two-patients-within-seconds" in ids(exam(**late[0]), exam(**late[1] | {"patient": other}))


# One exam under two numbers, two exams under one


def test_one_exam_under_two_numbers(exam: Exam) -> None:
    def hit(*records: ExamRecord) -> bool:
        return "exam-twice" in ids(*records)

    one = exam(exam_number="a-")
    assert hit(one, exam(exam_number="b-")) and hit(one, exam(exam_number="b-", device={"serial": "HT-2"}))
    assert not hit(one, one) and not hit(one, exam(exam_number="b-", volumes=[187]))
    assert not hit(one, exam(exam_number="b-", started_at="2026-11-18T10:42:01Z"))
    assert not hit(one, exam(exam_number="b-", void_state="unspecified"))
    assert not hit(one, exam(exam_number="b-", patient={"identifiers": [{"system": MRN, "value": "H8"}]}))
    assert not hit(one, exam(exam_number="b-", supersedes="a-"))
    assert not hit(exam(exam_number="a-", volumes=[None]), exam(exam_number="b-", volumes=[None]))
    assert not hit(exam(exam_number="a-", volumes=[">186"]), exam(exam_number="b-"))
    assert hit(exam(exam_number="a-", volumes=[">186"]), exam(exam_number="b-", volumes=[">186"]))


@pytest.mark.parametrize(
    ("changes", "differ"),
    [
        ({}, ""),
        ({"verified": None}, ""),  # verified later, or an older version sent again
        ({"volumes": [D("186.0")]}, ""),  # the same number, more digits
        ({"scans": [SCAN | {"volume": {"value": D("0.186"), "unit": "L"}}]}, ""),
        ({"volumes": [187]}, "scans"),
        ({"volumes": [">186"]}, "scans"),
        ({"volumes": [None]}, "scans"),
        ({"volumes": [186, 190], "reported_scan": 1}, "scans"),
        ({"started_at": "2026-11-18T10:43:00Z"}, "time"),
        ({"started_at": "2026-11-18T11:42:00+01:00"}, ""),
        ({"void_state": "unspecified"}, "time"),
        ({"patient": {"identifiers": [{"system": MRN, "value": "H8"}]}}, "patient"),
    ],
)
def test_two_exams_under_one_number(exam: Exam, changes: dict[str, Any], differ: str) -> None:
    one, other = exam(), exam(**changes)
    for records in ([one, other], [other, one]):
        checker = Checker(now=NOW)
        found = [f.found for record in records for f in checker.add(record) if f.id == "exam-number-twice"]
        assert found == ([f"an exam of this number that differs in {differ}"] if differ else [])
    for status in ("amended", "corrected", "entered-in-error", "cancelled"):
        changed = exam(**changes | {"status": status})
        assert "exam-number-twice" not in ids(one, changed)
        assert "exam-number-twice" not in ids(changed, one)
    assert "exam-number-twice" not in ids(one, exam(**changes | {"device": {"serial": "HT-2"}}))


@pytest.mark.parametrize("later", [{}, {"verified": None}, {"status": "final"}])
def test_a_preliminary_exam_may_grow(exam: Exam, later: dict[str, Any]) -> None:
    """As push has it: preliminary to preliminary or final is an update, backwards with other content is held."""
    first, grown = exam(verified=None), exam(**later | {"volumes": [186, 190], "reported_scan": 2})
    assert "exam-number-twice" not in ids(first, grown)
    assert ("exam-number-twice" in ids(grown, first)) == (later != {"verified": None})
    other = exam(patient={"identifiers": [{"system": MRN, "value": "H8"}]})
    assert "exam-number-twice" in ids(first, other)


def test_a_patient_may_be_identified_later(exam: Exam) -> None:
    """As push has it: nothing without a patient was sent, and one shared identifier is the same patient."""
    known = {"identifiers": [{"system": MRN, "value": "H7"}]}
    more = {"identifiers": [*known["identifiers"], {"system": "https://national.example", "value": "N1"}]}
    for patients in ((None, known), (known, None), (known, more), (more, known)):
        for verified in ({}, {"verified": None}):
            first, later = exam(patient=patients[0], **verified), exam(patient=patients[1])
            assert "exam-number-twice" not in ids(first, later)
            assert "exam-number-twice" in ids(exam(patient=patients[0]), exam(patient=patients[1], volumes=[250]))


def test_numbers_are_remembered_within_bounds(exam: Exam) -> None:
    def many(patients: int) -> list[str]:
        others = [exam(exam_number=f"n{n}-", started_at=f"2026-11-18T1{n}:00:00Z", voided_at=None) for n in range(3)]
        return ids(exam(), *others, exam(volumes=[250]), patients=patients)

    assert "exam-number-twice" in many(4)
    assert "exam-number-twice" not in many(3)


def test_limits_are_the_sites(exam: Exam) -> None:
    settings = Settings(greatest_age=60, exam_minutes=1, area_times=D(1), future_minutes=1)
    wall = {"surface_area": {"value": 170, "unit": "cm2"}}
    record = exam(scans=[SCAN | {"taken_at": "2026-11-18T10:43:01Z"}], wall=wall,
                  verified={"by": "x", "at": "2026-11-18T10:40:59Z"})  # fmt: skip
    assert findings(record, now=NOW) == []
    found = [one.id for one in findings(record, now=NOW, settings=settings)]
    assert found == ["area-far-above-sphere", "time-order", "time-order", "age-implausible"]


def test_the_moment_of_judging(exam: Exam) -> None:
    """The one given, else the present: an exam of 2099 is in the future of both, one of 2000 of neither."""
    who = {"identifiers": [{"system": MRN, "value": "H7"}]}
    old = exam(started_at="2000-01-01T10:00:00Z", voided_at=None, verified=None, patient=who)
    late = exam(started_at="2099-01-01T10:00:00Z", voided_at=None, verified=None, patient=who)
    for now in (None, NOW):
        assert [one.id for one in Checker(now=now).add(old)] == []
        assert [one.id for one in Checker(now=now).add(late)] == ["time-in-future"]
    assert [one.id for one in Checker(now=dt.datetime(1999, 1, 1, tzinfo=dt.UTC)).add(old)] == ["time-in-future"]
    assert [one.id for one in Checker(now=dt.datetime(2100, 1, 1, tzinfo=dt.UTC)).add(late)] == []
