"""Every kind of finding once, as a whole: severity, place, what was expected and found, in the words people read.

The numbers are worked out beside each case; limits come from the project's design (ours where it says so).
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest

from fhir_bladder.errors import Finding
from fhir_bladder.exam import ExamRecord
from fhir_bladder.measurement.checking import KINDS, Checker

Exam = Callable[..., ExamRecord]
NOW = dt.datetime(2026, 11, 30, 12, tzinfo=dt.UTC)
MRN = "https://records.example/mrn"
D = Decimal


def q(value: Any, unit: str, **more: Any) -> dict[str, Any]:
    return {"value": D(str(value)), "unit": unit, **more}


def scan(number: int, volume: Any, **more: Any) -> dict[str, Any]:
    return {"scan_number": number, "volume": volume if isinstance(volume, dict) else q(volume, "mL"), **more}


def who(*identifiers: str, **more: Any) -> dict[str, Any]:
    return {"identifiers": [{"system": MRN, "value": one} for one in identifiers], "birth_date": "1951-03-09"} | more


PRE: dict[str, Any] = {
    "void_state": "pre-void", "void_attempt": None, "voided_at": None, "voided_volume": None, "void_measured": None,
}  # fmt: skip

ONE: list[tuple[str, dict[str, Any], tuple[str, str, str, str]]] = [
    ("identity-missing", {"patient": None},
     ("block", "patient.identifiers", "at least one patient identifier", "none")),
    ("identity-contradicts", {"patient": who("H7", "H8")},
     ("block", "patient.identifiers.1", "one value in a system", f"two values in {MRN}")),
    ("value-impossible", {"voided_volume": q("5.001", "L")},
     ("block", "voided_volume", "0 to 5000 mL", "5.001 L")),
    ("value-impossible", {"scans": [scan(1, q(6000, "mL", comparator=">"))]},
     ("block", "scans.0.volume", "0 to 5000 mL", ">6000 mL")),
    ("value-impossible", {"wall": {"probe_frequency": q(-1, "MHz")}},
     ("block", "wall.probe_frequency", "0 or above", "-1 MHz")),
    ("void-after-scan", {"voided_at": "2026-11-18T10:42:01Z"},
     ("block", "voided_at", "at or before 2026-11-18T10:42:00+00:00", "2026-11-18T10:42:01Z")),
    ("void-between-scans", {"scans": [scan(1, 180, taken_at="2026-11-18T10:45:00Z"),
                                      scan(2, 186, taken_at="2026-11-18T10:55:00Z")],
                            "reported_scan": 2, "voided_at": "2026-11-18T10:50:00Z"},
     ("block", "voided_at", "all scans of an exam on one side of a void",
      "void at 2026-11-18T10:50:00Z, scans from 2026-11-18T10:45:00Z to 2026-11-18T10:55:00Z")),
    ("time-in-future", {"verified": {"by": "x", "at": "2026-11-30T12:05:01Z"}},
     ("block", "verified.at", "at or before 2026-11-30T12:05:00+00:00", "2026-11-30T12:05:01Z")),
    ("before-birth", {"patient": who("H7", birth_date="2026-11-19"), "voided_at": None, "verified": None},
     ("block", "started_at", "on or after 2026-11-19", "2026-11-18T10:42:00+00:00")),
    ("volume-large", {"scans": [scan(1, q(1000, "mL", comparator=">"))]},
     ("warn", "scans.0.volume", "at most 1000 mL", ">1000 mL")),
    ("repeat-tenfold", {"scans": [scan(1, 20), scan(2, q("0.2", "L"))], "reported_scan": 2},
     ("warn", "scans.1.volume", "not ten times (±5 %) another repeat", "20 and 200 mL")),
    ("repeat-spread", {"scans": [scan(1, 180), scan(2, 221)], "reported_scan": 2},  # 20 % of 200.5 is 40.1
     ("warn", "scans", "at most 40 mL apart (the larger of 25 mL and 20 % of the mean)", "180 to 221 mL")),
    ("filling-rate", {"scans": [scan(1, 100, taken_at="2026-11-18T10:42:00Z"),
                                scan(2, 301, taken_at="2026-11-18T10:52:00Z")], "reported_scan": 2},
     ("warn", "scans.1.volume", "at most 20 mL/min", "100 to 301 mL in 10 min")),
    # A sphere of 199.5 mL has 4.835976 · 199.5^(2/3) = 165.11 cm2; of 200 mL 165.388, 160/165.388 is below 1.
    ("area-below-sphere", {"scans": [scan(1, 200)], "wall": {"scan_number": 1, "surface_area": q(160, "cm2")}},
     ("warn", "wall.surface_area", "at least 165.1 cm2 around 200 mL", "160 cm2, sphericity 1.034")),
    # Least 163.5 · 0.235 · 0.95 = 36.50. Most, of 164.5 cm2 and 0.245 cm: At + √(4πA)t² + 4πt³/3 = 43.09 mL, and
    # 43.09 · 1.06 · 1.01 = 46.13
    ("mass-implausible", {"wall": {"scan_number": 1, "layer": "whole-wall", "thickness": q("2.4", "mm"),
                                   "surface_area": q(164, "cm2"), "mass": q(60, "g")}},
     ("warn", "wall.mass", "36.5 to 46.1 g", "60 g, implied density 1.524 g/mL")),
    ("thickness-implausible", {"wall": {"scan_number": 1, "caliper_thickness": q("1.6", "cm")}},
     ("warn", "wall.caliper_thickness", "0.5 to 15 mm", "1.6 cm")),
    ("uterus-mismatch", {"uterus_present": True, "hysterectomy": True},
     ("warn", "uterus_present", "no uterus assumed", "uterus assumed, hysterectomy recorded")),
    ("uterus-mismatch", {"uterus_present": True, "patient": who("H7", administrative_gender="male")},
     ("warn", "uterus_present", "no uterus assumed", "uterus assumed, administrative gender male")),
    ("catheter-large-volume", {"catheter_in_place": True, "scans": [scan(1, q(100, "mL", comparator=">"))]},
     ("warn", "catheter_in_place", "at most 100 mL", ">100 mL")),
    ("post-void-without-void", {"void_attempt": "not-attempted", "voided_at": None, "voided_volume": None},
     ("warn", "void_state", "a void, or at least an attempt, before a post-void scan", "void_attempt not-attempted")),
    ("better-scan-exists", {"scans": [scan(1, 180, centring="centred", pubic_shadow=False),
                                      scan(2, 186, centring="partly-centred", pubic_shadow=True)], "reported_scan": 2},
     ("warn", "reported_scan", "the best scan reported",
      "scan 2 partly-centred, shadowed, scan 1 centred, free of shadow")),
    ("better-scan-exists", {"scans": [{"scan_number": 1, "absent_reason": "failed"}, scan(2, 186)], "reported_scan": 1},
     ("warn", "reported_scan", "the best scan reported", "scan 1 centring unknown, failed, scan 2 centring unknown")),
    # A sphere of 200.5 mL has 165.66 cm2; twice that is 331.3
    ("area-far-above-sphere", {"scans": [scan(1, 200)], "wall": {"surface_area": q(332, "cm2")}},
     ("warn", "wall.surface_area", "at most 331 cm2 around 200 mL", "332 cm2")),
    ("time-order", {"verified": {"by": "x", "at": "2026-11-18T10:36:59Z"}},
     ("warn", "verified.at", "at or after 2026-11-18T10:42:00+00:00", "2026-11-18T10:36:59Z")),
    ("time-order", {"device": {"serial": "HT-0093", "calibrated_on": "2026-11-20"}},
     ("warn", "device.calibrated_on", "at or before 2026-11-19", "2026-11-20")),
    # 9.5 · 7.5 · 5.5 cm3 · 0.515 = 201.8 mL, 10.5 · 8.5 · 6.5 · 0.525 = 304.6 mL
    ("diameters-mismatch", {"scans": [scan(1, q("0.5", "L"))],
                            "diameters": {"length": q(10, "cm"), "width": q(8, "cm"), "height": q(6, "cm"),
                                          "coefficient": D("0.52")}},
     ("warn", "diameters", "a volume of 202 to 305 mL", "0.5 L")),
    ("age-implausible", {"patient": who("H7", birth_date="1905-11-18")},
     ("warn", "patient.birth_date", "at most 120 years", "121 years")),
    ("pregnancy-mismatch", {"pregnant": True, "hysterectomy": True},
     ("warn", "pregnant", "no pregnancy", "pregnant, hysterectomy recorded")),
    ("pregnancy-mismatch", {"pregnant": True, "patient": who("H7", administrative_gender="male")},
     ("warn", "pregnant", "no pregnancy", "pregnant, administrative gender male")),
    ("volume-large", {"voided_volume": q("1000.1", "mL")},
     ("warn", "voided_volume", "at most 1000 mL", "1000.1 mL")),
    ("volume-tiny", {"scans": [scan(1, "0.186")]},
     ("note", "scans.0.volume", "0 mL, or 1 mL and more", "0.186 mL")),
    ("outside-filling-range", {"scans": [scan(1, q(400, "mL", comparator=">"))],
                               "wall": {"scan_number": 1, "thickness": q(2, "mm")}},
     ("note", "wall", "volume of the wall's scan 150–400 mL", ">400 mL")),
    ("outside-filling-range", {"scans": [{"scan_number": 1, "absent_reason": "failed"}],
                               "wall": {"scan_number": 1, "thickness": q(2, "mm")}},
     ("note", "wall", "volume of the wall's scan 150–400 mL", "unknown")),
    ("age-unknown", {"patient": who("H7", birth_date=None), "wall": {"scan_number": 1, "thickness": q(2, "mm")}},
     ("note", "patient.birth_date", "a birth date", "none, or too vague")),
    ("zero-volume", {"scans": [scan(1, 0, centring="unknown")]},
     ("note", "scans.0.centring", "centring recorded with a volume of 0 mL", "scan 1: 0 mL, centring unknown")),
    ("zero-volume", {"scans": [scan(1, 0)]},
     ("note", "scans.0.centring", "centring recorded with a volume of 0 mL", "scan 1: 0 mL, centring not recorded")),
    ("midnight-time", {"voided_at": "2026-11-18T00:00:00Z"},
     ("note", "voided_at", "a time of day", "2026-11-18T00:00:00Z")),
    ("result-not-stated", {"scans": [scan(1, 180), scan(2, 186)]},
     ("note", "reported_scan", "the reported scan, or a rule that chooses it", "several scans, none chosen")),
    ("void-not-recorded", {"void_attempt": None, "voided_at": None, "voided_volume": None, "void_measured": None},
     ("note", "voided_at", "time, volume or attempt of the void", "none of them")),
]  # fmt: skip

TWO: list[tuple[str, dict[str, Any], dict[str, Any], tuple[str, str, str, str]]] = [
    ("two-patients-within-seconds", {**PRE, "exam_number": "a-"},
     {**PRE, "exam_number": "b-", "patient": who("H8"), "started_at": "2026-11-18T10:42:30+00:00"},
     ("warn", "patient", "more than 30 s between two patients", "exam a- of another patient 30 s apart")),
    ("filling-rate", {**PRE, "exam_number": "a-", "scans": [scan(1, 100)]},
     {**PRE, "exam_number": "b-", "scans": [scan(1, q(900, "mL", comparator=">"))],
      "started_at": "2026-11-18T11:12:00+00:00"},
     ("warn", "scans", "at most 20 mL/min", "100 mL in exam a-, >900 mL in exam b-, 30 min later")),
    ("repeat-tenfold", {**PRE, "exam_number": "a-", "scans": [scan(1, 300)]},
     {**PRE, "exam_number": "b-", "scans": [scan(1, 30)], "started_at": "2026-11-18T11:12:00+00:00"},
     ("warn", "scans", "not ten times (±5 %) exam a-", "30 and 300 mL, 30 min apart")),
    # 20 % of the mean of 500 and 900 is 140
    ("post-void-above-pre-void", {**PRE, "exam_number": "a-", "scans": [scan(1, q(500, "mL", comparator="<"))]},
     {"exam_number": "b-", "scans": [scan(1, q(900, "mL", comparator=">"))], "voided_at": None, "voided_volume": None,
      "started_at": "2026-11-18T11:12:00+00:00"},
     ("warn", "void_state", "at most 640 mL after the void (exam b-)", "<500 mL before (exam a-), >900 mL after")),
    # 20 % of the mean of 100 and 126 is 22.6, so 25 mL
    ("post-void-above-pre-void", {**PRE, "exam_number": "a-", "scans": [scan(1, 100)]},
     {"exam_number": "b-", "scans": [scan(1, 126)], "voided_at": None, "voided_volume": None,
      "started_at": "2026-11-18T11:12:00+00:00"},
     ("warn", "void_state", "at most 125 mL after the void (exam b-)", "100 mL before (exam a-), 126 mL after")),
    ("filling-rate", {**PRE, "exam_number": "a-", "scans": [scan(1, 100)]},
     {**PRE, "exam_number": "b-", "scans": [scan(1, 900)], "started_at": "2026-11-18T11:12:00+00:00"},
     ("warn", "scans", "at most 20 mL/min", "100 mL in exam a-, 900 mL in exam b-, 30 min later")),
    # 350 − 345 = 5 of 300 mL; 70 of scatter and 8 min at 20 mL/min leave 65 unexplained
    ("void-not-seen", {**PRE, "exam_number": "a-", "scans": [scan(1, 350)], "started_at": "2026-11-18T10:34:00+00:00"},
     {"exam_number": "b-", "scans": [scan(1, 345)], "voided_volume": q(300, "mL")},
     ("warn", "scans", "at least 70 mL less after a void of 300 mL",
      "350 mL before (exam a-), 345 mL after (exam b-)")),
    ("void-not-seen", {**PRE, "exam_number": "a-", "scans": [scan(1, q(350, "mL", comparator="<"))],
                       "started_at": "2026-11-18T10:34:00+00:00"},
     {"exam_number": "b-", "scans": [scan(1, q(345, "mL", comparator=">"))], "voided_volume": q("0.3", "L")},
     ("warn", "scans", "at least 70 mL less after a void of 300 mL",
      "<350 mL before (exam a-), >345 mL after (exam b-)")),
    ("exam-twice", {"exam_number": "a-"}, {"exam_number": "b-"},
     ("warn", "exam_number", "one number for an exam", "the time, void state and volume of exam a-")),
    ("exam-number-twice", {"exam_number": "a-"},
     {"exam_number": "a-", "patient": who("H8"), "scans": [scan(1, 200)], "started_at": "2026-11-18T10:43:00+00:00"},
     ("block", "exam_number", "one exam for a number, or status amended or corrected",
      "an exam of this number that differs in patient, time, scans")),
    ("exam-number-gap", {**PRE, "exam_number": "W-008"},
     {**PRE, "exam_number": "W-010", "started_at": "2026-11-18T11:12:00+00:00"},
     ("note", "exam_number", "numbers of a device without a gap", "W-009 missing on device HT-0093")),
]  # fmt: skip


def run(*records: ExamRecord) -> list[Finding]:
    checker = Checker(now=NOW)
    found = [one for record in records for one in checker.add(record)]
    return [one for one in [*found, *checker.close()] if isinstance(one, Finding)]


def told(one: Finding) -> tuple[str, str, str, str]:
    return one.severity, one.field, one.expected, one.found


@pytest.mark.parametrize(("kind", "changes", "wanted"), ONE, ids=[f"{one[0]}-{n}" for n, one in enumerate(ONE)])
def test_finding_of_one_exam(exam: Exam, kind: str, changes: dict[str, Any], wanted: tuple[str, ...]) -> None:
    [one] = [one for one in run(exam(**changes)) if one.id == kind]
    assert told(one) == wanted
    assert one.exam_number == "2026-00417"


@pytest.mark.parametrize(("kind", "first", "second", "wanted"), TWO, ids=[f"{one[0]}-{n}" for n, one in enumerate(TWO)])
def test_finding_across_exams(exam: Exam, kind: str, first: Any, second: Any, wanted: tuple[str, ...]) -> None:
    [one] = [one for one in run(exam(**first), exam(**second)) if one.id == kind]
    assert told(one) == wanted
    assert one.exam_number == second["exam_number"]


def test_every_kind_stands_here_with_its_sentence_and_source() -> None:
    assert {one[0] for one in ONE + TWO} == {kind.id for kind in KINDS}
    severities = {one[0]: one[-1][0] for one in [*ONE, *TWO]}
    for kind in KINDS:
        assert kind.severity == severities[kind.id]
        assert len(kind.sentence) > 15 and len(kind.source) > 10
