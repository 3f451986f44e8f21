"""Room `analysis`: the run manifest beside a table, so that a table can be made again. May import errors and wire."""

from __future__ import annotations

import datetime as dt
import hashlib
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from fhir_bladder import __version__, wire
from fhir_bladder.analysis.pseudonyms import Pseudonyms
from fhir_bladder.analysis.request import Request, TableResult


def manifest(asked: Request, result: TableResult, inputs: dict[str, str], target: Path) -> bytes:
    """Inputs with their hashes, the view and its hash, options, counts, the hash of the table."""
    view = asked.view
    return of_view(
        view.name, view.view, result, inputs, target, hide=asked.hide, included=sorted(asked.include),
    )  # fmt: skip


def of_view(
    name: str,
    view: Any,
    result: TableResult,
    inputs: dict[str, str],
    target: Path,
    *,
    hide: Pseudonyms | None,
    included: Sequence[str] = (),
) -> bytes:
    """The same for a view that is no ViewDefinition: its name, and what defines it, to be hashed."""
    listed: list[dict[str, Any]] = []
    for number, (file, digest) in enumerate(inputs.items(), 1):
        if hide is None:
            listed.append({"file": name_of(file), "sha256": digest})
        else:  # a hash of the source would let anyone who has the file find it again
            listed.append({"file": f"input {number}", "keyed_hash": hide.of("input", digest)})
    content = {
        "made_by": f"fhir-bladder {__version__}",
        "made_at": dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
        "table": name_of(target),
        "table_sha256": file_sha256(target),
        "view": name,
        "view_url": view.get("url", "") if isinstance(view, dict) else "",
        "view_sha256": hashlib.sha256(wire.dumps(view)).hexdigest(),
        "included": list(included),
        "pseudonyms": hide is not None,
        "dates_shifted": hide is not None and hide.shift,
        "inputs": listed,
        "resources": result.resources,
        "counts": result.counts,
        "rejected": result.rejected,
        "rows": result.rows,
        "columns": [column.name for column in result.columns],
    }
    return wire.dumps(content) + b"\n"


def name_of(file: str | Path) -> str:
    """The name of a file as text that every reader takes: a byte that is not UTF-8 shows as \ufffd."""
    return os.fsencode(Path(file).name).decode("utf-8", "replace")


def file_sha256(path: Path) -> str:
    """Hex SHA-256 of a file, read in pieces."""
    digest = hashlib.sha256()
    with path.open("rb") as stream:
        while data := stream.read(1 << 20):
            digest.update(data)
    return digest.hexdigest()
