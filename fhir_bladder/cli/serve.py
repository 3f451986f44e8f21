"""Room `cli`: `serve`, the embedded test server."""

from __future__ import annotations

import json
import signal
import tempfile
import threading
from pathlib import Path
from typing import Any

import click

from fhir_bladder.cli import common
from fhir_bladder.cli.verbs import WRITTEN
from fhir_bladder.errors import ConfigError

_CLIENT = "exam-gateway"
_SQLITE = b"SQLite format 3\0"


@click.command("serve", cls=common.VerbCommand)
@click.option("--port", type=click.IntRange(0, 65535), default=0, show_default=True, help="0 takes a free one.")
@click.option("--store", type=WRITTEN, help="File that keeps the data; forgotten without one.")
@click.option("--smart", is_flag=True, help="Ask for SMART Backend Services tokens; a credential file is made.")
def command(port: int, store: Path | None, smart: bool) -> None:
    """The embedded FHIR test server on 127.0.0.1, until Ctrl-C or SIGTERM. For trying things out only."""
    from fhir_bladder.sandbox.embedded import embedded_server

    if store is not None and store.is_file() and _start_of(store) not in (b"", _SQLITE):
        raise ConfigError("not a store of this server", str(store), "name another file with --store")
    stop = threading.Event()
    for name in (signal.SIGTERM, signal.SIGINT):
        signal.signal(name, lambda *_: stop.set())
    with tempfile.TemporaryDirectory(prefix="fhir-bladder-") as folder:
        clients = {_CLIENT: _credentials(Path(folder))} if smart else None
        with embedded_server(store, clients, port=port) as url:
            click.echo(url)
            if smart:
                common.say(f"credentials: --auth {Path(folder) / 'auth.toml'}, as long as this server runs")
            common.say("a test server: it checks no profile. Ctrl-C stops it")
            stop.wait()
    common.finish(set())


def _start_of(store: Path) -> bytes:
    with store.open("rb") as stream:
        return stream.read(len(_SQLITE))


def _credentials(folder: Path) -> dict[str, Any]:
    """Write a fresh key and its credential file, readable by the owner only; give the public key set."""
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric import ec
    from jwt.algorithms import ECAlgorithm

    key = ec.generate_private_key(ec.SECP384R1())
    pem = key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    text = (
        f'kind = "smart-backend"\nclient_id = "{_CLIENT}"\nprivate_key_file = "key.pem"\n'
        'key_id = "serve"\nscope = "system/*.cruds"\n'
    )
    for name, data in (("key.pem", pem), ("auth.toml", text.encode())):
        (folder / name).touch(mode=0o600)
        (folder / name).write_bytes(data)
    public = json.loads(ECAlgorithm.to_jwk(key.public_key()))
    return {"keys": [{**public, "kid": "serve", "alg": "ES384", "use": "sig"}]}
