"""Every benchmark in one run and one table: each figure a ratio to a named peer on the same input.

    python tests/benchmarks/table.py [EXAMS]        default 10,000; scale is measured up to ten times as many

Peers: the bare interpreter; the `fhir.resources` path (build, validate, dump); bare `orjson`; HAPI's validator, warm in
one Bundle, where it is built (.ci/prepare); a hand-written orjson loop; the FHIR server's own time. Times are
processor or wall seconds of the best of several rounds, in processes of their own where that matters. Nothing here
fails: a slow day is a slow day. The exams are the demo's, invented.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import platform
import resource
import subprocess
import sys
import tempfile
import time
import uuid
from collections.abc import Callable, Iterator
from importlib.metadata import version
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parent.parent.parent
HERE = Path(__file__).parent


def records(count: int) -> list[bytes]:
    """That many distinct exam records of the demo ward, as NDJSON lines."""
    from fhir_bladder import wire
    from fhir_bladder.sandbox.ward import ward

    base = [record for record in ward()[0] if record["void_state"] != "unspecified"][:180]
    lines = []
    for number in range(count):
        record = dict(base[number % len(base)])
        record["exam_number"] = f"B-{number:07}"
        lines.append(wire.dumps(record))
    return lines


def best(work: Callable[[], object], rounds: int = 5) -> float:
    """Least processor seconds of several rounds."""
    least = float("inf")
    for _ in range(rounds):
        began = time.process_time()
        work()
        least = min(least, time.process_time() - began)
    return least


def wall(command: list[str], rounds: int = 10) -> float:
    """Least wall seconds of a command."""
    least = float("inf")
    for _ in range(rounds):
        began = time.perf_counter()
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        least = min(least, time.perf_counter() - began)
    return least


def _each(work: Callable[[bytes], object], lines: list[bytes]) -> None:
    """Without keeping the results, which would measure the collector."""
    for line in lines:
        work(line)


Row = tuple[str, str, str, str, str]


def start_up() -> Iterator[Row]:
    bare = wall([sys.executable, "-c", "pass"])
    ours = wall([sys.executable, "-m", "fhir_bladder", "--help"])
    yield (
        "start-up (--help)",
        f"{ours * 1e3:.0f} ms",
        "bare interpreter",
        f"{bare * 1e3:.0f} ms",
        f"{ours / bare:.1f} ×",
    )


def mapping(lines: list[bytes]) -> Iterator[Row]:
    from fhir.resources.R4B.observation import Observation

    from fhir_bladder import exam, measurement, wire
    from fhir_bladder.mapping import to_fhir

    now = dt.datetime.now(dt.UTC)

    def ours() -> None:
        for line in lines:
            record = exam.load(wire.loads(line))
            measurement.findings(record, now=now)
            for one in to_fhir(record).observations:
                wire.dumps(one)

    few = lines[:300]
    dicts = [json.loads(wire.dumps(to_fhir(exam.load(wire.loads(line))).observations[0])) for line in few]

    def theirs() -> None:
        for one in dicts:
            Observation.model_validate(one).model_dump_json()

    mine, peer = best(ours, 3) / len(lines), best(theirs, 2) / len(few)
    name = "fhir.resources R4B: build, validate, dump"
    yield "map: record bytes to FHIR bytes", _micro(mine), name, _micro(peer), f"{peer / mine:.1f} × faster"


def validating(lines: list[bytes]) -> Iterator[Row]:
    import orjson

    from fhir_bladder import exam, wire
    from fhir_bladder.conformance import Validator
    from fhir_bladder.mapping import to_fhir

    valid = [wire.dumps(to_fhir(exam.load(wire.loads(line))).observations[0]) for line in lines[:3000]]
    mixed = [
        one.replace(b'"status":"final"', b'"status":"finall"') if number % 20 == 0 else one
        for number, one in enumerate(valid)
    ]
    validator = Validator()
    for one in mixed:
        validator.validate(one)
    bare = best(lambda: _each(orjson.loads, valid)) / len(valid)
    fast = best(lambda: _each(validator.validate, valid)) / len(valid)
    some = best(lambda: _each(validator.validate, mixed)) / len(mixed)
    peer = "orjson.loads of the same bytes"
    yield "validate: valid Observations", _micro(fast), peer, _micro(bare), f"{fast / bare:.1f} ×"
    yield "validate: 5 % invalid, all explained", _micro(some), peer, _micro(bare), f"{some / bare:.1f} ×"
    yield from _hapi(valid, fast)
    with tempfile.TemporaryDirectory() as name:
        file = Path(name) / "one.json"
        file.write_bytes(valid[0])
        cold = wall([sys.executable, "-m", "fhir_bladder", "validate", str(file)], 5)
    yield "validate: first verdict, new process", f"{cold * 1e3:.0f} ms", "—", "", ""


def _hapi(valid: list[bytes], ours: float) -> Iterator[Row]:
    """HAPI's best mode: warm, one thread, Bundles of 50; the least of 20 as it times itself."""
    folder = ROOT / "tests" / "oracle" / "hapi"
    if not (folder / "target" / "classes").is_dir():
        yield "validate: valid Observations", "", "HAPI, warm, Bundle of 50", "not built", "see .ci/prepare"
        return
    entries = b",".join(
        b'{"fullUrl":"urn:uuid:%s","resource":%s}' % (_uuid(n), one) for n, one in enumerate(valid[:50])
    )
    bundle = b'{"resourceType":"Bundle","type":"collection","entry":[' + entries + b"]}"
    jars = f"{folder / 'target' / 'classes'}:{folder / 'target' / 'lib' / '*'}"
    command = ["java", "-Xmx768m", "-XX:+UseSerialGC", "-cp", jars, "HapiJudge", str(ROOT / "profiles"), "1"]
    done = subprocess.run(command, input=b"\n".join([bundle] * 20), check=True, stdout=subprocess.PIPE)
    least = min(json.loads(line)["ms"] for line in done.stdout.splitlines()) / 1000 / 50
    peer = "HAPI, warm, Bundle of 50"
    yield "validate: valid Observations", _micro(ours), peer, _micro(least), f"{least / ours:,.0f} × faster"


def _uuid(number: int) -> bytes:
    return str(uuid.UUID(int=number + 1)).encode()


def _micro(seconds: float) -> str:
    return f"{seconds * 1e6:,.1f} µs"


def flattening(count: int) -> Iterator[Row]:
    sys.path.insert(0, str(HERE))
    import flatten

    with tempfile.TemporaryDirectory() as name:
        source = Path(name) / "o.ndjson"
        flatten.write(source, count)
        took = {
            method: min(flatten.measure(method, source, Path(name) / f"{method}.csv") for _ in range(3))
            for method in flatten.METHODS
        }
    hand = took["hand"][0]
    for method, (seconds, memory) in took.items():
        if method != "hand":
            shown = f"{seconds:.2f} s, {memory:.0f} MB"
            peer = "hand-written orjson loop"
            yield f"flatten {count:,} by {method}", shown, peer, f"{hand:.2f} s", f"{seconds / hand:.2f} ×"


def exchanging(lines: list[bytes]) -> Iterator[Row]:
    """Push and pull against the embedded server in a process of its own."""
    count = min(len(lines), 2000)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "e.ndjson").write_bytes(b"\n".join(lines[:count]) + b"\n")
        server = subprocess.Popen(
            [sys.executable, "-m", "fhir_bladder", "serve"],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        try:
            assert server.stdout is not None
            url = server.stdout.readline().strip()
            yield _exchange(f"push {count:,} exams", ["push", "e.ndjson", "--patients", "create"], url, folder)
            yield _exchange(f"pull {count:,} Observations", ["pull", "-o", "p.ndjson"], url, folder)
        finally:
            server.terminate()
            server.wait()


def _exchange(name: str, arguments: list[str], url: str, folder: Path) -> Row:
    before, began = _children(), time.perf_counter()
    command = [sys.executable, "-m", "fhir_bladder", *arguments, "--server", url]
    subprocess.run(command, cwd=folder, check=True, stderr=subprocess.DEVNULL)
    took, used = time.perf_counter() - began, _children() - before
    peer = "processor time of the client"
    return name, f"{took:.1f} s", peer, f"{used:.1f} s", f"{100 * used / took:.0f} % of the wall"


def _children() -> float:
    """Processor seconds of ended child processes; the server is still running, so it is not among them."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


_MEASURED = """
import re, sys
from fhir_bladder.cli.main import run
try:
    run(sys.argv[1:])
finally:
    with open("peak", "w") as peak, open("/proc/self/status") as status:
        peak.write(re.search(r"VmHWM:\\s+(\\d+)", status.read())[1])
"""
"""Runs the command line and leaves its own peak in kB; what the system tells a parent counts the parent's own pages."""


def scaling(most: int) -> Iterator[Row]:
    """map, validate and table of growing inputs: seconds an exam, and the largest process."""
    base = 0.0
    for count in (most // 100, most // 10, most):
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            with (folder / "e.ndjson").open("wb") as stream:
                for line in records(count):
                    stream.write(line + b"\n")
            tool = [sys.executable, "-c", _MEASURED]
            seconds = peak = 0.0
            for arguments in (
                ["map", "e.ndjson", "-o", "f.ndjson"],
                ["validate", "f.ndjson"],
                ["table", "f.ndjson", "--view", "measurements", "--include", "synthetic,preliminary", "-o", "t.csv"],
            ):
                quiet = subprocess.DEVNULL
                process = subprocess.Popen([*tool, *arguments], cwd=folder, stdout=quiet, stderr=quiet)
                _, status, usage = os.wait4(process.pid, 0)
                assert status == 0
                seconds += usage.ru_utime + usage.ru_stime
                peak = max(peak, float((folder / "peak").read_text()) / 1024)
            each = seconds / count
        base = each if count == most // 10 else base
        shown = f"{each * 1e6:.0f} µs an exam, {peak:.0f} MB"
        ratio = f"{each / base:.2f} ×" if base else "three starts included"
        yield f"map, validate, table: {count:,}", shown, f"{most // 10:,} exams", _micro(base) if base else "", ratio


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    libraries = ", ".join(f"{name} {version(name)}" for name in ("fhir.resources", "orjson", "msgspec", "pydantic"))
    print(f"{platform.python_implementation()} {platform.python_version()}, {os.cpu_count()} cores, {libraries}\n")
    print(f"{'what':<42} {'here':<28} {'peer':<42} {'peer takes':<12} ratio")
    lines = records(count)
    sections: list[Iterator[Any]] = [
        start_up(),
        mapping(lines[:3000]),
        validating(lines),
        flattening(10 * count),
        exchanging(lines),
        scaling(10 * count),
    ]
    for section in sections:
        for row in section:
            print(f"{row[0]:<42} {row[1]:<28} {row[2]:<42} {row[3]:<12} {row[4]}", flush=True)


if __name__ == "__main__":
    main()
