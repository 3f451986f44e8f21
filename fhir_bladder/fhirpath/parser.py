"""Room `fhirpath`: tokens → syntax tree, by precedence climbing. Grammar: FHIRPath N1, appendix B."""

from __future__ import annotations

from decimal import Decimal

from fhir_bladder.fhirpath import ast
from fhir_bladder.fhirpath.lexer import Token, place, tokens
from fhir_bladder.fhirpath.problems import ExpressionError
from fhir_bladder.fhirpath.quantity import CALENDAR_WORDS, Quantity

_LEVELS = {
    "*": 10, "/": 10, "div": 10, "mod": 10,
    "+": 9, "-": 9, "&": 9,
    "is": 8, "as": 8,
    "|": 7,
    "<=": 6, "<": 6, ">": 6, ">=": 6,
    "=": 5, "~": 5, "!=": 5, "!~": 5,
    "in": 4, "contains": 4,
    "and": 3,
    "or": 2, "xor": 2,
    "implies": 1,
}  # fmt: skip
_NAMES_TOO = frozenset({"as", "is", "contains", "in"})
_WORDS = frozenset(word for word in _LEVELS if word.isalpha()) | {"true", "false"}
MAX_DEPTH = 100
MAX_LENGTH = 20_000


def parse(text: str) -> ast.Expr:
    """The tree of one expression. Raises ExpressionError with the column."""
    if len(text) > MAX_LENGTH:
        raise ExpressionError(
            f"an expression of {len(text):,} characters", text[:60], f"at most {MAX_LENGTH:,} are taken"
        )
    return _Parser(text).whole()


class _Parser:
    def __init__(self, text: str) -> None:
        self.text = text
        self.tokens = tokens(text)
        self.at = 0
        self.depth = 0

    @property
    def token(self) -> Token:
        return self.tokens[self.at]

    def whole(self) -> ast.Expr:
        result = self.expression(0)
        if self.token.kind != "end":
            raise self.unexpected()
        return result

    def unexpected(self) -> ExpressionError:
        what = "the expression ends too early" if self.token.kind == "end" else f"unexpected {self.token.value!r}"
        return ExpressionError(what, place(self.text, self.token.at), "correct the expression")

    def is_operator(self, word: str) -> bool:
        return self.token.kind == "operator" and self.token.value == word

    def take(self, word: str) -> None:
        if not self.is_operator(word):
            raise self.unexpected()
        self.at += 1

    def expression(self, lowest: int) -> ast.Expr:
        self.depth += 1
        if self.depth > MAX_DEPTH:
            raise ExpressionError(f"nested more than {MAX_DEPTH} levels deep", place(self.text, self.token.at))
        left = self.unary()
        while True:
            token = self.token
            level = _LEVELS.get(token.value, 0) if token.kind in ("operator", "name") else 0
            if level <= lowest:
                self.depth -= 1
                return left
            self.at += 1
            if level == 8:
                left = ast.TypeTest(token.at, str(token.value), left, self.type_name())
            else:
                left = ast.Binary(token.at, str(token.value), left, self.expression(level))

    def unary(self) -> ast.Expr:
        token = self.token
        if token.kind == "operator" and token.value in ("+", "-"):
            self.at += 1
            return ast.Unary(token.at, str(token.value), self.expression(10))
        return self.postfix(self.term())

    def postfix(self, base: ast.Expr) -> ast.Expr:
        while True:
            token = self.token
            if self.is_operator("["):
                self.at += 1
                index = self.expression(0)
                self.take("]")
                base = ast.Index(token.at, base, index)
            elif self.is_operator("."):
                self.at += 1
                if self.token.kind == "variable":
                    raise ExpressionError("a variable after a dot", place(self.text, self.token.at))
                base = self.invocation(base, head=False)
            else:
                return base

    def term(self) -> ast.Expr:
        token = self.token
        if token.kind == "number":
            self.at += 1
            return self.quantity(token)
        if token.kind in ("string", "temporal"):
            self.at += 1
            return ast.Literal(token.at, token.value)
        if token.kind == "external":
            self.at += 1
            return ast.External(token.at, token.value)
        if token.kind == "variable":
            self.at += 1
            return ast.This(token.at, token.value)
        if token.kind == "name" and token.value in ("true", "false"):
            self.at += 1
            return ast.Literal(token.at, token.value == "true")
        if self.is_operator("("):
            self.at += 1
            inner = self.expression(0)
            self.take(")")
            return inner
        if self.is_operator("{"):
            self.at += 1
            self.take("}")
            return ast.Literal(token.at, None)
        return self.invocation(ast.This(token.at, ""), head=True)

    def quantity(self, number: Token) -> ast.Expr:
        unit = self.token
        if unit.kind == "string":
            self.at += 1
            calendar = unit.value in CALENDAR_WORDS
            name = CALENDAR_WORDS[unit.value] if calendar else unit.value
            return ast.Literal(number.at, Quantity(Decimal(number.value), name, calendar))
        if unit.kind == "name" and unit.value in CALENDAR_WORDS:
            self.at += 1
            return ast.Literal(number.at, Quantity(Decimal(number.value), CALENDAR_WORDS[unit.value], True))
        return ast.Literal(number.at, number.value)

    def identifier(self, *, after_dot: bool = False) -> str:
        """A name. After a dot no operator can stand, so that `text.div` is taken, which the grammar wants quoted."""
        token = self.token
        if token.kind == "quoted" or (
            token.kind == "name" and (after_dot or token.value not in _WORDS or token.value in _NAMES_TOO)
        ):
            self.at += 1
            return str(token.value)
        raise self.unexpected()

    def type_name(self) -> str:
        name = self.identifier()
        while self.is_operator("."):
            following = self.tokens[self.at + 2] if self.at + 2 < len(self.tokens) else self.token
            if name not in ("System", "FHIR") or (following.kind == "operator" and following.value == "("):
                break
            self.at += 1
            name += "." + self.identifier()
        return name

    def invocation(self, base: ast.Expr, *, head: bool) -> ast.Expr:
        at = self.token.at
        name = self.identifier(after_dot=not head)
        if not self.is_operator("("):
            return ast.Member(at, base, name, head)
        self.at += 1
        if name in ast.TYPE_FUNCTIONS:
            kind = self.type_name()
            self.take(")")
            return ast.TypeTest(at, name, base, kind)
        args: list[ast.Expr] = []
        while not self.is_operator(")"):
            args.append(self.expression(0))
            if not self.is_operator(")"):
                self.take(",")
                if self.is_operator(")"):
                    raise self.unexpected()
        self.at += 1
        return ast.Call(at, base, name, tuple(args))
