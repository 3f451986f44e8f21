"""Findings that hold an exam back: each with a pair on both sides of its boundary."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest

from fhir_bladder.errors import RecordError
from fhir_bladder.exam import ExamRecord, dump, load
from fhir_bladder.measurement import findings

Exam = Callable[..., ExamRecord]
NOW = dt.datetime(2026, 11, 30, 12, tzinfo=dt.UTC)
MRN = "https://records.example/mrn"


def blocked(record: ExamRecord, now: dt.datetime = NOW) -> list[tuple[str, str]]:
    found = findings(record, now=now)
    for one in found:
        assert one.exam_number == record.exam_number
        assert one.message and one.expected and one.found and one.source
    return [(one.id, one.field) for one in found if one.severity == "block"]


def test_nothing_in_the_base_exam(exam: Exam) -> None:
    assert findings(exam(), now=NOW) == []


def test_identity_missing(exam: Exam) -> None:
    for patient in (None, {"birth_date": "1951-03-09"}, {"identifiers": []}):
        assert blocked(exam(patient=patient)) == [("identity-missing", "patient.identifiers")]


@pytest.mark.parametrize(
    ("second", "contradicts"),
    [
        ({"system": MRN, "value": "H8"}, True),
        ({"system": MRN, "value": "H7"}, False),
        ({"system": MRN + "2", "value": "H8"}, False),
        ({"system": MRN, "value": "H8", "type": "VN"}, False),
    ],
)
def test_identity_contradicts(exam: Exam, second: dict[str, str], contradicts: bool) -> None:
    record = exam(patient={"identifiers": [{"system": MRN, "value": "H7"}, second]})
    assert blocked(record) == ([("identity-contradicts", "patient.identifiers.1")] if contradicts else [])


def test_identity_finding_names_no_patient(exam: Exam) -> None:
    record = exam(patient={"identifiers": [{"system": MRN, "value": "H7"}, {"system": MRN, "value": "H8"}]})
    assert all("H7" not in str(one) and "H8" not in str(one) for one in findings(record, now=NOW))


@pytest.mark.parametrize(
    ("value", "unit", "impossible"),
    [(5000, "mL", False), (Decimal("5000.1"), "mL", True), (5, "L", False), (Decimal("5.001"), "L", True),
     (0, "mL", False), (Decimal("-0.1"), "mL", True), (6000, "mL", True)],
)  # fmt: skip
def test_impossible_volume_everywhere(exam: Exam, value: Any, unit: str, impossible: bool) -> None:
    quantity = {"value": value, "unit": unit}
    places = {
        "scans.0.volume": {"scans": [{"scan_number": 1, "volume": quantity}]},
        "voided_volume": {"voided_volume": quantity},
        "catheterised_volume": {"catheterised_volume": quantity},
        "earlier_voids.0.volume": {"earlier_voids": [{"at": "2026-11-18T08:00:00Z", "volume": quantity}]},
    }
    for field, change in places.items():
        assert blocked(exam(**change)) == ([("value-impossible", field)] if impossible else [])


def test_impossible_comparator(exam: Exam) -> None:
    assert blocked(exam(volumes=[">5000"])) == []
    assert blocked(exam(volumes=[">5001"])) == [("value-impossible", "scans.0.volume")]


@pytest.mark.parametrize("field", ["thickness", "caliper_thickness", "surface_area", "mass", "probe_frequency"])
def test_negative_wall_values(exam: Exam, field: str) -> None:
    unit = {"surface_area": "cm2", "mass": "g", "probe_frequency": "MHz"}.get(field, "mm")
    assert blocked(exam(wall={field: {"value": -1, "unit": unit}})) == [("value-impossible", f"wall.{field}")]
    assert blocked(exam(wall={field: {"value": 0, "unit": unit}})) == []


def test_only_volumes_have_a_greatest_value(exam: Exam) -> None:
    assert blocked(
        exam(wall={"surface_area": {"value": 5001, "unit": "cm2"}, "thickness": {"value": -1, "unit": "mm"}})
    ) == [("value-impossible", "wall.thickness")]


@pytest.mark.parametrize("value", ["NaN", "Infinity", "-Infinity"])
def test_what_is_not_finite_is_refused_before(exam: Exam, value: str) -> None:
    data = dump(exam())
    data["scans"][0]["volume"]["value"] = Decimal(value)
    with pytest.raises(RecordError, match="finite"):
        load(data)


def test_negative_diameter(exam: Exam) -> None:
    mm = {"value": 80, "unit": "mm"}
    diameters = {"length": mm, "width": mm, "height": {"value": -80, "unit": "mm"}, "coefficient": Decimal("0.52")}
    assert blocked(exam(diameters=diameters)) == [("value-impossible", "diameters.height")]


@pytest.mark.parametrize(
    ("voided_at", "later"),
    [
        ("2026-11-18T10:42:00+00:00", False),
        ("2026-11-18T10:42:01+00:00", True),
        ("2026-11-18T11:42:00+01:00", False),
        ("2026-11-18T10:43+00:00", False),  # written without seconds: it may lie a minute off
        ("2026-11-18T10:44+00:00", True),
    ],
)
def test_void_after_the_post_void_scan(exam: Exam, voided_at: str, later: bool) -> None:
    assert blocked(exam(voided_at=voided_at)) == ([("void-after-scan", "voided_at")] if later else [])
    assert blocked(exam(voided_at=voided_at, void_state="pre-void")) == []
    earlier = exam(earlier_voids=[{"at": voided_at}])
    assert blocked(earlier) == ([("void-after-scan", "earlier_voids.0.at")] if later else [])


def test_void_after_counts_from_the_reported_scan(exam: Exam) -> None:
    scans = [
        {"scan_number": n, "taken_at": f"2026-11-18T10:5{n}:00Z", "volume": {"value": 186, "unit": "mL"}}
        for n in (1, 2)
    ]
    void = "2026-11-18T10:51:00Z"
    assert blocked(exam(scans=scans, reported_scan=1, voided_at=void)) == []
    assert ("void-after-scan", "voided_at") in blocked(
        exam(scans=scans, reported_scan=1, voided_at="2026-11-18T10:51:01Z")
    )


@pytest.mark.parametrize(
    ("voided_at", "between"),
    [("2026-11-18T10:45:00Z", False), ("2026-11-18T10:45:01Z", True), ("2026-11-18T10:54:59Z", True),
     ("2026-11-18T10:55:00Z", False), ("2026-11-18T10:50Z", True), ("2026-11-18T10:46Z", False),
     ("2026-11-18T10:54Z", False)],
)  # fmt: skip
def test_void_between_scans(exam: Exam, voided_at: str, between: bool) -> None:
    scans = [
        {"scan_number": n, "taken_at": f"2026-11-18T10:{m}:00Z", "volume": {"value": 186, "unit": "mL"}}
        for n, m in ((1, 55), (2, 45))
    ]
    for state in ("post-void", "unspecified"):
        found = blocked(exam(scans=scans, reported_scan=1, voided_at=voided_at, void_state=state))
        assert found == ([("void-between-scans", "voided_at")] if between else [])


def test_time_in_the_future(exam: Exam) -> None:
    start = dt.datetime(2026, 11, 18, 10, 42, tzinfo=dt.UTC)
    verified_at = dt.timedelta(minutes=2)
    limit = start + verified_at - dt.timedelta(minutes=5)
    assert blocked(exam(), now=limit) == []
    assert blocked(exam(), now=limit - dt.timedelta(seconds=1)) == [("time-in-future", "verified.at")]
    far = blocked(exam(), now=start - dt.timedelta(days=1))
    assert far == [("time-in-future", field) for field in ("started_at", "voided_at", "verified.at")]


LATE = "2026-12-01T12:00:00Z"
TIMES: dict[str, dict[str, Any]] = {
    "started_at": {"started_at": LATE, "verified": None},
    "scans.0.taken_at": {"scans": [{"scan_number": 1, "taken_at": LATE, "absent_reason": "failed"}]},
    "voided_at": {"voided_at": LATE, "void_state": "unspecified"},
    "earlier_voids.0.at": {"earlier_voids": [{"at": LATE}], "void_state": "unspecified"},
    "catheter_removed_at": {"catheter_removed_at": LATE},
    "catheterised_at": {"catheterised_at": LATE},
    "verified.at": {"verified": {"by": "x", "at": LATE}},
    "action.at": {"action": {"what": "none", "at": LATE}},
}


@pytest.mark.parametrize("field", TIMES)
def test_each_time_alone_is_judged(exam: Exam, field: str) -> None:
    assert blocked(exam(**TIMES[field])) == [("time-in-future", field)]
    now = dt.datetime(2026, 12, 1, 11, 55, tzinfo=dt.UTC)
    assert blocked(exam(**TIMES[field]), now=now) == []
    early = json.loads(json.dumps(TIMES[field]).replace(LATE, "1951-03-08T23:59:59Z"))
    found = blocked(exam(**early | {"void_state": "unspecified"}))
    assert found == [("before-birth", field)]


def test_every_time_is_judged(exam: Exam) -> None:
    late = "2026-12-01T00:00:00Z"
    record = exam(
        started_at=late, voided_at=None, earlier_voids=[{"at": late}], catheter_removed_at=late, catheterised_at=late,
        verified={"by": "x", "at": late}, action={"what": "none", "at": late},
        scans=[{"scan_number": 1, "taken_at": late, "absent_reason": "failed"}],
    )  # fmt: skip
    assert {field for id_, field in blocked(record) if id_ == "time-in-future"} == {
        "started_at", "scans.0.taken_at", "earlier_voids.0.at", "catheter_removed_at", "catheterised_at",
        "verified.at", "action.at",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("birth", "before"),
    [("2026-11-18", False), ("2026-11-19", True), ("2026-11", False), ("2026-12", True), ("2026", False),
     ("2027", True), ("2027-01-01", True)],
)  # fmt: skip
def test_before_birth(exam: Exam, birth: str, before: bool) -> None:
    patient = {"identifiers": [{"system": MRN, "value": "H7"}], "birth_date": birth}
    ids = {id_ for id_, _ in blocked(exam(patient=patient))}
    assert ids == ({"before-birth"} if before else set())


def test_the_year_of_birth_changes_no_limit(exam: Exam) -> None:
    """A child of this year: 12:05:00 is not in the future at 12:00, 12:05:01 is."""
    patient = {"identifiers": [{"system": MRN, "value": "H7"}], "birth_date": "2026-01-01"}
    for second, late in (("00", False), ("01", True)):
        record = exam(patient=patient, verified={"by": "x", "at": f"2026-11-30T12:05:{second}Z"})
        assert blocked(record) == ([("time-in-future", "verified.at")] if late else [])


def test_naive_now_is_the_present_by_default(exam: Exam) -> None:
    """Without `now` the clock decides: an exam of the year 2000 is not in the future, one of 2099 is."""
    assert "time-in-future" not in {one.id for one in findings(exam(started_at="2000-01-01T00:00:00Z", voided_at=None))}
    assert "time-in-future" in {one.id for one in findings(exam(started_at="2099-01-01T00:00:00Z", voided_at=None))}
