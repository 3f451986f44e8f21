"""Shared by the intake tests: an outbox, a preparer, messages, a small MLLP client."""

from __future__ import annotations

import contextlib
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from fhir_bladder.exchange.outbox import Outbox
from fhir_bladder.exchange.push.prepare import Preparer
from fhir_bladder.intake import Event, Listener, ListenOptions
from fhir_bladder.intake.listener import wait_until_listening
from fhir_bladder.mapping import MapOptions
from fhir_bladder.readers import ReadOptions

TARGET = "http://127.0.0.1:1/fhir"
ROOT = Path(__file__).parents[2]
V2_MAP = ROOT / "examples" / "hl7v2" / "map.toml"


def _message(number: int = 1, *, volume: Any = 186, control: str = "", **header: str) -> bytes:
    fields = {"3": "APP", "4": "WARD", "9": "ORU^R01^ORU_R01", "12": "2.5.1", "15": "", "16": ""} | header
    return "\r".join(
        [
            rf"MSH|^~\&|{fields['3']}|{fields['4']}|EHR|HOSP|20261118104500+0000||{fields['9']}|{control or number}|T|"
            rf"{fields['12']}|||{fields['15']}|{fields['16']}",
            f"PID|||700-{number}^^^HOSP^MR||Htest-Seven||19510309|F",
            f"OBR|1||E-{number}|69388-7^^LN|||20261118104200+0000",
            f"OBX|1|NM|volume^^99FHBLAD|1|{volume}|mL^^UCUM|||||F|||||||LK-1",
        ]
    ).encode()


@pytest.fixture
def message() -> Callable[..., bytes]:
    """Makes a message: one post-void exam."""
    return _message


class Client:
    """A sender: frames out, acknowledgements in."""

    def __init__(self, port: int, tls: ssl.SSLContext | None = None) -> None:
        plain = socket.create_connection(("127.0.0.1", port), 10)
        plain.settimeout(20)
        self.buffer = b""
        self.socket = tls.wrap_socket(plain, server_hostname="localhost") if tls else plain

    def send(self, data: bytes) -> None:
        self.socket.sendall(b"\x0b" + data + b"\x1c\r")

    def receive(self) -> bytes:
        """One acknowledgement; empty where the connection is closed without one."""
        while b"\x1c\r" not in self.buffer:
            try:
                chunk = self.socket.recv(65536)
            except ConnectionError:
                return b""
            if not chunk:
                return b""
            self.buffer += chunk
        answer, _, self.buffer = self.buffer.partition(b"\x1c\r")
        return answer[1:]

    def ask(self, data: bytes) -> bytes:
        self.send(data)
        return self.receive()

    def close(self) -> None:
        self.socket.close()

    def __enter__(self) -> Client:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


@pytest.fixture
def client() -> type[Client]:
    return Client


class Running:
    """A listener in a thread."""

    def __init__(self, folder: Path, **options: Any) -> None:
        self.outbox = Outbox(folder / "outbox.sqlite")
        self.events: list[Event] = []
        deliver = options.pop("deliver", None)
        self.mllp = options.get("mllp", "")
        read = ReadOptions(v2_map=options.pop("v2_map", V2_MAP), columns=options.pop("columns", None))
        preparer = options.pop("preparer", None) or Preparer(MapOptions(as_="bundles"), None, local=True)
        self.listener = Listener(
            self.outbox, TARGET, preparer, read, ListenOptions(**options), deliver=deliver, on_event=self.events.append
        )
        self.error: BaseException | None = None
        self.thread = threading.Thread(target=self._run, daemon=True)

    def _run(self) -> None:
        try:
            self.listener.run()
        except BaseException as error:
            self.error = error

    def start(self) -> int:
        self.thread.start()
        return wait_until_listening(self.listener) if self.mllp else 0

    def stop(self) -> None:
        self.listener.stop()
        self.thread.join(30)
        assert not self.thread.is_alive()
        self.outbox.close()

    def exams(self) -> list[tuple[str, str]]:
        """(key, state) of every row."""
        return [(row.key, row.state) for row in self.outbox.rows(target=TARGET)]

    def until(self, what: Callable[[], Any], seconds: float = 20.0) -> Any:
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            with contextlib.suppress(FileNotFoundError):
                if found := what():
                    return found
            time.sleep(0.02)
        raise AssertionError(f"did not happen within {seconds} s; {self.error!r}")


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Callable[..., Running]]:
    """Makes listeners and stops them at the end."""
    started: list[Running] = []

    def make(**options: Any) -> Running:
        started.append(Running(tmp_path, **options))
        return started[-1]

    yield make
    for one in started:
        if one.thread.is_alive():
            one.stop()


@pytest.fixture
def listening(running: Callable[..., Running]) -> Callable[..., tuple[Running, int]]:
    """Makes a listener with MLLP on a free port, and gives the port."""

    def make(**options: Any) -> tuple[Running, int]:
        one = running(mllp="127.0.0.1:0", **options)
        port = one.start()
        assert port, one.error
        return one, port

    return make
