"""Room `conformance`: cuts a StructureDefinition down to what a judge needs. Belongs here: the list of kept fields."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

STRUCTURE = (
    "resourceType", "id", "url", "version", "name", "kind", "abstract", "type", "baseDefinition", "derivation",
    "context",
)  # fmt: skip
ELEMENT = (
    "id", "path", "sliceName", "sliceIsConstraining", "min", "max", "contentReference", "slicing", "maxLength",
    "isModifier",
)  # fmt: skip
_SIMPLE = "http://hl7.org/fhirpath/"
_FHIR_TYPE = "http://hl7.org/fhir/StructureDefinition/structuredefinition-fhir-type"
_REGEX = "http://hl7.org/fhir/StructureDefinition/regex"


def slim_structure(structure: Mapping[str, Any]) -> dict[str, Any]:
    """The structure with a slim snapshot; `short`, definitions, mappings, examples and texts are left out."""
    result = {key: structure[key] for key in STRUCTURE if key in structure}
    result["snapshot"] = {"element": [slim_element(e) for e in structure["snapshot"]["element"]]}
    return result


def slim_element(element: Mapping[str, Any]) -> dict[str, Any]:
    """One ElementDefinition, computable fields only."""
    result: dict[str, Any] = {"id": element.get("id", element["path"])}
    for key in ELEMENT:
        if key in element and key != "id" and not (key == "isModifier" and not element[key]):
            result[key] = element[key]
    for key, value in element.items():
        if key.startswith(("fixed", "pattern", "minValue", "maxValue", "_fixed", "_pattern")):
            result[key] = value
    if "base" in element:
        result["base"] = element["base"]
    if "type" in element:
        result["type"] = [_slim_type(t) for t in element["type"]]
    if "constraint" in element:
        result["constraint"] = [
            {k: c[k] for k in ("key", "severity", "human", "expression", "source") if k in c}
            for c in element["constraint"]
        ]
    binding = element.get("binding")
    if binding:
        result["binding"] = {k: binding[k] for k in ("strength", "valueSet") if k in binding}
    return result


def _slim_type(item: Mapping[str, Any]) -> dict[str, Any]:
    result = {k: item[k] for k in ("code", "profile", "targetProfile") if k in item}
    if result.get("code", "").startswith(_SIMPLE):
        for extension in item.get("extension", ()):
            if extension["url"] == _FHIR_TYPE:
                result["code"] = extension.get("valueUrl", extension.get("valueUri"))
                break
        else:
            result["code"] = "string"
    return result
