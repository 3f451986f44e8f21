"""Room `conformance`: the R4 4.0.1 definitions that travel with the package, read lazily from `r4.zip`.

Made by `build.py` beside this file from named public packages. Belongs here: reading them, nothing else.
"""

from __future__ import annotations

import json
import zipfile
from functools import lru_cache
from pathlib import Path
from typing import Any

from fhir_bladder.conformance.codes import CodeSystem

BASE = "http://hl7.org/fhir/StructureDefinition/"
VERSION = "4.0.1"
PATH = Path(__file__).parent / "r4.zip"


class Definitions:
    """StructureDefinitions (slim, with snapshot), expanded value sets and code systems of R4, by canonical URL."""

    def __init__(self, path: Path = PATH) -> None:
        self._zip = zipfile.ZipFile(path)
        self.index: dict[str, Any] = self._read("index.json")
        self._structures: dict[str, dict[str, Any]] = {}
        self._systems: dict[str, CodeSystem | None] = {}
        self._value_sets: dict[str, Any] | None = None

    def _read(self, name: str) -> Any:
        return json.loads(self._zip.read(name))

    def structure(self, url: str) -> dict[str, Any] | None:
        """The StructureDefinition with this canonical URL (no version), or None."""
        found = self._structures.get(url)
        if found is None and (entry := self.index["structures"].get(url)) is not None:
            found = self._structures[url] = self._read(entry[0])
        return found

    def kind(self, type_name: str) -> str:
        """`resource`, `complex-type`, `primitive-type`, `logical`, or empty where R4 has no such type."""
        entry = self.index["structures"].get(BASE + type_name)
        return entry[1] if entry is not None and entry[2] == type_name else ""

    def resource_types(self) -> list[str]:
        """Names of the R4 resource types that can stand in an instance."""
        return sorted(
            entry[2]
            for url, entry in self.index["structures"].items()
            if entry[1] == "resource" and not entry[3] and url == BASE + entry[2]
        )

    def value_set(self, url: str) -> dict[str, Any] | None:
        """The expanded set as stored: `codes` by system, `whole` systems, `open`."""
        if self._value_sets is None:
            self._value_sets = self._read("valuesets.json")
        return self._value_sets.get(url)

    def system(self, url: str) -> CodeSystem | None:
        """The code system with its codes, or None."""
        if url not in self._systems:
            name = self.index["systems"].get(url)
            data = None if name is None else self._read(name)
            self._systems[url] = (
                None
                if data is None
                else CodeSystem(url, frozenset(data["codes"]), data["complete"], data["caseSensitive"])
            )
        return self._systems[url]

    def units(self) -> dict[str, list[str]]:
        """UCUM `atoms`, those that are `metric`, and `prefixes`."""
        result: dict[str, list[str]] = self._read("units.json")
        return result


@lru_cache(maxsize=1)
def definitions() -> Definitions:
    """The shipped definitions, opened once."""
    return Definitions()
