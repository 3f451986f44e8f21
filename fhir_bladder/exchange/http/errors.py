"""Room `exchange`: what an HTTP call can come to other than a good answer. Messages never hold personal data.

A server's own words (OperationOutcome.diagnostics, HTML pages) may echo names and numbers: only its issue codes are
repeated.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from fhir_bladder.errors import ServerError

_CODE = re.compile(r"[a-z-]{1,40}")


@dataclass(slots=True)
class Response:
    """An answer: status, headers (lower-case names), parsed JSON body with exact decimals or None, URL as asked.

    `data` are the decoded bytes of the body. What may hold personal data is left out of its `repr`. `shown` is the
    URL as messages may show it.
    """

    status: int
    headers: dict[str, str] = field(default_factory=dict, repr=False)
    body: Any = field(default=None, repr=False)
    data: bytes = field(default=b"", repr=False)
    url: str = field(default="", repr=False)
    shown: str = ""
    attempts: int = 1

    @property
    def ok(self) -> bool:
        """Whether the status is 2xx."""
        return 200 <= self.status < 300

    @property
    def etag(self) -> str:
        """The ETag as sent, empty if none."""
        return self.headers.get("etag", "")

    @property
    def version(self) -> str:
        """The version id inside the ETag: `W/"1"`, `"1"` and a bare `1` alike (all three were seen)."""
        return version_of(self.etag)

    @property
    def location(self) -> str:
        """`Location`, or `Content-Location` where a server sends only that; empty if none."""
        return self.headers.get("location", "") or self.headers.get("content-location", "")

    @property
    def issues(self) -> list[dict[str, str]]:
        """Severity and code of each issue of an OperationOutcome body; nothing that could hold personal data."""
        return list(outcome_issues(self.body))

    def error(self, what: str = "") -> HttpError:
        """This answer as an error: `HTTP 404 (not-found)`, and where."""
        codes = ", ".join(dict.fromkeys(issue["code"] for issue in self.issues))
        told = f"HTTP {self.status}" + (f" ({codes})" if codes else "")
        return HttpError(f"{what}: {told}" if what else told, self.shown, _REMEDIES.get(self.status, ""), response=self)


_REMEDIES = {
    401: "check the credentials in the --auth file",
    403: "ask the server's operator for the right to do this",
    404: "check the server's base URL",
    429: "the server is busy, run again later",
    503: "the server is busy, run again later",
}


class HttpError(ServerError):
    """The server answered with a refusal, or not at all. `status` is 0 where there was no answer."""

    def __init__(
        self,
        what: str,
        where: str = "",
        remedy: str = "",
        *,
        response: Response | None = None,
        retry_after: float | None = None,
    ) -> None:
        super().__init__(what, where, remedy)
        self.response = response
        self.status = response.status if response else 0
        self.retry_after = retry_after


class AmbiguousOutcome(HttpError):
    """The request left us and may have been carried out: look it up by its key before it is sent again.

    `retry_after`: seconds the server asked to wait, None if it did not say.
    """


class UnreachableError(HttpError):
    """The request certainly never reached the server, after all attempts."""


def version_of(etag: str) -> str:
    """The version id inside an ETag or a bare one."""
    text = etag.strip()
    return text.removeprefix("W/").strip('"')


def outcome_issues(body: Any) -> Iterator[dict[str, str]]:
    """Severity and code of an OperationOutcome's issues; codes of another shape become `unknown`."""
    if isinstance(body, Mapping) and body.get("resourceType") == "OperationOutcome":
        issues = body.get("issue")
        for issue in issues if isinstance(issues, list) else ():
            if isinstance(issue, Mapping):
                yield {name: _code(issue.get(name)) for name in ("severity", "code")}


def _code(value: Any) -> str:
    return value if isinstance(value, str) and _CODE.fullmatch(value) else "unknown"
