"""Room `conformance`: the project's artefacts as a FHIR NPM package, their proof and their snapshots."""

from __future__ import annotations

import gzip
import io
import json
import tarfile
from collections.abc import Iterable, Mapping
from typing import Any

from fhir_bladder.conformance.catalogue import Catalogue
from fhir_bladder.conformance.schema import Node, Schema
from fhir_bladder.conformance.slicing import matchers
from fhir_bladder.conformance.validator import Validator
from fhir_bladder.errors import BladderError, Finding, UnsupportedError

_EPOCH = 1_577_836_800  # 2020-01-01, so that the same artefacts give the same bytes
_INDEXED = ("id", "url", "version", "kind", "type", "resourceType")


def pack(
    artefacts: Iterable[Mapping[str, Any]], *, name: str, version: str, canonical: str, description: str = "",
    snapshots: bool = True,
) -> bytes:  # fmt: skip
    """The artefacts as the bytes of a FHIR NPM package (.tgz); snapshots are added to profiles unless told not to.

    Source: FHIR NPM package specification (`package/package.json`, `.index.json`).
    """
    found = list(artefacts)
    catalogue = Catalogue(found)
    files: dict[str, bytes] = {}
    index = []
    for resource in sorted(found, key=lambda r: (str(r.get("resourceType")), str(r.get("id")))):
        content: Mapping[str, Any] = resource
        if snapshots and resource.get("resourceType") == "StructureDefinition" and "snapshot" not in resource:
            made = catalogue.structure(resource["url"])
            if made is not None:
                content = {**resource, "snapshot": made["snapshot"]}
        file = f"{resource['resourceType']}-{resource['id']}.json"
        files[f"package/{file}"] = json.dumps(content, ensure_ascii=False, indent=1).encode()
        index.append({"filename": file, **{k: resource[k] for k in _INDEXED if k in resource}})
    files["package/package.json"] = json.dumps(
        {
            "name": name,
            "version": version,
            "type": "IG",
            "canonical": canonical,
            "description": description or name,
            "fhirVersions": ["4.0.1"],
            "dependencies": {"hl7.fhir.r4.core": "4.0.1"},
            "license": "Apache-2.0",
        },
        indent=1,
    ).encode()
    files["package/.index.json"] = json.dumps({"index-version": 1, "files": index}, indent=1).encode()
    plain = io.BytesIO()
    with tarfile.open(fileobj=plain, mode="w", format=tarfile.PAX_FORMAT) as archive:
        for path in sorted(files, key=lambda p: (p != "package/package.json", p)):
            info = tarfile.TarInfo(path)
            info.size, info.mtime, info.mode = len(files[path]), _EPOCH, 0o644
            archive.addfile(info, io.BytesIO(files[path]))
    return gzip.compress(plain.getvalue(), 9, mtime=_EPOCH)


def snapshot_of(url: str, artefacts: Iterable[Mapping[str, Any]] | None = None) -> dict[str, Any]:
    """The StructureDefinition `url` with its snapshot; by default among the project's own."""
    from fhir_bladder.conformance.packages import local_artefacts

    found = Catalogue(local_artefacts() if artefacts is None else artefacts).structure(url)
    if found is None:
        raise UnsupportedError(f"profile {url} is not known", "", "see `profiles list`")
    return dict(found)


def check_artefacts(artefacts: Iterable[Mapping[str, Any]] | None = None) -> list[Finding]:
    """Prove artefacts: each is valid R4, its snapshot can be made, every slice, binding and invariant can be judged."""
    from fhir_bladder.conformance.packages import local_artefacts

    found = list(local_artefacts() if artefacts is None else artefacts)
    validator = Validator(local=False, artefacts=found)
    result: list[Finding] = []
    for resource in found:
        name = f"{resource.get('resourceType')}/{resource.get('id')}"
        result += [f for f in validator.validate(dict(resource)) if f.severity in ("fatal", "error")]
        if resource.get("resourceType") == "StructureDefinition":
            result += _provable(validator.schema, validator, resource, name)
    return result


def _provable(schema: Schema, validator: Validator, resource: Mapping[str, Any], name: str) -> list[Finding]:
    url = str(resource.get("url"))
    try:
        tree = schema.tree(url)
    except BladderError as error:
        return [
            Finding("profile-unsupported", "error", error.what, found=error.where, hint=error.remedy, resource=name)
        ]
    assert tree is not None
    result: list[Finding] = []
    seen: set[int] = set()
    stack: list[Node] = [tree]
    while stack:
        node = stack.pop()
        if id(node) in seen:
            continue
        seen.add(id(node))
        stack += [*node.kids.values(), *(piece for _, piece in node.slices)]
        try:
            if node.slices:
                matchers(schema, node)
            for constraint in node.constraints:
                kind = node.types[0].code if node.types else node.path
                validator.explainer.rule(constraint, schema.table(node, kind).focus)
        except BladderError as error:
            result.append(
                Finding(
                    "profile-unsupported",
                    "error",
                    error.what,
                    found=error.where,
                    hint=error.remedy,
                    resource=name,
                    element=node.ident,
                )
            )
        if node.binding is not None and node.binding.value_set is None:
            result.append(
                Finding(
                    "binding-unknown",
                    "warning",
                    f"value set {node.binding.url} is not known",
                    resource=name,
                    element=node.ident,
                )
            )
    return result
