"""Room `analysis`: the data dictionary that stands beside a table. May import terminology."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from typing import Any

from fhir_bladder.analysis.views import Column, CompiledView
from fhir_bladder.terminology import artefacts

_CODE = re.compile(r"code = '([a-z][a-z0-9-]*)'")
_UNIT = re.compile(r"; unit ([^;]+)")
HEADS = ("column", "type", "several", "unit", "code", "meaning", "empty_means")
_UNITS = {
    "volume": "mL", "scan-volume": "mL", "voided-volume": "mL", "earlier-void": "mL", "catheterised-volume": "mL",
    "wall-thickness": "mm", "caliper-wall-thickness": "mm", "detrusor-thickness": "mm",
    "caliper-detrusor-thickness": "mm", "length": "mm", "width": "mm", "height": "mm", "surface-area": "cm2",
    "estimated-mass": "g", "calculated-mass": "g", "voiding-efficiency": "%", "time-since-void": "min",
    "probe-frequency": "MHz",
}  # fmt: skip


def entries(view: CompiledView, columns: Sequence[Column]) -> list[tuple[str, ...]]:
    """One entry a column; of the built-in view `measurements` also one a concept."""
    paths = dict(_paths(view.view.get("select", [])))
    found: list[tuple[str, ...]] = []
    for column in columns:
        unit = _UNIT.search(column.description)
        meaning = _UNIT.sub("", column.description)
        codes = set(_CODE.findall(paths.get(column.name, "")))
        code = codes.pop() if len(codes) == 1 and "component" in paths.get(column.name, "") else ""
        empty = "not stated in the resource"
        if view.name == "measurements" and column.name == "value":
            empty = "absent (see absent_reason) or only a limit is known (see comparator, limit)"
        several = "yes" if column.collection else "no"
        found.append((column.name, column.type, several, unit.group(1).strip() if unit else "", code, meaning, empty))
    if view.name == "measurements":
        found += _concepts()
    return found


def _paths(selects: Any) -> list[tuple[str, str]]:
    found: list[tuple[str, str]] = []
    for select in selects if isinstance(selects, list) else []:
        if isinstance(select, dict):
            found += [(str(c.get("name")), str(c.get("path"))) for c in select.get("column", []) if isinstance(c, dict)]
            found += _paths(select.get("select")) + _paths(select.get("unionAll"))
    return found


def _concepts() -> list[tuple[str, ...]]:
    system = next(iter(artefacts.load("CodeSystem")), {})
    known = {c["code"]: c.get("definition") or c.get("display", "") for c in system.get("concept", [])}
    empty = "absent_reason says"
    return [
        (
            f"value where concept = {concept}",
            "decimal",
            "no",
            unit,
            concept,
            known.get(concept, ""),
            empty,
        )
        for concept, unit in _UNITS.items()
    ]


def as_csv(heads: Sequence[str], rows: Sequence[Sequence[Any]]) -> bytes:
    """A small table as CSV."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(heads)
    writer.writerows(rows)
    return out.getvalue().encode()


def as_markdown(view: CompiledView, columns: Sequence[Column]) -> str:
    """The dictionary as a Markdown table, for the docs."""
    lines = ["| column | type | unit | code | meaning |", "|---|---|---|---|---|"]
    for name, kind, _, unit, code, meaning, _ in entries(view, columns):
        lines.append(f"| `{name}` | {kind} | {unit} | {code} | {meaning.replace('|', '/')} |")
    return "\n".join(lines) + "\n"
