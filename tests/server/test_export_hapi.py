"""Bulk export from a HAPI JPA server: jobs that need seconds, Retry-After of 120 s, files that are Binary resources."""

from __future__ import annotations

import json
import uuid

import pytest
from fhir_bladder_test_exports import data_files

from fhir_bladder.exchange.export.engine import Export, ExportOptions
from fhir_bladder.exchange.export.ledger import read_ledger
from fhir_bladder.exchange.export.options import State
from fhir_bladder.exchange.http.client import Client

pytestmark = pytest.mark.server


def fill(client: Client, mark: str, count: int) -> str:
    """`count` observations of a new patient, found again by their category text; the patient's reference."""
    patient = client.request("POST", "Patient", json={"resourceType": "Patient", "active": True})
    reference = f"Patient/{patient.body['id']}"
    for at in range(0, count, 50):
        entries = []
        for number in range(at, min(at + 50, count)):
            resource = {
                "resourceType": "Observation",
                "status": "final",
                "identifier": [{"system": mark, "value": f"HTEST-{number}"}],
                "code": {"coding": [{"system": mark, "code": "volume"}]},
                "subject": {"reference": reference},
                "valueQuantity": {"value": number + 0.5, "unit": "mL"},
            }
            entries.append({"resource": resource, "request": {"method": "POST", "url": "Observation"}})
        answer = client.request("POST", "", json={"resourceType": "Bundle", "type": "transaction", "entry": entries})
        assert answer.status == 200
    return reference


def resources(folder, mark: str) -> dict[str, dict]:
    """Identifier value → Observation of this test."""
    found = {}
    for one in data_files(folder):
        for line in one.path.read_bytes().splitlines():
            resource = json.loads(line)
            for identifier in resource.get("identifier", []):
                if identifier.get("system") == mark:
                    assert identifier["value"] not in found
                    found[identifier["value"]] = resource
    return found


@pytest.mark.parametrize("level", ["system", "patient", "group"])
@pytest.mark.parametrize("post", [False, True])
def test_export_from_hapi(tmp_path, hapi, level, post):
    mark = f"https://records.example/{uuid.uuid4()}"
    with Client(hapi, deadline=120) as client:
        reference = fill(client, mark, 120)
        member = {"entity": {"reference": reference}}
        body = {"resourceType": "Group", "type": "person", "actual": True, "member": [member]}
        group = client.request("POST", "Group", json=body).body["id"]
        options = ExportOptions(
            tmp_path / "out",
            level=level,
            group=group if level == "group" else "",
            types=("Observation", "Patient"),
            type_filters=(f"Observation?code={mark}|volume",),
            post=post,
            longest_wait=1.0,  # the server asks for 120 s where 3 will do
        )
        job = Export(client, options)
        events = [event.id for event in job.run()]
    found = resources(tmp_path / "out", mark)
    assert sorted(found) == sorted(f"HTEST-{number}" for number in range(120))
    assert (job.result.exit_code, job.result.method) == (0, "bulk")
    assert events[-1] == "export_complete"
    run = read_ledger(tmp_path / "out").runs[0]
    assert {entry.type for entry in run.files if entry.kind == "output"} == {"Observation", "Patient"}


def test_since_auto_and_search_on_hapi(tmp_path, hapi):
    mark = f"https://records.example/{uuid.uuid4()}"
    with Client(hapi, deadline=120) as client:
        fill(client, mark, 60)
        options = ExportOptions(
            tmp_path / "out",
            types=("Observation",),
            type_filters=(f"Observation?code={mark}|volume",),
            since="auto",
            longest_wait=1.0,
        )
        list(Export(client, options).run())
        fill(client, mark + "/other", 10)
        again = Export(client, options)
        list(again.run())
        assert again.result.resources == 0
        (tmp_path / "search").mkdir()
        State(tmp_path / "search", search=True).save()
        options = ExportOptions(
            tmp_path / "search", types=("Observation",), type_filters=(f"Observation?code={mark}|volume",)
        )
        searched = Export(client, options)
        list(searched.run())
    assert searched.result.method == "search"
    assert resources(tmp_path / "search", mark) == resources(tmp_path / "out", mark)
