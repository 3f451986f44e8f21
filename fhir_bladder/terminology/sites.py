"""Room `terminology`: the site's code table, `--codes CODES.toml`. May import errors.

A site adds codings from its licensed release to a concept, or switches a doubtful one on. Codings are added after
the local one; nothing is replaced. Each row names who confirmed it.
"""

from __future__ import annotations

import hashlib
import re
import tomllib
from collections.abc import Mapping as MappingType
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fhir_bladder.errors import ConfigError
from fhir_bladder.terminology.codes import concepts, mappings, post_void_codes
from fhir_bladder.terminology.names import DICOM, LOCAL, LOINC, SNOMED

CONDITIONS: dict[str, tuple[str | bool, ...]] = {
    "void_state": ("pre-void", "post-void", "unspecified"),
    "void_attempt": ("voided", "unable", "not-attempted", "unknown"),
    "void_measured": (True, False),
    "layer": ("whole-wall", "detrusor", "unknown"),
    "choice_rule": ("operator", "last", "largest", "median", "mean"),
    "three_diameters": (True, False),
}
"""What `when` may name, and the values each can have."""

_KEYS = {"concept", "when", "system", "code", "display", "confirmed_by"}
_URI = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*:\S+\Z", re.ASCII)
_CODE = re.compile(r"\S+( \S+)*\Z")


@dataclass(frozen=True, slots=True)
class SiteCode:
    """One row: the coding a site adds to a concept where every condition of `when` holds."""

    concept: str
    system: str
    code: str
    display: str
    confirmed_by: str
    when: tuple[tuple[str, str | bool], ...] = ()

    @property
    def coding(self) -> dict[str, str]:
        """The FHIR coding, `display` only where the table gives one."""
        coding = {"system": self.system, "code": self.code}
        return coding | {"display": self.display} if self.display else coding

    def holds(self, facts: MappingType[str, Any]) -> bool:
        """Whether every condition holds for these facts (the names of CONDITIONS)."""
        return all(facts.get(name) == value for name, value in self.when)


@dataclass(frozen=True, slots=True)
class SiteCodes:
    """A site's table; `sha256` of the file it came from, empty where there is none."""

    rows: tuple[SiteCode, ...] = ()
    sha256: str = ""


NO_SITE = SiteCodes()


def read(path: str | Path) -> SiteCodes:
    """Read a table. Raises ConfigError naming the row, what is wrong with it and what to write."""
    place = str(path)
    try:
        data = Path(path).read_bytes()
        table = tomllib.loads(data.decode("utf-8-sig"))
    except OSError as error:
        raise ConfigError(f"cannot be read: {error.strerror}", place, "name a readable file") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ConfigError(f"not TOML: {error}", place, "write [[code]] tables") from None
    return SiteCodes(parse(table, place), hashlib.sha256(data).hexdigest())


def parse(table: MappingType[str, Any], place: str = "code table") -> tuple[SiteCode, ...]:
    """The rows of a parsed table, checked."""
    if unknown := set(table) - {"code"}:
        raise ConfigError(f"table {sorted(unknown)[0]!r} is not known", place, "write [[code]] tables only")
    rows = table.get("code", [])
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise ConfigError("'code' is not a list of tables", place, "write [[code]] with two brackets")
    result = [_row(row, f"{place}, code {number}") for number, row in enumerate(rows, 1)]
    seen: set[tuple[Any, ...]] = set()
    for number, row in enumerate(result, 1):
        what = (row.concept, row.system, row.code, row.when)
        if what in seen:
            raise ConfigError(f"code {row.code} of {row.concept} stands twice", f"{place}, code {number}", "remove one")
        seen.add(what)
    return tuple(result)


def _row(row: dict[str, Any], place: str) -> SiteCode:
    if unknown := set(row) - _KEYS:
        raise ConfigError(f"{sorted(unknown)[0]!r} is not known", place, f"known are {', '.join(sorted(_KEYS))}")
    texts = {}
    for name in ("concept", "system", "code", "confirmed_by"):
        value = row.get(name)
        if not isinstance(value, str) or not value.strip():
            raise ConfigError(f"{name} is missing", place, _REMEDIES[name])
        texts[name] = value
    display = row.get("display", "")
    if not isinstance(display, str):
        raise ConfigError("display is not a text", place, "write the name as your release has it")
    concept = concepts().get(texts["concept"])
    if concept is None or concept.kind not in ("exam", "measurement", "context"):
        known = ", ".join(c.code for c in concepts().values() if c.kind in ("exam", "measurement", "context"))
        raise ConfigError(f"concept {texts['concept']!r} is not known", place, f"known are {known}")
    if not _URI.match(texts["system"]):
        raise ConfigError(f"system {texts['system']!r} is not an absolute URI", place, f"for example {LOINC}")
    if not _CODE.match(texts["code"]):
        raise ConfigError(f"code {texts['code']!r} is not a code", place, "no blanks at the ends, none doubled")
    site = SiteCode(**texts, display=display.strip(), when=_when(row.get("when", {}), place))
    _sound(site, place)
    return site


_REMEDIES = {
    "concept": "name a local code, such as volume",
    "system": f"name the code system's URI, such as {LOINC}",
    "code": "write the code as text, in quotes",
    "confirmed_by": "say who confirmed the code, and against which release",
}


def _when(when: Any, place: str) -> tuple[tuple[str, str | bool], ...]:
    if not isinstance(when, dict):
        raise ConfigError("when is not a table", place, 'write when = { void_state = "post-void" }')
    for name, value in when.items():
        if name not in CONDITIONS:
            raise ConfigError(f"condition {name!r} is not known", place, f"known are {', '.join(CONDITIONS)}")
        allowed = CONDITIONS[name]
        if not any(value == one and type(value) is type(one) for one in allowed):
            raise ConfigError(f"{name} is never {value!r}", place, f"it is one of {', '.join(map(str, allowed))}")
    return tuple(sorted(when.items()))


def _sound(row: SiteCode, place: str) -> None:
    """What no confirmation makes right: our own system, a broken check digit, a post-void code without the void."""
    if row.system == LOCAL:
        raise ConfigError("the local code system is not a site's to extend", place, "use your release's system")
    if row.system == LOINC and not _mod10(row.code):
        raise ConfigError(
            f"{row.code} is not a LOINC code: its check digit is wrong", place, "copy it from the release"
        )
    if row.system == SNOMED and not (row.code.isdecimal() and row.code.isascii() and _verhoeff(row.code)):
        raise ConfigError(f"{row.code} is not a SNOMED CT id: its check digit is wrong", place, "copy it again")
    if row.system == DICOM and not (row.code.isascii() and row.code.isdecimal()):
        raise ConfigError(f"{row.code} is not a DICOM code", place, "copy it from PS3.16")
    if (row.system, row.code) in post_void_codes() and ("void_state", "post-void") not in row.when:
        raise ConfigError(
            f"{row.code} says post-void, but is not bound to it", place, 'add when = { void_state = "post-void" }'
        )
    never = {(m.system, m.code): m.comment for m in mappings() if m.use == "never"}
    if reason := never.get((row.system, row.code)):
        raise ConfigError(f"{row.code} is never written: {reason.rstrip('.')}", place, "remove the row")
    mapped = next((m for m in mappings() if (m.concept, m.system, m.code) == (row.concept, row.system, row.code)), None)
    if mapped and mapped.condition == ("three-diameters", "true") and ("three_diameters", True) not in row.when:
        raise ConfigError(
            f"{row.code} says three diameters, but is not bound to them", place, "add when = { three_diameters = true }"
        )


def _mod10(code: str) -> bool:
    """LOINC's check digit (mod 10, LOINC Users' Guide, appendix on check digits; from memory, high certainty)."""
    match = re.fullmatch(r"(\d{1,7})-(\d)", code, re.ASCII)
    if not match:
        return False
    digits = match[1][::-1]
    odd, even = digits[0::2], digits[1::2]
    total = sum(int(digit) for digit in even + str(int(odd) * 2))
    return (-total) % 10 == int(match[2])


_D = (
    "0123456789", "1234067895", "2340178956", "3401289567", "4012395678",
    "5987604321", "6598710432", "7659821043", "8765932104", "9876543210",
)  # fmt: skip
_P = (
    "0123456789", "1576283094", "5803796142", "8916043527",
    "9453126870", "4286573901", "2793806415", "7046913258",
)  # fmt: skip


def _verhoeff(number: str) -> bool:
    """SNOMED CT's check digit (Verhoeff 1969; tables as published there, from memory, proven on known ids)."""
    check = 0
    for place, digit in enumerate(reversed(number)):
        check = int(_D[check][int(_P[place % 8][int(digit)])])
    return check == 0
