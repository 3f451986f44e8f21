"""A disk that takes no more, acted by a limit on the size of files: one line, a file that stood stays, no draft."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
from pathlib import Path

import pytest

LIMIT = 30_000


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ("map many.ndjson -o {out}", "cannot be written: file too large — {out} — make room, or name another file"),
        ("map exams.ndjson --as bundles -o {out}", "cannot be written: file too large — {out} — "),
        ("profiles pack -o {out}", "cannot be written: file too large — {out} — "),
        (
            "report exams.ndjson -o {out}",
            "cannot write the report: file too large — {out} — name another place with -o",
        ),
        ("table fhir.ndjson --include synthetic -o {out}", "file too large — "),
    ],
)
def test_a_full_disk_costs_nothing_that_stood(run, folder: Path, arguments: str, says: str) -> None:
    (folder / "many.ndjson").write_bytes((folder / "exams.ndjson").read_bytes() * 50)
    assert run("map", "many.ndjson", "-o", "fhir.ndjson").returncode == 0
    (folder / "out.csv").write_bytes(b"stood")
    names = {path.name for path in folder.iterdir()}
    done = subprocess.run(
        [sys.executable, "-m", "fhir_bladder", *arguments.format(out="out.csv").split()],
        cwd=folder, env={name: value for name, value in os.environ.items() if not name.startswith("FHIR_BLADDER_")},
        stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, check=False,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (LIMIT, LIMIT)),
    )  # fmt: skip
    assert done.returncode == 3, done.stderr
    assert done.stderr.startswith(f"error: {says.format(out='out.csv')}")
    assert (folder / "out.csv").read_bytes() == b"stood"
    assert {path.name for path in folder.iterdir()} == names
