"""Room `exchange`: one HTTP call on its way: tries, redirects, token renewal, the origin rule at every hop.

`client.py` is the door; this is what happens behind it.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from fhir_bladder import __version__, wire
from fhir_bladder.errors import BladderError, InputError, UnfinishedError
from fhir_bladder.exchange import log
from fhir_bladder.exchange.http.errors import AmbiguousOutcome, HttpError, Response, UnreachableError
from fhir_bladder.exchange.http.limits import BrokenBodyError, LimitError, decoded
from fhir_bladder.exchange.http.origin import OriginError, Url, resolve, shown
from fhir_bladder.exchange.http.retry import RETRIED, Deadline, retry_after
from fhir_bladder.exchange.http.watchdog import WATCHDOG, Watch, current

if TYPE_CHECKING:
    import urllib3

    from fhir_bladder.exchange.http.client import Client

_SAFE = ("GET", "HEAD")
_REPEATABLE = ("GET", "HEAD", "PUT", "DELETE", "OPTIONS")
_REDIRECTS = (301, 302, 303, 307, 308)
_HOPS = 5
_CONNECT = 20.0
_PIECE = 65536
_SLOW = 5.0
"""Idle time-outs that a piece of a file may take: a server that drips bytes is cut off below about 200 bytes/s."""
_FIRST = {"refused": 3, "name": 2, "proxy": 3, "connect-timeout": 1, "tls": 1}
"""Tries where nothing has ever been heard from the server: its address may be wrong, and nobody waits for that. A
server that was there and goes away is tried as often as `Retry` says."""
_EVER = 10 * 365 * 86400.0
_REMEDIES = {
    "": "check that the server runs and can be reached",
    "refused": "check the server's address and port, and that it runs",
    "name": "check the host name in the server's address, and the network",
    "proxy": "check the proxy's address, and that it runs",
    "connect-timeout": "check the server's address and the firewall between",
    "tls": "check the server's address and certificate",
}
FHIR_JSON = "application/fhir+json"


class _Lost(Exception):
    """One try without an answer. `sent`: whether the server may have acted on it."""

    def __init__(self, reason: str, told: str, *, sent: bool) -> None:
        super().__init__(reason)
        self.reason, self.told, self.sent = reason, told, sent


@dataclass(slots=True)
class Stream:
    """An answer whose body is read piece by piece, decoded and within limits; valid inside its `with` block."""

    status: int
    headers: dict[str, str]
    shown: str
    chunks: Iterator[bytes]
    trusted: bool


class Call:
    """One call on its way: tries, redirects, token renewal."""

    def __init__(
        self,
        client: Client,
        method: str,
        path: str | Url,
        json: Any,
        data: bytes | None,
        headers: Mapping[str, str] | None,
        idempotent: bool | None,
        foreign: bool,
        credential: bool,
        deadline: Deadline | None,
        *,
        pinned: bool = False,
        strayed: bool = False,
    ) -> None:
        self.client = client
        self.method = method.upper()
        self.body = wire.dumps(json) if json is not None else data
        self.idempotent = self.method in _REPEATABLE if idempotent is None else idempotent
        self.foreign = foreign and self.method in _SAFE
        self.credential = credential
        self.pinned = pinned
        self.deadline = client.until.sooner(client.deadline) if deadline is None else client.until.sooner(None)
        if deadline is not None and deadline.at < self.deadline.at:
            self.deadline = deadline
        self.headers = {"Accept": FHIR_JSON, "Accept-Encoding": "gzip", "User-Agent": f"fhir-bladder/{__version__}"}
        if json is not None:
            self.headers["Content-Type"] = f"{FHIR_JSON}; charset=utf-8"
        self.headers.update(headers or {})
        self.url = self._checked(client.resolve(path))
        self.shown = f"{self.method} {shown(client.base, self.url)}"
        self.attempt = 0
        self.renewed = False
        self.begins_strayed = self.strayed = strayed
        self.authorization = ""

    # -- where it may go -----------------------------------------------------------------------------------------

    def _checked(self, url: Url) -> Url:
        """The origin rule: whether this request may go to `url` at all."""
        base, client = self.client.base.origin, self.client
        if url.origin == base:
            return url
        if not self.pinned:
            if not self.foreign:
                raise OriginError("the server points to another origin", str(url.origin), "ask its operator")
            if url.origin.loopback and not base.loopback:
                raise OriginError("the server points back to this machine", str(url.origin), "ask its operator")
        plain = url.origin.scheme == "http" and not url.origin.loopback
        if plain and (base.scheme == "https" or not client.insecure_http):
            raise OriginError("the server points to plain http", str(url.origin), "ask its operator for https")
        return url

    def _trusted(self, url: Url) -> bool:
        """Whether `url` is on the server's own origin, and no other origin has sent us there."""
        self.strayed = self.strayed or url.origin != self.client.base.origin
        return not self.strayed

    def _headers_for(self, url: Url) -> dict[str, str]:
        headers = dict(self.headers)
        self.authorization = ""
        if self._trusted(url):
            headers.update(self.client.credentials.transport.headers)
            if self.credential:
                self.authorization = self.client.credentials.authorization(self.client, self.deadline)
            if self.authorization:
                headers["Authorization"] = self.authorization
        return headers

    # -- tries ---------------------------------------------------------------------------------------------------

    def run(self) -> Response:
        """All tries until a definite answer."""
        while True:
            self.attempt += 1
            self._still_time()
            try:
                response = self._follow()
            except _Lost as lost:
                failure = lost
            else:
                if response.status == 401 and self._renew():
                    continue
                if response.status == 401 and self.credential:
                    raise response.error("our credentials are refused" if self.authorization else "it asks who we are")
                if response.status not in RETRIED:
                    return response
                self._busy(response)
                continue
            self._failed(failure)

    def _still_time(self) -> None:
        if self.client.until.passed:
            raise UnfinishedError("the deadline is over", self.shown, "run the same command again")
        if self.deadline.passed:
            raise HttpError("no answer within the deadline", self.shown, "run again; allow more time if it stays")

    def _renew(self) -> bool:
        if self.renewed or not self.authorization or not self.client.credentials.renew(self.authorization):
            return False
        self.renewed = True
        self.attempt -= 1
        return True

    def _busy(self, response: Response) -> None:
        """A status that may pass: wait, or raise what it came to. 429 says that nothing was done (RFC 6585)."""
        asked = retry_after(response.headers)
        if not self.idempotent and response.status != 429:
            raise AmbiguousOutcome(
                f"HTTP {response.status} after data was sent", self.shown, "", response=response, retry_after=asked
            )
        if self.attempt >= self.client.retry.attempts:
            error = response.error(f"still refused after {self.attempt} tries")
            error.retry_after = asked
            raise error
        self._wait(self.client.retry.wait(self.attempt, asked), f"http-{response.status}", response, asked)

    def _failed(self, lost: _Lost) -> None:
        """A try without answer: wait, or raise what it came to."""
        log.event("http.lost", method=self.method, attempt=self.attempt, reason=lost.reason)
        if lost.sent and not self.idempotent:
            raise AmbiguousOutcome(f"{lost.told} after data was sent", self.shown)
        if self.deadline.passed or self.client.until.passed:
            self._still_time()
        most = 2 if lost.reason == "not-json" else self.client.retry.attempts
        if not self.client.heard:
            most = min(most, _FIRST.get(lost.reason, most))
        if self.attempt >= most:
            kind = HttpError if lost.sent else UnreachableError
            tries = f" ({self.attempt} tries)" if self.attempt > 1 else ""
            raise kind(f"{lost.told}{tries}", self.shown, _REMEDIES.get(lost.reason, _REMEDIES[""]))
        self._wait(self.client.retry.wait(self.attempt), lost.reason)

    def _wait(self, seconds: float, reason: str, response: Response | None = None, asked: float | None = None) -> None:
        log.event("http.retry", method=self.method, attempt=self.attempt, wait=round(seconds, 2), reason=reason)
        if seconds >= self.deadline.remaining and seconds < self.client.until.remaining:
            told = f"HTTP {response.status}" if response else "no answer"
            raise HttpError(
                f"{told}, and the next try would pass the deadline",
                self.shown,
                "run again later",
                response=response,
                retry_after=asked,
            )
        self.client.wait(seconds, self.deadline)

    # -- one try -------------------------------------------------------------------------------------------------

    def _follow(self) -> Response:
        """One try with its redirects."""
        url, self.strayed = self.url, self.begins_strayed
        for _ in range(_HOPS + 1):
            response = self._exchange(url)
            if response.status not in _REDIRECTS or not response.headers.get("location"):
                return response
            url = self._redirected(url, response.status, response.headers["location"])
        raise HttpError(f"more than {_HOPS} redirects", self.shown, "check the server's base URL")

    def _redirected(self, url: Url, status: int, location: str) -> Url:
        if self.pinned:
            raise OriginError("the token endpoint redirects", self.shown, "pin the endpoint it should be")
        if self.method not in _SAFE and status not in (307, 308):
            kind = HttpError if self.idempotent else AmbiguousOutcome
            raise kind(f"HTTP {status} redirects a {self.method}", self.shown, "check the server's base URL")
        return self._checked(resolve(Url(url.origin, url.target.partition("?")[0].rpartition("/")[0]), location))

    def _exchange(self, url: Url) -> Response:
        began = time.monotonic()
        # what must not be sent twice is waited for as long as there is time
        idle = self.client.idle if self.idempotent else self.deadline.remaining
        with self._open(url, min(self.deadline.remaining, idle)) as (raw, watch):
            if raw.status < 200:
                # the true answer would come after it on this connection, and be taken for that of the next request
                raise _Lost("interim", "the server sent an interim answer only", sent=True)
            headers = {name.lower(): value for name, value in raw.headers.items()}
            limits = self.client.limits
            try:
                chunks = decoded(
                    raw.stream(_PIECE, decode_content=False),
                    headers.get("content-encoding", "") if self.method != "HEAD" else "",
                    most=limits.bytes,
                    ratio=limits.ratio,
                )
                data = b"".join(chunks)
            except BrokenBodyError as error:
                raise _Lost("body-broken", error.what, sent=True) from None
            except LimitError as error:
                log.event("http.limit", method=self.method, status=raw.status, attempt=self.attempt)
                if self.idempotent:
                    raise LimitError(error.what, self.shown, error.remedy) from None
                raise AmbiguousOutcome(error.what, self.shown, error.remedy) from None
            except Exception as error:  # noqa: BLE001 - urllib3 and sockets raise many kinds
                raise self._lost(error, watch, sent=True) from None
            if watch.expired:
                raise _Lost("deadline", "no answer within the deadline", sent=True)
            if not data and not _framed(headers) and raw.status not in (204, 304) and self.method != "HEAD":
                # http.client takes a connection that ends inside the headers for the end of the headers
                raise _Lost("headers-cut", "the connection broke", sent=True)
            response = Response(
                raw.status, headers, None, data, str(url), shown(self.client.base, url), attempts=self.attempt
            )
        log.event(
            "http.answer",
            method=self.method,
            status=response.status,
            bytes=len(data),
            attempt=self.attempt,
            ms=round((time.monotonic() - began) * 1000),
        )
        self._read(response)
        return response

    def _read(self, response: Response) -> None:
        """Parse the body where it is JSON; a 2xx that is not readable is no definite answer."""
        if not response.data or self.method == "HEAD":
            return
        kind = response.headers.get("content-type", "").partition(";")[0].strip().lower()
        if "json" not in kind or "ndjson" in kind:
            if response.ok and "json" in self.headers["Accept"] and "ndjson" not in self.headers["Accept"]:
                kind = kind if len(kind) < 60 and kind.isprintable() else "something else"
                raise _Lost("not-json", f"the answer is {kind or 'without a type'}, not JSON", sent=True)
            return
        try:
            response.body = wire.loads(
                response.data, max_bytes=self.client.limits.bytes, max_depth=self.client.limits.depth
            )
        except InputError as error:
            if response.ok:
                told = "nested too deep" if error.what.startswith("nested") else "not readable as JSON"
                raise _Lost("json-broken", f"the answer is {told}", sent=True) from None

    @contextlib.contextmanager
    def _open(self, url: Url, idle: float, *, slow: float = _EVER) -> Iterator[tuple[urllib3.BaseHTTPResponse, Watch]]:
        """Send and give the answer once its headers are there; the connection is under watch until the block ends."""
        import urllib3

        headers = self._headers_for(url)
        pool = self.client.bare_pool if self.strayed else self.client.trusted_pool
        watch = WATCHDOG.start(min(self.deadline.at, time.monotonic() + slow))
        raw: urllib3.BaseHTTPResponse | None = None
        failure: _Lost | None = None
        try:
            current.watch = watch
            try:
                raw = pool.request(
                    self.method,
                    str(url),
                    body=self.body,
                    headers=headers,
                    redirect=False,
                    retries=False,
                    preload_content=False,
                    decode_content=False,
                    timeout=urllib3.Timeout(
                        connect=max(0.01, min(_CONNECT, self.deadline.remaining)), read=max(0.01, idle)
                    ),
                )
            except Exception as error:  # noqa: BLE001 - see above
                failure = self._lost(error, watch, sent=watch.sent)
            finally:
                current.watch = None
            if failure is not None:  # raised here, so that no URL hides in its context
                raise failure
            assert raw is not None
            self.client.heard = True
            yield raw, watch
        finally:
            WATCHDOG.stop(watch)
            if raw is not None:
                raw.close()  # a connection whose body was read to its end is back in the pool already

    def _lost(self, error: Exception, watch: Watch, *, sent: bool) -> _Lost:
        if isinstance(error, BladderError):
            raise error
        if watch.expired:
            return _Lost("deadline", "no answer within the deadline", sent=sent)
        reason, told = _explained(error)
        return _Lost(reason, told, sent=sent)

    @contextlib.contextmanager
    def stream(self, most: int) -> Iterator[Stream]:
        """One try whose body stays to be read."""
        self.attempt = 1
        self._still_time()
        url = self.url
        for _ in range(_HOPS + 1):
            with contextlib.ExitStack() as stack:
                try:
                    raw, watch = stack.enter_context(self._open(url, self.client.idle, slow=_SLOW * self.client.idle))
                except _Lost as lost:
                    raise HttpError(lost.told, self.shown, "run the same command again") from None
                headers = {name.lower(): value for name, value in raw.headers.items()}
                if raw.status in _REDIRECTS and headers.get("location"):
                    url = self._redirected(url, raw.status, headers["location"])
                    continue
                if raw.status == 401:
                    self._renew()
                chunks = self._chunks(raw, watch, headers.get("content-encoding", ""), most)
                yield Stream(raw.status, headers, shown(self.client.base, url), chunks, not self.strayed)
                return
        raise HttpError(f"more than {_HOPS} redirects", self.shown, "ask the server's operator")

    def _chunks(self, raw: Any, watch: Watch, encoding: str, most: int) -> Iterator[bytes]:
        def pieces() -> Iterator[bytes]:
            for piece in raw.stream(_PIECE, decode_content=False):
                watch.at = min(self.deadline.at, time.monotonic() + _SLOW * self.client.idle)
                yield piece

        try:
            yield from decoded(pieces(), encoding, most=most, ratio=self.client.limits.ratio)
        except BladderError:
            raise
        except Exception as error:  # noqa: BLE001 - see above
            lost = self._lost(error, watch, sent=True)
        else:
            return
        if self.client.until.passed:
            raise UnfinishedError("the deadline is over", self.shown, "run the same command again")
        raise HttpError(lost.told, self.shown, "run the same command again")


def _framed(headers: Mapping[str, str]) -> bool:
    """Whether the end of the body can be told from a broken connection."""
    return "content-length" in headers or "chunked" in headers.get("transfer-encoding", "").lower()


def _explained(error: Exception) -> tuple[str, str]:
    """A token for the log and words for people; the library's own text holds URLs and is not used."""
    from urllib3 import exceptions as known

    if isinstance(error, known.SSLError):
        detail = str(error).lower()
        if "certificate verify failed" in detail or "hostname" in detail or "certificate" in detail:
            return "tls", "the server's certificate cannot be trusted (a private CA goes into ca_file)"
        return "tls", "no secure connection can be made (TLS)"
    if isinstance(error, known.NameResolutionError):
        return "name", "the server's name cannot be resolved"
    if isinstance(error, known.ProxyError):
        return "proxy", "the proxy cannot be used"
    if isinstance(error, known.NewConnectionError):
        return "refused", "the server cannot be reached"
    if isinstance(error, known.ConnectTimeoutError):
        return "connect-timeout", "the server cannot be reached in time"
    if isinstance(error, known.ReadTimeoutError | TimeoutError):
        return "read-timeout", "the server fell silent"
    if isinstance(error, known.IncompleteRead | known.ProtocolError):
        return "broken", "the connection broke"
    return "broken", "the exchange failed"
