"""The Spark engine gives the same table, row for row. Marker `spark`: needs PySpark and Java 17."""

# ruff: noqa: E501 - a case a line
from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from fhir_bladder import wire
from fhir_bladder.analysis.tables import table

pytestmark = pytest.mark.spark
SECRET = b"0123456789abcdef0123456789abcdef"

SCRIPT = """
import json, sys, time
from fhir_bladder.analysis import spark
from fhir_bladder.analysis.tables import table
spark.RANGE = int(sys.argv[1])
jobs = json.loads(sys.argv[2])
for job in jobs:
    secret = job.pop("secret", None)
    start = time.perf_counter()
    result = table(job.pop("paths"), job.pop("view"), job.pop("out"), engine="spark",
                   pseudonyms=secret.encode() if secret else None, **job)
    print(json.dumps([result.rows, result.rejected, result.counts, time.perf_counter() - start]))
"""


def spark(jobs: list[dict[str, Any]], *, split: int = 150_000, cores: int = 2) -> list[Any]:
    """Run jobs in one Spark session of a process of its own."""
    pytest.importorskip("pyspark")
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT, str(split), json.dumps(jobs)],
        capture_output=True,
        text=True,
        timeout=900,
        env={**os.environ, "FHIR_BLADDER_SPARK_MASTER": f"local[{cores}]", "PYSPARK_PYTHON": sys.executable},
        check=False,
    )
    assert done.returncode == 0, done.stderr[-3000:]
    return [json.loads(line) for line in done.stdout.splitlines()]


@pytest.fixture
def export(record: Any, bundle: Any, observations: Any, stored: Any, tmp_path: Path) -> Path:
    """Shards with everything that makes counting hard: versions, both shapes, retractions, bad lines, a Bundle."""
    folder = tmp_path / "export"
    folder.mkdir()
    lines: list[bytes] = []
    for number in range(40):
        made = record(exam_number=str(number), location="=ward" if number % 7 == 0 else "Ward H")
        if number % 9 == 4:
            made["verified"] = None
            del made["verified"]
        if number % 11 == 3:
            made["synthetic"] = True
        shape = "single" if number % 3 == 0 else "panel"
        for part, resource in enumerate(observations(made, shape)):
            lines.append(wire.dumps(stored(resource, f"o{number}-{part}")))
        if number % 5 == 0:  # a newer version, and the other shape too
            newer = stored(
                observations({**made, "location": "Ward N"}, shape)[0], f"o{number}-0", "2", "2026-04-01T00:00:00Z"
            )
            lines.append(wire.dumps(newer))
            for part, resource in enumerate(observations(made, "panel" if shape == "single" else "single")):
                lines.append(wire.dumps(stored(resource, f"x{number}-{part}")))
    lines.insert(7, b'{"resourceType":"Observation","half":')
    lines.insert(30, b"nonsense")
    (folder / "Observation.0.ndjson").write_bytes(b"\n".join(lines[:90]) + b"\n")
    (folder / "Observation.1.ndjson").write_bytes(b"\n".join(lines[90:]))
    (folder / "Patient.ndjson").write_bytes(
        b"".join(
            wire.dumps(stored(entry["resource"], "p1")) + b"\n"
            for entry in bundle(record())["entry"]
            if entry["resource"]["resourceType"] == "Patient"
        )
    )
    (tmp_path / "late.json").write_bytes(wire.dumps(bundle(record(exam_number="late"))))
    return folder


def test_row_for_row_the_same(export: Path, tmp_path: Path) -> None:
    own = {"resource": "Observation", "select": [{"column": [{"name": "id", "path": "id"}, {"name": "status", "path": "status"}]}]}  # fmt: skip
    paths = [str(export), str(tmp_path / "late.json")]
    jobs, local = [], []
    for name, view, more in (
        ("exams.csv", "exams", {}),
        ("measurements.csv", "measurements", {}),
        ("hidden.ndjson", "exams", {"secret": SECRET.decode(), "shift_dates": True, "include": ["synthetic"]}),
        ("own.csv", own, {}),
    ):
        jobs.append({"paths": paths, "view": view, "out": str(tmp_path / "spark" / name), **more})
        arguments = {k: v for k, v in more.items() if k != "secret"}
        secret = SECRET if "secret" in more else None
        local.append(table(paths, view, tmp_path / "local" / name, pseudonyms=secret, **arguments))
    results = spark(jobs)
    for result, expected, job in zip(results, local, jobs, strict=True):
        name = Path(job["out"]).name
        assert (tmp_path / "spark" / name).read_bytes() == (tmp_path / "local" / name).read_bytes(), name
        assert result[:3] == [expected.rows, expected.rejected, expected.counts]
        for suffix in (".excluded.csv", ".rejected.ndjson", ".dictionary.csv"):
            one, other = ((tmp_path / where / name).with_suffix(suffix) for where in ("spark", "local"))
            assert one.read_bytes() == other.read_bytes(), suffix
    assert local[0].rows > 20


def test_deletions_are_applied_as_the_local_engine_does(
    record: Any, observations: Any, stored: Any, tmp_path: Path
) -> None:
    """A copy from the run that reported the deletion, or an earlier one, is void; a later copy counts again."""
    folder = tmp_path / "export"
    (folder / "deleted").mkdir(parents=True)
    made = [stored(observations(record(exam_number=str(number)))[0], f"o{number}") for number in range(30)]
    for run, part in enumerate((made, made[5:9], made[7:8]), 1):
        lines = b"".join(wire.dumps(resource) + b"\n" for resource in part)
        (folder / f"Observation.{run:03}.0001.ndjson").write_bytes(lines)
    gone = [{"resourceType": "Observation", "id": f"o{number}"} for number in (2, 6, 7, 20)]
    (folder / "deleted" / "tombstones.002.ndjson").write_bytes(b"".join(wire.dumps(one) + b"\n" for one in gone))
    jobs, local = [], []
    for name, view, more in (
        ("exams.csv", "exams", {}),
        ("measurements.csv", "measurements", {"include": ["older-version"]}),
        ("hidden.csv", "exams", {"secret": SECRET.decode()}),
    ):
        jobs.append({"paths": [str(folder)], "view": view, "out": str(tmp_path / "spark" / name), **more})
        arguments = {k: v for k, v in more.items() if k != "secret"}
        secret = SECRET if "secret" in more else None
        local.append(table([folder], view, tmp_path / "local" / name, pseudonyms=secret, **arguments))
    for result, expected, job in zip(spark(jobs, split=60_000), local, jobs, strict=True):
        name = Path(job["out"]).name
        assert (tmp_path / "spark" / name).read_bytes() == (tmp_path / "local" / name).read_bytes(), name
        assert result[:3] == [expected.rows, expected.rejected, expected.counts]
    # 4 void in the first run, 6 and 7 in the second; 7 came again in the third
    assert local[0].counts["deleted"] == 6
    assert local[0].rows == 30 - 3


def test_throughput_is_printed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No goal but the sameness of rows: Spark is for what one machine cannot hold."""
    sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))
    import flatten

    source = tmp_path / "o.ndjson"
    flatten.write(source, 20_000)
    made = []
    for cores in (1, 2):
        out = tmp_path / f"{cores}.csv"
        job = {"paths": [str(source)], "view": "measurements", "out": str(out)}
        [[rows, _, _, seconds]] = spark([job], split=8_000_000, cores=cores)
        with capsys.disabled():
            print(
                f"\nspark local[{cores}]: {rows:,} rows in {seconds:.1f} s with the start, {rows / seconds:,.0f} rows/s"
            )
        made.append(out.read_bytes())
    assert made[0] == made[1]
