"""Bulk export from the embedded server (from HAPI: tests/server)."""

from __future__ import annotations

import json

import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec
from fhir_bladder_test_exports import data_files
from jwt.algorithms import ECAlgorithm

from fhir_bladder.exchange.credentials.file import load_credentials
from fhir_bladder.exchange.export.engine import Export, ExportOptions
from fhir_bladder.exchange.export.ledger import read_ledger
from fhir_bladder.exchange.export.options import State
from fhir_bladder.exchange.http.client import Client
from fhir_bladder.sandbox.embedded import SmartOption, embedded_server

HTEST = {"security": [{"system": "http://terminology.hl7.org/CodeSystem/v3-ActReason", "code": "HTEST"}]}


def observation(number: int, patient: str) -> dict:
    return {
        "resourceType": "Observation",
        "meta": HTEST,
        "status": "final",
        "identifier": [{"system": "https://records.example/exams", "value": f"HTEST-{number}"}],
        "category": [
            {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "imaging"}]}
        ],
        "code": {"text": "Bladder volume"},
        "subject": {"reference": patient},
        "valueQuantity": {"value": number, "unit": "mL", "system": "http://unitsofmeasure.org", "code": "mL"},
    }


def fill(client: Client, count: int, *, start: int = 0) -> str:
    """Put `count` observations of one patient on the server; its reference."""
    patient = client.request("POST", "Patient", json={"resourceType": "Patient", "meta": HTEST})
    reference = f"Patient/{patient.body['id']}"
    for at in range(start, start + count, 100):
        entries = [
            {"resource": observation(number, reference), "request": {"method": "POST", "url": "Observation"}}
            for number in range(at, min(at + 100, start + count))
        ]
        answer = client.request("POST", "", json={"resourceType": "Bundle", "type": "transaction", "entry": entries})
        assert answer.status == 200
    return reference


def exported(folder) -> dict[str, list[int]]:
    """Type → values (or 0) in the folder."""
    found: dict[str, list[int]] = {}
    for one in data_files(folder):
        for line in one.path.read_bytes().splitlines():
            found.setdefault(one.type, []).append(json.loads(line).get("valueQuantity", {}).get("value", 0))
    return found


@pytest.mark.parametrize("level", ["system", "patient", "group"])
def test_the_embedded_server(tmp_path, level):
    with embedded_server() as url, Client(url) as client:
        reference = fill(client, 250)
        fill(client, 10, start=1000)  # another patient, outside the group
        member = {"entity": {"reference": reference}}
        group = client.request(
            "POST", "Group", json={"resourceType": "Group", "type": "person", "actual": True, "member": [member]}
        )
        options = ExportOptions(
            tmp_path / "out",
            level=level,
            group=group.body["id"] if level == "group" else "",
            types=("Observation", "Patient"),
            longest_wait=0.2,
        )
        job = Export(client, options)
        events = [event.id for event in job.run()]
        found = exported(tmp_path / "out")
    expected = list(range(250)) + ([] if level == "group" else list(range(1000, 1010)))
    assert sorted(found["Observation"]) == expected
    assert len(found["Patient"]) == (1 if level == "group" else 2)
    assert events[0] == "kickoff"
    assert events[-1] == "export_complete"
    assert (job.result.exit_code, job.result.method) == (0, "bulk")


def test_since_auto_and_a_type_filter_on_the_embedded_server(tmp_path):
    with embedded_server() as url, Client(url) as client:
        fill(client, 5)
        options = ExportOptions(
            tmp_path / "out",
            types=("Observation",),
            type_filters=("Observation?category=imaging",),
            since="auto",
            longest_wait=0.2,
        )
        for expected in (5, 0, 3):
            if expected == 3:
                fill(client, 3, start=100)
            job = Export(client, options)
            list(job.run())
            assert job.result.resources == expected
        assert len(read_ledger(tmp_path / "out").runs) == 3
        assert sorted(exported(tmp_path / "out")["Observation"]) == [0, 1, 2, 3, 4, 100, 101, 102]


def test_with_smart_backend_services(tmp_path):
    key = ec.generate_private_key(ec.SECP384R1())
    public = {"keys": [{**json.loads(ECAlgorithm.to_jwk(key.public_key())), "kid": "k"}]}
    pem = key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    (tmp_path / "key.pem").touch(0o600)
    (tmp_path / "key.pem").write_bytes(pem)
    auth = tmp_path / "auth.toml"
    auth.touch(0o600)
    auth.write_text(
        'kind = "smart-backend"\nclient_id = "gateway"\nprivate_key_file = "key.pem"\nkey_id = "k"\n'
        'scope = "system/*.cruds"\n'
    )
    with embedded_server(smart=SmartOption({"gateway": public}, token_lifetime=2)) as url:
        with Client(url, load_credentials(auth)) as client:
            fill(client, 120)
            job = Export(client, ExportOptions(tmp_path / "out", longest_wait=0.2))
            list(job.run())
        assert sorted(exported(tmp_path / "out")["Observation"]) == list(range(120))


def test_the_folder_equals_the_search_of_the_same_server(tmp_path):
    with embedded_server() as url, Client(url) as client:
        fill(client, 130)
        list(Export(client, ExportOptions(tmp_path / "bulk", types=("Observation",), longest_wait=0.2)).run())
        # the way round, on the same server: as if the operation were not there
        (tmp_path / "search").mkdir()
        State(tmp_path / "search", search=True).save()
        job = Export(client, ExportOptions(tmp_path / "search", types=("Observation",)))
        list(job.run())
    assert job.result.method == "search"
    assert lines(tmp_path / "search") == lines(tmp_path / "bulk")


def lines(folder) -> dict[str, dict]:
    """Id → resource, decimals as text."""
    found = {}
    for one in data_files(folder):
        for line in one.path.read_bytes().splitlines():
            resource = json.loads(line, parse_float=str)
            found[resource["id"]] = resource
    return found
