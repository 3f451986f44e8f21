"""Room `analysis`: FHIRPath text to a syntax tree, for the view compiler. Imports only errors.

The grammar is the FHIRPath N1 grammar's expression part; the tree is made of plain hashable tuples, so that equal
sub-expressions are recognised and computed once:

    ("member", base, name)  ("call", base, name, args)  ("index", base, expr)  ("binary", op, left, right)
    ("unary", op, expr)     ("literal", kind, value)    ("constant", name)     ("this",)

`base` is None for a path that starts at the context node.
"""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Any

from fhir_bladder.errors import ConfigError

Node = tuple[Any, ...]
"""A node of the syntax tree; the first item names its kind."""

_TOKEN = re.compile(
    r"""\s*(?:
      (?P<comment>//[^\n]*|/\*.*?\*/)
    | (?P<time>@T\d{2}(?::\d{2}(?::\d{2}(?:\.\d+)?)?)?)
    | (?P<date>@\d{4}(?:-\d{2}(?:-\d{2})?)?(?:T(?:\d{2}(?::\d{2}(?::\d{2}(?:\.\d+)?)?)?)?(?:Z|[+-]\d{2}:\d{2})?)?)
    | (?P<number>\d+(?:\.\d+)?)
    | (?P<string>'(?:[^'\\]|\\.)*')
    | (?P<quoted>`(?:[^`\\]|\\.)*`)
    | (?P<constant>%(?:[A-Za-z_][A-Za-z0-9_\-]*|`[^`]*`|'[^']*'))
    | (?P<special>\$[a-z]+)
    | (?P<name>[A-Za-z_][A-Za-z0-9_]*)
    | (?P<op><=|>=|!=|!~|[-+*/=~<>|&.,()\[\]{}])
    )""",
    re.VERBOSE | re.DOTALL,
)
_ESCAPE = re.compile(r"\\(u[0-9A-Fa-f]{4}|.)", re.DOTALL)
_ESCAPED = {"n": "\n", "r": "\r", "t": "\t", "f": "\f"}

# Binding power of the binary operators, weakest first (FHIRPath N1, operator precedence).
_BINARY = {
    "implies": 1, "or": 2, "xor": 2, "and": 3, "in": 4, "contains": 4, "=": 5, "~": 5, "!=": 5, "!~": 5,
    "<": 6, ">": 6, "<=": 6, ">=": 6, "|": 7, "is": 8, "as": 8, "+": 9, "-": 9, "&": 9,
    "*": 10, "/": 10, "div": 10, "mod": 10,
}  # fmt: skip
_WORDS = {name for name in _BINARY if name.isalpha()}
MAX_LENGTH = 10_000


def parse(text: str) -> Node:
    """The syntax tree of an expression. Raises ConfigError with the place where it cannot be read."""
    if len(text) > MAX_LENGTH:
        raise ConfigError(f"FHIRPath of {len(text):,} characters", remedy=f"at most {MAX_LENGTH:,} are taken")
    try:
        return _Parser(text).whole()
    except RecursionError:
        raise ConfigError("FHIRPath nested too deep", text[:60], "write it flatter") from None


def text_of(literal: str) -> str:
    """The characters of a quoted FHIRPath string or identifier."""

    def replace(match: re.Match[str]) -> str:
        code = match.group(1)
        return chr(int(code[1:], 16)) if len(code) == 5 else _ESCAPED.get(code, code)

    return _ESCAPE.sub(replace, literal[1:-1])


class _Parser:
    def __init__(self, text: str) -> None:
        self.text = text
        self.tokens: list[tuple[str, str, int]] = []
        position = 0
        while text[position:].strip():
            match = _TOKEN.match(text, position)
            if not match or match.lastgroup is None:
                raise self.error("cannot be read", position)
            if match.lastgroup != "comment":
                self.tokens.append((match.lastgroup, match.group(match.lastgroup), match.start(match.lastgroup)))
            position = match.end()
        self.at = 0

    def error(self, what: str, position: int) -> ConfigError:
        return ConfigError(f"FHIRPath {self.text[:80]!r} {what}", f"character {position + 1}", "correct the expression")

    def peek(self) -> tuple[str, str, int]:
        return self.tokens[self.at] if self.at < len(self.tokens) else ("end", "", len(self.text))

    def take(self, expected: str = "") -> tuple[str, str, int]:
        token = self.peek()
        if expected and token[1] != expected:
            raise self.error(f"misses {expected!r}", token[2])
        self.at += 1
        return token

    def whole(self) -> Node:
        tree = self.expression(0)
        if self.peek()[0] != "end":
            raise self.error(f"goes on with {self.peek()[1]!r}", self.peek()[2])
        return tree

    def expression(self, power: int) -> Node:
        left = self.prefix()
        while True:
            kind, text, _ = self.peek()
            binding = _BINARY.get(text, 0) if kind == "op" or (kind == "name" and text in _WORDS) else 0
            if not binding or binding <= power:
                return left
            self.take()
            if text in ("is", "as"):
                left = ("call", left, text, (self.type_name(),))
            else:
                left = ("binary", text, left, self.expression(binding))

    def type_name(self) -> Node:
        name = self.identifier()
        while self.peek()[1] == ".":
            self.take()
            name = self.identifier()
        return ("member", None, name)

    def identifier(self) -> str:
        kind, text, position = self.take()
        if kind == "name":
            return text
        if kind == "quoted":
            return text_of(text)
        raise self.error("misses a name", position)

    def prefix(self) -> Node:
        kind, text, _ = self.peek()
        if kind == "op" and text in "+-":
            self.take()
            operand = self.expression(10)
            return operand if text == "+" else ("unary", "-", operand)
        return self.postfix(self.term())

    def postfix(self, tree: Node) -> Node:
        while True:
            text = self.peek()[1]
            if text == ".":
                self.take()
                tree = self.invocation(tree)
            elif text == "[":
                self.take()
                tree = ("index", tree, self.expression(0))
                self.take("]")
            else:
                return tree

    def invocation(self, base: Node | None) -> Node:
        kind, text, _ = self.peek()
        if kind == "special":
            return self.special()
        name = self.identifier()
        if self.peek()[1] != "(" or kind == "quoted":
            return ("member", base, name)
        self.take("(")
        arguments: list[Node] = []
        while self.peek()[1] != ")":
            if arguments:
                self.take(",")
            arguments.append(self.expression(0))
        self.take(")")
        return ("call", base, text, tuple(arguments))

    def special(self) -> Node:
        text = self.take()[1]
        return ("this",) if text == "$this" else ("special", text)

    def term(self) -> Node:
        kind, text, position = self.peek()
        if kind in ("name", "quoted"):
            if text in ("true", "false"):
                self.take()
                return ("literal", "boolean", text == "true")
            return self.invocation(None)
        if kind == "special":
            return self.special()
        self.take()
        if kind == "string":
            return ("literal", "string", text_of(text))
        if kind == "number":
            return self.number(text)
        if kind == "date":
            day, _, clock = text[1:].partition("T")
            return ("literal", "dateTime" if "T" in text else "date", f"{day}T{clock}" if clock else day)
        if kind == "time":
            return ("literal", "time", text[2:])
        if kind == "constant":
            return ("constant", text[1:].strip("`'"))
        if text == "(":
            tree = self.expression(0)
            self.take(")")
            return tree
        if text == "{":
            self.take("}")
            return ("literal", "empty", None)
        raise self.error("breaks off" if kind == "end" else f"has {text!r} where a value should stand", position)

    def number(self, text: str) -> Node:
        kind, unit, _ = self.peek()
        if kind == "string" or (kind == "name" and re.fullmatch(r"(?:year|month|week|day|hour|minute|second)s?", unit)):
            self.take()
            return ("literal", "quantity", (Decimal(text), unit))
        return ("literal", "decimal", Decimal(text)) if "." in text else ("literal", "integer", int(text))
