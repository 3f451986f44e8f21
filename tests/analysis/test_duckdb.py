"""The DuckDB examples on a small ward whose answers are worked out by hand."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from typing import Any

import pytest

from fhir_bladder.analysis.tables import table

FOLDER = Path(__file__).parents[2] / "examples" / "duckdb"
pytest.importorskip("duckdb", reason="duckdb is not installed")


@pytest.fixture
def ask() -> Any:
    spec = importlib.util.spec_from_file_location("ask", FOLDER / "ask.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.ask


def scans(*volumes: int | str) -> list[dict[str, Any]]:
    made = []
    for number, volume in enumerate(volumes, 1):
        value: dict[str, Any] = {"value": int(str(volume).lstrip(">")), "unit": "mL"}
        if str(volume).startswith(">"):
            value["comparator"] = ">"
        made.append({"scan_number": number, "volume": value})
    return made


@pytest.fixture(params=["parquet", "csv"])
def tables(request: Any, record: Any, bundle: Any, ndjson: Any, tmp_path: Path) -> Path:
    def exam(number: int, who: str, *volumes: int | str, minutes: int | None = 7, day: int = 18, **more: Any) -> Any:
        patient = {"identifiers": [{"system": "https://ward-h.example/mrn", "value": who}], "birth_date": "1950-01-01"}
        voided = None if minutes is None else f"2026-03-{day}T10:{42 - minutes}:00+01:00"
        return record(
            exam_number=f"2026-{number:05}", patient=patient, scans=scans(*volumes), reported_scan=len(volumes),
            voided_at=voided, started_at=f"2026-03-{day}T10:42:00+01:00", wall=None, **more,
        )  # fmt: skip

    # pairs of repeats 100/110, 200/190, 300/330, 50/40, 150/160: clinical_checks.json, `repeatability`
    records = [
        exam(1, "A", 100, 110),
        exam(2, "A", 200, 190, day=19),
        exam(3, "B", 300, 330, minutes=25),
        exam(5, "C", 50, 40, catheter_in_place=True),
        exam(6, "D", 150, 160),
        exam(9, "E", ">999"),
        exam(10, "F", 80, minutes=None),
    ]
    source = ndjson([bundle(r) for r in records])
    receipts = [
        {"key": "HT-0093/2026-00001", "state": "delivered", "delivered_at": "2026-03-18T09:50:00Z"},
        {"key": "HT-0093/2026-00002", "state": "delivered", "delivered_at": "2026-03-19T10:02:00Z"},
        {"key": "HT-0093/2026-00003", "state": "held", "code": "no-patient", "held_since": "2026-03-18T10:00:00Z"},
    ]
    folder = tmp_path / "tables"
    for name, where in (("exams", source), ("measurements", source), ("deliveries", ndjson(receipts, "r.ndjson"))):
        folder.mkdir(exist_ok=True)
        table([where], name, folder / f"{name}.{request.param}")
    return folder


def test_audit(tables: Path, ask: Any) -> None:
    answers = ask(tables, "audit")
    assert answers["residuals with the time of the void, scanned within 10 minutes"] == [
        {"within_10_minutes": 5, "with_time_of_void": 6, "residuals": 7}
    ]
    assert [(r["scans"], r["exams"], r["of_exams"]) for r in answers["scans per exam"]] == [(1, 2, 7), (2, 5, 7)]
    [ward] = answers["residual by ward and month"]
    # values 110 190 330 40 160 80: the median is (110 + 160) / 2
    assert (ward["with_value"], ward["only_a_limit"], ward["residuals"]) == (6, 1, 7)
    assert (float(ward["median_ml"]), float(ward["largest_ml"])) == (135.0, 330.0)
    [delay] = answers["minutes from scan to record"]
    # 09:42 to 09:50 and 09:42 to 10:02 UTC: 8 and 20 minutes
    assert (delay["median_minutes"], delay["delivered"], delay["exams"]) == (14, 2, 7)
    [held] = answers["exams held, and why"]
    assert (held["why"], held["held"], held["of_exams"]) == ("no-patient", 1, 3)
    [gaps] = answers["gaps in exam numbers"]
    # 1 2 3 _ 5 6 _ _ 9 10
    assert (gaps["gaps"], gaps["missing_numbers"], gaps["numbers_in_range"], gaps["exams"]) == (2, 3, 10, 7)


def test_study(tables: Path, ask: Any) -> None:
    answers = ask(tables, "study")
    # 7 exams; 7 residuals; 5 timed within 10 min (1 2 5 6 9); 4 without catheter; 3 with an exact volume; A and D
    assert [row["exams"] for row in answers["exclusion flow"]] == [7, 7, 5, 4, 3, 2]
    first = [
        (row["patient"].split("|")[1], float(row["residual_ml"]), row["eligible_exams"])
        for row in answers["one row a patient"]
    ]
    assert first == [("A", 110.0, 2), ("D", 160.0, 1)]
    [repeat] = answers["repeatability of the volume"]
    # clinical_checks.json: bias -6.0, within-subject SD 11.4018, repeatability coefficient 31.6041
    assert repeat["pairs"] == 5
    assert repeat["bias_ml"] == pytest.approx(-6.0)
    assert repeat["within_subject_sd_ml"] == pytest.approx(11.4018, abs=1e-4)
    assert repeat["repeatability_coefficient_ml"] == pytest.approx(31.6041, abs=1e-4)
