"""Room `intake`: the MLLP server: frames in, acknowledgements out, TLS and client certificates where wanted.

Frame: VT, message, FS, CR (HL7 minimal lower layer protocol, release 1).
"""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import ssl
from collections.abc import AsyncIterator, Callable
from pathlib import Path

from fhir_bladder.errors import ConfigError, InputError
from fhir_bladder.exchange import log
from fhir_bladder.intake import acknowledge
from fhir_bladder.intake.boundaries import reached
from fhir_bladder.intake.commit import Answer, Committer
from fhir_bladder.readers.v2_records import header_of

START, END = b"\x0b", b"\x1c\r"
MAX_MESSAGE = 16 * 1024 * 1024
MAX_CONNECTIONS = 64
FRAME_TIMEOUT_S = 60.0
"""Longest time from the start of a frame to its end; between frames a connection may rest."""
SKIP_IDLE_S = 1.0
"""A sender of a frame that is too large and writes nothing for this long is answered."""


def address(text: str) -> tuple[str, int]:
    """`HOST:PORT`, `:PORT` or `PORT`; without a host, this machine only. Raises ConfigError."""
    host, _, port = text.rpartition(":")
    host = host.strip("[]") or "127.0.0.1"
    if not port.isdecimal() or int(port) > 65535:
        raise ConfigError(f"{text!r} is no address", "--mllp", "write HOST:PORT, such as 127.0.0.1:2575")
    return host, int(port)


def is_loopback(host: str) -> bool:
    """Whether an address is reached from this machine only."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def tls_context(cert: str | Path, key: str | Path, client_ca: str | Path | None = None) -> ssl.SSLContext:
    """TLS for the server; with `client_ca` only clients with a certificate of that authority. Raises ConfigError."""
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        context.load_cert_chain(cert, key)
        if client_ca is not None:
            context.load_verify_locations(client_ca)
            context.verify_mode = ssl.CERT_REQUIRED
    except (OSError, ssl.SSLError) as error:
        words = error.strerror or str(error)
        raise ConfigError(f"the TLS files cannot be used: {words}", str(cert), "give PEM files") from None
    return context


class _TooLarge(InputError):
    """A frame above the limit; `head` is its beginning."""

    def __init__(self, what: str, head: bytes) -> None:
        super().__init__(what)
        self.head = head


class Server:
    """Accepts connections and answers each message after it is durable.

    on_answer: told of every message, with what became of it. on_trouble: a word for what had no message in it.
    """

    def __init__(
        self,
        committer: Committer,
        *,
        tls: ssl.SSLContext | None = None,
        max_message: int = MAX_MESSAGE,
        frame_timeout: float = FRAME_TIMEOUT_S,
        on_answer: Callable[[Answer], None] = lambda _: None,
        on_trouble: Callable[[str], None] = lambda _: None,
    ) -> None:
        self._committer, self._tls, self._max, self._timeout = committer, tls, max_message, frame_timeout
        self._on_answer, self._on_trouble = on_answer, on_trouble
        self._server: asyncio.Server | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self._busy: set[asyncio.Task[None]] = set()
        self._stopping = False

    @property
    def connections(self) -> int:
        """Open connections."""
        return len(self._tasks)

    @property
    def port(self) -> int:
        """The port listened on; 0 before the start."""
        return int(self._server.sockets[0].getsockname()[1]) if self._server and self._server.sockets else 0

    async def start(self, host: str, port: int) -> None:
        """Listen. Raises ConfigError where the address cannot be had."""
        try:
            self._server = await asyncio.start_server(self._connected, host, port, ssl=self._tls, limit=1 << 16)
        except OSError as error:
            raise ConfigError(
                f"cannot listen: {(error.strerror or str(error)).lower()}", f"{host}:{port}", "choose another --mllp"
            ) from None

    async def stop(self) -> None:
        """Take no more connections, finish messages that were received whole, close."""
        self._stopping = True
        if self._server is not None:
            self._server.close()
        for task in self._tasks - self._busy:
            task.cancel()
        if self._tasks:
            await asyncio.wait(self._tasks, timeout=30)
        if self._server is not None:
            with contextlib.suppress(asyncio.TimeoutError):
                await asyncio.wait_for(self._server.wait_closed(), 5)

    async def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        if len(self._tasks) >= MAX_CONNECTIONS or self._stopping:
            self._trouble("too-many-connections")
            writer.close()
            return
        self._tasks.add(task)
        try:
            async for data in self._frames(reader):
                self._busy.add(task)
                if not await self._answer(data, writer):
                    return
                self._busy.discard(task)
                if self._stopping:
                    return
        except InputError as error:
            self._trouble(error.what)
            if isinstance(error, _TooLarge):
                await self._refuse(error.head, writer)
        except (ConnectionError, asyncio.IncompleteReadError, ssl.SSLError):
            self._trouble("connection-lost")
        except asyncio.CancelledError:
            pass  # a stop between two messages
        finally:
            self._tasks.discard(task)
            self._busy.discard(task)
            writer.close()
            with contextlib.suppress(ConnectionError, ssl.SSLError, asyncio.CancelledError, OSError):
                await writer.wait_closed()

    async def _frames(self, reader: asyncio.StreamReader) -> AsyncIterator[bytes]:
        """Messages without their frame. Raises InputError for what is no frame, is cut off or is too large."""
        buffer = bytearray()
        loop = asyncio.get_running_loop()
        deadline = 0.0
        searched = 0
        while True:
            if buffer and not buffer.startswith(START):
                del buffer[: len(buffer) - len(buffer.lstrip(b"\r\n"))]
                if buffer and not buffer.startswith(START):
                    raise InputError("no-frame")
            end = buffer.find(END, max(searched - 1, 0)) if buffer else -1
            if end >= 0:
                yield bytes(buffer[1:end])
                del buffer[: end + len(END)]
                searched, deadline = 0, 0.0
                continue
            searched = len(buffer)
            if len(buffer) > self._max:
                head, tail = bytes(buffer[1 : 1 << 16]), bytes(buffer[-1:])
                buffer.clear()
                await self._skip(reader, tail)
                raise _TooLarge("frame-too-large", head)
            if buffer and not deadline:
                deadline = loop.time() + self._timeout
            try:
                timeout = max(deadline - loop.time(), 0.001) if deadline else None
                chunk = await asyncio.wait_for(reader.read(1 << 16), timeout)
            except TimeoutError:
                raise InputError("frame-cut-off") from None
            if not chunk:
                if buffer:
                    raise InputError("frame-cut-off")
                return
            buffer += chunk

    async def _skip(self, reader: asyncio.StreamReader, tail: bytes) -> None:
        """Read on to the end of a frame and keep nothing: a sender that still writes would not see the answer."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(self._timeout):
                while chunk := await asyncio.wait_for(reader.read(1 << 16), SKIP_IDLE_S):
                    if END in tail + chunk:
                        return
                    tail = chunk[-1:]

    async def _answer(self, data: bytes, writer: asyncio.StreamWriter) -> bool:
        """Commit a message and acknowledge it; False where the connection must be closed."""
        reached("message-received")
        header = header_of(data)
        if header is None:
            self._trouble("wrong-separators-in-MSH-2" if data.lstrip().startswith(b"MSH") else "no-header")
            return False
        peer = writer.get_extra_info("peername")
        source = f"mllp {peer[0]}" if isinstance(peer, tuple) else "mllp"
        try:
            answer = await asyncio.wrap_future(self._committer.submit(data, header, source))
        except asyncio.CancelledError:
            raise
        except Exception:  # noqa: BLE001 - nothing was kept: no answer, so that the sender sends it again
            self._trouble("not-committed")
            return False
        log.event("intake.message", kind=answer.kind, bytes=len(data), count=answer.records)
        reached("before-answer")
        if answer.frame:
            writer.write(START + answer.frame + END)
            await writer.drain()
        reached("answered")
        self._on_answer(answer)
        return True

    async def _refuse(self, head: bytes, writer: asyncio.StreamWriter) -> None:
        """AR for a message too large to be kept, where its header says who it is from."""
        header = header_of(head)
        if header is not None:
            text = f"the message has more than {self._max} bytes, which is more than is taken"
            writer.write(START + acknowledge.answer(header, "R", text) + END)
            with contextlib.suppress(ConnectionError):
                await writer.drain()

    def _trouble(self, word: str) -> None:
        log.event("intake.trouble", reason=word)
        self._on_trouble(word)
