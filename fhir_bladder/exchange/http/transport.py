"""Room `exchange`: connections. urllib3 pools without redirects, retries, cookies, netrc or environment proxies.

urllib3 is used directly rather than through requests: the origin rule needs every hop in our hands, and it halves the
cost of a call. Client certificate and trusted headers belong to one pool, every other origin gets the bare pool.
"""

from __future__ import annotations

import socket
import ssl
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fhir_bladder.errors import ConfigError
from fhir_bladder.exchange.http.watchdog import WATCHDOG, current

if TYPE_CHECKING:
    import urllib3


@dataclass(frozen=True, slots=True)
class Transport:
    """How to reach the server: private CA, client certificate and key, proxy URL, extra headers for its origin only."""

    ca_file: Path | None = None
    client_cert_file: Path | None = None
    client_key_file: Path | None = None
    proxy: str = ""
    headers: dict[str, str] = field(default_factory=dict, repr=False)


def tls_context(transport: Transport, *, trusted: bool) -> ssl.SSLContext:
    """TLS 1.2 or later with host names checked. The private CA replaces the system's for the server's own origin and
    joins them elsewhere; the client certificate goes to the server's own origin only.
    """
    ca = str(transport.ca_file) if transport.ca_file else None
    try:
        context = ssl.create_default_context(cafile=ca)
        if ca and not trusted:
            context.load_default_certs()
    except (OSError, ssl.SSLError) as error:
        raise ConfigError(f"CA file cannot be used: {_reason(error)}", f"ca_file {ca}", "give a PEM file") from None
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    if trusted and transport.client_cert_file:
        key = str(transport.client_key_file) if transport.client_key_file else None
        try:  # the password callback keeps OpenSSL from asking on the terminal
            context.load_cert_chain(str(transport.client_cert_file), key, password=lambda: b"")
        except (OSError, ssl.SSLError) as error:
            raise ConfigError(
                f"client certificate cannot be used: {_reason(error)}",
                f"client_cert_file {transport.client_cert_file}",
                "give PEM files of a certificate and its unencrypted key",
            ) from None
    return context


def _reason(error: OSError) -> str:
    return getattr(error, "reason", None) or error.strerror or type(error).__name__


def pools(transport: Transport, *, size: int) -> tuple[urllib3.PoolManager, urllib3.PoolManager]:
    """The pool of the server's own origin, and the bare one for every other."""
    return _pool(transport, size, trusted=True), _pool(transport, size, trusted=False)


def _pool(transport: Transport, size: int, *, trusted: bool) -> urllib3.PoolManager:
    import urllib3

    options: dict[str, Any] = {
        "num_pools": 8,
        "maxsize": size,
        "ssl_context": tls_context(transport, trusted=trusted),
        "retries": False,
    }
    manager: urllib3.PoolManager
    manager = urllib3.ProxyManager(transport.proxy, **options) if transport.proxy else urllib3.PoolManager(**options)
    manager.pool_classes_by_scheme = _watched_classes()
    return manager


def _watched_classes() -> dict[str, Any]:
    """urllib3's pool classes with connections that put themselves under the calling thread's watch."""
    global _classes
    if _classes is None:
        from urllib3.connection import HTTPConnection, HTTPSConnection
        from urllib3.connectionpool import HTTPConnectionPool, HTTPSConnectionPool

        def watched(base: type[HTTPConnection]) -> type[HTTPConnection]:
            class Watched(base):  # type: ignore[misc, valid-type]
                def _new_conn(self) -> socket.socket:
                    sock: socket.socket = super()._new_conn()
                    _watch(sock)
                    return sock

                def connect(self) -> None:
                    super().connect()
                    _sent(False)  # what a proxy tunnel or a handshake sent is not the request

                def request(self, *arguments: Any, **options: Any) -> None:
                    if self.sock is not None:
                        _watch(self.sock)
                    super().request(*arguments, **options)

                def send(self, data: Any) -> None:
                    if self.sock is None and self.auto_open:
                        self.connect()
                    _sent(True)
                    super().send(data)

            return Watched

        http = type("_Http", (HTTPConnectionPool,), {"ConnectionCls": watched(HTTPConnection)})
        https = type("_Https", (HTTPSConnectionPool,), {"ConnectionCls": watched(HTTPSConnection)})
        _classes = {"http": http, "https": https}
    return _classes


_classes: dict[str, Any] | None = None


def _watch(sock: socket.socket) -> None:
    watch = getattr(current, "watch", None)
    if watch is not None:
        WATCHDOG.add(watch, sock)


def _sent(value: bool) -> None:
    watch = getattr(current, "watch", None)
    if watch is not None:
        watch.sent = value
