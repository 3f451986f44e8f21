"""Room `exchange`: push's way to the server: one deadline, one shared pause, reads retried, writes sent once.

A write is never repeated here: what an unanswered one did must be looked up first, which is the part of `deliver`
and `act`. May import errors.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, Protocol

from fhir_bladder.errors import ServerError, UnfinishedError
from fhir_bladder.exchange.http.errors import HttpError, Response, UnreachableError
from fhir_bladder.exchange.http.retry import RETRIED, Deadline, Retry, retry_after

if TYPE_CHECKING:
    from fhir_bladder.exchange.http.client import Client


LONGEST_S = 3600.0
"""Longest wait that a server is granted, of what Retry-After asks; where it asks for more, the run ends at once and no
other of this process asks it again before that time."""


class Server(Protocol):
    """What push needs of a client: one request, relative to the server's base, or an absolute link on its origin.

    Raises UnreachableError where the request never arrived, AmbiguousOutcome where it may have been carried out; any
    other ServerError for what must not be followed or read. Answers with any status are returned.
    """

    def request(
        self, method: str, path: str, *, json: Any = None, headers: Mapping[str, str] | None = None
    ) -> Response:
        """Send one request."""
        ...


class Refused(ServerError):
    """The server refuses us altogether (401, 403): nothing else can be sent either."""


class Unreadable(ServerError):
    """A search that the server refuses, or answers with what is no FHIR."""

    def __init__(self, what: str, where: str = "", remedy: str = "", *, status: int = 0) -> None:
        super().__init__(what, where, remedy)
        self.status = status


class OneTry:
    """A Client whose writes are sent once: never repeated after they may have been carried out."""

    def __init__(self, client: Client) -> None:
        self._client = client

    def request(
        self, method: str, path: str, *, json: Any = None, headers: Mapping[str, str] | None = None
    ) -> Response:
        """Send one request; reads may be repeated by the client, writes only where they never arrived."""
        return self._client.request(method, path, json=json, headers=headers, idempotent=method == "GET")


class Link:
    """Requests of all workers to one server.

    A Retry-After pauses every worker, since the server speaks for all of them. `stop()` ends waits early. `waited` is
    the time with at least one request under way, in seconds; `requests` counts requests.
    """

    def __init__(
        self,
        server: Server,
        *,
        deadline: Deadline | None = None,
        retry: Retry | None = None,
        sleep: Callable[[float], object] | None = None,
    ) -> None:
        self._server = server
        self.deadline = deadline or Deadline(None)
        self.retry = retry or Retry()
        self._stopped = False
        self._ended = threading.Event()
        self._sleep = sleep or self._ended.wait
        self._resume_at = 0.0
        self._too_long = False
        self._heard = False
        self.waited = 0.0
        self.requests = 0
        self._busy = 0
        self._busy_since = 0.0
        self._lock = threading.Lock()

    def stop(self) -> None:
        """End for good: waits return, the next request is not sent."""
        self._stopped = True
        self._ended.set()

    def halt(self) -> None:
        """End this run's waits: another worker has met what ends the run."""
        self._ended.set()

    def begin(self) -> None:
        """A new run begins."""
        if not self._stopped:
            self._ended.clear()

    def check(self) -> None:
        """Raise UnfinishedError where the run is to end."""
        if self._stopped:
            raise UnfinishedError("stopped before the end", "", "run the same command again")
        if self.deadline.passed:
            raise UnfinishedError("the deadline has passed", "", "run the same command again")

    def pause(self, attempt: int, asked: float | None = None) -> None:
        """Wait before try number `attempt` + 1. Raises UnfinishedError where that is behind the deadline."""
        seconds = self.retry.wait(attempt, asked)
        if asked is not None:
            self._resume_at = max(self._resume_at, time.monotonic() + min(asked, LONGEST_S))
            self._too_long = asked > LONGEST_S
        if seconds > self.deadline.remaining:
            raise UnfinishedError(
                "the server asks to wait longer than the deadline" if asked else "the deadline has passed",
                "",
                "run the same command again later",
            )
        if asked is not None and asked > LONGEST_S:
            raise UnfinishedError(f"the server asks to wait {asked:,.0f} s", "", "run the same command again later")
        self._wait(seconds)

    def _wait(self, seconds: float) -> None:
        self._sleep(seconds)
        self.check()
        if self._ended.is_set():
            raise UnfinishedError("the run has ended", "", "run the same command again")

    def once(self, method: str, path: str, *, json: Any = None, headers: Mapping[str, str] | None = None) -> Response:
        """Send one request once. Raises Refused on 401 and 403, AmbiguousOutcome and UnreachableError as the client."""
        self.check()
        rest = self._resume_at - time.monotonic()
        if rest > 0:
            if rest > self.deadline.remaining or self._too_long:
                words = "the server asks to wait " + ("long" if self._too_long else "longer than the deadline")
                raise UnfinishedError(words, "", "run it again later")
            self._wait(rest)
        with self._lock:
            if self._busy == 0:
                self._busy_since = time.monotonic()
            self._busy += 1
            self.requests += 1
        try:
            response = self._server.request(method, path, json=json, headers=headers)
            self._heard = True
        except HttpError as error:
            self._heard = self._heard or not isinstance(error, UnreachableError)
            if error.status in (401, 403):
                raise Refused(error.what, error.where, error.remedy) from None
            raise
        finally:
            with self._lock:
                self._busy -= 1
                if self._busy == 0:
                    self.waited += time.monotonic() - self._busy_since
        if response.status in (401, 403):
            raise Refused(
                f"the server refuses us (HTTP {response.status})",
                response.shown or "the server",
                "check the credentials in the --auth file and what they may do",
            )
        return response

    def get(self, path: str) -> Response:
        """Read, tried again while the server is busy, gone or sends half an answer. One that has never been there in
        this run is not waited for: its address may be wrong.

        Returns a 2xx with a JSON body, or any definite refusal (4xx). Raises ServerError after the last try.
        """
        for attempt in range(1, self.retry.attempts + 1):
            asked: float | None = None
            try:
                response = self.once("GET", path)
                if response.ok and isinstance(response.body, dict):
                    return response
                if not response.ok and response.status not in RETRIED:
                    return response
                asked = retry_after(response.headers)
                failure: ServerError = Unreadable(
                    f"the server answers HTTP {response.status}"
                    + ("" if not response.ok else " with something that is not FHIR JSON"),
                    response.shown,
                    "the records stay in the outbox; run it again later",
                    status=response.status,
                )
            except (Refused, UnfinishedError):
                raise
            except ServerError as error:
                failure, asked = error, getattr(error, "retry_after", None)
                if isinstance(error, UnreachableError) and not self._heard:
                    raise
            if attempt < self.retry.attempts:
                self.pause(attempt, asked)
        raise failure
