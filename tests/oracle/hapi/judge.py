"""HAPI as a judge: one process for many cases, its answers kept. Belongs here: asking, nothing of ours.

An answer is kept under the SHA-256 of the data and under what it depends on: the judge's source always, our profiles
only where the data name them. So a change of a profile asks anew about what names our profiles and about nothing else.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
ROOT = HERE.parents[2]
JARS = HERE / "target" / "lib"
CLASSES = HERE / "target" / "classes"
JAVA = HERE / "src/main/java"
SOURCE = JAVA / "HapiJudge.java"
PROFILES = ROOT / "profiles"
WORK = ROOT / "tests" / "oracle" / "work"
OURS = b"w3id.org/fhir-bladder"
THREADS = os.environ.get("HAPI_THREADS", "2")
"""As many as cores: more of them wait for each other and fill the heap (4 on 2 cores took longer than 1)."""


def prepare() -> str:
    """Why HAPI cannot be asked, or ""; compiles the judge where a class file is missing or older than its source."""
    if not shutil.which("java") or not shutil.which("javac"):
        return "no Java found"
    if not JARS.is_dir():
        return "HAPI's jars are missing: see tests/oracle/hapi/README.md"
    sources = {file: CLASSES / file.relative_to(JAVA).with_suffix(".class") for file in JAVA.rglob("*.java")}
    if any(not made.exists() or made.stat().st_mtime < file.stat().st_mtime for file, made in sources.items()):
        options = ["--release", "17", "-nowarn", "-cp", f"{JARS}/*", "-d", str(CLASSES)]
        subprocess.run(["javac", *options, *map(str, sources)], check=True)
    return ""


def command(folders: Iterable[Path], mode: str) -> list[str]:
    """The command line of the judge; `mode` is a number of threads, or `snapshots`."""
    where = os.pathsep.join(map(str, folders))
    return ["java", "-Xmx1g", "-XX:+UseSerialGC", "-cp", f"{CLASSES}:{JARS}/*", "HapiJudge", where, mode]


def asked(lines: Iterable[bytes], folders: Iterable[Path] = (PROFILES,)) -> Iterator[bytes]:
    """HAPI's answer to each line, in order, as JSON text."""
    with tempfile.TemporaryFile() as given:
        given.write(b"\n".join(lines))
        given.seek(0)
        with subprocess.Popen(command(folders, THREADS), stdin=given, stdout=subprocess.PIPE) as run:
            assert run.stdout
            yield from run.stdout
        assert run.returncode == 0


@cache
def fingerprint(profiles: bool) -> str:
    """Changes with the judge's source and, where asked for, with every profile of ours."""
    digest = hashlib.sha256(SOURCE.read_bytes())
    for file in sorted(PROFILES.glob("*.json")) if profiles else ():
        digest.update(file.name.encode() + file.read_bytes())
    return digest.hexdigest()[:16]


def store(data: bytes) -> Path:
    """Where HAPI's answer about these data is kept."""
    return WORK / f"hapi-{fingerprint(OURS in data)}.ndjson"


def kept_answers() -> dict[str, dict[str, Any]]:
    """SHA-256 of the data → HAPI's verdict, for the present state of judge and profiles."""
    known: dict[str, dict[str, Any]] = {}
    for path in {store(b""), store(OURS)}:
        for line in path.read_text().splitlines() if path.exists() else ():
            key, _, answer = line.partition(" ")
            with contextlib.suppress(json.JSONDecodeError):  # the last line of an interrupted run
                known[key] = json.loads(answer)
    return known


def ask(data: list[bytes], *, keep: bool = True) -> list[dict[str, Any]]:
    """HAPI's verdicts with our profiles, in order. With `keep` the answers are kept and not asked for twice."""
    known = kept_answers() if keep else {}
    keys = [hashlib.sha256(one).hexdigest() for one in data]
    open_ = list({key: one for key, one in zip(keys, data, strict=True) if key not in known}.items())
    if open_:
        WORK.mkdir(exist_ok=True)
        with contextlib.ExitStack() as stack:
            files = {path: stack.enter_context(path.open("a", buffering=1)) for path in {store(b""), store(OURS)}}
            for (key, one), line in zip(open_, asked([one for _, one in open_]), strict=True):
                known[key] = json.loads(line)
                if keep:  # line by line: an interrupted run is not lost
                    files[store(one)].write(f"{key} {line.decode().strip()}\n")
    return [known[key] for key in keys]
