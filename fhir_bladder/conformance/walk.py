"""Room `conformance`: the explainer on one resource. Belongs here: objects, their keys, what is missing, invariants.

What stands under a key is judged in `items.py`, one value in `contents.py` and `values.py`, extensions in
`extended.py`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from fhir_bladder.conformance import invariants, items, values
from fhir_bladder.conformance.invariants import Context
from fhir_bladder.conformance.report import Path, Report, near
from fhir_bladder.conformance.schema import Constraint, Node, Schema, Table
from fhir_bladder.errors import BladderError, UnsupportedError

if TYPE_CHECKING:
    from fhir_bladder.conformance.explain import Explainer


@dataclass(slots=True)
class Walk:
    """One resource under judgement: what lies around it, and where findings go."""

    explainer: Explainer
    context: Context
    report: Report

    @property
    def schema(self) -> Schema:
        """The definitions."""
        return self.explainer.schema

    def into(self, report: Report) -> Walk:
        """The same walk with another report."""
        return replace(self, report=report)

    def judge(
        self, value: dict[str, Any], table: Table, path: Path, *, filled: bool = False, tried: bool = False,
        right: frozenset[str] | None = None,
    ) -> None:  # fmt: skip
        """Judge one JSON object.

        filled: the primitive beside it has a value; tried: the acceptor said no; right: keys known to be right.
        """
        report, context, helper = self.report, self.context, self.explainer.helper
        if helper is not None and not tried and helper.clean(value, table, context):
            return
        if right is None:
            right = helper.right_keys(value, table, context) if helper is not None else frozenset()
        fields = table.fields
        others = filled and bool(value)
        chosen: dict[str, str] | None = None
        for key, item in value.items():
            found = fields.get(key)
            if found is None:
                if key == "resourceType" and table.resource:
                    continue
                found = fields.get(key[1:]) if key[:1] == "_" else None
                if found is None or not found.primitive:
                    report.add(
                        "element-unknown", path.down(key, f".{key}"), f"unknown element {key}", found=key,
                        hint=near(key, fields), node=table.node,
                    )  # fmt: skip
                    continue
            if key != "id":
                others = True
            node = found.node
            if node.choice:
                chosen = {} if chosen is None else chosen
                if chosen.setdefault(node.name, found.key) != found.key:
                    report.add(
                        "choice-twice", path.down(key, f".{node.name}"), f"more than one {node.name}[x]",
                        expected="one of them", found=f"{chosen[node.name]}, {found.key}", node=node,
                    )  # fmt: skip
            if key in right:
                continue
            if key[:1] == "_" and key not in fields:
                if item is None:
                    report.add(
                        "json-null", path.down(key, f".{found.node.name}"), "null", expected="an object", node=node
                    )
                    continue
                if found.key not in value:
                    items.field(self, None, item, found, path, table)
                continue
            items.field(self, item, value.get("_" + key) if found.primitive else None, found, path, table)
        if not others and not table.resource:
            report.add(
                "ele-1" if value else "json-empty", path, "element without content" if value else "empty object",
                expected="a value or children", hint="leave the element out", node=table.node,
            )  # fmt: skip
        self._missing(value, table, path)
        if helper is None or not helper.rules_hold(value, table, context):
            held = not table.resource or "contained" in value
            for constraint in table.constraints:
                if not held and constraint.expression.startswith("contained."):
                    continue  # dom-2, dom-4, dom-5 ask about contained resources only
                self.invariant(constraint, value, None, table.focus, path, table.node)
        values.typed(value, table, path, report, self.schema)

    def _missing(self, value: dict[str, Any], table: Table, path: Path) -> None:
        for node in table.required:
            if node.choice:
                keys = table.choices[node.name][1]
                if any(k in value or "_" + k in value for k in keys):
                    continue
                name = f"{node.name}[x]"
            else:
                name = node.name
                if name in value or "_" + name in value:
                    continue
            must = sum(piece.min for _, piece in node.slices)
            if must:
                self._absent_slices(node, path.down(node.name, f".{node.name}"))
                if node.min <= must:
                    continue
            self.report.add(
                "cardinality-min", path.down(node.name, ""), f"{name} is missing",
                expected=f"at least {node.min} {name}", found="none", node=node,
            )  # fmt: skip

    def _absent_slices(self, node: Node, path: Path) -> None:
        """Tell the mandatory slices of an element that is not there."""
        for name, piece in node.slices:
            if piece.min:
                self.report.add(
                    "slice-min", path, f"{node.name} lacks {name}", expected=f"at least {piece.min}", found="none",
                    node=piece, hint=items.slice_hint(piece),
                )  # fmt: skip

    def invariant(
        self, constraint: Constraint, value: Any, sibling: Any, type_name: str, path: Path, node: Node
    ) -> None:
        """Judge one invariant of a value."""
        if constraint.key in invariants.SKIPPED:
            return
        report = self.report
        try:
            holds = self.explainer.rule(constraint, type_name)(value, sibling, self.context)
        except UnsupportedError as error:
            report.add(
                "invariant-unsupported",
                path,
                f"invariant {constraint.key} cannot be evaluated: {error.what}",
                node=node,
            )
            return
        except BladderError as error:
            holds, report.note = False, error.what
        except (ValueError, TypeError, AttributeError, KeyError, IndexError, ArithmeticError, RecursionError):
            holds, report.note = False, "the data do not let it be evaluated"
        if not holds:
            report.add(
                constraint.key, path, f"{constraint.key}: {constraint.human}",
                severity="warning" if constraint.severity == "warning" else "error",
                expected=constraint.expression, node=node,
            )  # fmt: skip
