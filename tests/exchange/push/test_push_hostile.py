"""Push against the server model: every fault alone at every request, then seeded schedules of faults.

The oracle is the model's own store, counted by identifier, and the rows of the outbox.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import Any

import pytest

from fhir_bladder.sandbox.hostile_faults import READ_FAULTS, WRITE_FAULTS, random_schedule
from fhir_bladder.sandbox.hostile_fhir import Character

SEEDS = int(os.environ.get("FHIR_BLADDER_SEEDS", "200"))


def settle(bench: Any, records: list[dict[str, Any]], **options: Any) -> None:
    """Push under faults, then the same records without, as a person would."""
    bench.push(records, **options)
    bench.server.quiet()
    for _ in range(3):
        if bench.push(records, **options).exit_codes <= {1}:
            return


def check(bench: Any, records: list[dict[str, Any]], context: str) -> None:
    """Every exam exactly once, or held with a reason that is true; nothing doubled, nothing versioned twice."""
    rows = bench.states()
    assert len(rows) == len(records), context
    system = bench.preparer().key_system
    # a server that loses what it said it wrote leaves references that point nowhere: they must be written again
    lied = any(fault == "lie" for _, _, fault in bench.server.log)
    for key, states in rows.items():
        [(state, code)] = states
        found = bench.store.by_identifier("Observation", system, key)
        told = f"{context}: {key} {state} {code}, {len(found)} on the server"
        if any(value == key or value.startswith(key + "/") for value in bench.server.raced):
            assert (state, code) == ("held", "doubled"), told
            continue
        assert state == "delivered", told
        assert len(found) == 1, told
        assert lied or len(bench.store.versions("Observation", found[0]["id"])) == 1, told
        assert len(bench.store.by_identifier("DiagnosticReport", system, key)) == 1, told
        name = f"Observation/{found[0]['id']}"
        notes = [p for p in bench.store.current("Provenance") if any(t["reference"] == name for t in p["target"])]
        assert len(notes) == 1, f"{told}, {len(notes)} Provenance"
        assert lied or len(bench.store.versions("Provenance", notes[0]["id"])) == 1, told
    assert len(list(bench.store.current("Device"))) == 1, context
    patients = {r["patient"]["identifiers"][0]["value"] for r in records}
    assert len(list(bench.store.current("Patient"))) == len(patients), context


@pytest.mark.parametrize("fault", sorted({*WRITE_FAULTS, *READ_FAULTS}))
def test_each_fault_at_each_request(make_bench: Any, tmp_path: Path, fault: str) -> None:
    """A clean run says how many requests there are; then the fault strikes each in turn, and the next one too."""
    clean = make_bench(tmp_path)
    records = [clean.record(n, patient=n) for n in range(3)]
    clean.push(records)
    requests = len(clean.server.log)
    assert requests >= 8
    for number in range(1, requests + 1):
        for times in (1, 2):
            folder = tmp_path / f"{number}-{times}"
            folder.mkdir()
            bench = make_bench(folder)
            bench.server.script = {number + i: fault for i in range(times)}
            settle(bench, records)
            check(bench, records, f"{fault} at request {number} of {requests}, {times} times")


@pytest.mark.parametrize("block", range(10))
def test_seeded_schedules(make_bench: Any, tmp_path: Path, block: int) -> None:
    """Random faults on random kinds of server; the seed is in the message of a failure."""
    for seed in range(block * SEEDS // 10, (block + 1) * SEEDS // 10):
        folder = tmp_path / str(seed)
        folder.mkdir()
        bench = make_bench(folder)
        bench.store.character = character(seed)
        bench.server.schedule = random_schedule(seed, rate=0.1 + (seed % 5) * 0.1, until=40 + seed % 60)
        records = [bench.record(n, patient=n % 4) for n in range(1 + seed % 9)]
        settle(bench, records, preparer=bench.preparer("single" if seed % 4 == 3 else "panel"))
        check(bench, records, f"seed {seed}")
        shutil.rmtree(folder)


def character(seed: int) -> Character:
    return Character(
        transactions=seed % 7 != 1,
        conditional=seed % 11 != 2,
        client_ids=seed % 3 != 1,
        lists=seed % 5 != 4,
        max_entries=(0, 0, 8, 2, 1)[seed % 5],
        limit_status=(413, 400, 422)[seed % 3],
        stale=(412, 409)[seed % 2],
        bare_etags=seed % 2 == 1,
        absolute=seed % 4 == 2,
        page=(1000, 2, 1)[seed % 3],
    )


@pytest.mark.long
def test_many_seeded_schedules(make_bench: Any, tmp_path: Path) -> None:
    for seed in range(10_000, 10_000 + int(os.environ.get("FHIR_BLADDER_LONG_SEEDS", "3000"))):
        folder = tmp_path / str(seed)
        folder.mkdir()
        bench = make_bench(folder)
        bench.store.character = character(seed)
        bench.server.schedule = random_schedule(seed, rate=0.05 + (seed % 9) * 0.1, until=20 + seed % 200)
        records = [bench.record(n, patient=n % 4) for n in range(1 + seed % 12)]
        settle(bench, records, preparer=bench.preparer("single" if seed % 4 == 3 else "panel"))
        check(bench, records, f"seed {seed}")
        shutil.rmtree(folder)
