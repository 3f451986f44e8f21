"""A bench for push: invented exams, the server model, one run of push; shared by the tests of this folder."""

from __future__ import annotations

import contextlib
import copy
import importlib.util
import os
import shutil
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import pytest

from fhir_bladder import wire
from fhir_bladder.exchange.http.retry import Deadline, Retry
from fhir_bladder.exchange.outbox import Item, Outbox
from fhir_bladder.exchange.push.engine import Push, PushOptions, Summary
from fhir_bladder.exchange.push.prepare import Preparer
from fhir_bladder.exchange.push.receipts import Receipts
from fhir_bladder.mapping import MapOptions
from fhir_bladder.readers.items import record_item
from fhir_bladder.sandbox.hostile_faults import HostileServer, InProcess
from fhir_bladder.sandbox.hostile_fhir import Character, Store

TARGET = "http://127.0.0.1/fhir"
MRN = "https://records.example/mrn"

# the example of the record format, made smaller
BASE: dict[str, Any] = wire.loads(
    b"""{"record_version":"1","exam_number":"E-1","device":{"serial":"LK-0093","software_version":"2.4"},
    "patient":{"identifiers":[{"system":"https://records.example/mrn","value":"700-431","type":"MR"}],
      "birth_date":"1951-03-09","family_name":"Htest-Seven"},
    "started_at":"2026-11-18T10:42:00+00:00","void_state":"post-void","void_attempt":"voided",
    "voided_at":"2026-11-18T10:35:00+00:00","voided_volume":{"value":260,"unit":"mL"},"void_measured":true,
    "scans":[{"scan_number":1,"volume":{"value":171,"unit":"mL"},"centring":"partly-centred"},
      {"scan_number":2,"volume":{"value":186,"unit":"mL"},"centring":"centred","pubic_shadow":false}],
    "reported_scan":2,"wall":{"scan_number":2,"layer":"whole-wall","thickness":{"value":2.40,"unit":"mm"}},
    "verified":{"by":"operator 12","at":"2026-11-18T10:44:00+00:00"},"synthetic":true}"""
)


class Bench:
    """Everything a test of push needs, on one folder."""

    target = TARGET
    mrn = MRN

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.outbox_path = folder / "outbox.db"
        self.receipts_path = folder / "receipts.ndjson"
        self.store = Store()
        self.server = HostileServer(self.store)
        self.summaries: list[Summary] = []

    def character(self, **changes: Any) -> None:
        self.store.character = Character(**changes)

    def record(self, number: int = 1, **changes: Any) -> dict[str, Any]:
        """An exam record; `patient` is a number, other changes replace fields (None removes one)."""
        record = copy.deepcopy(BASE)
        record["exam_number"] = f"E-{number}"
        if isinstance(changes.get("patient"), int):
            record["patient"]["identifiers"][0]["value"] = f"700-{changes.pop('patient')}"
        if "volume" in changes:
            record["scans"][1]["volume"]["value"] = changes.pop("volume")
        for name, value in changes.items():
            if value is None:
                record.pop(name, None)
            else:
                record[name] = value
        return record

    def patient(self, number: int | str = 431, **changes: Any) -> dict[str, Any]:
        """Register a patient on the server."""
        resource = {
            "resourceType": "Patient",
            "active": True,
            "identifier": [{"system": MRN, "value": f"700-{number}"}],
            "name": [{"family": "Htest-Seven"}],
            "birthDate": "1951-03-09",
        }
        resource.update(changes)
        return self.store.write({k: v for k, v in resource.items() if v is not None})

    def preparer(self, shape: str = "panel", **options: Any) -> Preparer:
        return Preparer(MapOptions(as_="bundles", shape=shape), options.pop("validate", None), local=True, **options)  # type: ignore[arg-type]

    def items(self, records: Iterable[dict[str, Any]], preparer: Preparer | None = None) -> Iterator[Item]:
        preparer = preparer or self.preparer()
        for line, record in enumerate(records, 1):
            yield preparer.record(record_item("ward.ndjson", line, wire.dumps(record), record))

    def push(
        self,
        records: Iterable[dict[str, Any]] = (),
        *,
        options: PushOptions | None = None,
        preparer: Preparer | None = None,
        server: Any = None,
        items: Iterable[Item] | None = None,
        deadline: float | None = None,
        attempts: int = 6,
        target: str = TARGET,
        outbox: Path | None = None,
    ) -> Summary:
        """One run of push in this process, waits cut to nothing."""
        preparer = preparer or self.preparer()
        with Outbox(outbox or self.outbox_path) as box, Receipts(self.receipts_path) as receipts:
            push = Push(
                box,
                server or InProcess(self.server),
                target,
                options or PushOptions(patients="create", concurrency=1),
                key_system=preparer.key_system,
                receipts=receipts,
                deadline=Deadline(deadline),
                retry=Retry(attempts=attempts, first=0.0005, longest=0.001),
                sleep=lambda seconds: None,
            )
            summary = push.run(items if items is not None else self.items(records, preparer))
        self.summaries.append(summary)
        return summary

    def states(self) -> dict[str, list[tuple[str, str]]]:
        """Key → (state, code) of every row, in order."""
        found: dict[str, list[tuple[str, str]]] = {}
        with Outbox(self.outbox_path) as box:
            for row in box.rows():
                found.setdefault(row.name, []).append((row.state, row.code))
        return found

    def exams(self, number: int = 1, suffix: str = "") -> list[dict[str, Any]]:
        """The Observations of one exam on the server, by its key."""
        system = self.preparer().key_system
        return self.store.by_identifier("Observation", system, f"LK-0093/E-{number}{suffix}")

    def receipts(self) -> list[dict[str, Any]]:
        return [wire.loads(line) for line in self.receipts_path.read_bytes().splitlines()]


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


@contextlib.contextmanager
def running_hapi(log: Path, heap: str) -> Iterator[str]:
    """A HAPI JPA server (recipe in tests/server), or the one that FHIR_BLADDER_HAPI names; skips without either."""
    if "FHIR_BLADDER_HAPI" in os.environ:
        yield os.environ["FHIR_BLADDER_HAPI"]
        return
    place = Path(__file__).parents[2] / "server" / "conftest.py"
    found = importlib.util.spec_from_file_location("hapi_recipe", place)
    assert found is not None
    assert found.loader is not None
    recipe = importlib.util.module_from_spec(found)
    found.loader.exec_module(recipe)
    if shutil.which("java") is None or not (recipe.HAPI / "target" / "classes" / "HapiServer.class").is_file():
        pytest.skip("HAPI server: no java, or not built; see tests/server/conftest.py")
    with recipe.running_hapi(log, heap) as url:
        yield url


@pytest.fixture(scope="session")
def hapi_url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A HAPI server for the tests of a session: each uses identifiers of its own."""
    with running_hapi(tmp_path_factory.mktemp("hapi") / "log", "768m") as url:
        yield url


@pytest.fixture
def large_hapi_url(tmp_path: Path) -> Iterator[str]:
    """A HAPI server with room for 10,000 exams in its memory."""
    with running_hapi(tmp_path / "hapi.log", "3g") as url:
        yield url


@pytest.fixture
def make_bench() -> type[Bench]:
    return Bench


@pytest.fixture(scope="session")
def other_server() -> Any:
    """The module `other_server.py`: a second hostile server."""
    found = importlib.util.spec_from_file_location("bladder_other_server", Path(__file__).with_name("other_server.py"))
    assert found is not None
    assert found.loader is not None
    module = importlib.util.module_from_spec(found)
    sys.modules[found.name] = module  # a dataclass looks its own module up there
    found.loader.exec_module(module)
    return module
