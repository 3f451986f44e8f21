"""Flattening Observations to CSV against a hand-written orjson loop that writes the same file.

    python tests/benchmarks/flatten.py [N]

Prints seconds of processor time, ratio and peak memory of one run; figures are recorded in
the issues. One core, one process a method, the best of five rounds in which all take turns; imports count.
The Observations are invented, 2 kB each; ten columns, three of them picked by component code. `view` is the compiled
view, `table` the whole command with counting rules, hashes and side files. sqlonfhir gets a few, parsed already.
"""

from __future__ import annotations

import csv
import importlib.util
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import orjson
import peers

LOCAL = "https://w3id.org/fhir-bladder/CodeSystem/bladder-ultrasound"
PROFILE = "https://w3id.org/fhir-bladder/StructureDefinition/"


def component(code: str, value: float, unit: str) -> dict[str, Any]:
    return {
        "extension": [
            {"url": PROFILE + "origin", "valueCode": "received"},
            {"url": PROFILE + "scan-number", "valueInteger": 2},
        ],
        "code": {
            "coding": [{"system": LOCAL, "code": code, "display": code.replace("-", " ")}],
        },
        "valueQuantity": {"value": value, "unit": unit, "system": "http://unitsofmeasure.org", "code": unit},
    }


def observation(number: int) -> dict[str, Any]:
    """An invented exam of the panel shape."""
    return {
        "resourceType": "Observation",
        "id": f"o{number}",
        "meta": {
            "versionId": "1",
            "lastUpdated": "2026-11-18T10:45:00Z",
            "profile": [PROFILE + "bladder-ultrasound-exam"],
        },
        "identifier": [{"system": "https://w3id.org/fhir-bladder/NamingSystem/exam-key", "value": f"LK-0093/{number}"}],
        "status": "final",
        "category": [
            {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "imaging"}]}
        ],
        "code": {"coding": [{"system": LOCAL, "code": "bladder-ultrasound-exam"}]},
        "subject": {"reference": f"Patient/p{number % 977}"},
        "effectiveDateTime": "2026-11-18T10:42:00+00:00",
        "issued": "2026-11-18T10:44:00+00:00",
        "device": {"identifier": {"value": "LK-0093"}},
        "component": [
            component("volume", 186 + number % 300, "mL"),
            component("wall-thickness", 2.4, "mm"),
            component("surface-area", 164.5, "cm2"),
            {
                "code": {"coding": [{"system": LOCAL, "code": "void-state"}]},
                "valueCodeableConcept": {
                    "coding": [{"system": "http://dicom.nema.org/resources/ontology/DCM", "code": "109135"}]
                },
            },
        ],
    }


def write(path: Path, count: int) -> None:
    """An NDJSON file of invented Observations."""
    with path.open("wb") as stream:
        for number in range(count):
            stream.write(orjson.dumps(observation(number)) + b"\n")


def by_hand(source: Path, target: Path) -> None:
    """What a careful analyst would write for this one job."""
    with target.open("w", newline="") as out, source.open("rb") as lines:
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(["id", "key", "status", "patient", "effective", "issued", "device", "volume", "wall", "area"])
        for line in lines:
            o = orjson.loads(line)
            volume = wall = area = None
            for part in o["component"]:
                code = part["code"]["coding"][0]["code"]
                if code == "volume":
                    volume = part["valueQuantity"]["value"]
                elif code == "wall-thickness":
                    wall = part["valueQuantity"]["value"]
                elif code == "surface-area":
                    area = part["valueQuantity"]["value"]
            writer.writerow(
                (
                    o["id"],
                    o["identifier"][0]["value"],
                    o["status"],
                    o["subject"]["reference"],
                    o["effectiveDateTime"],
                    o["issued"],
                    o["device"]["identifier"]["value"],
                    volume,
                    wall,
                    area,
                )
            )


def _value(code: str) -> str:
    return f"component.where(code.coding.exists(system = '{LOCAL}' and code = '{code}')).value.ofType(Quantity).value"


VIEW: dict[str, Any] = {
    "resource": "Observation",
    "select": [
        {
            "column": [
                {"name": name, "path": path, "type": kind}
                for name, path, kind in (
                    ("id", "id", "id"),
                    ("key", "identifier.first().value", "string"),
                    ("status", "status", "code"),
                    ("patient", "subject.reference", "string"),
                    ("effective", "effective.ofType(dateTime)", "dateTime"),
                    ("issued", "issued", "instant"),
                    ("device", "device.identifier.value", "string"),
                    ("volume", _value("volume"), "decimal"),
                    ("wall", _value("wall-thickness"), "decimal"),
                    ("area", _value("surface-area"), "decimal"),
                )
            ]
        }
    ],
}


def by_table(source: Path, target: Path) -> None:
    """The same through `table`, counting rules, side files and all."""
    from fhir_bladder.analysis.tables import table

    table([source], VIEW, target)


def by_parquet(source: Path, target: Path) -> None:
    """`table` to Parquet."""
    from fhir_bladder.analysis.tables import table

    table([source], VIEW, target.with_suffix(".parquet"))


def by_view(source: Path, target: Path) -> None:
    """The compiled view alone, without counting rules and side files."""
    from fhir_bladder.analysis import csv_lines, sources, views

    view = views.compile(VIEW)
    reader = view.reader(lines=True)
    bad: list[Any] = []
    with target.open("wb") as out:
        writer = csv_lines.CsvWriter(out, view.columns)
        for batch in sources.batches(source, reader.parse, bad.append):
            if not writer.write_lines(reader.lines(batch.values)):
                writer.write([row for resource in batch.values for row in reader.rows(resource)])
        writer.close()
    assert not bad


def by_duckdb(source: Path, target: Path) -> None:
    """DuckDB's read_json with explicit columns and one thread; its CSV writes decimals its own way."""
    import duckdb

    def pick(code: str) -> str:
        return f"list_filter(component, lambda c: c.code.coding[1].code = '{code}')[1].valueQuantity.value"

    quantity = 'STRUCT("value" DOUBLE)'
    coding = "STRUCT(coding STRUCT(code VARCHAR)[])"
    connection = duckdb.connect(config={"threads": 1})
    connection.execute(
        f"""COPY (SELECT id, identifier[1].value AS key, status, subject.reference AS patient,
        effectiveDateTime AS effective, issued, device.identifier.value AS device,
        {pick("volume")} AS volume, {pick("wall-thickness")} AS wall, {pick("surface-area")} AS area
        FROM read_json('{source}', format='newline_delimited', columns={{
          id: 'VARCHAR', identifier: 'STRUCT("value" VARCHAR)[]', status: 'VARCHAR',
          subject: 'STRUCT(reference VARCHAR)', effectiveDateTime: 'VARCHAR', issued: 'VARCHAR',
          device: 'STRUCT(identifier STRUCT("value" VARCHAR))',
          component: 'STRUCT(code {coding}, valueQuantity {quantity})[]'}}))
        TO '{target}' (HEADER)"""
    )


METHODS = {"hand": by_hand, "view": by_view, "table": by_table, "parquet": by_parquet, "duckdb": by_duckdb}


def measure(method: str, source: Path, target: Path) -> tuple[float, float]:
    """Seconds and peak MB of one method in a process of its own."""
    done = subprocess.run(
        [sys.executable, __file__, "--method", method, str(source), str(target)],
        check=True,
        capture_output=True,
        text=True,
    )
    seconds, megabytes = done.stdout.split()
    return float(seconds), float(megabytes)


def main() -> None:
    if sys.argv[1:2] == ["--method"]:
        start = time.process_time()
        METHODS[sys.argv[2]](Path(sys.argv[3]), Path(sys.argv[4]))
        # What getrusage tells counts the pages of whoever started this process.
        peak = int(re.search(r"VmHWM:\s+(\d+)", Path("/proc/self/status").read_text())[1]) / 1024
        print(time.process_time() - start, peak)
        return
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    with tempfile.TemporaryDirectory() as folder:
        source = Path(folder) / "observations.ndjson"
        write(source, count)
        print(f"{count:,} Observations, {source.stat().st_size / count:.0f} bytes each")
        needs = {"duckdb": "duckdb", "parquet": "pyarrow"}
        methods = [name for name in METHODS if name not in needs or importlib.util.find_spec(needs[name])]
        found: dict[str, list[tuple[float, float]]] = {method: [] for method in methods}
        for _ in range(5):
            for method, runs in found.items():
                runs.append(measure(method, source, Path(folder) / f"{method}.csv"))
        best = {method: min(runs)[0] for method, runs in found.items()}
        for method, runs in found.items():
            peak = max(megabytes for _, megabytes in runs)
            print(f"{method:9} {best[method]:7.3f} s  {best[method] / best['hand']:6.2f} of by hand  {peak:6.1f} MB")
        if "duckdb" in best:
            print(f"view takes {best['view'] / best['duckdb']:.2f} of what DuckDB takes with one thread")
        else:
            print("DuckDB is not installed")
        other = peers.sqlonfhir(source, VIEW, 200)
        if other is None:
            print("sqlonfhir cannot be installed")
        else:
            print(f"view is {other * count / best['view']:,.0f} times as fast as sqlonfhir ({other * 1e3:.2f} ms each)")
        made = {(Path(folder) / f"{method}.csv").read_bytes() for method in ("hand", "view", "table")}
        print("same file:", len(made) == 1)


if __name__ == "__main__":
    main()
