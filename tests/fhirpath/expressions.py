"""Makes FHIRPath expressions that fit a resource: paths from the R4 types, functions and operators by their types."""

from __future__ import annotations

import random
from typing import Any

from fhir_bladder.fhirpath import model
from fhir_bladder.fhirpath.nodes import Node, children, typed

TEXT = ("string", "code", "uri", "url", "canonical", "id", "markdown")
NUMBER = ("integer", "decimal", "positiveInt", "unsignedInt")


class Maker:
    """One random expression after the other over one resource."""

    def __init__(self, resource: dict[str, Any], seed: int, *, sets: bool = True) -> None:
        self.random = random.Random(seed)
        self.resource = resource
        self.sets = sets  # functions that take a collection, distinct(), the type Element

    def expression(self) -> str:
        focus = typed(self.resource)
        return self.boolean([focus], 3) if self.random.random() < 0.6 else self.path([focus], 4)[0]

    def path(self, focus: list[Node], steps: int) -> tuple[str, list[Node]]:
        """A path from the focus, and the nodes it leads to (roughly; functions on the way are applied to text only)."""
        words: list[str] = []
        nodes = focus
        for _ in range(self.random.randint(1, steps)):
            step = self.step(nodes, bare=not words)
            if step is None:
                break
            word, nodes = step
            words.append(word)
        return ".".join(words) or "$this", nodes

    def step(self, nodes: list[Node], bare: bool) -> tuple[str, list[Node]] | None:
        names: dict[str, list[Node]] = {}
        choices: dict[str, set[str]] = {}
        for node in nodes:
            info = model.info(node.type)
            for child in children(node) if info and isinstance(node.value, dict) else ():
                element = next((key.element for key in info.keys.values() if self.holds(node, key.name, child)), None)
                if element and child.value is not None:
                    names.setdefault(element, []).append(child)
                    if len(info.elements[element]) > 1:
                        choices.setdefault(element, set()).add(child.type)
        if not names:
            return None
        name = self.random.choice(sorted(names))
        found = names[name]
        word = f"`{name}`" if name in ("div", "mod") else name
        if name in choices and self.random.random() < 0.6:
            kind = self.random.choice([*sorted(choices[name]), "Period"])
            word += f".ofType({kind})"
            found = [node for node in found if node.type == kind]
        if self.random.random() < 0.3:
            word += self.narrowing(found)
        return word, found

    def holds(self, node: Node, key: str, child: Node) -> bool:
        value = node.value.get(key)
        return value is child.value or (isinstance(value, list) and any(item is child.value for item in value))

    def narrowing(self, nodes: list[Node]) -> str:
        kind = self.random.randint(0, 7)
        if kind == 0:
            return f"[{self.random.randint(0, 2)}]"
        if kind == 1:
            return self.random.choice([".first()", ".last()", ".tail()", ".distinct()" if self.sets else ".tail()"])
        if kind == 2:
            return f".{self.random.choice(['skip', 'take'])}({self.random.randint(0, 2)})"
        if kind == 3 and nodes and isinstance(nodes[0].value, dict):
            return f".where({self.boolean(nodes[:1], 1)})"
        if kind == 4 and nodes and isinstance(nodes[0].value, dict):
            return f".select({self.path(nodes[:1], 2)[0]})"
        return ""

    def boolean(self, focus: list[Node], depth: int) -> str:
        kind = self.random.randint(0, 11)
        if depth > 0 and kind < 3:
            word = self.random.choice(["and", "or", "xor", "implies"])
            return f"({self.boolean(focus, depth - 1)} {word} {self.boolean(focus, depth - 1)})"
        path, nodes = self.path(focus, 3)
        one = next((node for node in nodes if not isinstance(node.value, dict)), None)
        if kind == 3:
            return f"{path}.{self.random.choice(['exists()', 'empty()', 'isDistinct()', 'empty().not()'])}"
        if kind == 4:
            sign = self.random.choice(["=", "!=", ">", "<=", "<", ">="])
            return f"{path}.count() {sign} {self.random.randint(0, 3)}"
        if kind == 5 and nodes and isinstance(nodes[0].value, dict):
            name = self.random.choice(["exists", "all"])
            return f"{path}.{name}({self.boolean(nodes[:1], 1)})"
        if kind == 6 and self.sets:
            other, _ = self.path(focus, 3)
            name = self.random.choice(["intersect", "exclude", "union", "combine", "subsetOf", "supersetOf"])
            return f"{path}.{name}({other})" + ("" if name.endswith("Of") else ".count() > 1")
        if kind == 7 and nodes and not path.endswith("id") and "id." not in path:
            return self.of_type(path, nodes[0])
        if kind == 8:
            tree = self.random.choice(["children()", "descendants()", "repeat(extension)", "extension('http://none')"])
            return f"{path}.{tree}.count() {self.random.choice(['=', '>'])} {self.random.randint(0, 5)}"
        if kind == 9 and depth > 0:
            test, other = self.boolean(focus, depth - 1), self.path(focus, 2)[0]
            return f"iif({test}, {path}, {other}).{self.random.choice(['exists()', 'count() = 1'])}"
        if one is None:
            return f"{path}.exists()"
        return self.about(f"{path}.first()" if self.random.random() < 0.7 else path, one)

    def of_type(self, path: str, node: Node) -> str:
        """A test of type, or of a Quantity against a literal."""
        if node.type in ("Quantity", "Age") and node.value.get("system") == "http://unitsofmeasure.org":
            number, unit = self.random.choice(["1", "100", str(node.value.get("value", 1))]), node.value["code"]
            return f"{path}.first() {self.random.choice(['=', '<', '>=', '!='])} {number} '{unit}'"
        general = ["Quantity", "dateTime", "Resource"] + (["Element"] if self.sets else [])
        kind = self.random.choice([node.type.partition(".")[0], *general])
        return self.random.choice(
            [
                f"{path}.first().is({kind})",
                f"{path}.first() is {kind}",
                f"{path}.ofType({kind}).count() = 1",
                f"({path}.first() as {kind}).exists()",
            ]
        )

    def about(self, path: str, node: Node) -> str:
        """A test that fits the type of a primitive."""
        if node.type in TEXT and isinstance(node.value, str):
            word = "'" + self.fragment(node.value) + "'"
            return self.random.choice(
                [
                    f"{path} = {word}",
                    f"{path} != {word}",
                    f"{path}.startsWith({word})",
                    f"{path}.endsWith({word})",
                    f"{path}.contains({word})",
                    f"{path}.length() > {self.random.randint(0, 9)}",
                    f"{path}.substring({self.random.randint(0, 4)}).length() >= {self.random.randint(0, 4)}",
                    f"{path}.upper() = {word}.upper()",
                    f"({path} & 'x') = {word}",
                    f"{path} in ({word} | 'final')",
                    f"{path}.indexOf({word}) = 0",
                    f"{path}.replace({word}, '').length() < 3",
                    f"{path} < {word}",
                    f"{path}.first().toInteger() > 3",
                    f"{path}.first().convertsToDecimal()",
                    f"{path}.matches('^[a-z-]+$')",
                    f"{path}.first() ~ {word}",
                    f"{path}.split('-').count() > 1",
                    f"{path}.toChars().distinct().count() > 3",
                ]
            )
        if node.type in NUMBER:
            number = self.random.choice(["0", "1", "2.5", "100", str(node.value)])
            sign = self.random.choice(["=", "!=", "<", ">", "<=", ">="])
            sum_ = self.random.choice(["", " + 1", " - 0.5", " * 2", " / 4", " mod 7", " div 2"])
            if self.random.random() < 0.3:
                call = self.random.choice(
                    ["abs()", "ceiling()", "floor()", "truncate()", "toString().length()", "round(1)"]
                )
                return f"{path}.{call} {sign} {number}"
            return f"({path}{sum_}) {sign} {number}"
        if node.type == "boolean":
            return self.random.choice([f"{path}", f"{path}.not()", f"{path} = true", f"{path} != false"])
        if node.type in ("date", "dateTime", "instant"):
            literal = "@2013-04-02T09:30:10+01:00"
            if len(str(node.value)) < 11:
                literal = self.random.choice(["@2012-01-01", "@2013", "@1974-12-25"])
            return f"{path} {self.random.choice(['=', '!=', '<', '>=', '>', '<='])} {literal}"
        return f"{path}.exists()"

    def fragment(self, text: str) -> str:
        if self.random.random() < 0.4:
            text = text[: self.random.randint(0, 6)]
        return "".join(char for char in text[:40] if char not in "'\\\n\r\t")
