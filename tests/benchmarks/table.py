"""Every benchmark in one run and one table: each figure a ratio to a named peer on the same input.

    python tests/benchmarks/table.py [EXAMS]        default 10,000; scale is measured up to ten times as many

Peers are in `peers.py`. Times are processor or wall seconds of the best of several rounds, in processes of their own
where that matters. Nothing here fails: a slow day is a slow day. The exams are the demo's, invented.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from importlib.metadata import version
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
ROOT = HERE.parent.parent
sys.path[:0] = [str(HERE), str(ROOT)]

import bench_validate  # noqa: E402 - the folder is no package
import flatten  # noqa: E402
import peers  # noqa: E402


def records(count: int) -> list[bytes]:
    """That many distinct exam records of the demo ward, as NDJSON lines."""
    from fhir_bladder import wire
    from fhir_bladder.sandbox.ward import ward

    base = [record for record in ward()[0] if record["void_state"] != "unspecified"][:FIRST]
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


def validating() -> Iterator[Row]:
    """Each document is judged once, by a validator that has seen others."""
    from fhir_bladder.conformance import Validator

    panel, single = (bench_validate.wards(shape, range(1, 13)) for shape in ("panel", "single"))
    mixed = [bench_validate.spoiled(docs) for docs in panel]
    peer = "orjson.loads of the same bytes"
    took = {}
    for name, groups in (("panel", panel), ("single", single), ("panel, 5 % invalid, explained", mixed)):
        bare, mine, ratio = bench_validate.once(Validator, groups)
        took[name] = mine / 1e6
        yield f"validate: {name}", _micro(took[name]), peer, _micro(bare / 1e6), f"{ratio:.1f} ×"
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "one.json"
        file.write_bytes(panel[0][0])
        cold = wall([sys.executable, "-m", "fhir_bladder", "validate", str(file)], 5)
    hapi = peers.hapi(panel[0])
    if hapi is None:
        yield "validate: panel", _micro(took["panel"]), "HAPI", "not built", "see .ci/prepare"
        return
    for name, theirs in (("HAPI, warm, one at a time", hapi.single), ("HAPI, warm, Bundles of 50", hapi.batched)):
        yield "validate: panel", _micro(took["panel"]), name, _micro(theirs), f"{theirs / took['panel']:,.0f} × faster"
    name = "validate: first verdict, new process"
    yield name, f"{cold * 1e3:.0f} ms", "HAPI, cold", f"{hapi.cold * 1e3:,.0f} ms", f"{hapi.cold / cold:.0f} × faster"


def _micro(seconds: float) -> str:
    return f"{seconds * 1e6:,.1f} µs"


def flattening(count: int) -> Iterator[Row]:
    with tempfile.TemporaryDirectory() as name:
        source = Path(name) / "o.ndjson"
        flatten.write(source, count)
        took = {
            method: min(flatten.measure(method, source, Path(name) / f"{method}.csv") for _ in range(3))
            for method in flatten.METHODS
        }
        few = min(count, 2000)
        other = peers.sqlonfhir(source, flatten.VIEW, few)
    hand, view = took["hand"][0], took["view"][0]
    for method, (seconds, memory) in took.items():
        if method != "hand":
            shown = f"{seconds:.2f} s, {memory:.0f} MB"
            peer = "hand-written orjson loop"
            yield f"flatten {count:,} by {method}", shown, peer, f"{hand:.2f} s", f"{seconds / hand:.2f} ×"
    if "duckdb" in took:
        other_seconds = took["duckdb"][0]
        peer = "DuckDB, one thread"
        yield (
            f"flatten {count:,} by view",
            f"{view:.2f} s",
            peer,
            f"{other_seconds:.2f} s",
            f"{view / other_seconds:.2f} ×",
        )
    mine = _micro(view / count)
    if other is None:
        yield "flatten by view, each", mine, "sqlonfhir 0.0.2", "not there", "cannot be installed"
    else:
        yield "flatten by view, each", mine, "sqlonfhir 0.0.2", _micro(other), f"{other * count / view:,.0f} × faster"


def exchanging(lines: list[bytes]) -> Iterator[Row]:
    """Push and pull against the embedded server in a process of its own."""
    count = min(len(lines), 2000)
    done = subprocess.run(
        [sys.executable, HERE / "push_overhead.py", "overhead", str(count)],
        env={**os.environ, "PYTHONPATH": str(ROOT)}, check=True, stdout=subprocess.PIPE,
    )  # fmt: skip
    push = json.loads(done.stdout)
    share = 100 * push["share_not_waiting"]
    shown = f"{push['seconds'] * 1e3 / count:.1f} ms each, {push['peak_memory_mb']:.0f} MB"
    yield f"push {count:,} exams", shown, "the time without a request under way", "", f"{share:.1f} % of the wall"
    with tempfile.TemporaryDirectory() as name, peers.server() as url:
        folder = Path(name)
        (folder / "e.ndjson").write_bytes(b"\n".join(lines[:count]) + b"\n")
        _run(["push", "e.ndjson", "--server", url, "--patients", "create"], folder)
        pulled = [_run(["pull", "-o", f"p{n}.ndjson", "--server", url], folder) for n in range(3)]
        bare = min(peers.pull(url, "Observation") for _ in range(3))
    took, memory = min(pulled)
    shown = f"{took:.2f} s, {memory:.0f} MB"
    peer = "GET of the same pages, orjson.loads"
    yield f"pull {count:,} Observations", shown, peer, f"{bare:.2f} s", f"{took / bare:.2f} ×"


def _run(arguments: list[str], folder: Path) -> tuple[float, float]:
    """Wall seconds and peak MB of one command."""
    began = time.perf_counter()
    subprocess.run(
        [sys.executable, "-c", _MEASURED, *arguments], cwd=folder, check=True, stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL, env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    return time.perf_counter() - began, float((folder / "peak").read_text()) / 1024


def reporting(lines: list[bytes]) -> Iterator[Row]:
    """The page for people; the peer is what else this tool does with each record, since no other makes such a page."""
    count = min(len(lines), 2000)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "e.ndjson").write_bytes(b"\n".join(lines[:count]) + b"\n")
        took, memory = min(_run(["report", "e.ndjson", "-o", "r.html"], folder) for _ in range(3))
        size = (folder / "r.html").stat().st_size / 1e6
        mapped = min(_run(["map", "e.ndjson", "--as", "bundles", "-o", "b.ndjson"], folder)[0] for _ in range(3))
        judged = min(_run(["validate", "b.ndjson"], folder)[0] for _ in range(3))
    peer = "map --as bundles and validate"
    shown = f"{took:.2f} s, {memory:.0f} MB"
    yield (
        f"report, {count:,} exams, {size:.1f} MB",
        shown,
        peer,
        f"{mapped + judged:.2f} s",
        f"{took / (mapped + judged):.2f} ×",
    )


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


def _chain(count: int) -> tuple[float, float]:
    """Processor seconds and the largest process of map, validate and table of so many exams."""
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
            process = subprocess.Popen(
                [*tool, *arguments], cwd=folder, stdout=quiet, stderr=quiet, env={**os.environ, "PYTHONPATH": str(ROOT)}
            )
            _, status, usage = os.wait4(process.pid, 0)
            assert status == 0
            seconds += usage.ru_utime + usage.ru_stime
            peak = max(peak, float((folder / "peak").read_text()) / 1024)
    return seconds, peak


FIRST = 180
"""Distinct records that `records` repeats: with these every cache and every compiled judge is there."""


def scaling(most: int) -> Iterator[Row]:
    """Growing inputs: seconds an exam beyond the first of each kind, which pay for the starts; the largest process."""
    first = min(_chain(FIRST)[0] for _ in range(3))
    took = {}
    for count in (most // 100, most // 10, most):
        seconds, peak = min(_chain(count) for _ in range(3 if count < most else 1))
        took[count] = (seconds - first) / (count - FIRST), peak
    base = took[most // 10][0]
    peer = f"{most // 10:,} exams (starts and first {FIRST}, {first:.1f} s, off)"
    for count, (each, peak) in took.items():
        shown = f"{each * 1e6:.0f} µs an exam, {peak:.0f} MB"
        yield f"map, validate, table: {count:,}", shown, peer, _micro(base), f"{each / base:.2f} ×"


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    libraries = ", ".join(f"{name} {version(name)}" for name in ("fhir.resources", "orjson", "msgspec", "pydantic"))
    print(f"{platform.python_implementation()} {platform.python_version()}, {os.cpu_count()} cores, {libraries}\n")
    print(f"{'what':<42} {'here':<28} {'peer':<46} {'peer takes':<12} ratio")
    lines = records(count)
    sections: list[Iterator[Any]] = [
        start_up(),
        mapping(lines[:3000]),
        validating(),
        flattening(10 * count),
        exchanging(lines),
        reporting(lines),
        scaling(10 * count),
    ]
    for section in sections:
        for row in section:
            print(f"{row[0]:<42} {row[1]:<28} {row[2]:<46} {row[3]:<12} {row[4]}", flush=True)


if __name__ == "__main__":
    main()
