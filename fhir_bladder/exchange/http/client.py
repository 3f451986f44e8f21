"""Room `exchange`: the HTTP client every exchange with a FHIR server goes through.

It keeps the promises of one call: a deadline nothing can stretch, limits, backoff, the origin rule for credentials, and
no blind repeat of what may already have been carried out (`AmbiguousOutcome`). What to do then is the caller's work.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from fhir_bladder.errors import ConfigError, ServerError, UnfinishedError
from fhir_bladder.exchange import log
from fhir_bladder.exchange.credentials.kinds import Credentials, NoCredentials
from fhir_bladder.exchange.http.call import FHIR_JSON, Call, Stream
from fhir_bladder.exchange.http.capability import Capability, read_capability
from fhir_bladder.exchange.http.errors import Response
from fhir_bladder.exchange.http.limits import LimitError, Limits
from fhir_bladder.exchange.http.origin import OriginError, Url, parse, parse_base, resolve
from fhir_bladder.exchange.http.retry import Deadline, Retry
from fhir_bladder.exchange.http.transport import pools

_IDLE = 60.0


class Client:
    """A FHIR server at `base_url`. Safe to use from several threads.

    deadline: seconds for one call with all its repeats and waits. until: a moment for the whole command; after it every
    call raises UnfinishedError. concurrency: connections kept open. insecure_http: allow http off this machine, which
    credentials never use. foreign hosts: see `request`.
    """

    def __init__(
        self,
        base_url: str,
        credentials: Credentials | None = None,
        *,
        deadline: float = 300.0,
        until: Deadline | None = None,
        limits: Limits | None = None,
        retry: Retry | None = None,
        insecure_http: bool = False,
        concurrency: int = 8,
        idle: float = _IDLE,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self.base = parse_base(base_url)
        self.credentials = credentials or NoCredentials()
        self.limits = limits or Limits()
        self.retry = retry or Retry()
        self.deadline = deadline
        self.until = until or Deadline(None)
        self.insecure_http = insecure_http
        self.idle = idle
        self.heard = False
        """Whether any answer has come yet, of the server or of its token endpoint."""
        self._sleep = sleep
        self._capability: Capability | None = None
        origin = self.base.origin
        if origin.scheme == "http" and not origin.loopback:
            if self.credentials.secret:
                raise ConfigError("credentials are never sent over plain http", str(origin), "use https")
            if not insecure_http:
                raise ConfigError(
                    "plain http would send patients' data unprotected", str(origin), "use https, or --insecure-http"
                )
        proxy = self.credentials.transport.proxy
        if origin.scheme == "http" and proxy and self.credentials.secret and not parse(proxy).origin.loopback:
            raise ConfigError("credentials would pass the proxy over plain http", "proxy", "use https to the server")
        log.silence_http_library()
        self.trusted_pool, self.bare_pool = pools(self.credentials.transport, size=max(1, concurrency))

    # -- calls ---------------------------------------------------------------------------------------------------

    def request(
        self,
        method: str,
        path: str | Url = "",
        *,
        json: Any = None,
        data: bytes | None = None,
        headers: Mapping[str, str] | None = None,
        idempotent: bool | None = None,
        foreign: bool = False,
        credential: bool = True,
        deadline: Deadline | None = None,
    ) -> Response:
        """One call; returns any definite answer (2xx, 3xx, 4xx except 401), the body parsed with exact decimals.

        path: relative to the base URL, or a link from the server. json: body, written with exact decimals; data: body
        as bytes. idempotent: whether the same request may be sent twice; by default GET, HEAD, PUT and DELETE. Pass
        False for a PUT that must not make a second version, True for a POST that may be repeated.
        foreign: whether a GET may follow a link or redirect to another origin, always without any credential;
        otherwise OriginError. A body never goes to another origin.

        Raises AmbiguousOutcome where a request that is not idempotent may have been carried out (no answer, a 5xx, an
        answer that cannot be read); UnreachableError where it certainly was not; HttpError after 401 and where the
        server stays busy or silent; LimitError; UnfinishedError once `until` is over.
        """
        call = Call(self, method, path, json, data, headers, idempotent, foreign, credential, deadline)
        return call.run()

    def pages(
        self, path: str | Url, *, foreign: bool = False, deadline: Deadline | None = None, post: bytes | None = None
    ) -> Iterator[dict[str, Any]]:
        """Bundles of a search, following `next` links; each call has its own deadline unless one is given.

        A next link that was already followed raises ServerError, as do more than `limits.pages` pages. post: form
        parameters of a first `POST …/_search`, which keeps identifiers out of URLs.
        """
        seen: set[str] = set()
        strayed = False
        link: str | Url | None = path
        number = 0
        while link is not None:
            if post is not None and not number:
                response = self.request(
                    "POST",
                    link,
                    data=post,
                    headers={"Content-Type": "application/x-www-form-urlencoded"},
                    idempotent=True,
                    deadline=deadline,
                )
            else:
                strayed = strayed or self.resolve(link).origin != self.base.origin
                call = Call(self, "GET", link, None, None, None, True, foreign, True, deadline, strayed=strayed)
                response = call.run()
            bundle = response.body
            if not response.ok:
                raise response.error("the search is refused")
            if not isinstance(bundle, dict) or bundle.get("resourceType") != "Bundle":
                raise ServerError("the answer to a search is no Bundle", response.shown, "check the server's base URL")
            entries = bundle.get("entry", [])
            if not isinstance(entries, list) or len(entries) > self.limits.entries:
                raise LimitError("a page holds too many entries", response.shown, f"at most {self.limits.entries:,}")
            yield bundle
            number += 1
            link = next_link(bundle)
            if link is not None:
                key = str(self.resolve(link))
                if key in seen:
                    raise ServerError("a next link loops", response.shown, "ask the server's operator")
                seen.add(key)
                if number >= self.limits.pages:
                    raise LimitError(f"more than {self.limits.pages:,} pages", response.shown, "ask for less")

    @contextlib.contextmanager
    def stream(
        self,
        path: str | Url,
        *,
        headers: Mapping[str, str] | None = None,
        credential: bool = True,
        deadline: Deadline | None = None,
        most: int | None = None,
    ) -> Iterator[Stream]:
        """GET a file piece by piece: one try, redirects followed by the origin rule. Raises HttpError where lost.

        Any status is given back; a 401 renews the token, so that the caller's next try has a fresh one. deadline: by
        default `until`; an idle time-out applies besides.
        """
        call = Call(self, "GET", path, None, None, headers, True, True, credential, deadline or self.until)
        with call.stream(self.limits.file if most is None else most) as stream:
            yield stream

    def post_form(self, url: Url, form: str, headers: Mapping[str, str], deadline: Deadline) -> Response:
        """POST a form to a token endpoint: no credential of ours, no redirect. Repeated only where it never arrived
        or the endpoint says that it is busy.
        """
        if url.origin.scheme != "https" and not url.origin.loopback:
            raise OriginError("a token endpoint without https", str(url.origin), "write an https token_endpoint")
        head = {"Content-Type": "application/x-www-form-urlencoded", "Accept": "application/json", **headers}
        call = Call(self, "POST", url, None, form.encode("ascii"), head, True, False, False, deadline, pinned=True)
        return call.run()

    def resolve(self, link: str | Url) -> Url:
        """A path or a link from the server as a URL; raises OriginError for what cannot be read safely."""
        return link if isinstance(link, Url) else resolve(self.base, link)

    @property
    def capability(self) -> Capability:
        """What the server says it can do, read once; raises ServerError for another FHIR version."""
        if self._capability is None:
            self._capability = read_capability(self)
        return self._capability

    def wait(self, seconds: float, deadline: Deadline) -> None:
        """Sleep; raises UnfinishedError where that would pass `until`, ServerError where it would pass `deadline`."""
        if seconds >= self.until.remaining:
            told = "the next try would come after the deadline"
            raise UnfinishedError(told, str(self.base.origin), "run the same command again later")
        if seconds >= deadline.remaining:
            told = f"the server asks to wait {seconds:,.0f} s, longer than the deadline"
            raise ServerError(told, str(self.base.origin), "run again later")
        self._sleep(seconds)

    def close(self) -> None:
        """Close the connections kept open."""
        self.trusted_pool.clear()
        self.bare_pool.clear()

    def __enter__(self) -> Client:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def next_link(bundle: Mapping[str, Any]) -> str | None:
    """The URL of the Bundle's `next` link, None if there is none."""
    links = bundle.get("link")
    for link in links if isinstance(links, list) else ():
        if isinstance(link, dict) and link.get("relation") == "next" and isinstance(link.get("url"), str):
            return str(link["url"]) or None
    return None


__all__ = ["FHIR_JSON", "Client", "Stream", "next_link"]
