# ruff: noqa: E501 - tables of cases read better in one line
"""Speed of `conformance`, as ratios against `orjson.loads` of the same bytes, in CPU time, one run.

    python tests/benchmarks/bench_validate.py [--hapi MS_PER_OBSERVATION] [--entries N]

Every document is judged once by a validator that has seen others before, as in a stream: what is remembered of equal
parts helps only as far as parts repeat. The median over groups of documents is shown, each the best of three validators.
--hapi: milliseconds an Observation in the reference validator's best mode, measured beside this run on this machine
(`tests/oracle/hapi`); without it the ratio to it is left out. --entries: size of the largest Bundle.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import random
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from statistics import median
from typing import Any

import orjson

from fhir_bladder.conformance import Validator

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


def wards(shape: Any, seeds: Iterable[int]) -> list[list[bytes]]:
    """Observations of our profiles: the demo ward of each seed, as `map` writes it."""
    from fhir_bladder import wire
    from fhir_bladder.errors import BladderError
    from fhir_bladder.exam import load
    from fhir_bladder.mapping import MapOptions, to_fhir
    from fhir_bladder.sandbox.ward import ward

    options = MapOptions(shape=shape)
    found = []
    for seed in seeds:
        docs: list[bytes] = []
        for record in ward(seed)[0]:
            with contextlib.suppress(BladderError):  # the ward holds records to be refused
                docs += [wire.dumps(o) for o in to_fhir(load(record), options=options).observations]
        found.append(docs)
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


def each(run: Callable[[bytes], object], docs: list[bytes]) -> None:
    """Results are dropped one by one: keeping thousands of parsed documents costs more than parsing them."""
    for data in docs:
        run(data)


def once(validators: Callable[[], Validator], groups: list[list[bytes]], warm: int = 4) -> tuple[float, float, float]:
    """(µs to parse a document, µs to validate it, their ratio), medians of the groups after the first `warm`."""
    bare, mine = ([float("inf")] * len(groups) for _ in range(2))
    for _ in range(3):
        validator = validators()
        for number, docs in enumerate(groups):
            for best, run in ((bare, orjson.loads), (mine, validator.validate)):
                start = time.process_time()
                each(run, docs)
                best[number] = min(best[number], (time.process_time() - start) / len(docs) * 1e6)
    ratios = [m / b for b, m in zip(bare, mine, strict=True)]
    return median(bare[warm:]), median(mine[warm:]), median(ratios[warm:])


def stream(name: str, validators: Callable[[], Validator], groups: list[list[bytes]], hapi: float = 0.0) -> None:
    base, mine, ratio = once(validators, groups)
    validator = validators()
    docs = [data for group in groups for data in group]
    good = sum(not validator.validate(data) for data in docs)
    line = f"{name:34} {good}/{len(docs)} clean  loads {base:6.2f} µs  validate {mine:7.2f} µs  ratio {ratio:5.2f}"
    if hapi:
        line += f"  {hapi * 1000 / mine:6.0f} times HAPI"
    print(line, flush=True)


def first_verdict(name: str, code: str) -> None:
    times = []
    for _ in range(5):
        start = time.perf_counter()
        subprocess.run([sys.executable, "-c", code], cwd=ROOT, check=True, capture_output=True)
        times.append(time.perf_counter() - start)
    print(f"{name:34} {min(times) * 1000:6.0f} ms best of {len(times)} (fresh process, wall clock)")


def exams() -> list[list[dict[str, Any]]]:
    """The entries of the transaction that `map --as bundles` writes for each exam of one ward."""
    from fhir_bladder import wire
    from fhir_bladder.errors import BladderError
    from fhir_bladder.exam import load
    from fhir_bladder.mapping import MapOptions, to_fhir
    from fhir_bladder.sandbox.ward import ward

    found = []
    for record in ward(1)[0]:
        with contextlib.suppress(BladderError):
            found.append(orjson.loads(wire.dumps(to_fhir(load(record), options=MapOptions()).bundle["entry"])))
    return found


def texts(most: list[list[dict[str, Any]]], first: int, count: int, search: bool) -> Iterator[bytes]:
    """Entries of whole exams from number `first` on, `count` or a few more, none twice; as a search gives them.

    Every round through the ward has UUIDs of its own.
    """
    seen: set[bytes] = set()
    number = first
    while len(seen) < count:
        turn, at = divmod(number, len(most))
        kinds = {e["fullUrl"]: e["resource"]["resourceType"] for e in most[at]}
        for entry in most[at]:
            data = orjson.dumps(entry)
            if search:
                for url, kind in kinds.items():
                    data = data.replace(f'"reference":"{url}"'.encode(), f'"reference":"{kind}/{url[9:]}"'.encode())
                value = orjson.loads(data)
                del value["request"]
                value["resource"]["id"] = entry["fullUrl"][9:]
                kind = kinds[entry["fullUrl"]]
                value["fullUrl"] = f"https://a.example/fhir/{kind}/{entry['fullUrl'][9:]}"
                value["search"] = {"mode": "match" if kind == "Observation" else "include"}
                data = orjson.dumps(value)
            data = _UUID.sub(rb"\g<1>%04x" % turn, data)
            key = data[:120]
            if key not in seen:
                seen.add(key)
                yield data
        number += 1


_UUID = re.compile(
    rb'((?:urn:uuid:|(?:Observation|DiagnosticReport|Device|Patient|Provenance)/|"id":"))[0-9a-f]{4}(?=[0-9a-f]{4}-)'
)
_JUDGE = """
import sys, time
from fhir_bladder.conformance import Options, validate_files
options = Options(); validator = options.validator()
for judged in validate_files(sys.argv[2:3], options, validator): pass
start = time.process_time()
good = [not judged.findings for judged in validate_files(sys.argv[3:], options, validator)]
took = (time.process_time() - start) / int(sys.argv[1]) * 1e6
peak = next(line.split()[1] for line in open("/proc/self/status") if line.startswith("VmHWM"))
print(took, int(peak) // 1024, all(good))
"""


def write_bundle(path: Path, found: list[list[dict[str, Any]]], first: int, count: int, search: bool) -> int:
    """A Bundle of about `count` entries from exam number `first` on; how many it has."""
    head = b'"type":"transaction"'
    if search:
        head = b'"type":"searchset","link":[{"relation":"self","url":"https://a.example/fhir/Observation"}]'
    number = 0
    with path.open("wb") as out:
        out.write(b'{"resourceType":"Bundle",' + head + b',"entry":[')
        for data in texts(found, first, count, search):
            out.write((b"," if number else b"") + data)
            number += 1
        out.write(b"]}")
    return number


def bundles(most: int) -> None:
    """Our own exam Bundles: what an entry costs in Bundles of several sizes, and the memory of the whole process."""
    found = exams()
    with tempfile.TemporaryDirectory() as folder:
        warm = Path(folder) / "warm.json"
        for search in (False, True):
            write_bundle(warm, found, 0, 1_300, search)
            for count in (100, 10_000, most):
                files = [Path(folder) / f"{number}.json" for number in range(20 if count == 100 else 1)]
                firsts = range(5 * len(found), 1000 * len(found), 30)
                total = sum(write_bundle(f, found, n, count, search) for f, n in zip(files, firsts, strict=False))
                args = [sys.executable, "-c", _JUDGE, str(total), str(warm), *map(str, files)]
                took, peak, clean = subprocess.run(
                    args, cwd=ROOT, check=True, capture_output=True, text=True
                ).stdout.split()
                kind = "searchset" if search else "exams"
                size = files[0].stat().st_size / 1e6
                print(
                    f"Bundle of {kind}, {count:7,} entries ({size:.1f} MB)   {float(took):7.1f} µs an entry"
                    f"   {peak} MB at most   clean {clean}",
                    flush=True,
                )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hapi", type=float, default=0.0)
    parser.add_argument("--entries", type=int, default=100_000)
    options = parser.parse_args()
    r = random.Random(1)
    plain = [[orjson.dumps(observation(r, 1000 * g + i)) for i in range(400)] for g in range(12)]
    mixed = [
        [orjson.dumps(broken(r, orjson.loads(d)) if i % 20 == 0 else orjson.loads(d)) for i, d in enumerate(g)]
        for g in plain
    ]
    pretty = [[json.dumps(orjson.loads(d), indent=1).encode() for d in g[:100]] for g in plain]

    def base() -> Validator:
        return Validator(local=False)

    stream("Observations, R4", base, plain, options.hapi)
    stream("Observations, R4, 5 % invalid", base, mixed, options.hapi)
    stream("Observations, R4, indented", base, pretty, options.hapi)
    for shape in ("panel", "single"):
        groups = wards(shape, range(1, 13))
        stream(f"own profiles, {shape}", Validator, groups)
        stream(f"own profiles, {shape}, 5 % invalid", Validator, [spoiled(docs) for docs in groups])
    code = (
        "from fhir_bladder.conformance import Validator; "
        'Validator(local={}).validate(b\'{{"resourceType":"Observation","status":"final","code":{{"text":"x"}}}}\')'
    )
    first_verdict("first verdict, R4", code.format(False))
    first_verdict("first verdict, own profiles loaded", code.format(True))
    bundles(options.entries)


if __name__ == "__main__":
    main()
