"""Room `exchange`: the conversation about one bulk export job: kick-off, polling, manifest, and the end of it."""

from __future__ import annotations

import re
import time
from collections.abc import Generator, Iterator
from typing import Any

from fhir_bladder.errors import ServerError
from fhir_bladder.exchange import log
from fhir_bladder.exchange.export.events import Event, EventLog
from fhir_bladder.exchange.export.ledger import boundary
from fhir_bladder.exchange.export.manifest import Manifest, read_manifest
from fhir_bladder.exchange.export.options import ExportOptions, State
from fhir_bladder.exchange.http.client import Client
from fhir_bladder.exchange.http.errors import HttpError, Response
from fhir_bladder.exchange.http.origin import OriginError
from fhir_bladder.exchange.http.retry import http_date, retry_after

_TRANSIENT = frozenset({"transient", "lock-error", "no-store", "timeout", "incomplete", "throttled"})
"""Issue codes that mean "later", children of `transient` in FHIR's issue-type (`exception` left out on purpose)."""
_FAILURES = 8
_KICKOFF_HEADERS = {"Accept": "application/fhir+json", "Prefer": "respond-async"}
_PERCENT = re.compile(r"(\d{1,3})(?:\.\d+)?\s?%")


class JobGoneError(Exception):
    """The job is gone or its manifest is another one: begin again."""


class Job:
    """Talks with the server about one export; knows nothing of files."""

    def __init__(self, client: Client, options: ExportOptions, events: EventLog) -> None:
        self.client = client
        self.options = options
        self._log = events

    # -- kick-off ------------------------------------------------------------------------------------------------

    def kick_off(self, since: str, state: State) -> Iterator[Event]:
        """Start the job; afterwards `state` holds its status URL, or says that only a search is left."""
        capability = self.client.capability
        boundary("before-kickoff")
        response = self._asked(since)
        detail: dict[str, Any] = {
            "exportUrl": {"system": "$export", "patient": "Patient/$export", "group": "Group/[id]/$export"}[
                self.options.level
            ],
            "errorCode": response.status if response.status >= 400 else None,
            "errorBody": [issue["code"] for issue in response.issues] or None,
            "softwareName": capability.software or None,
            "softwareVersion": capability.software_version or None,
            "softwareReleaseDate": capability.software_date or None,
            "fhirVersion": capability.fhir_version,
            "requestParameters": self._told_parameters(since),
        }
        yield self._log.write(Event("kickoff", detail))
        status_url = response.headers.get("content-location", "") or response.location
        if response.ok and status_url:
            state.status_url = str(self.client.resolve(status_url))
            state.save()
            boundary("job-saved")
        elif response.ok:
            raise ServerError("the kick-off names no status URL", response.shown, "ask the server's operator")
        elif self._no_export(response) and self.options.search:
            state.search = True
            state.save()
        else:
            error = response.error("the export is refused")
            optional = [name for name in ("type_filters", "until", "since") if getattr(self.options, name)]
            if optional and response.status in (400, 422):
                error.remedy = f"the server may not know {', '.join(optional)}: try without"
            raise error

    def _told_parameters(self, since: str) -> dict[str, Any]:
        """Parameters for the log; of a filter only type and parameter names, values may be identifiers."""
        told: dict[str, Any] = {}
        for name, text in self.options.query(since):
            if name == "_typeFilter":
                kind, _, query = text.partition("?")
                text = kind + "?" + "&".join(pair.partition("=")[0] for pair in query.split("&"))
            told.setdefault(name, []).append(text)
        return {name: ",".join(texts) for name, texts in told.items()}

    def _asked(self, since: str) -> Response:
        """The answer to a kick-off, by GET or POST. A server that is busy with another export is waited for."""
        # joined first: HAPI takes the first of several _type parameters and leaves the others out without a word, while
        # a server of the STU4 draft, which knows no lists in one value, refuses them
        tries: list[tuple[str, bool]] = [("GET", True), ("POST", True), ("POST", False)]
        if self.options.post:
            tries = tries[1:]
        response: Response | None = None
        for method, joined in tries:
            if not joined and len(self.options.types) < 2:
                continue
            response = self._patiently(method, since, joined)
            if response.status in (400, 422) and len(self.options.type_filters) > 1:
                # several filters by themselves are STU3 and later; STU2 has one list with commas between
                response = self._patiently(method, since, joined, listed=True)
            if response.ok or (response.status != 405 and not (method == "POST" and response.status == 400)):
                return response
        assert response is not None
        return response

    def _patiently(self, method: str, since: str, joined: bool, *, listed: bool = False) -> Response:
        path = self.options.path() if method == "POST" else self.options.get_path(since, listed=listed)
        body = self.options.post_body(since, joined=joined, listed=listed) if method == "POST" else None
        for attempt in range(1, _FAILURES + 1):
            try:
                return self.client.request(method, path, json=body, headers=_KICKOFF_HEADERS, idempotent=True)
            except HttpError as error:
                if error.status not in (429, 503) or attempt == _FAILURES:
                    raise
                self._pause(error.retry_after, attempt)
        raise AssertionError

    def _no_export(self, response: Response) -> bool:
        """Whether the server has no `$export` at all, rather than refusing this one."""
        promised = "export" in self.client.capability.operations
        if response.status in (405, 501):
            return True
        if response.status == 404:
            # for a group, 404 may mean the group
            return self.options.level != "group" or self.client.request("GET", f"Group/{self.options.group}").ok
        codes = {issue["code"] for issue in response.issues}
        return response.status == 400 and not promised and bool(codes & {"not-supported", "unknown"} or not codes)

    # -- polling -------------------------------------------------------------------------------------------------

    def _pause(self, asked: float | None, attempt: int) -> float:
        wait = min(self.client.retry.wait(min(attempt, 12), asked), self.options.longest_wait)
        self.client.wait(wait, self.client.until)
        return wait

    def _poll(self, url: str) -> Generator[Event, None, Response]:
        """Ask until the answer is no longer "in progress"."""
        attempt = failures = 0
        while True:
            attempt += 1
            boundary("before-poll")
            asked: float | None = None
            try:
                response = self.client.request(
                    "GET", url, headers={"Accept": "application/json"}, foreign=True, credential=True
                )
            except HttpError as error:
                answer = error.response
                failures += 1
                unreadable = answer is None and error.what.startswith("the answer is ")  # the client tried it again
                refused = error.status == 401 or (answer is not None and self._failed(answer))
                if refused or unreadable or failures >= _FAILURES:
                    raise
                asked = error.retry_after
                yield self._log.write(Event("status_error", {"code": error.status, "body": None}))
                self._pause(asked, failures)
                continue
            if response.status == 202:
                failures, asked = 0, retry_after(response.headers)
                percent = _PERCENT.search(response.headers.get("x-progress", ""))
                progress = f"{percent[1]}%" if percent else None
                detail = {"body": None, "xProgress": progress, "retryAfter": asked}
                yield self._log.write(Event("status_progress", detail))
                self._pause(asked, attempt)
                continue
            if not response.ok and self._transient(response) and failures < _FAILURES:
                failures += 1
                yield self._log.write(Event("status_error", {"code": response.status, "body": None}))
                self._pause(retry_after(response.headers), failures)
                continue
            return response

    def _transient(self, response: Response) -> bool:
        codes = {issue["code"] for issue in response.issues}
        return bool(codes) and codes <= _TRANSIENT

    def _failed(self, response: Response) -> bool:
        """A 5xx that says in an OperationOutcome that the job has failed for good."""
        return bool(response.issues) and not self._transient(response)

    # -- manifest ------------------------------------------------------------------------------------------------

    def manifest(self, state: State) -> Generator[Event, None, tuple[Manifest, float | None]]:
        """The manifest, all pages, and the time its links end, on our monotonic clock."""
        url, seen = state.status_url, set[str]()
        whole: Manifest | None = None
        ends: float | None = None
        while url:
            if url in seen:
                raise ServerError("the manifest's next link loops", str(self.client.base.origin), "ask its operator")
            seen.add(url)
            try:
                response = yield from self._poll(url)
            except HttpError as error:
                if error.response is not None and self._failed(error.response):
                    state.remove()
                raise
            if response.status in (404, 410):
                raise JobGoneError("job-gone")
            if response.status != 200:
                yield self._log.write(Event("status_error", {"code": response.status, "body": None}))
                state.remove()
                raise response.error("the export has failed on the server")
            page = read_manifest(response.body, response.shown)
            ends = self._expiry(response) if ends is None else ends
            if whole is None:
                whole = page
            else:
                whole.items += page.items
                whole.token = whole.token or page.token
                if page.transaction_time != whole.transaction_time:
                    raise ServerError("the manifest's pages differ in transactionTime", response.shown, "run again")
            url = str(self.client.resolve(page.next)) if page.next else ""
        assert whole is not None
        whole.once()
        kinds = [item.kind for item in whole.items]
        detail = {
            "transactionTime": whole.transaction_time,
            "outputFileCount": kinds.count("output"),
            "deletedFileCount": kinds.count("deleted"),
            "errorFileCount": kinds.count("error"),
        }
        yield self._log.write(Event("status_complete", detail))
        return whole, ends

    def _expiry(self, response: Response) -> float | None:
        ends, here = http_date(response.headers.get("expires", "")), http_date(response.headers.get("date", ""))
        if ends is None or ends <= 0:
            return None
        left = ends - (here if here is not None else time.time())
        # an Expires in the past is a wrong clock or "do not cache": links that are dead are found out by asking
        return time.monotonic() + left if left > 0 else None

    # -- the end -------------------------------------------------------------------------------------------------

    def delete(self, status_url: str) -> int:
        """Tell the server to forget the job; the status it answers, 0 where it does not or must not be asked."""
        try:
            return self.client.request("DELETE", status_url).status
        except (HttpError, OriginError) as error:
            log.event("export.delete-failed", status=getattr(error, "status", 0))
            return 0
