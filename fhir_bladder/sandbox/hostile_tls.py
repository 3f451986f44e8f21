"""Room `sandbox`: a throw-away certificate authority for TLS tests: server contexts, client certificates."""

from __future__ import annotations

import datetime
import ipaddress
import ssl
from pathlib import Path
from typing import Any

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID


class Authority:
    """A CA in a folder: `ca_file`, and certificates for hosts and clients signed by it. Valid for one day."""

    def __init__(self, folder: Path, name: str = "Test Authority") -> None:
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        self._key = ec.generate_private_key(ec.SECP256R1())
        self._name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        signs = dict.fromkeys(
            ("digital_signature", "content_commitment", "key_encipherment", "data_encipherment", "key_agreement",
             "encipher_only", "decipher_only"), False
        )  # fmt: skip
        builder = (
            self._builder(self._name, self._key.public_key())
            .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
            .add_extension(x509.KeyUsage(key_cert_sign=True, crl_sign=True, **signs), critical=True)
            .add_extension(x509.SubjectKeyIdentifier.from_public_key(self._key.public_key()), critical=False)
        )
        self._certificate = builder.sign(self._key, hashes.SHA256())
        self.ca_file = folder / "ca.pem"
        self.ca_file.write_bytes(self._certificate.public_bytes(serialization.Encoding.PEM))

    def _builder(self, subject: x509.Name, public_key: Any) -> x509.CertificateBuilder:
        now = datetime.datetime.now(datetime.UTC)
        return (
            x509.CertificateBuilder()
            .subject_name(subject)
            .issuer_name(self._name)
            .public_key(public_key)
            .serial_number(x509.random_serial_number())
            .not_valid_before(now - datetime.timedelta(hours=1))
            .not_valid_after(now + datetime.timedelta(days=1))
            # Python 3.13 and newer trust no chain without it
            .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(self._key.public_key()), critical=False)
        )

    def issue(self, name: str, *addresses: str) -> tuple[Path, Path]:
        """Certificate and key file (mode 600) for `name`, with IP addresses as alternative names."""
        key = ec.generate_private_key(ec.SECP256R1())
        builder = self._builder(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)]), key.public_key())
        names: list[x509.GeneralName] = [x509.DNSName(name)]
        names += [x509.IPAddress(ipaddress.ip_address(address)) for address in addresses]
        builder = builder.add_extension(x509.SubjectAlternativeName(names), critical=False)
        certificate = builder.sign(self._key, hashes.SHA256())
        cert_file, key_file = self.folder / f"{name}.pem", self.folder / f"{name}.key"
        cert_file.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
        key_file.touch(0o600)
        key_file.write_bytes(
            key.private_bytes(
                serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
            )
        )
        return cert_file, key_file

    def server(self, *, ask_client: bool = False) -> ssl.SSLContext:
        """A server-side context for 127.0.0.1 and localhost; `ask_client` requires a certificate of this CA."""
        cert_file, key_file = self.issue("localhost", "127.0.0.1")
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(cert_file, key_file)
        if ask_client:
            context.verify_mode = ssl.CERT_REQUIRED
            context.load_verify_locations(self.ca_file)
        return context
