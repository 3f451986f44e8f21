"""HAPI's snapshot generator and ours make the same of every profile in `profiles/` (issue 4, part 2)."""

from __future__ import annotations

import copy
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))

import judge  # noqa: E402
import snapshots  # noqa: E402

from fhir_bladder.conformance import snapshot_of  # noqa: E402


@pytest.mark.oracle
def test_equal_for_every_profile() -> None:
    if missing := judge.prepare():
        pytest.skip(missing)
    theirs = list(snapshots.hapi_snapshots([judge.PROFILES]))
    assert len(theirs) == len(list(judge.PROFILES.glob("StructureDefinition-*.json"))) >= 35
    found = {one["url"]: list(snapshots.differences(one, snapshot_of(one["url"]))) for one in theirs}
    assert not {url: lines[:5] for url, lines in found.items() if lines}
    # positive control: one changed cardinality, one element less are noticed
    ours = copy.deepcopy(snapshot_of(theirs[0]["url"]))
    ours["snapshot"]["element"][1]["max"] = "7"
    ours["snapshot"]["element"].pop()
    assert len(list(snapshots.differences(theirs[0], ours))) == 2
