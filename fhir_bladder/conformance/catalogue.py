"""Room `conformance`: every artefact that can be referred to, by canonical URL: R4, packages, the local profiles.

Belongs here: lookup with versions, snapshots made when first asked for, expanded value sets. No judging.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from fhir_bladder.conformance.codes import CodeSystem, Expander, ValueSet, code_system
from fhir_bladder.conformance.definitions import BASE, VERSION, Definitions, definitions
from fhir_bladder.conformance.slim import slim_structure
from fhir_bladder.conformance.snapshot import generate
from fhir_bladder.conformance.ucum import Units
from fhir_bladder.errors import UnsupportedError


@contextmanager
def whole(canonical: str) -> Iterator[None]:
    """Name the artefact whose parts are not what R4 says they are, instead of failing on them."""
    try:
        yield
    except (TypeError, KeyError, AttributeError, ValueError, IndexError) as error:
        raise UnsupportedError(
            f"artefact is malformed ({type(error).__name__}: {error})"[:200], canonical, "validate it, then correct it"
        ) from error


class Catalogue:
    """Artefacts by canonical URL. `artefacts` are StructureDefinitions, ValueSets and CodeSystems beside R4's own."""

    def __init__(self, artefacts: Iterable[Mapping[str, Any]] = (), base: Definitions | None = None) -> None:
        self.base = base or definitions()
        self.own: dict[str, dict[str, dict[str, Mapping[str, Any]]]] = {
            "StructureDefinition": {},
            "ValueSet": {},
            "CodeSystem": {},
        }
        for resource in artefacts:
            kind, url = resource.get("resourceType"), resource.get("url")
            if kind in self.own and isinstance(url, str):
                self.own[kind].setdefault(url, {})[str(resource.get("version", ""))] = resource
        self._structures: dict[str, Mapping[str, Any] | None] = {}
        self._value_sets: dict[str, ValueSet | None] = {}
        self._systems: dict[str, CodeSystem | None] = {}
        self._generated: set[str] = set()
        self._making: list[str] = []
        self._units: Units | None = None
        self._expander = Expander(self._compose, self.system, self.unit)

    def unit(self, code: str) -> bool:
        """Whether `code` is a UCUM unit."""
        if self._units is None:
            data = self.base.units()
            self._units = Units(data["atoms"], data["metric"], data["prefixes"])
        return self._units(code)

    def _own(self, kind: str, canonical: str) -> Mapping[str, Any] | None:
        url, _, version = canonical.partition("|")
        versions = self.own[kind].get(url)
        if not versions:
            return None
        if version:
            return versions.get(version) or next((r for v, r in versions.items() if _same(v, version)), None)
        return versions[max(versions, key=_order)]

    def structure(self, canonical: str) -> Mapping[str, Any] | None:
        """The StructureDefinition with its snapshot; None where nobody has it. Raises UnsupportedError."""
        if canonical in self._structures:
            return self._structures[canonical]
        found: Mapping[str, Any] | None = self._own("StructureDefinition", canonical)
        if found is None:
            url, _, version = canonical.partition("|")
            found = self.base.structure(url) if version in ("", VERSION, "4.0") else None
        elif not str(found.get("fhirVersion", "4.0.1")).startswith("4."):
            raise UnsupportedError(f"definition is for FHIR {found['fhirVersion']}", canonical, "give the one for R4")
        elif "snapshot" in found:
            with whole(canonical):
                found = slim_structure(found)
        elif "differential" not in found:
            raise UnsupportedError("definition has neither snapshot nor differential", canonical, "get it whole")
        else:
            if canonical in self._making:
                raise UnsupportedError(
                    "profiles derive from each other in a circle",
                    " → ".join([*self._making, canonical]),
                    "break the circle",
                )
            self._making.append(canonical)
            try:
                with whole(canonical):
                    found = generate(found, self.structure)
                self._generated.add(canonical)
            finally:
                self._making.pop()
        self._structures[canonical] = found
        return found

    def generated(self, canonical: str) -> bool:
        """Whether the snapshot was made here, so that it is known to be at least as strict as its base."""
        return canonical in self._generated

    def type_structure(self, name: str) -> Mapping[str, Any] | None:
        """The definition of an R4 type by its name."""
        return self.base.structure(BASE + name) if self.base.kind(name) else None

    def system(self, url: str) -> CodeSystem | None:
        """The code system, supplements left aside."""
        if url not in self._systems:
            own = self._own("CodeSystem", url)
            if own is not None and own.get("content") != "supplement" and own.get("concept"):
                with whole(url):
                    self._systems[url] = code_system(own)
            else:
                self._systems[url] = self.base.system(url.split("|")[0])
        return self._systems[url]

    def _compose(self, canonical: str) -> Mapping[str, Any] | None:
        own = self._own("ValueSet", canonical)
        if own is not None:
            return own
        url = canonical.split("|")[0]
        stored = self.base.value_set(url)
        if stored is None or stored.get("open"):
            return None
        include: list[dict[str, Any]] = [
            {"system": s, "concept": [{"code": c} for c in codes]} for s, codes in stored["codes"].items()
        ]
        include += [{"system": s} for s in stored.get("whole", ())]
        return {"url": url, "compose": {"include": include}}

    def value_set(self, canonical: str) -> ValueSet | None:
        """The expanded value set; None where nobody has it."""
        if canonical not in self._value_sets:
            self._value_sets[canonical] = self._expand(canonical)
        return self._value_sets[canonical]

    def _expand(self, canonical: str) -> ValueSet | None:
        own = self._own("ValueSet", canonical)
        if own is not None:
            with whole(canonical):
                return self._expander.expand(own)
        url = canonical.split("|")[0]
        stored = self.base.value_set(url)
        if stored is None:
            return None
        return ValueSet(
            url,
            {system: frozenset(codes) for system, codes in stored["codes"].items()},
            frozenset(stored.get("whole", ())),
            bool(stored.get("open")),
            self.system,
            self.unit,
        )

    def profiles(self, type_name: str) -> list[str]:
        """Canonical URLs of own profiles on a type (for hints)."""
        return [
            url
            for url, versions in self.own["StructureDefinition"].items()
            if any(r.get("type") == type_name for r in versions.values())
        ]


def _same(have: str, asked: str) -> bool:
    """`4.0` asks for any 4.0.x."""
    return have == asked or have.startswith(asked + ".")


def _order(version: str) -> tuple[tuple[int, str], ...]:
    return tuple((int(p), "") if p.isdigit() else (-1, p) for p in version.replace("-", ".").split("."))
