"""Room `conformance`: compiled slices. Belongs here: which slice an item is in, and judging it as that."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from fhir_bladder.conformance.accept_names import Accept
from fhir_bladder.conformance.accept_values import Values
from fhir_bladder.conformance.invariants import Context
from fhir_bladder.conformance.schema import Field, Node, Table
from fhir_bladder.conformance.slicing import extension_url, matchers, undecided
from fhir_bladder.errors import BladderError


class Slices(Values):
    """Functions that tell slices apart."""

    def slicer(self, table: Table, field: Field) -> tuple[str, list[tuple[str, Node]]] | None:
        """Name of a function item → number of its slice or -1, and the slices; None where slicing is not supported."""
        node = field.node
        if not node.slices:
            return self.constant(lambda _: -1), []
        try:
            made = matchers(self.schema, node)
            if undecided(self.schema, node):
                return None
        except BladderError:
            return None
        quick = self._pick_by_code(node) or self.by_url(node)
        code = field.type.code
        if quick is None:

            def quick(item: Any) -> int:
                for number, (_, _, match) in enumerate(made):
                    if match(item, code):
                        return number
                return -1

        return self.constant(quick), node.slices

    def by_code(self, node: Node) -> str:
        """Name of the look-up (system, code) → number, for slices told apart by one coding each; empty for others."""
        key = (id(node), "codes")
        name = self._names.get(key)
        if name is None:
            table = self._codes(node)
            name = self._names[key] = "" if table is None else self.constant(table)
            self._keep.append(node)
        return name

    def picked(self, table: Table, field: Field) -> bool:
        """Whether the table is a slice's and the pattern of this field is what told the slice."""
        return field.key == "code" and id(table.node) in self._picked

    def _codes(self, node: Node) -> dict[tuple[str, str], int] | None:
        if node.discriminators not in ((("pattern", "code"),), (("value", "code"),)):
            return None
        table: dict[tuple[str, str], int] = {}
        for number, (_, piece) in enumerate(node.slices):
            kid = piece.kids.get("code")
            pattern = kid.pattern if kid is not None else None
            if not isinstance(pattern, dict) or set(pattern) != {"coding"} or len(pattern["coding"]) != 1:
                return None
            coding = pattern["coding"][0]
            if set(coding) != {"system", "code"}:
                return None
            table.setdefault((coding["system"], coding["code"]), number)
        self._picked.update(id(piece) for _, piece in node.slices)
        return table

    def _pick_by_code(self, node: Node) -> Callable[[Any], int] | None:
        name = self.by_code(node)
        if not name:
            return None
        table: dict[tuple[Any, Any], int] = self.scope[name]
        size = len(node.slices)

        def pick(item: Any) -> int:
            found = item["code"].get("coding", ())
            if len(found) == 1:
                only = found[0]
                return table.get((only.get("system"), only.get("code")), -1)
            best = size
            for coding in found:
                number = table.get((coding.get("system"), coding.get("code")), size)
                if number < best:
                    best = number
            return best if best < size else -1

        return pick

    def by_url(self, node: Node) -> Callable[[Any], int] | None:
        """The slices of extensions, told apart by their url."""
        if node.discriminators != (("value", "url"),):
            return None
        table: dict[str, int] = {}
        for number, (_, piece) in enumerate(node.slices):
            url = extension_url(self.schema, piece)
            if url is None:
                return None
            table.setdefault(url, number)
        return lambda item: table.get(item["url"], -1)

    def choice(self, table: Table, field: Field) -> str:
        """Name of the function for a choice with slices."""
        node = field.node
        try:
            made = matchers(self.schema, node)
        except BladderError:
            return "NEVER"
        functions: dict[int, Accept] = {}

        def one(piece: Node) -> Accept:
            ref = next((t for t in piece.types if t.code == field.type.code), field.type)
            return self.single(table, field, piece, ref)

        def judge(value: Any, context: Context) -> int:
            hit = [number for number, (_, _, match) in enumerate(made) if match(value, field.type.code)]
            if any(piece.min and number not in hit for number, (_, piece, _) in enumerate(made)):
                return 0
            if not hit and node.rules == "closed":
                return 0
            number = hit[0] if hit else -1
            found = functions.get(number)
            if found is None:
                found = functions[number] = one(made[number][1] if hit else node)
            return found(value, context)

        return self.constant(judge)
