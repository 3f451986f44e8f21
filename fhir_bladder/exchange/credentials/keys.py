"""Room `exchange`: private keys of SMART Backend Services, from PEM or JWKS, and secrets from files or variables."""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fhir_bladder import wire
from fhir_bladder.errors import BladderError, ConfigError

_MOST = 1024 * 1024


@dataclass(frozen=True, slots=True)
class SigningKey:
    """A private key object, loaded once (signing from PEM each time costs 100 ms), its `kid` and RS384 or ES384."""

    key: Any = field(repr=False)
    key_id: str
    algorithm: str


def private_bytes(path: Path, where: str) -> bytes:
    """The bytes of a file that only its owner may read; raises ConfigError otherwise, before reading anything.

    The permissions are those of the opened file, so that it cannot be exchanged in between.
    """
    flags = os.O_RDONLY | getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_NONBLOCK", 0)  # a pipe must not block us
    try:
        descriptor = os.open(path, flags)
    except OSError as error:
        raise ConfigError(f"cannot be read: {error.strerror}", f"{where} {path}", "check name and rights") from None
    try:
        status = os.fstat(descriptor)
        if not stat.S_ISREG(status.st_mode):
            raise ConfigError("is not a file", f"{where} {path}", "give a file")
        if os.name == "posix" and status.st_mode & 0o077:
            raise ConfigError("others can read this file", f"{where} {path}", f"chmod 600 {path}")
        if status.st_size > _MOST:
            raise ConfigError("is too large for a secret", f"{where} {path}", "check the name")
        with open(descriptor, "rb", closefd=False) as stream:
            return stream.read(_MOST + 1)
    except OSError as error:
        raise ConfigError(f"cannot be read: {error.strerror}", f"{where} {path}", "check the file") from None
    finally:
        os.close(descriptor)


def secret_text(data: bytes | str, where: str) -> str:
    """A secret as text: one line, surrounding white space dropped, printable; raises ConfigError."""
    try:
        text = (data.decode("utf-8-sig") if isinstance(data, bytes) else data).strip()
    except UnicodeDecodeError:
        raise ConfigError("is not text", where, "save it as UTF-8, one line") from None
    if not text or not text.isprintable():
        raise ConfigError("is empty or not one line of text", where, "put the secret alone on one line")
    return text


def load_key(path: Path, key_id: str, where: str) -> SigningKey:
    """A private key: PEM (unencrypted, with `key_id` given) or JWKS or one JWK. RSA signs RS384, EC P-384 ES384."""
    data = private_bytes(path, where)
    place = f"{where} {path}"
    key = _from_jwks(data, key_id, place) if data.lstrip().startswith(b"{") else _from_pem(data, key_id, place)
    return SigningKey(key[0], key[1], _algorithm(key[0], place))


def _from_pem(data: bytes, key_id: str, place: str) -> tuple[Any, str]:
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    if not key_id:
        raise ConfigError("a PEM key has no key id", place, "write key_id in the --auth file, as registered")
    try:
        return load_pem_private_key(data, password=None), key_id
    except TypeError:
        raise ConfigError("the key is encrypted", place, "give an unencrypted key with mode 600") from None
    except Exception:  # noqa: BLE001 - the library raises several kinds, and its words may quote the file
        raise ConfigError("is not a private key in PEM or JWKS", place, "check the file") from None


def _from_jwks(data: bytes, key_id: str, place: str) -> tuple[Any, str]:
    import jwt

    try:
        content = wire.loads(data)
    except BladderError:
        raise ConfigError("is not JSON", place, "check the file") from None
    keys = content.get("keys", [content]) if isinstance(content, dict) else []
    private = [key for key in keys if isinstance(key, dict) and "d" in key and key.get("use", "sig") == "sig"]
    if key_id:
        private = [key for key in private if key.get("kid") == key_id]
    if len(private) != 1:
        found = "no" if not private else f"{len(private)}"
        raise ConfigError(f"holds {found} private keys that fit", place, "name one by key_id in the --auth file")
    kid = private[0].get("kid")
    if not isinstance(kid, str) or not kid:
        raise ConfigError("the key has no kid", place, "add the kid under which it is registered")
    try:
        return jwt.PyJWK({**private[0], "alg": private[0].get("alg") or _jwk_algorithm(private[0])}).key, kid
    except Exception:  # noqa: BLE001 - as above
        raise ConfigError("holds a key that cannot be read", place, "give RSA, or EC on P-384") from None


def _jwk_algorithm(key: dict[str, Any]) -> str:
    return "ES384" if key.get("kty") == "EC" else "RS384"


def _algorithm(key: Any, place: str) -> str:
    from cryptography.hazmat.primitives.asymmetric import ec, rsa

    if isinstance(key, rsa.RSAPrivateKey):
        if key.key_size < 2048:
            raise ConfigError(f"an RSA key of {key.key_size} bits is too short", place, "make one of 3072 bits")
        return "RS384"
    if isinstance(key, ec.EllipticCurvePrivateKey) and isinstance(key.curve, ec.SECP384R1):
        return "ES384"
    raise ConfigError("the key is neither RSA nor EC on P-384", place, "SMART asks for RS384 or ES384")
