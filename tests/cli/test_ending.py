"""How a run ends when it is not let to the end: Ctrl-C, SIGTERM, a reader or a parent that goes away."""

from __future__ import annotations

import multiprocessing
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

ENVIRONMENT = {name: value for name, value in os.environ.items() if not name.startswith("FHIR_BLADDER_")}
ROOT = Path(__file__).parents[2]
PROGRAM = [sys.executable, "-m", "fhir_bladder"]


@pytest.fixture(scope="session")
def many_records(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Records enough for some seconds of work."""
    path = tmp_path_factory.mktemp("many") / "many.ndjson"
    path.write_bytes((ROOT / "examples" / "exams.ndjson").read_bytes() * 3000)
    return path


@pytest.fixture
def many(folder: Path, many_records: Path) -> Path:
    (folder / "many.ndjson").symlink_to(many_records)
    return folder


def _usual_signals() -> None:
    """As from a terminal: this run may have been started by nohup, or in the background, which children inherit."""
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_DFL)


@contextmanager
def _running(folder: Path, *arguments: str) -> Iterator[subprocess.Popen[str]]:
    process = subprocess.Popen(
        [*PROGRAM, *arguments], cwd=folder, env=ENVIRONMENT, text=True, stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, start_new_session=True, preexec_fn=_usual_signals,
    )  # fmt: skip
    try:
        yield process
    finally:
        with suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.communicate()


def _until(happens: Callable[[], object], seconds: float = 60) -> bool:
    end = time.monotonic() + seconds
    while not happens():
        if time.monotonic() > end:
            return False
        time.sleep(0.02)
    return True


def _workers(pid: int) -> list[int]:
    """Every process that it started, and those that these did: Python 3.14 has one that forks the workers."""
    try:
        children = [int(child) for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
    except OSError:
        return []
    return children + [worker for child in children for worker in _workers(child)]


def _alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


def _drafts(folder: Path) -> list[Path]:
    return [path for path in folder.glob(".*") if path.is_file()]


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
@pytest.mark.parametrize("workers", ["1", "2"])
def test_a_stopped_map_leaves_nothing_half_written_and_no_process(many: Path, name: str, workers: str) -> None:
    with _running(many, "map", "many.ndjson", "-o", "out.ndjson", "--workers", workers) as process:
        assert _until(lambda: any(draft.stat().st_size for draft in _drafts(many))), "it is at work"
        children = _workers(process.pid)
        assert len(children) >= 2 if workers == "2" else not children
        if name == "SIGINT":
            os.killpg(process.pid, signal.SIGINT)  # as a terminal does
        else:
            process.send_signal(getattr(signal, name))
        _, said = process.communicate(timeout=60)
        assert process.returncode == 5
        assert said.strip() == "error: stopped before the end — run the same command again to go on"
        assert not _drafts(many) and not (many / "out.ndjson").exists()
        assert _until(lambda: not any(map(_alive, children)), 10)


@pytest.mark.parametrize("verb", ["map", "validate"])
def test_workers_end_with_the_process_they_work_for(many: Path, verb: str) -> None:
    with _running(many, verb, "many.ndjson", "-o", "out", "--workers", "2") as process:
        assert _until(lambda: len(_workers(process.pid)) >= 2 and any(d.stat().st_size for d in _drafts(many)))
        children = _workers(process.pid)
        os.kill(process.pid, signal.SIGKILL)
        assert _until(lambda: not any(map(_alive, children)), 10)


@pytest.mark.skipif(multiprocessing.get_start_method() != "fork", reason="which process is a worker is not told")
def test_a_worker_that_is_killed_is_told(many: Path) -> None:
    with _running(many, "map", "many.ndjson", "-o", "out.ndjson", "--workers", "2") as process:
        assert _until(lambda: len(_workers(process.pid)) == 2)
        os.kill(_workers(process.pid)[0], signal.SIGKILL)
        _, said = process.communicate(timeout=60)
        assert process.returncode == 5
        assert said == "error: a worker was ended from outside — run it again, with fewer --workers\n"


def test_nohup_is_respected(many: Path) -> None:
    code = "import os, signal, sys; signal.signal(signal.SIGHUP, signal.SIG_IGN); os.execv(sys.argv[1], sys.argv[1:])"
    process = subprocess.Popen(
        [sys.executable, "-c", code, *PROGRAM, "map", "many.ndjson", "-o", "out.ndjson"],
        cwd=many, env=ENVIRONMENT, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        assert _until(lambda: any(draft.stat().st_size for draft in _drafts(many)))
        process.send_signal(signal.SIGHUP)
        time.sleep(0.3)
        assert process.poll() is None
    finally:
        process.kill()
        process.wait()


@pytest.mark.parametrize(
    "arguments",
    [("map", "many.ndjson"), ("check", "exams.ndjson"), ("report", "--text", "exams.ndjson"), ("profiles", "list"),
     ("--help",), ("map", "--help"), ("--version",)],
)  # fmt: skip
def test_a_reader_that_goes_away_leaves_the_work_unfinished(many: Path, arguments: tuple[str, ...]) -> None:
    """Exit 5 as promised, and not a word; the reader here is gone before anything is written."""
    reading, writing = os.pipe()
    os.close(reading)
    try:
        done = subprocess.run(
            [*PROGRAM, *arguments], cwd=many, env=ENVIRONMENT, stdout=writing, stderr=subprocess.PIPE, text=True,
            check=False, timeout=120,
        )  # fmt: skip
    finally:
        os.close(writing)
    assert done.returncode == 5
    assert not [line for line in done.stderr.splitlines() if not line.startswith(("8 exams",))]


def test_a_terminal_without_our_signs_is_written_to_all_the_same(folder: Path) -> None:
    done = subprocess.run(
        [*PROGRAM, "check", "exams.ndjson"], cwd=folder, env=ENVIRONMENT | {"PYTHONIOENCODING": "latin-1"},
        capture_output=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0
    assert b"wall values outside the filling range \\u2014 exams.ndjson:1" in done.stdout
