"""Room `conformance`: snapshots read into linked nodes. Belongs here: what a profile says, before anything is judged.

A `Node` is one snapshot element. A `Table` is what may stand in one JSON object: a node together with its type.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from fhir_bladder.conformance.catalogue import Catalogue, whole
from fhir_bladder.conformance.codes import ValueSet
from fhir_bladder.conformance.definitions import BASE
from fhir_bladder.errors import UnsupportedError

MISSING: Any = object()
PRIMITIVES = frozenset(
    [
        "base64Binary",
        "boolean",
        "canonical",
        "code",
        "date",
        "dateTime",
        "decimal",
        "id",
        "instant",
        "integer",
        "markdown",
        "oid",
        "positiveInt",
        "string",
        "time",
        "unsignedInt",
        "uri",
        "url",
        "uuid",
        "xhtml",
    ]
)


@dataclass(frozen=True, slots=True)
class Constraint:
    """An invariant: `key`, `severity` error or warning, text for people, FHIRPath expression."""

    key: str
    severity: str
    human: str
    expression: str
    source: str = ""


@dataclass(frozen=True, slots=True)
class TypeRef:
    """One allowed type with the profiles an instance must hold to and the profiles a reference may point at."""

    code: str
    profiles: tuple[str, ...] = ()
    targets: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Binding:
    """Strength and value set; `value_set` None where nobody has it."""

    strength: str
    url: str
    value_set: ValueSet | None


@dataclass(slots=True, eq=False)
class Node:
    """One snapshot element. `many` says whether JSON holds an array, by the base definition."""

    ident: str
    path: str
    name: str
    min: int
    max: int | None
    many: bool
    choice: bool
    types: tuple[TypeRef, ...]
    profile: str
    base_path: str = ""
    fixed: Any = MISSING
    pattern: Any = MISSING
    kids: dict[str, Node] = field(default_factory=dict)
    slices: list[tuple[str, Node]] = field(default_factory=list)
    discriminators: tuple[tuple[str, str], ...] = ()
    rules: str = "open"
    ordered: bool = False
    constraints: tuple[Constraint, ...] = ()
    binding: Binding | None = None
    max_length: int | None = None
    min_value: Any = None
    max_value: Any = None
    modifier: bool = False
    language: bool = False
    bound: bool = False
    refers: str = ""

    @property
    def fixed_url(self) -> str:
        """The url of an extension definition; empty for others and for Extension itself."""
        kid = self.kids.get("url")
        return kid.fixed if kid is not None and isinstance(kid.fixed, str) else ""


@dataclass(slots=True, eq=False)
class Field:
    """What one JSON key means: the node, the type it stands for, the element name where it is a choice."""

    key: str
    node: Node
    type: TypeRef
    primitive: bool


@dataclass(slots=True, eq=False)
class Table:
    """The keys of one JSON object. `contexts` are the names under which extensions may be allowed here."""

    name: str
    node: Node
    type: str
    fields: dict[str, Field]
    choices: dict[str, tuple[Node, tuple[str, ...]]]
    required: tuple[Node, ...]
    constraints: tuple[Constraint, ...]
    resource: bool
    contexts: frozenset[str]
    kids: Mapping[str, Node]

    @property
    def focus(self) -> str:
        """The type an invariant is evaluated on: backbone elements have only their path."""
        if self.type in ("", "BackboneElement", "Element"):
            return self.node.refers or self.node.base_path
        return self.type


def _value(element: Mapping[str, Any], prefix: str) -> Any:
    return next((v for k, v in element.items() if k.startswith(prefix)), MISSING)


class Schema:
    """Nodes and tables of every definition asked for, linked once."""

    def __init__(self, catalogue: Catalogue) -> None:
        self.catalogue = catalogue
        self._trees: dict[str, Node] = {}
        self._tables: dict[tuple[int, str], Table] = {}
        self.targets: dict[tuple[str, ...], dict[str, list[str]]] = {}
        self.undecided: dict[int, list[tuple[str, str]]] = {}
        self._ancestors: dict[str, frozenset[str]] = {}

    def tree(self, canonical: str) -> Node | None:
        """Root node of the definition with this canonical; None where nobody has it."""
        found = self._trees.get(canonical)
        if found is None:
            structure = self.catalogue.structure(canonical)
            if structure is None:
                return None
            with whole(canonical):
                found = self._trees[canonical] = self._read(structure)
        return found

    def type_tree(self, name: str) -> Node | None:
        """Root node of an R4 type."""
        return self.tree(BASE + name) if self.catalogue.base.kind(name) else None

    def _read(self, structure: Mapping[str, Any]) -> Node:
        url = structure["url"]
        profile = "" if structure.get("derivation") != "constraint" else url
        index: dict[str, Node] = {}
        root: Node | None = None
        for element in structure["snapshot"]["element"]:
            ident = element.get("id", element["path"])
            node = self._node(element, ident, profile or url)
            if ident in index:
                raise UnsupportedError(f"element id {ident} stands twice", url, "correct the snapshot")
            index[ident] = node
            if root is None:
                root = node
                continue
            parent, _, last = ident.rpartition(".")
            name, _, slice_name = last.partition(":")
            try:
                if slice_name:
                    owner = index[f"{parent}.{name}"]
                    node.many = owner.many
                    owner.slices.append((slice_name, node))
                else:
                    index[parent].kids[node.name] = node
            except KeyError:
                raise UnsupportedError(f"element {ident} has no parent", url, "correct the snapshot") from None
        assert root is not None
        for node in index.values():
            if node.refers and not node.kids:
                target = index.get(node.refers)
                if target is None:
                    raise UnsupportedError(
                        f"contentReference to {node.refers}, which does not exist", url, "correct it"
                    )
                node.kids, node.types = target.kids, target.types
                known = {c.key for c in node.constraints}
                node.constraints += tuple(c for c in target.constraints if c.key not in known)
        return root

    def _node(self, element: Mapping[str, Any], ident: str, profile: str) -> Node:
        path: str = element["path"]
        name = path.rpartition(".")[2]
        choice = name.endswith("[x]")
        base = element.get("base", {})
        top = element.get("max", "1")
        node = Node(
            ident,
            path,
            name[:-3] if choice else name,
            element.get("min", 0),
            None if top == "*" else int(top),
            base.get("max", top) not in ("0", "1"),
            choice,
            tuple(self._type(t, path) for t in element.get("type", ())),
            profile,
            base.get("path", path),
        )
        node.fixed = _value(element, "fixed")
        node.pattern = _value(element, "pattern")
        slicing = element.get("slicing")
        if slicing:
            node.discriminators = tuple((d["type"], d["path"]) for d in slicing.get("discriminator", ()))
            node.rules = slicing.get("rules", "open")
            node.ordered = bool(slicing.get("ordered"))
        node.constraints = tuple(
            Constraint(c["key"], c["severity"], c.get("human", ""), c["expression"], c.get("source", profile))
            for c in element.get("constraint", ())
            if "expression" in c
        )
        binding = element.get("binding")
        if binding and binding.get("strength") in ("required", "extensible") and "valueSet" in binding:
            value_set = self.catalogue.value_set(binding["valueSet"])
            node.binding = Binding(binding["strength"], binding["valueSet"], value_set)
        node.bound = (binding or {"strength": "example"}).get("strength") != "example"
        node.language = (binding or {}).get("valueSet", "").startswith("http://hl7.org/fhir/ValueSet/languages")
        node.max_length = element.get("maxLength")
        low, high = _value(element, "minValue"), _value(element, "maxValue")
        node.min_value = None if low is MISSING else low
        node.max_value = None if high is MISSING else high
        node.modifier = bool(element.get("isModifier"))
        node.refers = element.get("contentReference", "").rpartition("#")[2]
        return node

    def _type(self, item: Mapping[str, Any], path: str) -> TypeRef:
        code = item.get("code", "")
        if code.startswith("http://hl7.org/fhirpath/"):
            code = "string"
        if (
            path.count(".") == 1
            and path.endswith(".id")
            and self.catalogue.base.kind(path.partition(".")[0]) == "resource"
        ):
            code = "id"
        return TypeRef(code, tuple(item.get("profile", ())), tuple(item.get("targetProfile", ())))

    def ancestors(self, type_name: str) -> frozenset[str]:
        """The type and everything it specialises."""
        found = self._ancestors.get(type_name)
        if found is None:
            names = [type_name]
            while structure := self.catalogue.type_structure(names[-1]):
                base = str(structure.get("baseDefinition", "")).rpartition("/")[2]
                if not base or base in names:
                    break
                names.append(base)
            found = self._ancestors[type_name] = frozenset(names)
        return found

    def table(self, node: Node, type_name: str) -> Table:
        """The table of a node whose value is of `type_name`; its own children, else those of the type."""
        key = (id(node), type_name)
        found = self._tables.get(key)
        if found is None:
            found = self._tables[key] = self._make(node, type_name)
        return found

    def _make(self, node: Node, type_name: str) -> Table:
        definition = self.type_tree(type_name) if type_name else None
        kids = node.kids or (definition.kids if definition is not None else {})
        if definition is not None and node.kids and (node.types == () or node.types[0].code != type_name):
            kids = {**definition.kids, **node.kids}  # of a choice only id and extension are spelt out, of a Resource
            # only what all have
        fields: dict[str, Field] = {}
        choices: dict[str, tuple[Node, tuple[str, ...]]] = {}
        required: list[Node] = []
        for kid in kids.values():
            if kid.min or any(piece.min for _, piece in kid.slices):
                required.append(kid)
            if kid.choice:
                keys = []
                types = kid.types
                for ref in types:
                    json_key = kid.name + ref.code[:1].upper() + ref.code[1:]
                    keys.append(json_key)
                    fields[json_key] = Field(json_key, kid, ref, ref.code in PRIMITIVES)
                choices[kid.name] = (kid, tuple(keys))
                continue
            ref = kid.types[0] if kid.types else TypeRef("BackboneElement")
            fields[kid.name] = Field(kid.name, kid, ref, ref.code in PRIMITIVES)
        constraints = list(node.constraints)
        if definition is not None and definition is not node:
            known = {(c.key, c.expression) for c in constraints}
            constraints += [c for c in definition.constraints if (c.key, c.expression) not in known]
        is_resource = bool(definition is not None and self.catalogue.base.kind(type_name) == "resource")
        contexts = {node.path, node.path.replace("[x]", ""), node.base_path, node.base_path.replace("[x]", "")}
        contexts |= self.ancestors(type_name) if type_name else set()
        return Table(
            node.ident,
            node,
            type_name,
            fields,
            choices,
            tuple(required),
            tuple(constraints),
            is_resource,
            frozenset(contexts),
            kids,
        )
