"""Peers of the benchmarks: HAPI's validator, sqlonfhir, a bare client. Each says None where it cannot be had."""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
import tempfile
import time
import uuid
import venv
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

ROOT = Path(__file__).parent.parent.parent
SQLONFHIR = "sqlonfhir==0.0.2"


class Hapi(NamedTuple):
    """Seconds an Observation takes HAPI's validator: warm and alone, warm in Bundles of 50, in a new process."""

    single: float
    batched: float
    cold: float


def hapi(observations: list[bytes]) -> Hapi | None:
    """As HAPI times itself on one thread, the new process by the clock. None where it is not built."""
    folder = ROOT / "tests" / "oracle" / "hapi"
    if not (folder / "target" / "classes").is_dir():
        return None
    jars = f"{folder / 'target' / 'classes'}:{folder / 'target' / 'lib' / '*'}"
    command = ["java", "-Xmx768m", "-XX:+UseSerialGC", "-cp", jars, "HapiJudge", str(ROOT / "profiles"), "1"]

    def ask(lines: list[bytes]) -> list[float]:
        done = subprocess.run(command, input=b"\n".join(lines), check=True, stdout=subprocess.PIPE)
        return [json.loads(line)["ms"] / 1000 for line in done.stdout.splitlines()]

    began = time.perf_counter()
    ask(observations[:1])
    cold = time.perf_counter() - began
    alone = ask(observations[:50] * 6)[-50:]
    entries = b",".join(
        b'{"fullUrl":"urn:uuid:%s","resource":%s}' % (str(uuid.UUID(int=n + 1)).encode(), one)
        for n, one in enumerate(observations[:50])
    )
    bundle = b'{"resourceType":"Bundle","type":"collection","entry":[' + entries + b"]}"
    return Hapi(sum(alone) / 50, min(ask([bundle] * 20)) / 50, cold)


_SQLONFHIR = """
import json, sys, time
from sqlonfhir import evaluate
lines = open(sys.argv[1]).read().splitlines()[:int(sys.argv[3])]
resources, view = [json.loads(line) for line in lines], json.load(open(sys.argv[2]))
began = time.process_time()
rows = evaluate(resources, view)
print((time.process_time() - began) / len(resources))
assert len(rows) == len(resources)
"""


def sqlonfhir(source: Path, view: dict[str, Any], count: int) -> float | None:
    """Seconds an Observation, parsed already, takes sqlonfhir; in an environment of its own, for its old FHIRPath."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "view.json").write_text(json.dumps(view))
        venv.create(folder / "env", with_pip=True)
        python = folder / "env" / "bin" / "python"
        got = subprocess.run([python, "-m", "pip", "install", "-q", SQLONFHIR], check=False, capture_output=True)
        if got.returncode:
            return None
        done = subprocess.run(
            [python, "-c", _SQLONFHIR, source, folder / "view.json", str(count)], check=True, stdout=subprocess.PIPE
        )
    return float(done.stdout)


@contextlib.contextmanager
def server() -> Iterator[str]:
    """The embedded server in a process of its own."""
    process = subprocess.Popen(
        [sys.executable, "-m", "fhir_bladder", "serve"], cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        text=True,
    )  # fmt: skip
    try:
        assert process.stdout is not None
        yield process.stdout.readline().strip()
    finally:
        process.terminate()
        process.wait()


def pull(url: str, kind: str) -> float:
    """Wall seconds to get every resource of a kind, page by page, parsed and no more."""
    import orjson
    import urllib3

    began = time.perf_counter()
    pool = urllib3.PoolManager()
    following = f"{url}/{kind}?_count=100"
    while following:
        bundle = orjson.loads(pool.request("GET", following).data)
        following = next((link["url"] for link in bundle.get("link", ()) if link["relation"] == "next"), "")
    return time.perf_counter() - began
