"""Room `exchange`: access tokens: OAuth2 client secret (RFC 6749) and SMART Backend Services (SMART App Launch 2.2).

The token endpoint is pinned in the configuration or discovered on the server's own origin; nothing else is believed.
"""

from __future__ import annotations

import base64
import secrets
import time
from typing import TYPE_CHECKING, Any, NamedTuple
from urllib.parse import quote_plus, urlencode

from fhir_bladder.errors import ConfigError, ServerError
from fhir_bladder.exchange import log
from fhir_bladder.exchange.credentials.kinds import Token
from fhir_bladder.exchange.http.origin import Url, parse, resolve
from fhir_bladder.exchange.http.retry import http_date

if TYPE_CHECKING:
    from fhir_bladder.exchange.credentials.keys import SigningKey
    from fhir_bladder.exchange.http.client import Client
    from fhir_bladder.exchange.http.errors import Response
    from fhir_bladder.exchange.http.retry import Deadline

LIFETIME = 240
"""Seconds an assertion lives; SMART allows at most 300, the rest is room for clocks that differ."""
_CLOCK_DIFFERS = 5.0
_ASSERTION_TYPE = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
_ERRORS = frozenset(
    {"invalid_request", "invalid_client", "invalid_grant", "unauthorized_client", "unsupported_grant_type"}
    | {"invalid_scope", "temporarily_unavailable", "server_error", "access_denied"}
)


class Endpoint(NamedTuple):
    """A token endpoint: its URL, its text as the server or a person wrote it (the audience of an assertion, compared
    there letter by letter), and the authentication methods the server says it takes (none said where pinned).
    """

    url: Url
    text: str
    methods: tuple[str, ...] = ()


class _Source:
    """What both kinds share: the endpoint, the request, the reading of the answer."""

    def __init__(self, client_id: str, scope: str, token_endpoint: str) -> None:
        self.client_id = client_id
        self.scope = scope
        self.pinned = token_endpoint
        self._discovered: Endpoint | None = None

    def endpoint(self, client: Client, deadline: Deadline) -> Endpoint:
        """The token endpoint, pinned or discovered (then kept)."""
        if self.pinned:
            return Endpoint(parse(self.pinned), self.pinned)
        if self._discovered is None:
            self._discovered = discover(client, deadline)
        return self._discovered

    def read(self, response: Response, began: float) -> Token:
        """The token of a 200 answer; raises ServerError where it is not one."""
        body = response.body
        if response.status != 200 or not isinstance(body, dict):
            code = body.get("error") if isinstance(body, dict) else None
            told = code if code in _ERRORS else f"HTTP {response.status}"
            raise ServerError(
                f"the token endpoint refuses us: {told}",
                response.shown,
                "check client_id, key, scope in the --auth file",
            )
        token, kind, lifetime = body.get("access_token"), body.get("token_type"), body.get("expires_in", 300)
        if not isinstance(token, str) or not token.isascii() or not token.isprintable() or " " in token or not token:
            raise ServerError("the token endpoint gave no usable token", response.shown, "ask its operator")
        if not isinstance(kind, str) or kind.lower() != "bearer":
            raise ServerError("the token endpoint gave a token that is not bearer", response.shown, "ask its operator")
        try:
            seconds = max(0.0, float(lifetime))
        except (TypeError, ValueError):
            seconds = 300.0
        log.event("token.fetched", ms=round((time.monotonic() - began) * 1000))
        # counted from before the request, renewed with a fifth (at most 30 s) still to go
        return Token(f"Bearer {token}", began + seconds - min(30.0, seconds * 0.2))


class SecretSource(_Source):
    """OAuth2 client credentials with a shared secret, as HTTP Basic, or in the form where only that is offered."""

    def __init__(self, client_id: str, secret: str, scope: str = "", token_endpoint: str = "") -> None:
        super().__init__(client_id, scope, token_endpoint)
        self._secret = secret

    def fetch(self, client: Client, deadline: Deadline) -> Token:
        """One POST to the token endpoint (RFC 6749 section 4.4)."""
        url, _, methods = self.endpoint(client, deadline)
        form = {"grant_type": "client_credentials"} | ({"scope": self.scope} if self.scope else {})
        headers = {}
        if "client_secret_post" in methods and "client_secret_basic" not in methods:
            form |= {"client_id": self.client_id, "client_secret": self._secret}
        else:  # RFC 6749 section 2.3.1: both are form-encoded before they are joined
            pair = f"{quote_plus(self.client_id)}:{quote_plus(self._secret)}"
            headers["Authorization"] = "Basic " + base64.b64encode(pair.encode()).decode("ascii")
        began = time.monotonic()
        return self.read(client.post_form(url, urlencode(form), headers, deadline), began)


class SmartSource(_Source):
    """SMART Backend Services: a signed assertion, RS384 or ES384, never older than it must be and never used twice."""

    def __init__(self, client_id: str, key: SigningKey, scope: str, token_endpoint: str = "") -> None:
        super().__init__(client_id, scope, token_endpoint)
        self._key = key
        self.clock_offset = 0.0
        """Server clock minus ours in seconds, learnt from a refusal; 0 until then."""

    def assertion(self, audience: str) -> str:
        """A client assertion: iss = sub = client id, aud, exp at most five minutes ahead, fresh jti."""
        import jwt

        now = int(time.time() + self.clock_offset)
        claims = {
            "iss": self.client_id,
            "sub": self.client_id,
            "aud": audience,
            "iat": now,
            "exp": now + LIFETIME,
            "jti": secrets.token_urlsafe(32),
        }
        return jwt.encode(
            claims, self._key.key, algorithm=self._key.algorithm, headers={"kid": self._key.key_id, "typ": "JWT"}
        )

    def fetch(self, client: Client, deadline: Deadline) -> Token:
        """POST the assertion; after a refusal with a clock that differs, once more by the server's clock."""
        endpoint = self.endpoint(client, deadline)
        began = time.monotonic()
        response = self._post(client, endpoint, deadline)
        if response.status in (400, 401) and self._learn_clock(response):
            began = time.monotonic()
            response = self._post(client, endpoint, deadline)
        return self.read(response, began)

    def _post(self, client: Client, endpoint: Endpoint, deadline: Deadline) -> Response:
        form = {
            "grant_type": "client_credentials",
            "scope": self.scope,
            "client_assertion_type": _ASSERTION_TYPE,
            "client_assertion": self.assertion(endpoint.text),
        }
        return client.post_form(endpoint.url, urlencode(form), {}, deadline)

    def _learn_clock(self, response: Response) -> bool:
        theirs = http_date(response.headers.get("date", ""))
        if theirs is None or abs(theirs - (time.time() + self.clock_offset)) < _CLOCK_DIFFERS:
            return False
        self.clock_offset = theirs - time.time()
        log.event("token.clock", wait=round(self.clock_offset))
        return True


def discover(client: Client, deadline: Deadline) -> Endpoint:
    """Token endpoint and its authentication methods from `.well-known/smart-configuration`.

    Raises ServerError where there is none or it lies on another origin: a person must pin such an endpoint.
    """
    response = client.request(
        "GET",
        ".well-known/smart-configuration",
        headers={"Accept": "application/json"},
        credential=False,
        deadline=deadline,
    )
    body: Any = response.body
    link = body.get("token_endpoint") if isinstance(body, dict) else None
    remedy = "write token_endpoint in the --auth file, after checking it with the operator"
    if not response.ok or not isinstance(link, str) or not link:
        raise ServerError("the server does not say where its token endpoint is", response.shown, remedy)
    url = resolve(client.base, link)
    if url.origin != client.base.origin:
        raise ServerError(f"the token endpoint is on another origin, {url.origin}", response.shown, remedy)
    methods = body.get("token_endpoint_auth_methods_supported")
    known = tuple(one for one in methods if isinstance(one, str)) if isinstance(methods, list) else ()
    return Endpoint(url, link if "://" in link else str(url), known)


def check_endpoint(text: str, where: str) -> None:
    """A pinned endpoint must be https, or on this machine; raises ConfigError."""
    try:
        url = parse(text)
    except ServerError as error:
        raise ConfigError(error.what, where, "write the whole https URL") from None
    if url.origin.scheme != "https" and not url.origin.loopback:
        raise ConfigError("a token endpoint without https would give the secret away", where, "write an https URL")
