"""Room `conformance`: compiled extensions. Belongs here: which may stand where, and judging each by its definition."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from fhir_bladder.conformance.accept_names import Accept, never
from fhir_bladder.conformance.accept_slices import Slices
from fhir_bladder.conformance.bundles import absolute
from fhir_bladder.conformance.extended import misplaced
from fhir_bladder.conformance.invariants import Context
from fhir_bladder.conformance.memory import remembered
from fhir_bladder.conformance.schema import Field, Node, Table, TypeRef
from fhir_bladder.conformance.slicing import extension_url


class Extensions(Slices):
    """Functions that judge arrays of extensions."""

    def extension(self, table: Table, field: Field) -> str:
        """Name of a function (array of extensions, context) → whether each may stand there and is right."""
        node = field.node
        single: dict[tuple[str, int], Accept] = {}
        picked = self.slicer(table, field)
        if picked is None:
            return self.constant(never)
        pick = self.scope[picked[0]]
        pieces = picked[1]
        bounds = [(n, p.min, p.max) for n, (_, p) in enumerate(pieces) if p.min or p.max is not None]
        closed = node.rules == "closed"
        by_url = not pieces or self.by_url(node) is not None
        if by_url and not node.ordered and all(low <= 1 and high in (None, 1) for _, low, high in bounds):
            return self._extensions(table, field, pick, pieces, bounds, closed)

        def judge(items: list[Any], context: Context) -> int:
            context.enter()
            counts: dict[int, int] = {}
            last = -1
            for item in items:
                url = item["url"]
                number = pick(item)
                if number < 0 and closed:
                    return 0
                if number >= 0:
                    counts[number] = counts.get(number, 0) + 1
                    if node.ordered and number < last:
                        return 0
                    last = max(last, number)
                accept = single.get((url, number))
                if accept is None:
                    accept = self.one_extension(table, field, url, pieces[number][1] if number >= 0 else node)
                    if len(single) < 1000:
                        single[url, number] = accept
                if not accept(item, context):
                    return 0
            for number, low, high in bounds:
                count = counts.get(number, 0)
                if count < low or (high is not None and count > high):
                    return 0
            context.depth -= 1
            return 1

        return self.constant(judge)

    def _extensions(
        self, table: Table, field: Field, pick: Callable[[Any], int], pieces: list[tuple[str, Node]],
        bounds: list[tuple[int, int, int | None]], closed: bool,
    ) -> str:  # fmt: skip
        """The usual case of `extension`: the url alone tells the slice, and a slice is there once, or at least once."""
        known: dict[str, tuple[Accept, int]] = {}
        marks = {number: 1 << at for at, (number, _, _) in enumerate(bounds)}
        need = sum(marks[number] for number, low, _ in bounds if low)
        once = sum(marks[number] for number, _, high in bounds if high)

        def enter(item: dict[str, Any], url: str) -> tuple[Accept, int]:
            number = pick(item)
            if number < 0 and closed:
                return never, 0
            accept = self.one_extension(table, field, url, pieces[number][1] if number >= 0 else field.node)
            if "extension" in item:
                accept = remembered(accept)
            entry = accept, marks.get(number, 0)
            if len(known) < 1000:
                known[url] = entry
            return entry

        def judge(items: list[Any], context: Context) -> int:
            context.enter()
            seen = 0
            for item in items:
                url = item["url"]
                entry = known.get(url)
                if entry is None:
                    entry = enter(item, url)
                accept, mark = entry
                if mark:
                    if mark & seen & once:
                        return 0
                    seen |= mark
                if not accept(item, context):
                    return 0
            context.depth -= 1
            return 1 if seen & need == need else 0

        return self.constant(judge if table.type == "Extension" else remembered(judge))

    def one_extension(self, table: Table, field: Field, url: str, node: Node) -> Accept:
        """The function for extensions of one url at one place."""
        if not isinstance(url, str) or node.max == 0:
            return never
        steps: list[Accept] = []
        part = node is not field.node and bool(node.kids)
        ref = node.types[0] if node.types else TypeRef("Extension")
        if part:
            steps.append(self.now(self.schema.table(node, "Extension")))
        if not (part and not ref.profiles and extension_url(self.schema, node) == url):
            for profile in ref.profiles or (url,):
                tree = self.schema.tree(profile) if absolute(url) else None
                if tree is None or tree.path != "Extension":
                    return never
                if (field.node.name == "modifierExtension") != tree.modifier:
                    return never
                if misplaced(self.schema, url, table):
                    return never
                steps.append(self.now(self.schema.table(tree, "Extension")))
        if len(steps) == 1:
            return steps[0]
        return lambda value, context: int(all(step(value, context) for step in steps))
