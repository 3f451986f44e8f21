"""Room `conformance`: writes the source of one acceptor function from a table. Belongs here: objects, no state.

Every statement says `return 0` (do not know, ask the explainer) or falls through. It may refuse what is valid, never
accept what is not. The usual keys are checked inline; a key outside them sends the object to the general function.
What is asked of a value is written by `emit_values.py`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from fhir_bladder.conformance import invariants
from fhir_bladder.conformance.emit_values import Names, body, indent
from fhir_bladder.conformance.schema import Table

HOT: dict[str, tuple[str, ...]] = {
    "Coding": ("system", "code", "display"),
    "CodeableConcept": ("coding", "text"),
    "Quantity": ("value", "unit", "system", "code", "_value"),
    "Reference": ("reference", "display", "identifier", "type"),
    "Identifier": ("system", "value", "type"),
    "Meta": ("profile", "security"),
    "HumanName": ("family", "given"),
    "Element": ("extension",),
    "Observation": (
        "id", "meta", "identifier", "category", "subject", "effectiveDateTime", "issued", "performer", "device",
        "valueQuantity", "component", "status", "code", "extension", "bodySite", "note", "encounter", "basedOn", "text",
    ),
    "Observation.component": (
        "valueQuantity", "code", "extension", "valueCodeableConcept", "valueBoolean", "valueInteger",
        "dataAbsentReason",
    ),
    "Annotation": ("text", "time", "authorString"),
}  # fmt: skip
"""The usual keys of the types met most; other tables check their mandatory keys inline."""

FIRST = {"Observation": 13, "Reference": 2, "Meta": 1, "Annotation": 1}
"""How many of the usual keys are looked for at once; the rest only while keys are left."""

_INLINE: dict[str, str] = {
    "dataAbsentReason.empty() or value.empty()": "'dataAbsentReason' in o and HASVALUE(o)",
    "code.empty() or system.exists()": "'code' in o and 'system' not in o",
    "value.empty() or system.exists()": "'value' in o and 'system' not in o",
    "comparator.empty()": "'comparator' in o",
    "value.empty() or component.code.where(coding.intersect(%resource.code.coding).exists()).empty()": (
        "'component' in o and OBS7(o)"
    ),
}
_ASKS_FOR = {"code.empty() or system.exists()": "system", "value.empty() or system.exists()": "system"}
"""Rules that hold wherever one key is there."""
_SHARED = re.compile(r"INDEX\(o, C, '\w+', '\w+'\)")
"""Look-ups that several rules on one object may share."""
_CONTAINED = ("contained.contained", "contained.meta.")


def hot_keys(table: Table) -> tuple[list[str], list[str]]:
    """(mandatory, usual) keys checked inline; usual ones exclude the mandatory."""
    usual = HOT.get(table.node.base_path if table.type in ("BackboneElement", "Element") else table.type, ())
    must = [
        f.key
        for f in table.fields.values()
        if f.node.min and f.node.max != 0 and (not f.node.choice or len(f.node.types) == 1)
    ]
    if table.type == "Extension" and not (table.node.fixed_url and _one_value(table)):
        return (["url", "extension"], []) if table.node.fixed_url and _only_parts(table) else ([], [])
    return must, [k for k in usual if k not in must and _usual(table, k)]


def _usual(table: Table, key: str) -> bool:
    """Whether a usual key may be there; `_key` only beside a primitive that is no array."""
    field = table.fields.get(key.removeprefix("_"))
    return field is not None and field.node.max != 0 and (key[0] != "_" or (field.primitive and not field.node.many))


def _only_parts(table: Table) -> bool:
    """Whether an extension holds extensions and never a value, so that ext-1 needs no look."""
    node, _ = table.choices.get("value", (None, ()))
    return node is not None and node.max == 0 and table.fields["extension"].node.max != 0


def _one_value(table: Table) -> bool:
    """Whether an extension must hold exactly one kind of value, so that ext-1 needs no look."""
    node, _ = table.choices.get("value", (None, ()))
    return node is not None and node.min == 1 and len(node.types) == 1 and not node.slices


def source(table: Table, name: str, names: Names) -> str:
    """The text of `def name(o, C)`."""
    must, usual = hot_keys(table)
    general = names.general(table, name, (*must, *usual))
    lines = [f"def {name}(o, C):", f"    n = len(o) - {len(must) + table.resource}"]
    if not must:
        lines.append("    if not o: return 0")
    groups: dict[str, list[str]] = {}
    for key in usual:
        if key in table.fields and table.fields[key].node.choice:
            groups.setdefault(table.fields[key].node.name, []).append(key)
    for key in must:
        lines.append(f"    v = o[{key!r}]")
        lines += indent(body(table, table.fields[key], "v", names))
    first = FIRST.get(table.type, len(usual)) if table.type != "BackboneElement" else 1
    started: set[str] = set()
    for number, key in enumerate(usual):
        depth = 1
        if number >= first or key[0] == "_":
            lines.append("    if n:")
            depth = 2
        if key[0] == "_":
            beside = names.beside(table.fields[key[1:]])
            lines += indent([f"v = o.get({key!r})", "if v is not None:", "    n -= 1"], depth)
            lines += indent([f"if {key[1:]!r} not in o or not {beside}(v, C): return 0"], depth + 1)
            continue
        node = table.fields[key].node
        group = node.name if node.choice and len(groups[node.name]) > 1 else ""
        if group and group not in started:
            started.add(group)
            lines.append(f"    w_{group} = None")
        if group and key != groups[group][0]:
            lines += indent([f"if w_{group} is None:"], depth)
            depth += 1
        lines += indent([f"v = o.get({key!r})", "if v is not None:", "    n -= 1"], depth)
        if group:
            lines += indent([f"    w_{group} = v"], depth)
        lines += indent(body(table, table.fields[key], "v", names), depth + 1)
    for node in table.required:
        if not node.choice and not node.min:
            lines.append(f"    if {node.name!r} not in o: return 0")
        elif node.choice and (len(node.types) > 1 or not node.min):
            keys = [k for k in table.choices[node.name][1] if k in usual]
            test = " and ".join(f"{k!r} not in o" for k in keys) or "True"
            lines.append(f"    if {test}: return {general}(o, C)")
    if table.type == "Extension" and not must:
        lines.append(f"    return {general}(o, C)")
        return "\n".join(lines)
    lines.append(f"    if n: return {general}(o, C)")
    lines += indent(list(beyond(table, names, there=frozenset(must))))
    lines += indent([] if _fixed_code(table, must, names) else list(typed(table)))
    lines.append("    return 1")
    return "\n".join(lines)


def beyond(
    table: Table, names: Names, without: frozenset[str] = frozenset(), there: frozenset[str] = frozenset()
) -> Iterator[str]:
    """Statements for the invariants of objects with usual keys only.

    without: expressions left out; there: keys known to be there.
    """
    shared: dict[str, str] = {}
    for constraint in table.constraints:
        if constraint.key in invariants.SKIPPED or constraint.expression in without:
            continue
        expression = " ".join(constraint.expression.split())
        if expression.startswith(_CONTAINED) or (table.type == "Extension" and constraint.key == "ext-1"):
            continue  # no contained inline; the general function judges it
        if _ASKS_FOR.get(expression) in there:
            continue
        if expression in _INLINE:
            yield f"if {_INLINE[expression]}: return 0"
            continue
        text = names.rule_text(table, constraint.expression)
        if text is None:
            yield f"if not {names.rule(table, constraint.expression)}(o, C): return 0"
            continue
        for call in _SHARED.findall(text):
            if call not in shared:
                shared[call] = f"i{len(shared)}"
                yield f"{shared[call]} = {call}"
        yield f"if not {_SHARED.sub(lambda found: shared[found[0]], text)}: return 0"


_CODED = frozenset({"Coding", "Quantity", "Age", "Count", "Distance", "Duration"})


def typed(table: Table) -> Iterator[str]:
    """Statements for the rules of a datatype that no invariant states."""
    kind = table.type
    if kind in _CODED:
        yield "if (o.get('system'), o.get('code')) not in CODINGS and not CODED(o): return 0"
    elif kind == "Identifier":
        yield "if o.get('system') not in OK_system and not IDENTIFIER(o): return 0"
    elif kind == "Attachment":
        yield "if ATTACHMENT(o): return 0"


def _fixed_code(table: Table, must: list[str], names: Names) -> bool:
    """Whether system and code are there and fixed, so that what `typed` asks of them needs no look."""
    if table.type not in _CODED or "system" not in must or "code" not in must:
        return False
    return names.known_code(table.fields["system"].node.fixed, table.fields["code"].node.fixed)


def rules(table: Table, names: Names) -> list[str]:
    """Names of the rule functions of a table, all of them, for the general function."""
    return [names.rule(table, c.expression) for c in table.constraints if c.key not in invariants.SKIPPED]
