"""Room `fhirpath`: syntax tree → Python source over raw JSON, for the common shapes of invariants and columns.

Works where the R4 type of every step is known beforehand. What it cannot write raises `NotDirect` at compile time;
what it meets at run time and was not written for (`_field` siblings, ill-typed JSON, times of other precision) raises
`Slow`: in both cases the general engine of `compiler.py` answers. The two give the same result, which
tests/fhirpath/test_engines.py checks.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from fhir_bladder.fhirpath import ast, model

TEXT = frozenset(
    {"string", "code", "uri", "url", "canonical", "id", "oid", "uuid", "markdown", "base64Binary", "xhtml"}
) | {"String"}
NUMBERS = frozenset({"integer", "positiveInt", "unsignedInt", "decimal", "Integer", "Decimal"})
INSTANTS = frozenset({"date", "dateTime", "instant"})
EXACT = frozenset({"Coding", "CodeableConcept", "Identifier", "Reference"}) | TEXT
"""Types without decimals, whose JSON Python compares as FHIRPath does."""
Direct = Callable[[Any, Any, Any], Any]


class NotDirect(Exception):
    """The expression has a shape that is left to the general engine."""


class Slow(Exception):
    """The data need the general engine."""


@dataclass(frozen=True, slots=True)
class Val:
    """A value in the generated code. `code` is a name or a literal.

    kind: "one" (JSON value or None where absent), "many" (list or tuple without None), "bool" (True, False), "bool3"
    (None too), "choice" (`code` names the parent, `keys` its JSON keys). `sure`: a "one" that is never None.
    """

    kind: str
    code: str
    type: str = ""
    keys: tuple[model.Key, ...] = ()
    sure: bool = False


class Writer:
    """Collects lines of one function. `this` is the value `$this` stands for."""

    def __init__(self, type_name: str) -> None:
        self.lines: list[str] = []
        self.depth = 1
        self.count = 0
        self.type_name = type_name
        self.names: dict[str, Any] = {"Slow": Slow}
        self.this = Val("one", "node", type_name, sure=True)

    def line(self, text: str) -> None:
        """One statement at the present depth."""
        self.lines.append("    " * self.depth + text)

    def new(self, letter: str = "v") -> str:
        """A fresh name."""
        self.count += 1
        return f"{letter}{self.count}"

    def put(self, code: str) -> str:
        """Assign to a fresh name."""
        name = self.new()
        self.line(f"{name} = {code}")
        return name

    def given(self, value: Any) -> str:
        """A name for a Python object the code refers to."""
        name = self.new("k")
        self.names[name] = value
        return name

    # ---- values --------------------------------------------------------------------------------------------------

    def value(self, tree: ast.Expr) -> Val:
        """Statements for the tree, and the name that holds its value afterwards."""
        if isinstance(tree, ast.Literal):
            return self.literal(tree.value)
        if isinstance(tree, ast.This):
            if tree.name not in ("", "this"):
                raise NotDirect
            return self.this
        if isinstance(tree, ast.External):
            return self.external(tree.name)
        if isinstance(tree, ast.Member):
            if tree.head and tree.name[:1].isupper():
                if tree.name == self.this.type:
                    return self.this
                raise NotDirect
            return self.member(self.value(tree.base), tree.name)
        if isinstance(tree, ast.TypeTest):
            return self.type_test(tree)
        from fhir_bladder.fhirpath import direct_calls

        if isinstance(tree, ast.Call):
            return direct_calls.call(self, tree)
        if isinstance(tree, ast.Binary):
            return direct_calls.binary(self, tree)
        raise NotDirect

    def literal(self, value: Any) -> Val:
        """Booleans, text and numbers."""
        if isinstance(value, bool):
            return Val("bool", self.put(repr(value)))
        if isinstance(value, str):
            return Val("one", self.put(repr(value)), "String", sure=True)
        if isinstance(value, int):
            return Val("one", self.put(repr(value)), "Integer", sure=True)
        if isinstance(value, Decimal):
            return Val("one", self.given(value), "Decimal", sure=True)
        raise NotDirect

    def external(self, name: str) -> Val:
        """%resource, %rootResource, %context, %ucum."""
        own = model.is_resource(self.type_name)
        if name == "context":
            return Val("one", "node", self.type_name, sure=True)
        if name == "resource":
            if own:
                self.line("if resource is not node: raise Slow")
            return Val("one", "resource", self.type_name if own else "Resource", sure=True)
        if name == "rootResource":
            return Val("one", "root", "Resource", sure=True)
        if name == "ucum":
            return Val("one", self.put(repr("http://unitsofmeasure.org")), "String", sure=True)
        raise NotDirect

    def keys(self, type_name: str, name: str) -> tuple[model.Key, ...]:
        """JSON keys of an element; of a resource whose type only the data know, those every DomainResource has."""
        found = model.info("DomainResource" if type_name == "Resource" else type_name)
        keys = found.elements.get(name) if found else None
        if not keys or model.is_primitive(type_name):
            raise NotDirect
        return keys

    def member(self, base: Val, name: str) -> Val:
        """base.name."""
        if base.kind not in ("one", "many"):
            raise NotDirect
        keys = self.keys(base.type, name)
        if len(keys) > 1:
            if base.kind == "many" or not base.sure:
                raise NotDirect
            return Val("choice", base.code, "", keys)
        return self.step(base, keys[0])

    def step(self, base: Val, key: model.Key) -> Val:
        """From a parent, or each of several parents, to one JSON key."""
        written, other = repr(key.name), repr("_" + key.name)
        if base.kind == "one":
            test = "" if base.sure else f"{base.code} is not None and "
            if key.primitive:
                self.line(f"if {test}{other} in {base.code}: raise Slow")
            got = f"{base.code}.get({written})"
            name = self.put(got if base.sure else f"{got} if {base.code} is not None else None")
            if key.many:
                self.line(f"if {name} is None: {name} = ()")
                self.line(f"elif type({name}) is not list: raise Slow")
            return Val("many" if key.many else "one", name, key.type)
        item, inner, found = self.new("x"), self.new("y"), self.put("[]")
        self.line(f"for {item} in {base.code}:")
        if key.primitive:
            self.line(f"    if {other} in {item}: raise Slow")
        self.line(f"    {inner} = {item}.get({written})")
        self.line(f"    if {inner} is not None:")
        if key.many:
            self.line(f"        if type({inner}) is not list: raise Slow")
            self.line(f"        {found} += {inner}")
        else:
            self.line(f"        {found}.append({inner})")
        return Val("many", found, key.type)

    def type_test(self, tree: ast.TypeTest) -> Val:
        """Is, as, ofType on a choice, or on a resource of a type only the data know."""
        name = tree.type.removeprefix("FHIR.")
        if not model.known(name) or name in model.SYSTEM_TYPES - {"Quantity"}:
            raise NotDirect
        if isinstance(tree.operand, ast.Member) and tree.operator != "is":
            base = self.value(tree.operand.base)
            keys = self.keys(base.type, tree.operand.name) if base.kind in ("one", "many") else ()
            if len(keys) > 1:
                return self.chosen(base, keys, name)
        operand = self.value(tree.operand)
        if operand.kind == "choice" and tree.operator == "is":
            wanted = frozenset(
                written for key in operand.keys if model.isa(key.type, name) for written in (key.name, "_" + key.name)
            )
            some = self.put(f"not {self.every_key(operand)}.isdisjoint({operand.code})")
            return Val("bool3", self.put(f"not {self.given(wanted)}.isdisjoint({operand.code}) if {some} else None"))
        concrete = model.is_resource(name) and name not in model.RESOURCE_BASES
        if operand.kind == "one" and operand.type == "Resource" and concrete and tree.operator == "is":
            test = f"{operand.code}.get('resourceType') == {name!r}"
            return Val("bool3", self.put(f"{test} if {operand.code} is not None else None"))
        if operand.type == "Resource" and concrete and tree.operator == "ofType":
            if operand.kind == "many":
                item = self.new("x")
                test = f"{item}.get('resourceType') == {name!r}"
                return Val("many", self.put(f"[{item} for {item} in {operand.code} if {test}]"), name)
            if operand.kind == "one":
                got = f"{operand.code} is not None and {operand.code}.get('resourceType') == {name!r}"
                return Val("one", self.put(f"{operand.code} if {got} else None"), name)
        raise NotDirect

    def chosen(self, base: Val, keys: tuple[model.Key, ...], name: str) -> Val:
        """`value.ofType(Quantity)`: only the key of that type; Age and its like are left to the general engine."""
        exact = [key for key in keys if key.type == name]
        derived = [key.name for key in keys if key.type != name and not key.primitive and model.isa(key.type, name)]
        if len(exact) != 1:
            raise NotDirect
        if derived:
            others = self.given(frozenset(derived))
            if base.kind == "one":
                test = "" if base.sure else f"{base.code} is not None and "
                self.line(f"if {test}not {others}.isdisjoint({base.code}): raise Slow")
            else:
                item = self.new("x")
                self.line(f"for {item} in {base.code}:")
                self.line(f"    if not {others}.isdisjoint({item}): raise Slow")
        return self.step(base, exact[0])

    def every_key(self, choice: Val) -> str:
        """Name of the set of all JSON keys of a choice, siblings included."""
        return self.given(frozenset(name for key in choice.keys for name in (key.name, "_" + key.name)))

    # ---- truth ---------------------------------------------------------------------------------------------------

    def truth(self, tree: ast.Expr) -> Val:
        """The value as "bool" or "bool3"."""
        value = self.value(tree)
        if value.kind in ("bool", "bool3"):
            return value
        if value.kind == "one" and value.type == "boolean":
            return Val("bool3", value.code)
        raise NotDirect


def write(tree: ast.Expr, type_name: str) -> tuple[Direct, str, str]:
    """The function, the kind of its value ("bool", "bool3", "one", "many") and its source. Raises NotDirect."""
    if model.info(type_name) is None or model.is_primitive(type_name):
        raise NotDirect
    writer = Writer(type_name)
    value = writer.value(tree)
    if value.kind == "choice":
        raise NotDirect
    writer.line(f"return {value.code}")
    source = "def run(node, resource, root):\n" + "\n".join(writer.lines) + "\n"
    names = dict(writer.names)
    exec(compile(source, "<fhirpath>", "exec"), names)  # noqa: S102 - every text in the source went through repr()
    run: Direct = names["run"]
    truth = value.kind == "one" and value.type == "boolean"
    return run, "one:boolean" if truth else value.kind, source
