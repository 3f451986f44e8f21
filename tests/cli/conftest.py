"""A way to run the command line as a user does, in a folder of its own."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent.parent
Run = Callable[..., subprocess.CompletedProcess[str]]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A copy of `examples`."""
    target = tmp_path / "examples"
    shutil.copytree(ROOT / "examples", target)
    return target


@pytest.fixture
def run(folder: Path) -> Run:
    """Run fhir-bladder in `folder`; never a traceback, whatever it is given."""

    def runner(*arguments: str, stdin: str | None = None, **environment: str) -> subprocess.CompletedProcess[str]:
        clean = {name: value for name, value in os.environ.items() if not name.startswith("FHIR_BLADDER_")}
        done = subprocess.run(
            [sys.executable, "-m", "fhir_bladder", *map(str, arguments)],
            cwd=folder, env=clean | environment, input=stdin, capture_output=True, text=True, check=False, timeout=300,
        )  # fmt: skip
        assert "Traceback" not in done.stderr, done.stderr
        return done

    return runner


@pytest.fixture(scope="session")
def server() -> Iterator[str]:
    """The embedded server."""
    pytest.importorskip("sekmet", reason="needs the extra `demo`")
    from fhir_bladder.sandbox.embedded import embedded_server

    with embedded_server() as url:
        yield url
