"""Room `sandbox`: the embedded FHIR server (sekmet-fhir, extra `demo`) on 127.0.0.1, for `serve`, `demo` and tests.

The socket is bound here, on 127.0.0.1 only (the package's own default is every address), port 0 unless one is given.
Its simulator, which answers orders by itself, and its traffic log are off. It checks no profiles: never take its
`$validate` for a verdict.
"""

from __future__ import annotations

import contextlib
import logging
import os
import socket
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fhir_bladder.errors import ConfigError, ServerError

START_TIMEOUT = 60.0
"""Seconds until the server must answer; a cold start takes about one."""


@dataclass(frozen=True, slots=True)
class SmartOption:
    """SMART Backend Services on the embedded server.

    clients: client id → public JWKS with exactly one key (the server answers 500 where a client has an RSA and an EC
    key). token_lifetime in seconds. scopes: what each client may ask for; a transaction needs `system/*.`.
    """

    clients: dict[str, dict[str, Any]]
    scopes: str = "system/*.cruds"
    token_lifetime: int = 300


@dataclass(frozen=True, slots=True)
class AuthOption:
    """Other inbound checks of the embedded server: user → password, bearer tokens, client id → client secret."""

    users: dict[str, str] = field(default_factory=dict)
    tokens: tuple[str, ...] = ()
    secrets: dict[str, str] = field(default_factory=dict)
    scopes: str = "system/*.cruds"
    token_lifetime: int = 300


@contextlib.contextmanager
def embedded_server(
    store: str | os.PathLike[str] | None = None,
    smart: SmartOption | dict[str, dict[str, Any]] | None = None,
    *,
    port: int = 0,
    auth: AuthOption | None = None,
    start_timeout: float = START_TIMEOUT,
) -> Iterator[str]:
    """Run the server in this process and give its base URL; stopped when the block ends.

    store: SQLite file that keeps the data; None keeps it in a temporary folder that goes away. smart: SmartOption, or
    just client id → public JWKS. Raises ConfigError where the package is missing or the store's folder is not there,
    ServerError where the port is taken or the server does not start in `start_timeout` seconds.
    """
    try:
        import uvicorn
        from sekmet.config import ServerAuth, Settings, SimulatorSettings, SmartClient
        from sekmet.main import create_app
    except ImportError:
        raise ConfigError(
            "the embedded server is not installed", "package sekmet-fhir", "pip install '.[demo]' in the clone"
        ) from None
    if isinstance(smart, dict):
        smart = SmartOption(smart)
    types: list[str] = []
    smart_clients: list[Any] = []
    if smart:
        types.append("smart")
        smart_clients += [SmartClient(client_id=c, jwks=jwks, scopes=smart.scopes) for c, jwks in smart.clients.items()]
    if auth:
        types += [kind for kind, on in (("basic", auth.users), ("bearer", auth.tokens)) if on]
        if auth.secrets and "smart" not in types:
            types.append("smart")
        smart_clients += [
            SmartClient(client_id=c, client_secret=s, scopes=auth.scopes) for c, s in auth.secrets.items()
        ]
    lifetime = smart.token_lifetime if smart else auth.token_lifetime if auth else 300
    with contextlib.ExitStack() as stack:
        sock = stack.enter_context(contextlib.closing(socket.socket(socket.AF_INET, socket.SOCK_STREAM)))
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            sock.bind(("127.0.0.1", port))
        except OSError as error:
            raise ServerError(
                f"port {port} cannot be used: {error.strerror}", "127.0.0.1", "choose another port, or 0 for any"
            ) from None
        number = sock.getsockname()[1]
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="fhir-bladder-")))
        if store is not None:
            path = Path(store).absolute()
            if not path.parent.is_dir():
                raise ConfigError("folder of the store is not there", str(path.parent), "make it first")
            _private(path)
        else:
            path = folder / "store.db"
        url = f"http://127.0.0.1:{number}/fhir"
        root = logging.getLogger()
        handlers, level = list(root.handlers), root.level
        app = create_app(
            Settings(
                base_url=url,
                host="127.0.0.1",
                port=number,
                data_dir=str(folder),
                db_path=str(path),
                own_private_key_path=str(folder / "own.pem"),
                log_inbound=False,
                simulator=SimulatorSettings(enabled=False),
                server_auth=ServerAuth(
                    types=types or ["none"],
                    users=auth.users if auth else {},
                    tokens=list(auth.tokens) if auth else [],
                    smart_clients=smart_clients,
                    token_lifetime=lifetime,
                ),
            )
        )
        # the package configures the root logger of whoever embeds it; put back what was there
        root.handlers[:] = handlers
        root.setLevel(level)
        server = uvicorn.Server(uvicorn.Config(app, log_level="critical", access_log=False, lifespan="on"))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [sock]}, name="embedded-fhir", daemon=True)
        thread.start()
        stack.callback(thread.join, 60)
        stack.callback(setattr, server, "should_exit", True)
        deadline = time.monotonic() + start_timeout
        while not server.started:
            if not thread.is_alive() or time.monotonic() > deadline:
                raise ServerError(
                    "the embedded server did not start",
                    url,
                    f"look for other work on this machine ({start_timeout:g} s)",
                )
            time.sleep(0.01)
        yield url


def _private(path: Path) -> None:
    """Make the store readable by its owner only before SQLite creates it with the process's umask."""
    os.close(os.open(path, os.O_CREAT | os.O_RDWR, 0o600))
