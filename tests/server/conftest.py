"""Starts and stops a HAPI JPA server for tests marked `server`; skips them by name where Java or the jars are missing.

Build once (Maven, 300 MB of jars from its central repository), then it runs offline:
    cd tests/server/hapi
    mvn -q -B dependency:copy-dependencies -DoutputDirectory=target/lib -DincludeScope=runtime
    javac --release 17 -parameters -cp 'target/lib/*' -d target/classes src/main/java/HapiServer.java
    cp src/main/resources/* target/classes/
"""

from __future__ import annotations

import contextlib
import queue
import shutil
import subprocess
import threading
import time
import urllib.request
from pathlib import Path

import pytest

HAPI = Path(__file__).parent / "hapi"
START = 240.0


@contextlib.contextmanager
def running_hapi(log: Path, heap: str = "768m"):
    """The server's base URL; it is stopped when the block ends. Its database is in memory: 10,000 exams need 3g."""
    command = [
        "java", f"-Xmx{heap}", "-XX:+UseSerialGC", "-XX:TieredStopAtLevel=1",
        "-cp", f"{HAPI / 'target' / 'classes'}:{HAPI / 'target' / 'lib' / '*'}", "HapiServer",
    ]  # fmt: skip
    with log.open("wb") as errors:
        process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=errors, text=True)
    lines: queue.Queue[str] = queue.Queue()

    def read() -> None:
        for line in process.stdout:
            lines.put(line)

    threading.Thread(target=read, daemon=True).start()
    try:
        deadline = time.monotonic() + START
        port = None
        while port is None:
            assert process.poll() is None, f"the server ended: {log.read_text()[-2000:]}"
            assert time.monotonic() < deadline, "the server did not start in time"
            with contextlib.suppress(queue.Empty):
                line = lines.get(timeout=1)
                port = line.split()[1] if line.startswith("port ") else None
        url = f"http://127.0.0.1:{port}/fhir"
        urllib.request.urlopen(f"{url}/metadata", timeout=120).read()
        yield url
    finally:
        process.terminate()
        try:
            process.wait(20)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(20)


@pytest.fixture(scope="session")
def hapi(tmp_path_factory):
    """Base URL of a HAPI JPA server that all tests of the session share: use identifiers of your own."""
    if shutil.which("java") is None:
        pytest.skip("HAPI server: no java")
    if not (HAPI / "target" / "classes" / "HapiServer.class").is_file():
        pytest.skip(f"HAPI server: not built, see {Path(__file__).name}")
    with running_hapi(tmp_path_factory.mktemp("hapi") / "log") as url:
        yield url
