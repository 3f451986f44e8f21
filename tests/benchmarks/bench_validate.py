# ruff: noqa: E501 - tables of cases read better in one line
"""Speed of `conformance`, as ratios against `orjson.loads` of the same bytes, in CPU time, one run.

    python tests/benchmarks/bench_validate.py [--hapi MS_PER_OBSERVATION] [--entries N]

--hapi: milliseconds an Observation in the reference validator's best mode, measured beside this run on this machine
(`tests/oracle/hapi`); without it the ratio to it is left out. --entries: size of the large Bundle.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import random
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import orjson

from fhir_bladder.conformance import Options, Validator

ROOT = Path(__file__).parent.parent.parent
UCUM = "http://unitsofmeasure.org"


def component(code: str, value: float, unit: str) -> dict[str, Any]:
    return {
        "code": {"coding": [{"system": "https://a.example/cs", "code": code, "display": code}], "text": code},
        "valueQuantity": {"value": value, "unit": unit, "system": UCUM, "code": unit},
    }


def observation(r: random.Random, number: int) -> dict[str, Any]:
    """A usual Observation of six components, about 2 kB; ids, patients, times and values differ."""
    names = ("length", "width", "height", "wall", "area", "mass")
    return {
        "resourceType": "Observation",
        "id": f"o-{number}",
        "identifier": [{"system": "https://a.example/key", "value": f"S1/{number}"}],
        "status": "final",
        "category": [{"coding": [{"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "imaging", "display": "Imaging"}]}],
        "code": {"coding": [{"system": "https://a.example/cs", "code": "exam", "display": "exam"}], "text": "exam"},
        "subject": {"reference": f"Patient/p-{r.randrange(10**6)}", "display": "Htest"},
        "effectiveDateTime": f"2026-{r.randrange(1, 13):02}-{r.randrange(1, 29):02}T10:42:{r.randrange(60):02}+01:00",
        "issued": f"2026-11-{r.randrange(1, 29):02}T10:50:00+01:00",
        "performer": [{"reference": "Practitioner/n-1", "display": "operator"}],
        "device": {"reference": "Device/d-1", "display": "scanner"},
        "valueQuantity": {"value": round(r.uniform(1, 900), 1), "unit": "mL", "system": UCUM, "code": "mL"},
        "component": [component(n, round(r.uniform(1, 200), 2), "mm") for n in names],
    }  # fmt: skip


def broken(r: random.Random, value: dict[str, Any]) -> dict[str, Any]:
    """One of six single faults."""
    kind = r.randrange(6)
    if kind == 0:
        value["status"] = "finished"
    elif kind == 1:
        value["component"][2]["valueQuantity"]["value"] = "12"
    elif kind == 2:
        value["subject"]["reference"] = "Medication/1"
    elif kind == 3:
        value["effectiveDateTime"] = "2026-13-40"
    elif kind == 4:
        value["foo"] = 1
    else:
        del value["code"]
    return value


def mapped(shape: Any) -> list[bytes]:
    """Observations of our profiles: the demo ward of three seeds, as `map` writes it."""
    from fhir_bladder import wire
    from fhir_bladder.errors import BladderError
    from fhir_bladder.exam import load
    from fhir_bladder.mapping import MapOptions, to_fhir
    from fhir_bladder.sandbox.ward import ward

    options = MapOptions(shape=shape)
    found = []
    for seed in (1, 2, 3):
        for record in ward(seed)[0]:
            with contextlib.suppress(BladderError):  # the ward holds records to be refused
                found += [wire.dumps(o) for o in to_fhir(load(record), options=options).observations]
    return found


def spoiled(docs: list[bytes]) -> list[bytes]:
    """Every twentieth with one of five single faults."""
    out = []
    for number, data in enumerate(docs):
        if number % 20 == 0:
            value = json.loads(data)
            kind = number // 20 % 5
            if kind == 0:
                value["status"] = "finished"
            elif kind == 1:
                value["subject"]["reference"] = "Medication/1"
            elif kind == 2:
                value["effectiveDateTime"] = "2026-13-40"
            elif kind == 3:
                value["foo"] = 1
            else:
                del value["code"]
            data = orjson.dumps(value)
        out.append(data)
    return out


def cpu(*runs: Callable[[], object], rounds: int = 9) -> list[float]:
    """Best CPU seconds of each, the runs taking turns, so that a busy machine troubles all alike."""
    best = [float("inf")] * len(runs)
    for _ in range(rounds):
        for number, run in enumerate(runs):
            start = time.process_time()
            run()
            best[number] = min(best[number], time.process_time() - start)
    return best


def each(run: Callable[[bytes], object], docs: list[bytes]) -> None:
    """Results are dropped one by one: keeping thousands of parsed documents costs more than parsing them."""
    for data in docs:
        run(data)


def stream(validator: Validator, name: str, docs: list[bytes], hapi: float) -> None:
    times = cpu(lambda: each(orjson.loads, docs), lambda: each(validator.validate, docs))
    base, mine = (t / len(docs) * 1e6 for t in times)
    good = sum(not validator.validate(d) for d in docs)
    line = (
        f"{name:34} {good}/{len(docs)} clean  loads {base:6.2f} µs  validate {mine:7.2f} µs  ratio {mine / base:5.2f}"
    )
    if hapi:
        line += f"  {hapi * 1000 / mine:6.0f} times HAPI"
    print(line)


def first_verdict(name: str, code: str) -> None:
    times = []
    for _ in range(5):
        start = time.perf_counter()
        subprocess.run([sys.executable, "-c", code], cwd=ROOT, check=True, capture_output=True)
        times.append(time.perf_counter() - start)
    print(f"{name:34} {min(times) * 1000:6.0f} ms best of {len(times)} (fresh process, wall clock)")


def bundles(entries: int) -> None:
    r = random.Random(3)
    for number in (100, entries):
        with tempfile.NamedTemporaryFile("w", suffix=".json", delete=False) as out:
            out.write('{"resourceType":"Bundle","type":"collection","entry":[')
            for i in range(number):
                entry = {"fullUrl": f"urn:uuid:00000000-0000-0000-0000-{i:012x}", "resource": observation(r, i)}
                out.write(("," if i else "") + json.dumps(entry))
            out.write("]}")
        code = (
            "import resource, time, sys\n"
            "from fhir_bladder.conformance import Options, validate_files\n"
            "o = Options(local=False); v = o.validator(); next(iter(validate_files([sys.argv[1]], o, v))) if len(sys.argv) > 2 else 0\n"
            "t = time.process_time(); j = next(iter(validate_files([sys.argv[1]], o, v)))\n"
            "print(time.process_time() - t, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024, j.valid)"
        )
        args = [sys.executable, "-c", code, out.name, *(["warm"] if number == 100 else [])]
        seconds, rss, valid = subprocess.run(args, cwd=ROOT, check=True, capture_output=True, text=True).stdout.split()
        size = Path(out.name).stat().st_size / 1e6
        Path(out.name).unlink()
        per = float(seconds) / number * 1e6
        print(
            f"Bundle of {number:7,} entries ({size:.0f} MB)   {per:7.1f} µs an entry   {rss} MB at most   valid {valid}"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hapi", type=float, default=0.0)
    parser.add_argument("--entries", type=int, default=20_000)
    options = parser.parse_args()
    r = random.Random(1)
    base = Validator(local=False)
    valid = [orjson.dumps(observation(r, i)) for i in range(2000)]
    mixed = [orjson.dumps(broken(r, observation(r, i)) if i % 20 == 0 else observation(r, i)) for i in range(2000)]
    pretty = [json.dumps(observation(r, i), indent=1).encode() for i in range(500)]
    stream(base, "Observations, R4", valid, options.hapi)
    stream(base, "Observations, R4, 5 % invalid", mixed, options.hapi)
    stream(base, "Observations, R4, indented", pretty, options.hapi)
    local = Validator()
    panels = mapped("panel")
    stream(local, "own profile, panel", panels, 0.0)
    stream(local, "own profile, panel, 5 % invalid", spoiled(panels), 0.0)
    stream(local, "own profiles, single", mapped("single"), 0.0)
    code = (
        "from fhir_bladder.conformance import Validator; "
        'Validator(local={}).validate(b\'{{"resourceType":"Observation","status":"final","code":{{"text":"x"}}}}\')'
    )
    first_verdict("first verdict, R4", code.format(False))
    first_verdict("first verdict, own profiles loaded", code.format(True))
    bundles(options.entries)
    print(
        f"this process: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024} MB; streams need {Options().workers} worker"
    )


if __name__ == "__main__":
    main()
