"""Room `sandbox`: an HTTP server on 127.0.0.1 that misbehaves by script, below the level any HTTP library allows.

A handler gets each request and returns a `Reply`; the reply's `fault` says how it is spoilt on the wire. Every request
is recorded, so that a test can show that the server *was contacted* and what it was sent.
"""

from __future__ import annotations

import contextlib
import functools
import gzip
import socket
import ssl
import struct
import threading
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import parse_qsl

from fhir_bladder import wire

FAULTS = (
    "drop",  # connection closed without an answer: the answer is lost, the work may be done
    "reset",  # the same by TCP reset
    "stall",  # nothing is ever sent
    "stall-headers",  # the status line, then nothing
    "drip-headers",  # header bytes, one each `every` seconds
    "drip-body",  # body bytes, one each `every` seconds
    "truncate",  # half of the body the Content-Length promised, then closed
    "truncate-chunked",  # chunked, closed without the last chunk
    "truncate-json",  # well-formed HTTP, half of the JSON
    "gzip-truncate",  # well-formed HTTP, half of a gzip body
    "gzip-bomb",  # a body that unpacks a thousandfold
    "unframed-cut",  # no length at all, closed after `cut` bytes (half, if 0): nothing on the wire shows the loss
    "unframed",  # no length, whole body, closed: odd but allowed
    "html",  # an HTML page with the status of the reply
    "garbage",  # not HTTP
    "endless-headers",  # headers without end
)
"""Every way to spoil a reply."""


@dataclass(slots=True)
class Request:
    """A request as it came: header names in lower case, target as written in the request line."""

    method: str
    target: str
    headers: dict[str, str]
    body: bytes
    number: int

    @property
    def path(self) -> str:
        """The path without query."""
        return self.target.partition("?")[0]

    @property
    def query(self) -> dict[str, str]:
        """Query parameters; the last of each name."""
        return dict(parse_qsl(self.target.partition("?")[2], keep_blank_values=True))

    @property
    def json(self) -> Any:
        """The body as JSON with exact decimals."""
        return wire.loads(self.body)


@dataclass(slots=True)
class Reply:
    """What to answer. body: bytes, or a value written as FHIR JSON. every: seconds a byte for the drip faults.
    cut: bytes sent by `unframed-cut`.
    """

    status: int = 200
    body: Any = b""
    headers: dict[str, str] = field(default_factory=dict)
    fault: str = ""
    every: float = 0.05
    cut: int = 0

    def __post_init__(self) -> None:
        assert not self.fault or self.fault in FAULTS, self.fault


Handler = Callable[[Request], Reply]


@functools.cache
def bomb() -> bytes:
    """64 KiB of gzip that unpack to 64 MiB."""
    return gzip.compress(b" " * 64 * 1024 * 1024)


def script(replies: Iterable[Reply]) -> Handler:
    """A handler that plays replies in order and repeats the last one."""
    rest = list(replies)

    def handler(_: Request) -> Reply:
        return rest.pop(0) if len(rest) > 1 else rest[0]

    return handler


class HostileServer:
    """The server; use it in a `with` block. `requests` records what came, in order of arrival.

    tls: a server-side SSL context. path: appended to `url` as base path.
    """

    def __init__(self, handler: Handler, *, tls: ssl.SSLContext | None = None, path: str = "/fhir") -> None:
        self.handler = handler
        self.requests: list[Request] = []
        self._tls = tls
        self._path = path
        self._stopped = threading.Event()
        self._lock = threading.Lock()
        self._open: set[socket.socket] = set()
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]

    @property
    def origin(self) -> str:
        """Scheme, host and port."""
        return f"{'https' if self._tls else 'http'}://127.0.0.1:{self.port}"

    @property
    def url(self) -> str:
        """The base URL."""
        return self.origin + self._path

    def __enter__(self) -> HostileServer:
        threading.Thread(target=self._accept, name="hostile-http", daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stopped.set()
        with contextlib.suppress(OSError):  # a thread in accept() would keep a closed listener listening
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        with self._lock:
            for connection in self._open:
                with contextlib.suppress(OSError):
                    connection.shutdown(socket.SHUT_RDWR)

    def _accept(self) -> None:
        while not self._stopped.is_set():
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            threading.Thread(target=self._serve, args=(connection,), name="hostile-conn", daemon=True).start()

    def _serve(self, connection: socket.socket) -> None:
        with self._lock:
            self._open.add(connection)
        try:
            if self._tls:
                with self._lock:
                    self._open.discard(connection)
                connection = self._tls.wrap_socket(connection, server_side=True)
                with self._lock:
                    self._open.add(connection)
            with connection, connection.makefile("rb") as reader:
                for request in self._read(reader):
                    if not self._answer(connection, request, self.handler(request)):
                        return
        except (OSError, ValueError):
            return
        finally:
            with self._lock:
                self._open.discard(connection)

    def _read(self, reader: Any) -> Iterator[Request]:
        while True:
            line = reader.readline(65536)
            if not line.strip():
                return
            method, target, _ = line.decode("latin-1").split(" ", 2)
            headers: dict[str, str] = {}
            while (line := reader.readline(65536)).strip():
                name, _, value = line.decode("latin-1").partition(":")
                headers[name.strip().lower()] = value.strip()
            body = reader.read(int(headers.get("content-length", "0")))
            with self._lock:
                request = Request(method, target, headers, body, len(self.requests))
                self.requests.append(request)
            yield request

    # -- answers -------------------------------------------------------------------------------------------------

    def _answer(self, connection: socket.socket, request: Request, reply: Reply) -> bool:
        """Send the reply as its fault says; whether the connection may be used again."""
        body = reply.body if isinstance(reply.body, bytes) else wire.dumps(reply.body)
        headers = {"Content-Type": "application/fhir+json"} if body else {}
        headers.update(reply.headers)
        fault = reply.fault
        if fault == "html":
            body, headers["Content-Type"] = b"<html><body>Please log in</body></html>", "text/html"
        elif fault == "truncate-json":
            body = body[: max(1, len(body) // 2)]
        elif fault == "gzip-truncate":
            packed = gzip.compress(body)
            body, headers["Content-Encoding"] = packed[: len(packed) // 2], "gzip"
        elif fault == "gzip-bomb":
            body, headers["Content-Encoding"] = bomb(), "gzip"
        if request.method == "HEAD" or reply.status in (204, 304):
            body = b""
        if fault == "truncate-chunked":
            headers["Transfer-Encoding"] = "chunked"
        else:
            headers["Content-Length"] = str(len(body))
        if fault.startswith("unframed"):
            del headers["Content-Length"]
            if fault == "unframed-cut":
                body = body[: reply.cut or len(body) // 2]
        head = f"HTTP/1.1 {reply.status} Scripted\r\n".encode("latin-1")
        lines = "".join(f"{name}: {value}\r\n" for name, value in headers.items()).encode("latin-1") + b"\r\n"
        if fault in _SPOILT:
            _SPOILT[fault](self, connection, head, lines, body, reply.every)
            return False
        connection.sendall(head + lines + body)
        return request.headers.get("connection", "").lower() != "close"

    def _drop(self, *_: Any) -> None:
        return

    def _reset(self, connection: socket.socket, *_: Any) -> None:
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))

    def _stall(self, *_: Any) -> None:
        self._stopped.wait(600)

    def _stall_headers(self, connection: socket.socket, head: bytes, *_: Any) -> None:
        connection.sendall(head + b"Content-Ty")
        self._stopped.wait(600)

    def _drip(self, connection: socket.socket, data: bytes, every: float) -> None:
        for position in range(len(data)):
            if self._stopped.wait(every):
                return
            connection.sendall(data[position : position + 1])

    def _drip_headers(self, connection: socket.socket, head: bytes, lines: bytes, body: bytes, every: float) -> None:
        self._drip(connection, head + lines + body, every)

    def _drip_body(self, connection: socket.socket, head: bytes, lines: bytes, body: bytes, every: float) -> None:
        connection.sendall(head + lines)
        self._drip(connection, body, every)

    def _truncate(self, connection: socket.socket, head: bytes, lines: bytes, body: bytes, _: float) -> None:
        connection.sendall(head + lines + body[: len(body) // 2])

    def _truncate_chunked(self, connection: socket.socket, head: bytes, lines: bytes, body: bytes, _: float) -> None:
        half = body[: max(1, len(body) // 2)]
        connection.sendall(head + lines + f"{len(half):x}\r\n".encode() + half + b"\r\n")

    def _unframed(self, connection: socket.socket, head: bytes, lines: bytes, body: bytes, _: float) -> None:
        connection.sendall(head + lines + body)

    def _garbage(self, connection: socket.socket, *_: Any) -> None:
        connection.sendall(b"\x00\xff not http at all\r\n\r\n")

    def _endless_headers(self, connection: socket.socket, head: bytes, *_: Any) -> None:
        connection.sendall(head)
        for number in range(100_000):
            connection.sendall(f"X-{number}: {'x' * 200}\r\n".encode())


_SPOILT: dict[str, Callable[..., None]] = {
    "drop": HostileServer._drop,
    "reset": HostileServer._reset,
    "stall": HostileServer._stall,
    "stall-headers": HostileServer._stall_headers,
    "drip-headers": HostileServer._drip_headers,
    "drip-body": HostileServer._drip_body,
    "truncate": HostileServer._truncate,
    "truncate-chunked": HostileServer._truncate_chunked,
    "unframed": HostileServer._unframed,
    "unframed-cut": HostileServer._unframed,
    "garbage": HostileServer._garbage,
    "endless-headers": HostileServer._endless_headers,
}
