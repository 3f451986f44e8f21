"""Canary words in resources, links, parameters and server words: found in the data files, and nowhere else."""

from __future__ import annotations

import json
import traceback

import pytest

from fhir_bladder.errors import BladderError
from fhir_bladder.exchange.credentials.kinds import Bearer
from fhir_bladder.exchange.export.engine import Export, ExportOptions
from fhir_bladder.exchange.http.client import Client
from fhir_bladder.exchange.http.retry import Retry
from fhir_bladder.sandbox.bulk_model import BulkModel
from fhir_bladder.sandbox.hostile_http import HostileServer, Reply

QUICK = Retry(attempts=2, first=0.0005, longest=0.001)
OUTCOME = {
    "resourceType": "OperationOutcome",
    "issue": [
        {"severity": "error", "code": "processing", "diagnostics": "Canary Person 1944", "details": {"text": "Canary"}}
    ],
}
SPOILT = [
    ("kickoff", Reply(400, OUTCOME)),
    ("kickoff", Reply(500, OUTCOME)),
    ("status", Reply(202, b"Canary", {"X-Progress": "Canary Person 40% done"})),
    ("status", Reply(500, OUTCOME)),
    ("status", Reply(400, OUTCOME)),
    ("manifest", Reply(200, {"transactionTime": "Canary", "output": []})),
    (
        "manifest",
        Reply(200, {"transactionTime": "2026-11-01T00:00:00Z", "output": [{"type": "Canary/x", "url": "Canary"}]}),
    ),
    ("file", Reply(500, OUTCOME)),
    ("file", Reply(200, b'{"resourceType":"Canary Type"}\n{"Canary', {"Content-Type": "application/fhir+ndjson"})),
    ("file", Reply(200, fault="truncate")),
    ("file", Reply(302, b"", {"Location": "http://hostile.example/Canary"})),
    ("delete", Reply(500, OUTCOME)),
    ("none", Reply(200)),
]


@pytest.mark.parametrize(("kind", "reply"), SPOILT)
def test_canaries_stay_in_the_data(tmp_path, kind, reply, caplog):
    caplog.set_level("DEBUG")
    model = BulkModel(
        faults=lambda asked, _: reply if asked == kind else None, bearer="Bearer Canary-token", key="Canary-key"
    )
    model.put("Patient", "Canary-id", name=[{"family": "Canary"}], birthDate="1944-04-04")
    model.errors = [OUTCOME]
    folder, shown = tmp_path / "out", []
    with HostileServer(model) as server:
        model.url = server.url
        options = ExportOptions(
            folder, types=("Patient",), type_filters=("Patient?identifier=Canary&name=Canary",), longest_wait=0.002
        )
        with Client(server.url, Bearer("Canary-token"), retry=QUICK) as c:
            for _ in range(2):
                job = Export(c, options)
                try:
                    for number, event in enumerate(job.run()):
                        shown.append(f"{event.id} {event.detail}")
                        if number > 60:
                            break
                    shown.append(str(job.result))
                except BladderError as error:
                    shown += [str(error), traceback.format_exc()]
        assert "Canary-token" in repr(server.requests)  # the control: the canaries were there
    text = "\n".join(shown) + caplog.text
    for path in folder.rglob("*"):
        if path.is_file() and path.name not in (".export-state.json", ".export-lock"):
            inside = path.read_text()
            if path.suffix == ".ndjson" and path.parent.name != "log":
                assert "Canary" in inside
            elif path.name == "ledger.json":
                # the parameters stand in it as a person gave them: the folder belongs to that question
                text += json.dumps({**json.loads(inside), "parameters": None})
            else:
                text += inside
    assert "Canary" not in text.replace(str(tmp_path), "")
