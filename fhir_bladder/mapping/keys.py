"""Room `mapping`: the exam key, its parts, and the ids derived from it. Imports errors only.

An exam is known by `serial/exam-number`, each part percent-encoded to `[A-Za-z0-9._~-]`, so that no search needs an
escape. A revision part `/r1`, `/r2` … follows only where a subject was corrected; a measurement of the single shape
adds its concept, and a number where the concept repeats.
"""

from __future__ import annotations

import hashlib
import re
from functools import lru_cache
from typing import NamedTuple
from urllib.parse import quote, unquote

from fhir_bladder.errors import RecordError

_PLAIN = re.compile(r"[A-Za-z0-9._~-]+\Z", re.ASCII)
_KEY = re.compile(
    r"(?P<serial>(?:[A-Za-z0-9._~-]|%[0-9A-F]{2})+)/(?P<number>(?:[A-Za-z0-9._~-]|%[0-9A-F]{2})+)"
    r"(?:/r(?P<revision>[1-9][0-9]*))?(?:/(?P<concept>[a-z]+(?:-[a-z]+)*)(?:/(?P<position>[1-9][0-9]*))?)?\Z",
    re.ASCII,
)
_KEY_LIKE = re.compile(r"[A-Za-z0-9._~%/-]+\Z", re.ASCII)
_URL = bytes.fromhex("6ba7b8119dad11d180b400c04fd430c8")  # RFC 4122 appendix C, name space of URLs


class ExamKey(NamedTuple):
    """A key taken apart. revision 0: none. concept: of a measurement of the single shape; position where it repeats."""

    serial: str
    number: str
    revision: int = 0
    concept: str = ""
    position: int = 0

    @property
    def exam(self) -> str:
        """The key of the exam itself, without concept and position."""
        return exam_key(self.serial, self.number, self.revision)


def encode(part: str) -> str:
    """One part, percent-encoded (UTF-8) to `[A-Za-z0-9._~-]` and `%`."""
    return part if _PLAIN.match(part) else quote(part, safe="")


def exam_key(serial: str, number: str, revision: int = 0) -> str:
    """The key of an exam, `serial/exam-number`, with `/r<revision>` where a subject was corrected."""
    key = f"{encode(serial)}/{encode(number)}"
    return f"{key}/r{revision}" if revision else key


def split_key(value: str) -> tuple[str, str]:
    """Serial and exam number of a key of either shape. Raises RecordError for what is no key."""
    return parse_key(value)[:2]


def parse_key(value: str) -> ExamKey:
    """A key taken apart. Raises RecordError for what is no key."""
    match = _KEY.match(value)
    if match is None:
        raise RecordError(
            f"{value[:60]!r} is not an exam key", "Observation.identifier", "expected serial/exam-number, encoded"
        )
    try:
        serial, number = unquote(match["serial"], errors="strict"), unquote(match["number"], errors="strict")
    except UnicodeDecodeError:
        raise RecordError(f"{value[:60]!r} is not an exam key", "Observation.identifier", "not UTF-8") from None
    return ExamKey(
        serial, number, int(match["revision"] or 0), match["concept"] or "", int(match["position"] or 0)
    )  # fmt: skip


def is_key(value: str) -> bool:
    """Whether a text has the form of a key."""
    return _KEY.match(value) is not None


def uuid_of(name: str) -> str:
    """The version 5 UUID of a name in the name space of URLs, as text (RFC 4122, 4.3); equals uuid.uuid5."""
    digest = hashlib.sha1(_URL + name.encode(), usedforsecurity=False).hexdigest()
    variant = "89ab"[int(digest[16], 16) & 3]
    return f"{digest[:8]}-{digest[8:12]}-5{digest[13:16]}-{variant}{digest[17:20]}-{digest[20:32]}"


def token(system: str, value: str) -> str:
    """A search by identifier, `identifier=system|value`: FHIR's escapes (R4 search 3.1.1.4), then percent-encoding."""
    return f"identifier={_quoted(system)}%7C{_encoded(value)}"


def _encoded(value: str) -> str:
    if _KEY_LIKE.match(value):
        return value.replace("%", "%25").replace("/", "%2F")
    return quote(_escape(value), safe="")


@lru_cache(maxsize=256)
def _quoted(system: str) -> str:
    return quote(_escape(system), safe="")


def _escape(text: str) -> str:
    return re.sub(r"([\\,$|])", r"\\\1", text)
