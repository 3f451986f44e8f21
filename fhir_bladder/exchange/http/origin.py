"""Room `exchange`: URLs and origins. Where a credential may go is decided here, on parsed pieces, never on strings.

An origin is (scheme, host, port), RFC 6454 section 4. Every URL we send to is rebuilt from the pieces judged here, so
that no second parser can read it differently. A host with a trailing dot is another host: the safe reading.
"""

from __future__ import annotations

import ipaddress
import re
from dataclasses import dataclass, field
from urllib.parse import quote, urljoin, urlsplit

from fhir_bladder.errors import ConfigError, ServerError

_HOST = re.compile(r"[a-z0-9_](?:[a-z0-9_.-]*[a-z0-9_.])?")
_ABSOLUTE = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*://")
_UNSAFE = re.compile(r"[\x00-\x20\x7f\\]")
_PORTS = {"http": 80, "https": 443}
_TYPE = re.compile(r"[A-Z][A-Za-z]{1,40}")
_SHOWN = re.compile(r"\$[a-z-]{1,30}|_history|_search|metadata|\.well-known|smart-configuration")
_PARAMETER = re.compile(r"_[A-Za-z]{1,30}|[a-z][a-z.:-]{0,30}")


class OriginError(ServerError):
    """The server points somewhere we must not go, or not with this request."""


@dataclass(frozen=True, slots=True)
class Origin:
    """Scheme, host and port, lower case, default port filled in; IPv6 hosts compressed and without brackets."""

    scheme: str
    host: str
    port: int

    @property
    def loopback(self) -> bool:
        """Whether it stays on this machine: 127.0.0.0/8, ::1 and the name localhost (RFC 6761)."""
        if self.host == "localhost":
            return True
        try:
            return ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return False

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{self.scheme}://{host}" + (f":{self.port}" if self.port != _PORTS[self.scheme] else "")


@dataclass(frozen=True, slots=True)
class Url:
    """A parsed http(s) URL: its origin, and path with query as sent. No fragment, no user information."""

    origin: Origin
    target: str = field(repr=False)

    def __str__(self) -> str:
        return f"{self.origin}{self.target}"


def parse(text: str) -> Url:
    """Take an absolute http(s) URL apart.

    Raises OriginError for anything two parsers could read differently: user information, backslashes, blanks, control
    characters, hosts outside ASCII, ports that are no number, IPv6 zones. The message never shows the URL.
    """
    if _UNSAFE.search(text):
        raise OriginError("a URL holds a blank, a backslash or a control character", "", "ask the server's operator")
    try:
        parts = urlsplit(text)
        port = parts.port
    except ValueError:
        raise OriginError("a URL cannot be taken apart", "", "ask the server's operator") from None
    scheme = parts.scheme.lower()
    if scheme not in _PORTS:
        raise OriginError("a URL is neither http nor https", "", "ask the server's operator")
    if "@" in parts.netloc:
        raise OriginError("a URL holds user information", "", "credentials belong in the --auth file")
    host = _host(parts.netloc)
    path = quote(parts.path or "/", safe="/%:@!$&'()*+,;=-._~")
    query = quote(parts.query, safe="/?%:@!$&'()*+,;=-._~")
    return Url(
        Origin(scheme, host, port if port is not None else _PORTS[scheme]), path + (f"?{query}" if query else "")
    )


def _host(netloc: str) -> str:
    if netloc.startswith("["):
        literal, bracket, rest = netloc[1:].partition("]")
        address = literal if bracket and "%" not in literal and re.fullmatch(r"(:[0-9]*)?", rest) else ""
        try:
            return ipaddress.IPv6Address(address).compressed
        except ValueError:
            raise OriginError("a URL has an IPv6 address that cannot be read", "", "ask its operator") from None
    host, _, port = netloc.partition(":")
    host = host.lower()
    if not _HOST.fullmatch(host) or (port and not re.fullmatch(r"[0-9]+", port)):
        raise OriginError("a URL has a host or port that cannot be read", "", "write the host in ASCII, port as number")
    return host


def parse_base(text: str) -> Url:
    """Parse a server's base URL as given by a person; raises ConfigError. Query and fragment are refused."""
    example = "give it like https://fhir.hospital.example/fhir"
    if not _ABSOLUTE.match(text) or "?" in text or "#" in text:
        raise ConfigError("not a base URL: http(s)://host/path without query or fragment", "server URL", example)
    try:
        url = parse(text.strip())
    except OriginError as error:
        raise ConfigError(error.what, "server URL", example) from None
    return Url(url.origin, url.target.rstrip("/"))


def resolve(base: Url, link: str) -> Url:
    """A link from a server (next, Location, manifest) or a path of ours against the base URL.

    Absolute and scheme-relative links stand for themselves; `/x` starts at the origin; anything else at the base.
    """
    if _ABSOLUTE.match(link):
        return parse(link)
    if link.startswith("/"):
        return parse(urljoin(str(base.origin), link))
    return parse(f"{base.origin}{base.target}/{link}") if link else base


def shown(base: Url, url: Url) -> str:
    """The URL as messages and logs may show it: resource types, operations, parameter names; no id and no value."""
    path, _, query = url.target.partition("?")
    if url.origin != base.origin or not f"{path}/".startswith(f"{base.target}/"):
        return f"{url.origin}/…"
    segments = [part for part in path[len(base.target) :].split("/") if part]
    # only the first segment can be a resource type; a letters-only id must not pass for one
    told = [
        one if _SHOWN.fullmatch(one) or (not n and _TYPE.fullmatch(one)) else "[id]" for n, one in enumerate(segments)
    ]
    names = {pair.partition("=")[0] for pair in query.split("&") if pair}
    parameters = sorted(name if _PARAMETER.fullmatch(name) else "[…]" for name in names)
    text = f"{base.origin}{base.target}" + "".join(f"/{part}" for part in told)
    return text + (f"?{'&'.join(parameters)}" if parameters else "")
