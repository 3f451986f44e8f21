"""The process killed at every boundary of an export, one after the other; and hundreds of seeded fault schedules.

After each: the folder is complete and equal to the server's data, or it says that it is not finished.
"""

from __future__ import annotations

import functools
import os
import random
import signal
from pathlib import Path

import pytest
from fhir_bladder_test_exports import data_files

from fhir_bladder.errors import BladderError, InputError
from fhir_bladder.exchange.export import ledger as ledgers
from fhir_bladder.exchange.export.engine import Export, ExportOptions
from fhir_bladder.exchange.export.ledger import read_ledger
from fhir_bladder.exchange.http.client import Client
from fhir_bladder.exchange.http.retry import Retry
from fhir_bladder.sandbox.bulk_model import BulkModel, seeded
from fhir_bladder.sandbox.hostile_http import HostileServer

QUICK = Retry(attempts=4, first=0.0005, longest=0.001)
BLOCK = 50


def run_export(url: str, folder: Path, **options):
    with Client(url, retry=QUICK, deadline=20) as c:
        job = Export(c, ExportOptions(folder, longest_wait=0.002, **options))
        for _ in job.run():
            pass
    return job.result


def equal_or_unfinished(folder: Path, model: BulkModel) -> bool:
    """Whether the folder is complete; then it must equal one job of the model, line for line."""
    try:
        files = data_files(folder)
    except InputError:
        return False
    run = read_ledger(folder).runs[-1]
    if run.state != "complete":
        return False
    job = next(one for one in model.jobs.values() if one.transaction_time == run.transaction_time)
    expected = [line for kind, _, lines in job.files if kind == "output" for line in lines]
    found = [line for one in files if one.run == run.number for line in one.path.read_bytes().splitlines()]
    assert found == expected
    return True


# -- kill -9 ----------------------------------------------------------------------------------------------------------


def in_child(work) -> int:
    """Run in a forked child; the signal it died of, or minus its exit code."""
    child = os.fork()
    if not child:
        try:
            work()
            os._exit(0)
        except BaseException:
            os._exit(9)
    _, status = os.waitpid(child, 0)
    return os.WTERMSIG(status) if os.WIFSIGNALED(status) else -os.WEXITSTATUS(status)


def traced(url: str, folder: Path, **options) -> list[str]:
    steps: list[str] = []
    ledgers.at_boundary = steps.append
    try:
        run_export(url, folder, **options)
    finally:
        ledgers.at_boundary = None
    return steps


def kill_at(number: int):
    passed = 0

    def at_boundary(_: str) -> None:
        nonlocal passed
        passed += 1
        if passed == number:
            os.kill(os.getpid(), signal.SIGKILL)

    return at_boundary


@pytest.mark.crash
@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
@pytest.mark.parametrize("method", ["bulk", "search"])
def test_killed_at_every_boundary_then_run_again(tmp_path, method):
    def bench():
        model = BulkModel(page=2, verbs=("GET",) if method == "bulk" else (), drift=method == "bulk")
        model.fill(12)
        server = HostileServer(model)
        model.url = server.url
        return model, server

    options = {"types": ("Patient", "Observation")}
    model, server = bench()
    with server:
        steps = traced(server.url, tmp_path / "traced", **options)
    killed = 0
    for number in range(1, len(steps) + 1):
        model, server = bench()
        folder = tmp_path / f"{number:03}"

        def child(url=server.url, folder=folder, number=number):
            ledgers.at_boundary = kill_at(number)
            run_export(url, folder, **options)

        with server:
            died = in_child(child)
            assert died == signal.SIGKILL, f"boundary {number} ({steps[number - 1]}): child ended with {died}"
            killed += 1
            if method == "bulk":
                before = equal_or_unfinished(folder, model) if folder.is_dir() else False
                result = run_export(server.url, folder, **options)
                assert equal_or_unfinished(folder, model), f"boundary {number}: {steps[number - 1]}"
                assert not before or result.state == "already-complete"
            else:
                run_export(server.url, folder, **options)
                lines = [line for one in data_files(folder) for line in one.path.read_bytes().splitlines()]
                assert len(lines) == len(set(lines)) == 15, f"boundary {number}: {steps[number - 1]}"
            assert not list(folder.rglob("*.part"))
            assert not (folder / ".export-state.json").exists()
    assert killed == len(steps) > 20  # every boundary of the traced run was one kill
    assert {"part-synced", "renamed", "folder-synced", "ledger-saved", "complete", "state-removed"} <= set(steps)


@pytest.mark.crash
@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_killed_between_two_files_loads_no_file_twice(tmp_path):
    model = BulkModel(per_file=5)
    model.fill(12)
    with HostileServer(model) as server:
        model.url = server.url

        def child():
            saved = 0

            def at_boundary(name):
                nonlocal saved
                saved += name == "ledger-saved"
                if saved == 3:  # the run's start, and two files
                    os.kill(os.getpid(), signal.SIGKILL)

            ledgers.at_boundary = at_boundary
            run_export(server.url, tmp_path / "out")

        assert in_child(child) == signal.SIGKILL
        run_export(server.url, tmp_path / "out")
        asked = [request.path.split("/")[-1] for request in server.requests if "/files/" in request.path]
    assert asked == ["0", "1", "2", "3"]
    assert len(model.jobs) == 1


@pytest.mark.crash
@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_kills_and_faults_together(tmp_path):
    died = 0
    for seed in range(25):
        choice = random.Random(seed)
        model = BulkModel(faults=seeded(seed), page=seed % 3, counts=seed % 4 != 0)
        model.fill(15)
        folder = tmp_path / str(seed)
        with HostileServer(model) as server:
            model.url = server.url
            for _ in range(3):

                def child(number, url=server.url, folder=folder):
                    ledgers.at_boundary = kill_at(number)
                    run_export(url, folder)

                died += in_child(functools.partial(child, choice.randrange(1, 60))) == signal.SIGKILL
                complete = folder.is_dir() and equal_or_unfinished(folder, model)
            for _ in range(20):
                try:
                    result = run_export(server.url, folder)
                except BladderError:
                    assert not equal_or_unfinished(folder, model)
                    continue
                assert equal_or_unfinished(folder, model), f"seed {seed}"
                assert not complete or result.state == "already-complete"
                break
            else:
                raise AssertionError(f"seed {seed} never finished")
    assert died > 25


# -- seeded schedules --------------------------------------------------------------------------------------------------


def one_schedule(seed: int, folder: Path) -> int:
    """Run a schedule to its end, checking the invariant after each start; the number of starts."""
    model = BulkModel(
        faults=seeded(seed),
        page=seed % 3,
        outcome=seed % 2 == 0,
        packed=seed % 5 == 0,
        unlabelled=seed % 11 == 0,
        repeat=seed % 6 == 1,
        counts=seed % 7 != 0,
        polls=seed % 4,
    )
    model.fill(20)
    with HostileServer(model) as server:
        model.url = server.url
        for start in range(1, 30):
            try:
                result = run_export(server.url, folder)
            except BladderError as error:
                assert "\n" not in str(error)
                assert error.exit_code in (4, 5), error
                assert not equal_or_unfinished(folder, model) or "complete" in str(error)
                continue
            assert result.exit_code == 0, result.problems
            assert equal_or_unfinished(folder, model)
            return start
    raise AssertionError("never finished")


def run_seeds(seeds, tmp_path: Path) -> None:
    starts = {}
    for seed in seeds:
        try:
            starts[seed] = one_schedule(seed, tmp_path / str(seed))
        except BaseException:
            print(f"failing seed: {seed}")
            raise
    # the schedules do bite: some exports needed more than one start
    assert max(starts.values()) > 1


@pytest.mark.parametrize("block", range(4))
def test_seeded_schedules(tmp_path, block):
    run_seeds(range(BLOCK * block, BLOCK * (block + 1)), tmp_path)


@pytest.mark.long
def test_many_seeded_schedules(tmp_path):
    run_seeds(range(10_000, 13_000), tmp_path)
