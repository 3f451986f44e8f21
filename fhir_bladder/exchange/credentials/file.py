"""Room `exchange`: the credentials file (`--auth FILE.toml`), read strictly: an unknown or missing key is an error.

Every secret is a file (mode 600) or the name of an environment variable, never in the file itself. Relative file names
start at the folder of the credentials file.
"""

from __future__ import annotations

import difflib
import os
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from fhir_bladder.errors import ConfigError, ServerError
from fhir_bladder.exchange.credentials.keys import load_key, private_bytes, secret_text
from fhir_bladder.exchange.credentials.kinds import Basic, Bearer, Credentials, NoCredentials, TokenCredentials
from fhir_bladder.exchange.credentials.token import SecretSource, SmartSource, check_endpoint
from fhir_bladder.exchange.http.origin import parse
from fhir_bladder.exchange.http.transport import Transport, tls_context

_COMMON = {"kind", "ca_file", "client_cert_file", "client_key_file", "proxy", "headers"}
_TOKEN = {"scope", "token_endpoint", "client_id"}
_KEYS = {
    "none": set[str](),
    "bearer": {"token_file", "token_env"},
    "basic": {"user", "password_file", "password_env"},
    "client-secret": _TOKEN | {"secret_file", "secret_env"},
    "smart-backend": _TOKEN | {"private_key_file", "key_id"},
}
_HEADER = re.compile(r"[A-Za-z0-9!#$%&'*+.^_`|~-]{1,100}")
_OURS = {
    "accept", "accept-encoding", "authorization", "connection", "content-encoding", "content-length", "content-type",
    "cookie", "expect", "host", "if-match", "if-none-exist", "if-none-match", "proxy-authorization", "te", "trailer",
    "transfer-encoding", "upgrade",
}  # fmt: skip


def load_credentials(path: str | Path, environment: Mapping[str, str] | None = None) -> Credentials:
    """Read a credentials file; raises ConfigError naming file, key and remedy.

    The file and every secret beside it are refused where anyone but the owner can read them.
    """
    file = Path(path)
    data = private_bytes(file, "--auth")
    try:
        content = tomllib.loads(data.decode("utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        place = re.search(r"\(at (line \d+, column \d+|end of document)\)", str(error))
        raise ConfigError(
            "is not TOML", f"--auth {file}" + (f", {place[1]}" if place else ""), "see the manual's example"
        ) from None
    return _Reader(file, content, os.environ if environment is None else environment).credentials()


class _Reader:
    def __init__(self, file: Path, content: dict[str, Any], environment: Mapping[str, str]) -> None:
        self.file = file
        self.content = content
        self.environment = environment

    def _error(self, what: str, key: str, remedy: str) -> ConfigError:
        return ConfigError(what, f"{key} in {self.file}" if key else str(self.file), remedy)

    def credentials(self) -> Credentials:
        kind = self.content.get("kind")
        if kind not in _KEYS:
            raise self._error("kind is missing or unknown", "kind", f"write one of {', '.join(_KEYS)}")
        known = _COMMON | _KEYS[kind]
        for key in self.content:
            if key not in known:
                near = difflib.get_close_matches(key, known, n=1)
                remedy = f"did you mean {near[0]}?" if near else f"{kind} knows {', '.join(sorted(known))}"
                raise self._error("unknown key", key, remedy)
        transport = self._transport()
        if kind == "bearer":
            return Bearer(self._secret("token"), transport)
        if kind == "basic":
            user = self._text("user", required=True)
            if ":" in user:
                raise self._error("a user name with a colon cannot be sent", "user", "RFC 7617 does not allow it")
            return Basic(user, self._secret("password"), transport)
        if kind == "none":
            return NoCredentials(transport)
        client_id, endpoint = self._text("client_id", required=True), self._text("token_endpoint")
        if endpoint:
            check_endpoint(endpoint, f"token_endpoint in {self.file}")
        source: SecretSource | SmartSource
        if kind == "client-secret":
            source = SecretSource(client_id, self._secret("secret"), self._text("scope"), endpoint)
        else:
            path = self._path("private_key_file", required=True)
            signing = load_key(path, self._text("key_id"), "private_key_file")
            source = SmartSource(client_id, signing, self._text("scope", required=True), endpoint)
        return TokenCredentials(kind, source, transport)

    def _text(self, key: str, *, required: bool = False) -> str:
        value = self.content.get(key, "")
        if not isinstance(value, str) or not value.isprintable():
            raise self._error("is not a line of text", key, 'write it in quotes, like "text"')
        if required and not value:
            raise self._error("is missing", key, "write it as registered with the server")
        return value

    def _path(self, key: str, *, required: bool = False) -> Path:
        text = self._text(key, required=required)
        return (self.file.parent / Path(text).expanduser()) if text else Path()

    def _secret(self, name: str) -> str:
        by_file, by_variable = f"{name}_file", f"{name}_env"
        if (by_file in self.content) == (by_variable in self.content):
            raise self._error(f"needs one of {by_file} and {by_variable}", "", "write exactly one of them")
        if by_file in self.content:
            path = self._path(by_file, required=True)
            return secret_text(private_bytes(path, by_file), f"{by_file} {path}")
        return self._variable(self._text(by_variable, required=True), by_variable)

    def _variable(self, name: str, key: str) -> str:
        if name not in self.environment:
            raise self._error("names an environment variable that is not set", key, "set it, or use a file")
        return secret_text(self.environment[name], f"environment variable of {key}")

    def _transport(self) -> Transport:
        cert, key = self._path("client_cert_file"), self._path("client_key_file")
        if key != Path() and cert == Path():
            raise self._error("needs client_cert_file beside it", "client_key_file", "write both")
        if cert != Path():  # whichever file holds the key is a secret
            private_bytes(key if key != Path() else cert, "client_key_file" if key != Path() else "client_cert_file")
        transport = Transport(
            ca_file=self._existing("ca_file"),
            client_cert_file=cert if cert != Path() else None,
            client_key_file=key if key != Path() else None,
            proxy=self._proxy(),
            headers=self._headers(),
        )
        if transport.ca_file or transport.client_cert_file:
            tls_context(transport, trusted=True)  # a bad file is reported now, not at the first request
        return transport

    def _existing(self, key: str) -> Path | None:
        path = self._path(key)
        if path == Path():
            return None
        if not path.is_file():
            raise self._error("names a file that is not there", key, "check the name")
        return path

    def _proxy(self) -> str:
        text = self._text("proxy")
        if not text:
            return ""
        try:
            url = parse(text)
        except ServerError as error:
            raise self._error(error.what, "proxy", "write it like http://proxy.hospital.example:3128") from None
        return str(url.origin)

    def _headers(self) -> dict[str, str]:
        """Extra headers: a line of text, or `{ file = "…" }` or `{ env = "NAME" }` where the value is secret."""
        table = self.content.get("headers", {})
        if not isinstance(table, dict):
            raise self._error("is not a table", "headers", "write [headers] and one line a header")
        headers: dict[str, str] = {}
        for name, value in table.items():
            key = f"headers.{name}"
            if not _HEADER.fullmatch(name) or name.lower() in _OURS:
                raise self._error("cannot be set here", key, "credentials have their own kind, FHIR headers are ours")
            if isinstance(value, dict) and set(value) == {"file"} and isinstance(value["file"], str):
                path = self.file.parent / Path(value["file"]).expanduser()
                headers[name] = secret_text(private_bytes(path, key), f"{key} {path}")
            elif isinstance(value, dict) and set(value) == {"env"} and isinstance(value["env"], str):
                headers[name] = self._variable(value["env"], key)
            elif isinstance(value, str) and value.isascii() and value.isprintable():
                headers[name] = value
            else:
                raise self._error("is not a line of ASCII text", key, 'write "text", { file = "…" } or { env = "…" }')
        return headers
