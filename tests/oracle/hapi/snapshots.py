"""Snapshots by HAPI's generator and by ours, set side by side. Belongs here: what counts as equal.

Equal: the same element ids in the same order, and every field a judge needs. Spelling that means the same is
levelled: a contentReference with or without its definition's URL, a slicing's description, the type of a resource's id
(`id`, or `string` in older definitions), the key `source` of an invariant, and dom-3, whose words differ between the
copies of R4.
"""

from __future__ import annotations

import json
import subprocess
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

from judge import command

from fhir_bladder.conformance.slim import slim_element


def hapi_snapshots(folders: Iterable[Path]) -> Iterator[dict[str, Any]]:
    """Every StructureDefinition of the folders with HAPI's snapshot, or `url` and `error`."""
    out = subprocess.run(command(folders, "snapshots"), stdout=subprocess.PIPE, check=True).stdout
    yield from map(json.loads, out.splitlines())


def levelled(element: Mapping[str, Any]) -> dict[str, Any]:
    """An element with what only spelling tells apart taken out."""
    made = slim_element(element)
    if "contentReference" in made:
        made["contentReference"] = "#" + made["contentReference"].rpartition("#")[2]
    if "slicing" in made:
        made["slicing"] = {k: v for k, v in made["slicing"].items() if k not in ("description", "id")}
        made["slicing"].setdefault("ordered", False)
    if made["id"].count(".") == 1 and made["id"].endswith(".id"):
        made["type"] = ["id"]
    if "constraint" in made:
        made["constraint"] = sorted(
            (c["key"], c["severity"], c["human"], "" if c["key"] == "dom-3" else c.get("expression", ""))
            for c in made["constraint"]
        )
    return made


def differences(theirs: Mapping[str, Any], ours: Mapping[str, Any]) -> Iterator[str]:
    """One line for each element that is not the same."""
    left = {e["id"]: levelled(e) for e in theirs["snapshot"]["element"]}
    right = {e["id"]: levelled(e) for e in ours["snapshot"]["element"]}
    for ident in left.keys() - right.keys():
        yield f"{ident}: only HAPI"
    for ident in right.keys() - left.keys():
        yield f"{ident}: only ours"
    if left.keys() == right.keys() and list(left) != list(right):
        yield "another order"
    for ident in left.keys() & right.keys():
        for key in sorted(left[ident].keys() | right[ident].keys()):
            if left[ident].get(key) != right[ident].get(key):
                yield f"{ident} {key}: HAPI {left[ident].get(key)}, ours {right[ident].get(key)}"
