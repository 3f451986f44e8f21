"""The CapabilityStatement, read once; another FHIR version refused in one line."""

from __future__ import annotations

import pytest

from fhir_bladder.errors import ServerError
from fhir_bladder.exchange.http.client import Client
from fhir_bladder.exchange.http.errors import HttpError
from fhir_bladder.sandbox.embedded import embedded_server
from fhir_bladder.sandbox.hostile_http import HostileServer, Reply


def statement(version="4.0.1", **rest):
    return {"resourceType": "CapabilityStatement", "fhirVersion": version, "rest": [{"mode": "server", **rest}]}


def read(body, status=200):
    with HostileServer(lambda _: Reply(status, body)) as server, Client(server.url) as c:
        first = c.capability
        assert c.capability is first
        assert len(server.requests) == 1
        return first


def test_what_we_use_of_it():
    capability = read(
        {
            **statement(
                interaction=[{"code": "transaction"}],
                resource=[
                    {"type": "Observation", "conditionalCreate": True, "searchParam": [{"name": "identifier"}]},
                    {"type": "Patient", "updateCreate": True, "operation": [{"name": "$export"}]},
                ],
            ),
            "software": {"name": "Some Server", "version": "7.1"},
        }
    )
    assert (capability.transaction, capability.batch) == (True, False)
    assert capability.creates_conditionally("Observation")
    assert not capability.creates_conditionally("Patient")
    assert capability.update_create == {"Patient"}
    assert capability.operations == {"export"}
    assert capability.search["Observation"] == {"identifier"}
    assert (capability.software, capability.software_version) == ("Some Server", "7.1")


@pytest.mark.parametrize("version", ["4.0.0", "4.0.1"])
def test_r4_is_taken(version):
    assert read(statement(version)).fhir_version == version


@pytest.mark.parametrize("version", ["5.0.0", "4.3.0", "3.0.2", "1.0.2", "4.0", "", None, 4, "4.0.1 Canary"])
def test_another_version_is_refused_in_one_line(version):
    with pytest.raises(ServerError, match="FHIR R4") as caught:
        read(statement(version))
    assert caught.value.exit_code == 4
    assert "\n" not in str(caught.value)
    assert "Canary" not in str(caught.value)


@pytest.mark.parametrize("body", [{}, [], {"resourceType": "Patient"}, 7])
def test_what_is_no_statement(body):
    with pytest.raises(ServerError, match="no CapabilityStatement"):
        read(body)


@pytest.mark.parametrize(
    "rest", [None, 7, [7], [{"mode": "client"}], [{"resource": [7, {"type": 7}], "interaction": "x"}]]
)
def test_a_statement_of_odd_shape_promises_nothing(rest):
    capability = read({"resourceType": "CapabilityStatement", "fhirVersion": "4.0.1", "rest": rest})
    assert not capability.transaction
    assert not capability.conditional_create


def test_metadata_that_is_not_there():
    with pytest.raises(HttpError, match="base URL"):
        read({}, status=404)


def test_the_embedded_server():
    with embedded_server() as url, Client(url) as c:
        assert c.capability.fhir_version == "4.0.1"
        assert c.capability.transaction
        assert c.capability.creates_conditionally("Observation")
