"""Room `fhirpath`: functions and operators of the direct engine: what `direct.py` writes for calls and infix signs."""

from __future__ import annotations

from decimal import Decimal
from typing import Any, NoReturn

from fhir_bladder.fhirpath import ast
from fhir_bladder.fhirpath.direct import EXACT, INSTANTS, NUMBERS, TEXT, NotDirect, Slow, Val, Writer
from fhir_bladder.fhirpath.functions_text import regex


def call(writer: Writer, tree: ast.Call) -> Val:
    """base.name(args)."""
    if tree.name == "trace":
        return writer.value(tree.base)
    if tree.name in ("where", "exists", "all", "select") and len(tree.args) == 1:
        return _each(writer, tree)
    if tree.name in ("exists", "empty") and not tree.args:
        return _presence(writer, tree)
    if tree.name in _PLAIN and not tree.args:
        return _PLAIN[tree.name](writer, writer.value(tree.base))
    if tree.name in _TEXT_TESTS and len(tree.args) == 1:
        return _text_test(writer, tree)
    if tree.name == "substring" and len(tree.args) == 1:
        base, start = writer.value(tree.base), tree.args[0]
        if base.kind != "one" or base.type not in TEXT or not isinstance(start, ast.Literal):
            raise NotDirect
        at = start.value
        if type(at) is not int or at < 0:
            raise NotDirect
        none = f"{base.code} is not None and " if not base.sure else ""
        return Val("one", writer.put(f"{base.code}[{at}:] if {none}len({base.code}) > {at} else None"), "String")
    raise NotDirect


def _presence(writer: Writer, tree: ast.Call) -> Val:
    """exists() and empty() without criteria."""
    inner = tree.base
    if isinstance(inner, ast.Call) and inner.name == "intersect" and len(inner.args) == 1:
        found = _meets(writer, inner)
    else:
        base = writer.value(inner)
        if base.kind == "choice":
            found = f"not {writer.every_key(base)}.isdisjoint({base.code})"
        elif base.kind == "one":
            found = f"{base.code} is not None"
        elif base.kind == "many":
            found = f"bool({base.code})"
        elif base.kind == "bool":
            found = "True"
        else:
            found = f"{base.code} is not None"
    return Val("bool", writer.put(found if tree.name == "exists" else f"not ({found})"))


def _meets(writer: Writer, tree: ast.Call) -> str:
    """Whether two collections share an item; only for types whose JSON Python compares rightly."""
    left, right = writer.value(tree.base), _outer(writer, tree.args[0])
    if left.type not in EXACT or right.type != left.type or "one" in (left.kind, right.kind):
        raise NotDirect
    if left.kind != "many" or right.kind != "many":
        raise NotDirect
    item = writer.new("x")
    return writer.put(f"bool([{item} for {item} in {left.code} if {item} in {right.code}])")


def _outer(writer: Writer, tree: ast.Expr) -> Val:
    """An argument is evaluated with the outer `$this`, which is what the writer holds."""
    return writer.value(tree)


def _each(writer: Writer, tree: ast.Call) -> Val:
    """where, exists, all and select: a loop with `$this` = the item."""
    base = writer.value(tree.base)
    if base.kind not in ("one", "many"):
        raise NotDirect
    source = base.code
    if base.kind == "one":
        source = writer.put(f"({base.code},) if {base.code} is not None else ()")
    flat = tree.name == "select"
    result = writer.put({"where": "[]", "select": "[]", "exists": "False", "all": "True"}[tree.name])
    item, outer = writer.new("x"), writer.this
    start = len(writer.lines), writer.depth
    writer.line(f"for {item} in {source}:")
    writer.depth += 1
    writer.this = Val("one", item, base.type, sure=True)
    kind = base.type
    try:
        if flat:
            made = writer.value(tree.args[0])
            kind = made.type
            if made.kind == "one":
                writer.line(f"if {made.code} is not None: {result}.append({made.code})")
            elif made.kind == "many":
                writer.line(f"{result}.extend({made.code})")
            else:
                _refuse()
        else:
            test = writer.truth(tree.args[0])
            if tree.name == "where":
                writer.line(f"if {test.code}: {result}.append({item})")
            elif tree.name == "exists":
                writer.line(f"if {test.code}:")
                writer.line(f"    {result} = True")
                writer.line("    break")
            else:
                writer.line(f"if not {test.code}:")
                writer.line(f"    {result} = False")
                writer.line("    break")
    except NotDirect:
        # the loop is left to the general engine, but only where there is something to loop over
        if flat:
            raise
        del writer.lines[start[0] :]
        writer.depth = start[1]
        writer.line(f"if {source}: raise Slow")
    finally:
        writer.depth, writer.this = start[1], outer
    if tree.name in ("where", "select"):
        return Val("many", result, kind)
    return Val("bool", result)


def _refuse() -> NoReturn:
    raise NotDirect


def _not(writer: Writer, base: Val) -> Val:
    if base.kind == "bool":
        return Val("bool", writer.put(f"not {base.code}"))
    if base.kind == "bool3" or (base.kind == "one" and base.type == "boolean"):
        return Val("bool3", writer.put(f"None if {base.code} is None else not {base.code}"))
    raise NotDirect


def _count(writer: Writer, base: Val) -> Val:
    if base.kind == "many":
        return Val("one", writer.put(f"len({base.code})"), "Integer", sure=True)
    if base.kind == "one":
        return Val("one", writer.put(f"0 if {base.code} is None else 1"), "Integer", sure=True)
    raise NotDirect


def _first(writer: Writer, base: Val) -> Val:
    if base.kind == "many":
        return Val("one", writer.put(f"{base.code}[0] if {base.code} else None"), base.type)
    return base


def _has_value(writer: Writer, base: Val) -> Val:
    if base.kind != "one" or not base.type[:1].islower():
        raise NotDirect
    return Val("bool", writer.put(f"{base.code} is not None"))


def _is_distinct(writer: Writer, base: Val) -> Val:
    if base.kind != "many" or base.type not in TEXT:
        raise NotDirect
    return Val("bool", writer.put(f"len(set({base.code})) == len({base.code})"))


_PLAIN = {"not": _not, "count": _count, "first": _first, "hasValue": _has_value, "isDistinct": _is_distinct}
_TEXT_TESTS = {
    "startsWith": "{0}.startswith({1})",
    "endsWith": "{0}.endswith({1})",
    "contains": "{1} in {0}",
    "matches": "{1}({0}) is not None",
    "matchesFull": "{1}({0}) is not None",
}


def _text_test(writer: Writer, tree: ast.Call) -> Val:
    base, part = writer.value(tree.base), tree.args[0]
    if base.kind != "one" or base.type not in TEXT or not isinstance(part, ast.Literal):
        raise NotDirect
    if not isinstance(part.value, str):
        raise NotDirect
    given = repr(part.value)
    if tree.name.startswith("matches"):
        pattern = regex(part.value)
        given = writer.given(pattern.search if tree.name == "matches" else pattern.fullmatch)
    test = _TEXT_TESTS[tree.name].format(base.code, given)
    return Val("bool3", writer.put(f"None if {base.code} is None else {test}"))


# ---- infix -------------------------------------------------------------------------------------------------------


def binary(writer: Writer, tree: ast.Binary) -> Val:
    """left operator right."""
    sign = tree.operator
    if sign in ("and", "or", "implies", "xor"):
        return _logic(writer, tree)
    left, right = writer.value(tree.left), writer.value(tree.right)
    if sign in ("=", "!="):
        return _equal(writer, left, right, sign)
    if sign in ("<", "<=", ">", ">="):
        return _order(writer, left, right, sign)
    if sign == "in" and left.kind == "one" and right.kind == "many" and _texts(left, right):
        test = f"{left.code} in {right.code}"
        return (
            Val("bool", writer.put(test))
            if left.sure
            else Val("bool3", writer.put(f"{test} if {left.code} is not None else None"))
        )
    if sign == "&" and left.kind == "one" and right.kind == "one" and _texts(left, right):
        return Val("one", writer.put(f"({left.code} or '') + ({right.code} or '')"), "String", sure=True)
    if sign == "+" and left.kind == "one" and right.kind == "one" and {left.type, right.type} <= {"Integer"}:
        return Val("one", writer.put(f"{left.code} + {right.code}"), "Integer", sure=True)
    raise NotDirect


def _texts(left: Val, right: Val) -> bool:
    return left.type in TEXT and right.type in TEXT


def _logic(writer: Writer, tree: ast.Binary) -> Val:
    left = writer.truth(tree.left)
    if tree.operator == "xor":
        right = writer.truth(tree.right)
        if left.kind == right.kind == "bool":
            return Val("bool", writer.put(f"{left.code} is not {right.code}"))
        open_ = f"{left.code} is None or {right.code} is None"
        return Val("bool3", writer.put(f"None if {open_} else {left.code} is not {right.code}"))
    # value that settles the answer on the left, and on the right
    stop, answer = {"and": ("False", "False"), "or": ("True", "True"), "implies": ("False", "True")}[tree.operator]
    result = writer.put(answer)
    writer.line(f"if {left.code} is not {stop}:")
    writer.depth += 1
    right = writer.truth(tree.right)
    settles = "False" if tree.operator == "and" else "True"
    if left.kind == right.kind == "bool":
        writer.line(f"{result} = {right.code}")
    else:
        writer.line(f"if {right.code} is {settles}: {result} = {settles}")
        writer.line(f"elif {left.code} is None or {right.code} is None: {result} = None")
        writer.line(f"else: {result} = {'True' if settles == 'False' else 'False'}")
    writer.depth -= 1
    return Val("bool" if left.kind == right.kind == "bool" else "bool3", result)


def _equal(writer: Writer, left: Val, right: Val, sign: str) -> Val:
    same = "==" if sign == "=" else "!="
    truths = [side.kind in ("bool", "bool3") for side in (left, right)]
    if left.kind == right.kind == "bool":
        return Val("bool", writer.put(f"{left.code} {same} {right.code}"))
    if all(truths) or (left.kind == "one" and left.type == "boolean" and truths[1]):
        pass
    elif left.kind != "one" or right.kind != "one":
        raise NotDirect
    elif left.type in NUMBERS and right.type in NUMBERS:
        left, right = _exact(writer, left), _exact(writer, right)
    elif not _texts(left, right):
        raise NotDirect
    if left.sure and right.sure:
        return Val("bool", writer.put(f"{left.code} {same} {right.code}"))
    open_ = " or ".join(f"{side.code} is None" for side in (left, right) if not side.sure and side.kind != "bool")
    return Val("bool3", writer.put(f"None if {open_} else {left.code} {same} {right.code}"))


def _exact(writer: Writer, value: Val) -> Val:
    """A decimal read as a float is compared by its shortest text; text or booleans in its place go the slow way."""
    if value.sure:
        return value
    return Val(value.kind, writer.put(f"{writer.given(number)}({value.code})"), value.type)


def number(value: Any) -> Any:
    """JSON number → int or Decimal, None stays None."""
    kind = type(value)
    if kind is int or kind is Decimal or value is None:
        return value
    if kind is float:
        return Decimal(repr(value))
    raise Slow


def _order(writer: Writer, left: Val, right: Val, sign: str) -> Val:
    if left.kind != "one" or right.kind != "one":
        raise NotDirect
    if left.type in INSTANTS and right.type in INSTANTS:
        writer.line(f"{writer.given(same_form)}({left.code}, {right.code})")
    elif left.type in NUMBERS and right.type in NUMBERS:
        left, right = _exact(writer, left), _exact(writer, right)
    else:
        raise NotDirect
    if left.sure and right.sure:
        return Val("bool", writer.put(f"{left.code} {sign} {right.code}"))
    open_ = " or ".join(f"{side.code} is None" for side in (left, right) if not side.sure)
    return Val("bool3", writer.put(f"None if {open_} else {left.code} {sign} {right.code}"))


def same_form(left: Any, right: Any) -> None:
    """Raise Slow unless both are absent or dates or seconds of the same form and zone, which sort as text."""
    if left is None or right is None:
        return
    if type(left) is not str or type(right) is not str:
        raise Slow
    size = len(left)
    if size != len(right) or not (size == 10 or (size in (20, 25) and left[19:] == right[19:])):
        raise Slow
    if not (left[:4] + left[5:7] + left[8:10] + right[:4] + right[5:7] + right[8:10]).isdecimal():
        raise Slow
