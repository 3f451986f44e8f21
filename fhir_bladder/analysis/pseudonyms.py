"""Room `analysis`: resources without what tells who it is. May import errors, terminology and mapping.

Identifiers of patient, exam, order, visit, device, operator and resources become keyed hashes (HMAC-SHA-256), the same
for the same secret, so that later exports join; without the secret they cannot be turned back or tried out. What is
not known to be safe is dropped: names, notes, narrative, free text, source hashes. Dates are moved by a number of days
that is fixed for each patient, or kept as they are.
"""

from __future__ import annotations

import base64
import datetime as dt
import hashlib
import hmac
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

from fhir_bladder.analysis.headers import exam_of
from fhir_bladder.errors import ConfigError
from fhir_bladder.terminology import names as N
from fhir_bladder.terminology import units

MINIMUM = 32
"""Least number of bytes of a secret."""

OLDEST = 90
"""From this age on there is one band."""

_DATE = re.compile(r"(\d{4}-\d{2}-\d{2})(T.*)?\Z", re.DOTALL)
_CODES = frozenset(
    {"resourceType", "status", "code", "system", "unit", "comparator", "url", "valueCode", "versionId", "gender",
     "use", "type", "profile", "mode"}
)  # fmt: skip
_TEXTS = frozenset({"supine", "sitting", "standing", "left-lateral", "right-lateral", "unspecified"})
_DROPPED = frozenset(
    {"text", "note", "name", "telecom", "address", "contact", "photo", "birthDate", "conclusion", "presentedForm",
     "contained", "comment", "author", "authorString", "display", "source", "deceasedDateTime", "deceasedBoolean",
     "multipleBirthInteger", "multipleBirthBoolean", "communication", "maritalStatus", "signature", "entity", "link",
     "serialNumber", "udiCarrier", "distinctIdentifier", "lotNumber", "deviceName", "manufacturer", "modelNumber"}
)  # fmt: skip
_KINDS = {
    "subject": "patient", "patient": "patient", "encounter": "visit", "basedOn": "order", "performer": "operator",
    "device": "device",
}  # fmt: skip
_MOMENTS = frozenset({"issued", "lastUpdated", "start", "end", "recorded"})
_UNITS = frozenset(units.CANONICAL.values()) | {"min", "%", "g/mL", "L", "cm", "mm2", "kg", "kHz", "Hz"}


def read_secret(path: str | Path) -> bytes:
    """The secret from its file. Raises ConfigError where it is missing, short, or readable by others."""
    path = Path(path)
    try:
        mode = path.stat().st_mode
        secret = path.read_bytes().strip()
    except OSError as error:
        raise ConfigError(
            f"cannot read the secret: {(error.strerror or '').lower()}", str(path), "check the path"
        ) from None
    if mode & 0o077:
        raise ConfigError("the secret can be read by others", str(path), "run: chmod 600 on it")
    if len(secret) < MINIMUM:
        raise ConfigError(
            f"the secret has {len(secret)} bytes", str(path), f"write at least {MINIMUM}: openssl rand -hex 32"
        )
    return secret


class Pseudonyms:
    """Turns identifiers, dates and whole resources into what may leave the house."""

    def __init__(self, secret: bytes, *, shift: bool) -> None:
        if len(secret) < MINIMUM:
            raise ConfigError(f"the secret has {len(secret)} bytes", "", f"use at least {MINIMUM}")
        self.secret = secret
        self.shift = shift

    def of(self, kind: str, value: str) -> str:
        """The pseudonym of one identifier; kinds never share one."""
        digest = hmac.new(self.secret, f"{kind}\0{value}".encode(), hashlib.sha256).digest()
        return f"{kind}-{base64.b32encode(digest[:15]).decode().lower()}"

    def days(self, patient: str) -> int:
        """How many days a patient's dates are moved: 1 to 364 back or forth, never 0."""
        digest = hmac.new(self.secret, f"shift\0{patient}".encode(), hashlib.sha256).digest()
        number = int.from_bytes(digest[:8], "big") % 728 - 364
        return number + 1 if number >= 0 else number

    def moved(self, text: str, patient: str) -> str | None:
        """A date or time moved; None where it has no day to move, or belongs to no patient."""
        match = _DATE.match(text)
        if not self.shift:
            return text if match is not None else None
        if match is None or not patient:
            return None
        try:
            day = dt.date.fromisoformat(match.group(1)) + dt.timedelta(days=self.days(patient))
        except (ValueError, OverflowError):
            return None
        return day.isoformat() + (match.group(2) or "")

    def exam(self, key: str) -> str:
        """The pseudonym of an exam key; that of a measurement keeps its concept."""
        exam = exam_of(key)
        return self.of("exam", exam) + (key[len(exam) :] if key.startswith(exam) else "")

    def resource(self, resource: dict[str, Any], patient: str, key_system: str = "") -> dict[str, Any]:
        """A resource without identity. patient: the one its dates belong to, empty if none."""
        kind = str(resource.get("resourceType"))
        out: dict[str, Any] = {}
        for name, value in resource.items():
            if name == "id":
                out["id"] = self.of(kind.lower(), f"{kind}/{value}")
            elif name == "identifier":
                out["identifier"] = self._identifiers(value, kind, key_system or N.EXAM_KEY_SYSTEM)
            elif (kept := self._value(name, value, kind.lower(), patient)) is not None:
                out[name] = kept
        return out

    def _identifiers(self, value: Any, kind: str, key_system: str) -> list[dict[str, Any]]:
        out = []
        for identifier in value if isinstance(value, list) else [value]:
            if not isinstance(identifier, dict) or not isinstance(identifier.get("value"), str):
                continue
            if identifier.get("system") == key_system and kind == "Observation":
                out.append({"system": key_system, "value": self.exam(identifier["value"])})
            elif kind != "Provenance":
                out.append({"value": self._identifier(kind.lower(), identifier)})
        return out

    def _identifier(self, kind: str, identifier: dict[str, Any]) -> str:
        value = str(identifier["value"])
        if kind == "patient":
            value = f"{identifier.get('system', '')}|{value}"
        return self.of(kind, value)

    def _value(self, name: str, value: Any, kind: str, patient: str) -> Any:
        if name[0] == "_" or name in _DROPPED:
            return value if name == "text" and isinstance(value, str) and value in _TEXTS else None
        if isinstance(value, list):
            kept = [v for item in value if (v := self._value(name, item, kind, patient)) is not None]
            return kept or None
        if isinstance(value, dict):
            return self._object(name, value, kind, patient)
        if isinstance(value, str):
            return self._string(name, value, patient)
        return value

    def _object(self, name: str, value: dict[str, Any], kind: str, patient: str) -> dict[str, Any] | None:
        kind = _KINDS.get(name, kind)
        if name in ("extension", "modifierExtension"):
            return self._extension(value, kind, patient)
        out: dict[str, Any] = {}
        for key, item in value.items():
            if key == "identifier" and isinstance(item, dict):
                if isinstance(item.get("value"), str):
                    hidden = self.exam(item["value"]) if name == "hasMember" else self._identifier(kind, item)
                    out[key] = {"value": hidden}
            elif key == "reference" and isinstance(item, str):
                out[key] = self._reference(item)
            elif key == "text" and isinstance(item, str) and item in _TEXTS:
                out[key] = item
            elif (kept := self._value(key, item, kind, patient)) is not None:
                out[key] = kept
        return out or None

    def _extension(self, value: dict[str, Any], kind: str, patient: str) -> dict[str, Any] | None:
        url = value.get("url")
        if url in _EXTENSIONS:
            return _EXTENSIONS[url](self, value)
        if url in (N.AS_RECEIVED, N.REASON) or (self.shift and url == N.CALIBRATED_ON):
            return None
        return self._plain(value, kind, patient)

    def _plain(self, value: dict[str, Any], kind: str, patient: str) -> dict[str, Any]:
        return {k: kept for k, item in value.items() if (kept := self._value(k, item, kind, patient)) is not None}

    def _reference(self, text: str) -> str:
        parts = text.split("/_history")[0].rsplit("/", 2)
        if len(parts) >= 2 and parts[-2].isalpha():
            return f"{parts[-2]}/{self.of(parts[-2].lower(), f'{parts[-2]}/{parts[-1]}')}"
        return self.of("reference", text)

    def _string(self, name: str, value: str, patient: str) -> str | None:
        if name == "unit":
            return value if value in _UNITS else None
        if name == "lastUpdated" and self.shift:
            return (
                None  # as a calibration: one date that many patients share would show their shifts against each other
            )
        if name in _CODES:
            return value if len(value) <= 200 and not value.startswith("urn:") else None
        if name.endswith(("DateTime", "Date", "Instant")) or name in (
            "issued",
            "lastUpdated",
            "start",
            "end",
            "recorded",
        ):
            return self.moved(value, patient)
        return None

    def location(self, extension: dict[str, Any]) -> dict[str, Any] | None:
        """The ward as a pseudonym, so that it can still be grouped by."""
        reference = extension.get("valueReference")
        display = reference.get("display") if isinstance(reference, dict) else None
        if not isinstance(display, str):
            return None
        return {"url": N.LOCATION, "valueReference": {"display": self.of("location", display)}}

    def episode(self, extension: dict[str, Any]) -> dict[str, Any] | None:
        """The episode as a pseudonym."""
        return self._linked(extension, lambda text: self.of("episode", text))

    def replaced(self, extension: dict[str, Any]) -> dict[str, Any] | None:
        """The superseded exam as a pseudonym."""
        return self._linked(extension, self.exam)

    def _linked(self, extension: dict[str, Any], hide: Callable[[str], str]) -> dict[str, Any] | None:
        reference = extension.get("valueReference")
        identifier = reference.get("identifier") if isinstance(reference, dict) else None
        value = identifier.get("value") if isinstance(identifier, dict) else None
        if not isinstance(value, str):
            return None
        return {"url": extension["url"], "valueReference": {"identifier": {"value": hide(value)}}}

    def person(self, extension: dict[str, Any]) -> dict[str, Any] | None:
        """The verifier as a pseudonym."""
        value = extension.get("valueString")
        return {"url": extension["url"], "valueString": self.of("person", value)} if isinstance(value, str) else None

    def kept(self, extension: dict[str, Any]) -> dict[str, Any] | None:
        """A version text, kept if it looks like one."""
        value = extension.get("valueString")
        good = isinstance(value, str) and re.fullmatch(r"[0-9A-Za-z.+-]{1,20}", value)
        return {"url": extension["url"], "valueString": value} if good else None


_EXTENSIONS: dict[Any, Callable[[Pseudonyms, dict[str, Any]], dict[str, Any] | None]] = {
    N.LOCATION: Pseudonyms.location,
    N.EPISODE: Pseudonyms.episode,
    N.REPLACES: Pseudonyms.replaced,
    N.VERIFIED_BY: Pseudonyms.person,
    N.SOFTWARE_VERSION: Pseudonyms.kept,
}
