"""What a server says it has made: kept in the outbox until a search shows it, within a bound."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from fhir_bladder.exchange.outbox import Outbox
from fhir_bladder.exchange.push import made as module
from fhir_bladder.exchange.push.made import Made

T = "https://fhir.example/r4"
EXAM = ("urn:keys", "LK-1/E-1")


def test_another_process_knows_it_by_identifier_and_by_target(tmp_path: Path) -> None:
    with Outbox(tmp_path / "o.db") as box:
        Made(box, T).add([("Observation", EXAM, "Observation/7"), ("Provenance", "Observation/7", "Provenance/p")])
    with Outbox(tmp_path / "o.db") as box:
        made = Made(box, T)
        assert made.among("Observation", [EXAM, ("urn:keys", "other")]) == {EXAM: "Observation/7"}
        assert made.among("Provenance", ["Observation/7"]) == {"Observation/7": "Provenance/p"}
        assert made.among("DiagnosticReport", [EXAM]) == {}
        assert Made(box, "https://other.example").among("Observation", [EXAM]) == {}


def test_what_a_search_shows_leaves_with_the_next_that_comes(tmp_path: Path) -> None:
    with Outbox(tmp_path / "o.db") as box:
        made = Made(box, T)
        made.add([("Observation", EXAM, "Observation/7")])
        made.seen("Observation", [EXAM, ("urn:keys", "never made")])
        assert made.among("Observation", [EXAM]) == {}
        made.add([("Observation", ("urn:keys", "2"), "Observation/8")])
        assert [reference for _, _, reference in box.made(T, 10)] == ["Observation/8"]


def test_what_went_and_was_made_again_is_kept(tmp_path: Path) -> None:
    """Deleted on the server, then sent again: another process has to know the new one."""
    with Outbox(tmp_path / "o.db") as box:
        made = Made(box, T)
        made.add([("Observation", EXAM, "Observation/7")])
        made.seen("Observation", [EXAM])
        made.add([("Observation", EXAM, "Observation/8")])
        assert Made(box, T).among("Observation", [EXAM]) == {EXAM: "Observation/8"}


def test_the_newest_are_kept_within_the_bound(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MOST", 5)
    with Outbox(tmp_path / "o.db") as box:
        made = Made(box, T)
        for number in range(20):
            made.add([("Observation", ("urn:keys", str(number)), f"Observation/{number}")])
        assert len(made.among("Observation", [("urn:keys", str(n)) for n in range(20)])) == 5
        made.add([])
        assert len(box.made(T, 100)) == 5
        again = Made(box, T)
        assert set(again.among("Observation", [("urn:keys", str(n)) for n in range(20)]).values()) == {
            f"Observation/{number}" for number in range(15, 20)
        }


def test_a_purge_leaves_none_of_its_time(tmp_path: Path) -> None:
    """Identifiers of patients are among them; newer ones may still be needed."""
    with Outbox(tmp_path / "o.db") as box:
        Made(box, T).add([("Patient", ("urn:mrn", "700-431"), "Patient/7")])
        box.purge(dt.timedelta(days=1))
        assert len(box.made(T, 10)) == 1
        box.purge(dt.timedelta(0))
        assert box.made(T, 10) == []
    assert b"700-431" not in b"".join(path.read_bytes() for path in tmp_path.iterdir())
