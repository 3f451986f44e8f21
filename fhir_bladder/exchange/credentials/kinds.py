"""Room `exchange`: credentials. What each kind sends, and the rule that no secret is ever shown.

A credential only makes headers; that they go to one exact origin is the client's doing (`origin.py`).
"""

from __future__ import annotations

import base64
import threading
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from fhir_bladder.exchange.http.transport import Transport

if TYPE_CHECKING:
    from fhir_bladder.exchange.http.client import Client
    from fhir_bladder.exchange.http.retry import Deadline


class Credentials:
    """Base and interface. `transport` says how to reach the server (CA, client certificate, proxy, headers)."""

    kind = "none"

    def __init__(self, transport: Transport | None = None) -> None:
        self.transport = transport or Transport()

    @property
    def secret(self) -> bool:
        """Whether anything secret is sent, extra headers and client certificates included."""
        return self.kind != "none" or bool(self.transport.headers or self.transport.client_cert_file)

    def authorization(self, client: Client, deadline: Deadline) -> str:
        """The value of the Authorization header, empty for none. May fetch a token first."""
        return ""

    def renew(self, refused: str) -> bool:
        """The server answered 401 to `refused` (a header value): whether another value is worth one more try."""
        return False

    def __repr__(self) -> str:
        return f"<credentials {self.kind}>"


class NoCredentials(Credentials):
    """Sends none (extra headers and a client certificate of the transport apart)."""


class Bearer(Credentials):
    """A fixed bearer token (RFC 6750)."""

    kind = "bearer"

    def __init__(self, token: str, transport: Transport | None = None) -> None:
        super().__init__(transport)
        self._value = f"Bearer {token}"

    def authorization(self, client: Client, deadline: Deadline) -> str:
        """`Bearer <token>`."""
        return self._value


class Basic(Credentials):
    """User and password (RFC 7617, UTF-8)."""

    kind = "basic"

    def __init__(self, user: str, password: str, transport: Transport | None = None) -> None:
        super().__init__(transport)
        self._value = "Basic " + base64.b64encode(f"{user}:{password}".encode()).decode("ascii")

    def authorization(self, client: Client, deadline: Deadline) -> str:
        """`Basic <user:password in base64>`."""
        return self._value


@dataclass(frozen=True, slots=True)
class Token:
    """An access token, its header value and the monotonic time from which it counts as used up."""

    value: str
    renew_at: float


class TokenSource(Protocol):
    """Fetches one access token; see `token.py`."""

    def fetch(self, client: Client, deadline: Deadline) -> Token:
        """Ask the token endpoint. Raises ServerError where it refuses."""
        ...


class TokenCredentials(Credentials):
    """A token that is fetched, kept, renewed before it ends and once after a 401. Threads share one renewal."""

    def __init__(self, kind: str, source: TokenSource, transport: Transport | None = None) -> None:
        super().__init__(transport)
        self.kind = kind
        self._source = source
        self._token: Token | None = None
        self._lock = threading.Lock()

    def authorization(self, client: Client, deadline: Deadline) -> str:
        """`Bearer <token>`, a fresh one where there is none or it is about to end."""
        token = self._token
        if token is None or time.monotonic() >= token.renew_at:
            with self._lock:
                token = self._token
                if token is None or time.monotonic() >= token.renew_at:
                    token = self._token = self._source.fetch(client, deadline)
        return token.value

    def renew(self, refused: str) -> bool:
        """Forget the refused token, unless another thread has already replaced it."""
        with self._lock:
            if self._token is not None and self._token.value == refused:
                self._token = None
        return True
