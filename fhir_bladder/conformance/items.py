"""Room `conformance`: the explainer on JSON keys. Belongs here: one or many, choices of types, slices, counts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fhir_bladder.conformance import contents, extended
from fhir_bladder.conformance.report import Path, Report, show
from fhir_bladder.conformance.schema import MISSING, Field, Node, Table
from fhir_bladder.conformance.slicing import undecided

if TYPE_CHECKING:
    from fhir_bladder.conformance.walk import Walk


def field(walk: Walk, item: Any, sibling: Any, found: Field, path: Path, table: Table) -> None:
    """The value of one JSON key, with the object beside it where it is a primitive."""
    node, report = found.node, walk.report
    rendered = f".{node.name}.ofType({found.type.code})" if node.choice else f".{node.name}"
    has_item = item is not None or sibling is None
    place = path.down(found.key if has_item else "_" + found.key, rendered)
    if item is None and sibling is None:
        report.add("json-null", place, "null", expected="a value", hint="leave the element out", node=node)
        return
    if not node.many:
        if isinstance(item, list) or isinstance(sibling, list):
            what = item if isinstance(item, list) else sibling
            report.add(
                "json-array", place, "an array", expected="one value, no array", found=show(what), node=node,
                hint="remove the brackets" if len(what) == 1 else "",
            )  # fmt: skip
            return
        if node.max == 0:
            report.add(
                "cardinality-max", place, f"{node.name} is not allowed here", expected="none", found="1", node=node
            )
            return
        if node.choice and node.slices:
            choice(walk, item, sibling, found, place)
            return
        contents.value(walk, item, sibling, node, found.type, place)
        return
    many(walk, item, sibling, found, place, table)


def choice(walk: Walk, item: Any, sibling: Any, found: Field, place: Path) -> None:
    """A value of a choice that is sliced by type."""
    report = walk.report
    matched = [(n, p) for n, p, m in walk.explainer.pieces(found.node) if m(item, found.type.code)]
    for name, piece in found.node.slices:
        if piece.min and name not in [n for n, _ in matched]:
            report.add(
                "slice-min",
                place,
                f"{found.node.name}[x] is not {name}",
                expected=name,
                found=found.key,
                node=piece,
            )
    if not matched and found.node.rules == "closed":
        report.add("slice-closed", place, f"{found.key} fits no slice", expected="one of the slices", node=found.node)
    piece = matched[0][1] if matched else found.node
    ref = next((t for t in piece.types if t.code == found.type.code), found.type)
    contents.value(walk, item, sibling, piece, ref, place)


def many(walk: Walk, item: Any, sibling: Any, found: Field, place: Path, table: Table) -> None:
    """An array: form, number, the slice of each item, the number in each slice."""
    node, report, helper = found.node, walk.report, walk.explainer.helper
    for part in (item, sibling):
        if part is not None and not isinstance(part, list):
            report.add(
                "json-no-array", place, "not an array", expected="an array", found=show(part), node=node,
                hint="put it in brackets",
            )  # fmt: skip
            return
    items: list[Any] = item if item is not None else [None] * len(sibling)
    siblings: list[Any] | None = sibling
    if not items:
        report.add("json-empty", place, "empty array", expected="at least one item", hint="leave it out", node=node)
        return
    if siblings is not None and item is not None and len(siblings) != len(items):
        report.add(
            "json-sibling-length", place, f"_{found.key} has {len(siblings)} items", expected=f"{len(items)} items",
            found=str(len(siblings)), hint="fill the gaps with null", node=node,
        )  # fmt: skip
        siblings = siblings[: len(items)] + [None] * (len(items) - len(siblings))
    count(node, len(items), place, report)
    pieces = walk.explainer.pieces(node) if node.slices or node.rules == "closed" else None
    for name, url in undecided(walk.schema, node) if node.slices else ():
        report.add(
            "slice-undecided", place, f"slice {name} is not checked: value set {url} cannot be listed here",
            severity="warning", hint="give a package with its expansion or its code systems", node=node,
        )  # fmt: skip
    counts: dict[str, int] = {}
    last = -1
    for number, part in enumerate(items):
        spot = place.at(number)
        beside = siblings[number] if siblings is not None else None
        if part is None and beside is None:
            report.add("json-null", spot, "null in an array", expected="a value", node=node)
            continue
        target = node
        if pieces is not None:
            known = helper.slice_of(part, table, found) if helper is not None else None
            position = (
                next((i for i, (_, _, m) in enumerate(pieces) if m(part, found.type.code)), -1)
                if known is None
                else known
            )
            if position >= 0:
                name, target, _ = pieces[position]
                counts[name] = counts.get(name, 0) + 1
                if node.ordered and position < last:
                    report.add("slice-order", spot, f"{name} stands after a later slice", node=target)
                last = max(last, position)
            elif node.rules == "closed":
                report.add("slice-closed", spot, f"{node.name} fits no slice", expected="one of the slices", node=node)
        ref = target.types[0] if target.types else found.type
        if ref.code == "Extension" and isinstance(part, dict):
            extended.extension(walk, part, target, ref, found, spot, table)
        else:
            contents.value(walk, part, beside, target, ref, spot)
    for name, piece in node.slices:
        number = counts.get(name, 0)
        if number < piece.min:
            report.add(
                "slice-min", place, f"{node.name} lacks {name}", expected=f"at least {piece.min}",
                found=str(number),
                node=piece, hint=slice_hint(piece),
            )  # fmt: skip
        if piece.max is not None and number > piece.max:
            report.add(
                "slice-max",
                place,
                f"too many {name}",
                expected=f"at most {piece.max}",
                found=str(number),
                node=piece,
            )


def count(node: Node, number: int, place: Path, report: Report) -> None:
    """The number of items against the element's bounds."""
    if number < node.min:
        report.add(
            "cardinality-min",
            place,
            f"too few {node.name}",
            expected=f"at least {node.min}",
            found=str(number),
            node=node,
        )
    if node.max is not None and number > node.max:
        report.add(
            "cardinality-max",
            place,
            f"too many {node.name}",
            expected=f"at most {node.max}",
            found=str(number),
            node=node,
        )


def slice_hint(piece: Node) -> str:
    """What an instance must carry to be counted in a slice, in words."""
    for kid in piece.kids.values():
        want = kid.pattern if kid.pattern is not MISSING else kid.fixed
        if want is not MISSING:
            return f"add one with {kid.name} {show(want)}"
    return ""
