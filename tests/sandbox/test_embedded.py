"""The embedded server: loopback only, its own port, two at a time, data kept where asked, nothing left behind."""

from __future__ import annotations

import logging
import socket
import stat
import threading
from pathlib import Path

import pytest

from fhir_bladder.errors import ConfigError, ServerError
from fhir_bladder.exchange.http.client import Client
from fhir_bladder.sandbox.embedded import embedded_server

PATIENT = {"resourceType": "Patient", "identifier": [{"system": "https://records.example/mrn", "value": "HTEST-1"}]}


def count(url: str) -> int:
    with Client(url) as c:
        return sum(len(page.get("entry", [])) for page in c.pages("Patient"))


def test_two_servers_share_nothing():
    with embedded_server() as one, embedded_server() as two:
        assert one != two
        assert one.startswith("http://127.0.0.1:")
        with Client(one) as c:
            assert c.request("POST", "Patient", json=PATIENT).status == 201
        assert (count(one), count(two)) == (1, 0)


def test_a_store_keeps_the_data_and_is_private(tmp_path):
    store = tmp_path / "store.db"
    with embedded_server(store) as url, Client(url) as c:
        c.request("POST", "Patient", json=PATIENT)
    assert stat.S_IMODE(store.stat().st_mode) == 0o600
    with embedded_server(store) as url:
        assert count(url) == 1


def test_it_is_gone_afterwards():
    handlers, level = list(logging.getLogger().handlers), logging.getLogger().level
    before = set(threading.enumerate())  # other tests of this process may keep a server for themselves
    with embedded_server() as url:
        port = int(url.split(":")[2].split("/")[0])
    with pytest.raises(OSError):
        socket.create_connection(("127.0.0.1", port), timeout=1)
    assert not [thread for thread in set(threading.enumerate()) - before if thread.name == "embedded-fhir"]
    assert (list(logging.getLogger().handlers), logging.getLogger().level) == (handlers, level)


def listening(port: int) -> set[str]:
    """Addresses on which the port listens, from the kernel's table (state 0A is LISTEN, proc(5))."""
    found = set()
    for name in ("/proc/net/tcp", "/proc/net/tcp6"):
        for line in Path(name).read_text().splitlines()[1:]:
            local, state = line.split()[1], line.split()[3]
            address, _, number = local.partition(":")
            if state == "0A" and int(number, 16) == port:
                found.add(address)
    return found


@pytest.mark.skipif(not Path("/proc/net/tcp").exists(), reason="needs Linux's /proc")
def test_it_listens_on_the_loopback_only():
    with embedded_server() as url:
        assert listening(int(url.split(":")[2].split("/")[0])) == {"0100007F"}


def test_errors_are_explained(tmp_path):
    with pytest.raises(ConfigError, match="folder of the store"), embedded_server(tmp_path / "no" / "store.db"):
        pass
    taken = socket.create_server(("127.0.0.1", 0))
    with taken, pytest.raises(ServerError, match="cannot be used"), embedded_server(port=taken.getsockname()[1]):
        pass
