"""Room `conformance`: the acceptor. Belongs here: compiled functions that say yes, or that they do not know.

A yes means that the explainer would find neither an error nor a warning. Whatever is unusual is left to the explainer:
an exception, a key outside the usual ones that cannot be judged here, a number that sits on a limit.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from decimal import Decimal
from typing import Any

from fhir_bladder.conformance import emit, invariants, primitives, values, xhtml
from fhir_bladder.conformance.bundles import Index, entry_problems, restful
from fhir_bladder.conformance.codes import language
from fhir_bladder.conformance.definitions import BASE
from fhir_bladder.conformance.explain import Explainer
from fhir_bladder.conformance.invariants import AROUND, CONTENT, DEEP, Context
from fhir_bladder.conformance.limits import MAX_DEPTH, depth
from fhir_bladder.conformance.memory import remembered
from fhir_bladder.conformance.schema import MISSING, Field, Node, Table, TypeRef
from fhir_bladder.conformance.slicing import codings, equal, extension_url, fits, matchers, undecided
from fhir_bladder.conformance.statement import JUDGED
from fhir_bladder.errors import BladderError

Accept = Callable[[Any, Context], int]
REFUSALS = (KeyError, TypeError, AttributeError, IndexError, ValueError, ArithmeticError, RecursionError, BladderError)
_ROOM = 20_000
_QUICK_DATETIME = re.compile(
    r"(?:19|20)[0-9]{2}-(?:(?:0[1-9]|1[0-2])-(?:0[1-9]|1[0-9]|2[0-8])|(?:0[13-9]|1[0-2])-(?:29|30)|(?:0[13578]|1[02])-31)"
    r"T(?:[01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9]"
    r"(?:\.[0-9]+)?(?:Z|[+-](?:0[0-9]|1[0-3]):[0-5][0-9])",
    re.ASCII,
).fullmatch


_PLAIN_DIV = re.compile(
    r'<div xmlns="http://www\.w3\.org/1999/xhtml">'
    r"(?:<p>[0-9A-Za-z][^<>&\x00-\x1f\x7f-\x9f\ud800-\udfff\ufffe\uffff]*</p>)+</div>"
).fullmatch
"""Narratives of plain paragraphs, which need no XML parser."""

_MEMO = {
    "Coding": """def NAME(o, C):
    if len(o) == 3:
        key = (o.get('system'), o.get('code'), o.get('display'))
        if key in SEEN_CODING: return 1
        if None not in key:
            if not NAME_full(o, C): return 0
            if len(SEEN_CODING) < 20000: SEEN_CODING.add(key)
            return 1
    return NAME_full(o, C)
""",
    "CodeableConcept": """def NAME(o, C):
    if len(o) == 2:
        a = o.get('coding')
        if type(a) is list and len(a) == 1:
            a = a[0]
            if len(a) == 3:
                key = (o.get('text'), a.get('system'), a.get('code'), a.get('display'))
                if key in SEEN_CONCEPT: return 1
                if None not in key:
                    if not NAME_full(o, C): return 0
                    if len(SEEN_CONCEPT) < 20000: SEEN_CONCEPT.add(key)
                    return 1
    return NAME_kept(o, C)
""",
    "Reference": """def NAME(o, C):
    return NAME_kept(o, C) if 'identifier' in o else NAME_full(o, C)
""",
    "Meta": """def NAME(o, C):
    return NAME_full(o, C) if 'lastUpdated' in o else NAME_kept(o, C)
""",
    "Quantity": """def NAME(o, C):
    if len(o) == 4:
        key = (o.get('unit'), o.get('system'), o.get('code'))
        if key in SEEN_UNIT: return 1 if type(o['value']) in NUMBER else 0
        if None not in key:
            if not NAME_full(o, C): return 0
            if 'value' in o and len(SEEN_UNIT) < 20000: SEEN_UNIT.add(key)
            return 1
    return NAME_full(o, C)
""",
}
"""What repeats from resource to resource is looked up: objects of the usual shape whose texts were judged before."""


_VALUES = frozenset(
    start + kind
    for start in ("value", "_value")
    for kind in (
        "Quantity", "CodeableConcept", "String", "Boolean", "Integer", "Range", "Ratio", "SampledData", "Time",
        "DateTime", "Period",
    )
)  # fmt: skip
"""Keys of Observation.value[x] in R4."""


def _obs_7(o: dict[str, Any]) -> bool:
    """Whether obs-7 is broken, for objects with the usual keys only."""
    if _VALUES.isdisjoint(o):
        return False
    main = o["code"].get("coding")
    if not main:
        return False
    for component in o["component"]:
        for coding in component["code"].get("coding", ()):
            if coding in main:
                return invariants.has_choice(o, "value")
    return False


def _never(_value: Any, _context: Context) -> int:
    return 0


class Acceptor:
    """Compiled checks for the tables of an explainer's schema, made on demand.

    drop: labels of checks to leave out, for the proof that each is needed. `labels` lists those made so far.
    """

    def __init__(self, explainer: Explainer, drop: Iterable[str] = ()) -> None:
        self.explainer = explainer
        self.schema = explainer.schema
        self.drop = frozenset(drop)
        self.labels: dict[str, None] = {}
        self._names: dict[tuple[int, str], str] = {}
        self._keep: list[Any] = []
        self._roots: dict[tuple[str, tuple[str, ...]], tuple[Accept, ...]] = {}
        self._wanted: dict[str, tuple[str, ...]] = {}
        self.quick: dict[str, str] = {}
        self.slow: dict[str, str] = {}
        self._fields: dict[int, dict[str, Accept]] = {}
        self._rests: dict[int, Accept] = {}
        self._only: dict[tuple[str, tuple[str, ...]], Table | None] = {}
        self._picks: dict[int, Callable[[Any], int] | None] = {}
        self._pending: dict[str, Callable[[], None]] = {}
        self._codings: set[tuple[Any, Any]] = set()
        self.scope: dict[str, Any] = self._scope()

    # entry

    def accepts(self, value: Any, wanted: tuple[str, ...] = (), bundle: Any = None) -> bool:
        """Whether a parsed resource is known to be without error and warning."""
        try:
            return bool(self._resource(value, wanted, None, index=bundle))
        except REFUSALS:
            return False

    def clean(self, value: dict[str, Any], table: Table, context: Context) -> bool:
        """The same for one object inside a resource, for the explainer to skip what is right."""
        context.depth = 0
        try:
            return bool(self.scope[self.table_function(table)](value, context))
        except REFUSALS:
            return False

    def right_keys(
        self, value: dict[str, Any], table: Table, context: Context, known: frozenset[str] = frozenset()
    ) -> frozenset[str]:
        """Keys of an object in whose values nothing is to be found, beside those `known`; none with a `_key`."""
        accepts = self._fields.get(id(table))
        if accepts is None:
            accepts = self._fields[id(table)] = {}
            self._keep.append(table)
        found = []
        for key, item in value.items():
            if item is None or key in known or "_" + key in value:
                continue
            accept = accepts.get(key)
            if accept is None:
                field = table.fields.get(key)
                accept = accepts[key] = _never if field is None else self.whole(table, field)
            context.depth = 0
            try:
                if accept(item, context):
                    found.append(key)
            except REFUSALS:
                continue
        return frozenset(found)

    def rules_hold(self, value: dict[str, Any], table: Table, context: Context) -> bool:
        """Whether all invariants of an object are known to hold."""
        if "contained" in value or table.type == "Extension" or any(key[:1] == "_" for key in value):
            return False  # not what `rest` is for
        holds = self._rests.get(id(table))
        if holds is None:
            holds = self._rests[id(table)] = self.rest(table, frozenset())
        try:
            return bool(holds(value, context))
        except REFUSALS:
            return False

    def slice_of(self, value: Any, table: Table, field: Field) -> int | None:
        """The number of an item's slice, -1 for none; None where it is not known."""
        key = id(field.node)
        if key not in self._picks:
            picked = self.slicer(table, field)
            self._picks[key] = None if picked is None else self.scope[picked[0]]
            self._keep.append(field.node)
        pick = self._picks[key]
        try:
            return None if pick is None else pick(value)
        except REFUSALS:
            return None

    def _resource(
        self, value: Any, wanted: tuple[str, ...], outer: Context | None, contained: bool = False, index: Any = None
    ) -> int:  # fmt: skip
        name = value["resourceType"]
        meta = value.get("meta")
        claimed = tuple(meta["profile"]) if meta is not None and "profile" in meta else ()
        key = (name, claimed + wanted)
        roots = self._roots.get(key)
        if roots is None:
            roots = self._roots_of(name, claimed + wanted)
            if len(self._roots) < 1000:
                self._roots[key] = roots
        inner = value.get("contained")
        if contained and outer is not None:
            if inner is not None or "id" not in value:
                return 0
            context = Context(value, outer.root, outer.bundle, outer.contained)
        elif inner is None:
            context = Context(value, value, outer.bundle if outer is not None else None)
        else:
            held = {r["id"]: r for r in inner}
            if len(held) != len(inner) or invariants.orphans(value):
                return 0
            context = Context(value, value, outer.bundle if outer is not None else None, held)
        if outer is not None:
            context.depth = outer.depth
            context.enter()
        if name == "Bundle":
            context.bundle = Index(value) if index is None else index
            if self.check("Bundle:entries") and next(entry_problems(value), None) is not None:
                return 0
        for root in roots:
            if not root(value, context):
                return 0
        if context.asked & DEEP:
            if outer is not None:
                outer.asked |= DEEP
            elif depth(value) > MAX_DEPTH:
                return 0
        return 0 if meta is not None and labelled_twice(meta) else 1

    def _roots_of(self, name: str, profiles: tuple[str, ...]) -> tuple[Accept, ...]:
        tables = self._tables_of(name, profiles)
        return (_never,) if tables is None else tuple(map(self._callable, tables))

    def _tables_of(self, name: str, profiles: tuple[str, ...]) -> list[Table] | None:
        """The tables that together say all that is asked of a resource; None where it cannot be judged here."""
        base = self.schema.type_tree(name)
        if base is None or name not in JUDGED:
            return None
        urls = [u for u in dict.fromkeys(profiles) if u.partition("|")[0] != BASE + name]
        found: list[Table] = []
        covered = False
        for url in urls:
            tree = self.schema.tree(url)
            if tree is None or (tree.path != name and tree.path not in self.schema.ancestors(name)):
                return None
            covered = covered or (tree.path == name and self.schema.catalogue.generated(url))
            found.append(self.schema.table(tree, name))
        if not covered:
            found.append(self.schema.table(base, name))
        return found

    def _callable(self, table: Table) -> Accept:
        accept: Accept = self.scope[self.table_function(table)]
        return accept

    # functions

    def table_function(self, table: Table) -> str:
        """Name of the function for a table; the function is made when it is first called."""
        key = (id(table), "")
        name = self._names.get(key)
        if name is None:
            name = self._names[key] = f"f{len(self._names)}_" + re.sub(r"\W", "_", table.name)
            self._keep.append(table)

            def build() -> None:
                text = emit.source(table, name, self)
                if table.type in _MEMO and self.schema.type_tree(table.type) is table.node:
                    text = _MEMO[table.type].replace("NAME", name) + text.replace(
                        f"def {name}(", f"def {name}_full(", 1
                    )
                exec(compile(text, f"<acceptor {table.name}>", "exec"), self.scope)  # noqa: S102 - our own text
                if f"{name}_kept" in text:
                    self.scope[f"{name}_kept"] = remembered(self.scope[f"{name}_full"])
                elif table.type == "CodeableConcept":
                    self.scope[name] = remembered(self.scope[name])
                self._pending.pop(name, None)
                self._roots.clear()  # roots kept by value must see the made function, not its maker

            def make(o: Any, context: Context) -> int:
                build()
                return int(self.scope[name](o, context))

            self._pending[name] = build
            self.scope[name] = make
        return name

    def _now(self, table: Table) -> Accept:
        """The function for a table itself, made at once. It expects an object."""
        name = self.table_function(table)
        build = self._pending.get(name)
        if build is not None:
            build()
        made: Accept = self.scope[name]
        return made

    def function(self, node: Node, code: str) -> str:
        """Name of the function for a node's value."""
        return self.table_function(self.table_of(node, code))

    def table_of(self, node: Node, code: str) -> Table:
        """The table for a node's value; nodes that add nothing share their type's."""
        definition = self.schema.type_tree(code)
        if definition is not None and not node.kids:
            known = {(c.key, c.expression) for c in definition.constraints}
            if all((c.key, c.expression) in known or c.key in invariants.SKIPPED for c in node.constraints):
                return self.schema.table(definition, code)
        return self.schema.table(node, code)

    def resource(self, code: str) -> bool:
        """Whether a type is a resource's."""
        return code in self.explainer.names

    def profile(self, url: str, code: str) -> str:
        """Name of the function for a profile on a datatype."""
        tree = self.schema.tree(url)
        return "NEVER" if tree is None else self.table_function(self.schema.table(tree, code))

    def constant(self, value: Any) -> str:
        """A name for a constant, or for a helper described by a tuple."""
        if isinstance(value, tuple):
            kind = value[0]
            if kind == "choice":
                value = self._choice(value[1], value[2])
            elif kind == "primitive":
                value = self._primitive_rules(value[1], value[2])
            elif kind == "range":
                value = self._range(value[1])
        name = f"K{len(self._keep)}"
        self._keep.append(value)
        self.scope[name] = value
        return name

    def check(self, label: str) -> bool:
        """Register a check; False where it is to be left out."""
        self.labels[label] = None
        return label not in self.drop

    def rule_text(self, table: Table, expression: str) -> str | None:
        """An invariant as an expression on `o` and `C`; None where it is a function of its own."""
        if invariants.hand(expression) is not None:
            return None
        from fhir_bladder.conformance import quick  # brings FHIRPath in: only where needed

        try:
            text = quick.text(expression, table.focus, table.resource, self.scope)
        except (quick.Beyond, BladderError):
            return None
        self.quick[expression] = table.focus
        return text

    def rule(self, table: Table, expression: str) -> str:
        """Name of a function (object, context) → whether the invariant holds."""
        key = (id(table), expression)
        name = self._names.get(key)
        if name is None:
            constraint = next(c for c in table.constraints if c.expression == expression)
            hand = invariants.hand(expression)
            if hand is None:
                from fhir_bladder.conformance.quick import Beyond, write  # brings FHIRPath in: only where needed

                try:
                    quick = write(expression, table.focus, table.resource)
                except (Beyond, BladderError):
                    quick = None
                made = self.explainer.rule(constraint, table.focus)
                if quick is not None:
                    name = self._names[key] = self.constant(quick)
                    self.quick[expression] = table.focus
                    return name
                self.slow[expression] = table.focus

                far = CONTENT if "%" in expression or "resolve" in expression else AROUND

                def run(o: Any, context: Context) -> bool:
                    context.asked |= far
                    return made(o, None, context)

                hand = run
            elif "%" in expression or "resolve" in expression:
                hand = _asking(hand)
            name = self._names[key] = self.constant(hand)
        return name

    def _primitive_rules(self, node: Node, ref: TypeRef) -> Accept:
        made = [self.explainer.rule(c, ref.code) for c in node.constraints if c.key not in invariants.SKIPPED]

        def judge(value: Any, context: Context) -> int:
            context.asked |= CONTENT
            return int(all(rule(value, None, context) for rule in made))

        return judge

    def _range(self, node: Node) -> Callable[[Any], bool]:
        low, high = node.min_value, node.max_value

        def inside(value: Any) -> bool:
            # a float on the limit may stand for a number beyond it; only whole numbers are exact here
            exact = type(value) is not float
            if low is not None and not (value > low or (exact and value == low)):
                return False
            return high is None or value < high or (exact and bool(value == high))

        return inside if not isinstance(low, dict) and not isinstance(high, dict) else lambda _: False

    def binding(self, node: Node) -> str:
        """Name of a function value → whether its codes hold to the binding; answers are remembered."""
        bound = node.binding
        assert bound is not None and bound.value_set is not None
        value_set, required = bound.value_set, bound.strength == "required"
        quantity = any(t.code in values.QUANTITIES for t in node.types)
        good: set[tuple[Any, Any]] = set()

        def holds(value: Any) -> bool:
            if quantity and not required:
                return True
            if type(value) is dict:
                for coding in value.get("coding", ()):
                    system = coding.get("system")
                    if system is not None and (system, coding.get("code")) in good:
                        return True
            pairs = list(codings(value))
            for pair in pairs:
                if pair in good:
                    return True
            for system, code in pairs:
                inside = value_set.has(system, code)
                if inside or (inside is None and not required):  # undecided is told where it matters
                    if len(good) < _ROOM:
                        good.add((system, code))
                    return True
            return not pairs and not required

        return self.constant(holds)

    def target(self, node: Node, ref: TypeRef) -> str:
        """Name of a function (Reference, context) → whether it leads where it may, without a warning."""
        allowed = frozenset(values.target_types(self.schema, ref))
        names = allowed or self.explainer.names
        ident = primitives.ID
        kind_of = self.schema.catalogue.base.kind
        blank = re.compile(r"\s").search

        def leads(value: dict[str, Any], context: Context) -> int:
            link = value.get("reference")
            if "type" in value and kind_of(value["type"]) != "resource":
                return 0
            if link is None:
                return "_reference" not in value or 0
            context.asked |= AROUND
            if context.bundle is None:
                kind, _, rest = link.partition("/")
                if kind in names and ident(rest) is not None and value.get("type", kind) == kind:
                    return 1
            if blank(link):
                return 0
            target = values.resolve(link, context)
            if target is None:
                parts = restful(link)
                if parts is None:
                    if context.bundle is not None and link.startswith("urn:"):
                        return 0
                    if "type" in value and allowed and value["type"] not in allowed:
                        return 0
                    return 0 if link[0] == "#" or values.form(link) is None else 1
                found = parts[1]
                if kind_of(found) != "resource":
                    return 0
            else:
                found = target["resourceType"]
            return int((not allowed or found in allowed) and value.get("type", found) == found)

        return self.constant(leads)

    # slices and choices

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
        quick = self._by_code(node) or self._by_url(node)
        code = field.type.code
        if quick is None:

            def quick(item: Any) -> int:
                for number, (_, _, match) in enumerate(made):
                    if match(item, code):
                        return number
                return -1

        return self.constant(quick), node.slices

    def _by_code(self, node: Node) -> Callable[[Any], int] | None:
        """Slices told apart by one coding each, the usual case: a look-up instead of trying all."""
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
        size = len(node.slices)

        def pick(item: Any) -> int:
            found = item["code"].get("coding", ())
            if len(found) == 1:
                only = found[0]
                return table.get((only.get("system"), only.get("code")), -1)
            best = size
            for coding in found:
                number = table.get((coding.get("system"), coding.get("code")), size)
                best = min(best, number)
            return best if best < size else -1

        return pick

    def _by_url(self, node: Node) -> Callable[[Any], int] | None:
        """Extensions told apart by their url."""
        if node.discriminators != (("value", "url"),):
            return None
        table: dict[str, int] = {}
        for number, (_, piece) in enumerate(node.slices):
            url = extension_url(self.schema, piece)
            if url is None:
                return None
            table.setdefault(url, number)
        return lambda item: table.get(item["url"], -1)

    def _choice(self, table: Table, field: Field) -> Accept:
        node = field.node
        try:
            made = matchers(self.schema, node)
        except BladderError:
            return _never
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

        return judge

    def single(self, table: Table, field: Field, node: Node, ref: TypeRef) -> Accept:
        """A function for one value of a node, made from the same statements as inline ones."""
        name = f"g{len(self._keep)}"
        self._keep.append(node)
        label = f"{table.name}.{field.key}"
        if node is not field.node:
            label += f":{node.ident.rpartition(':')[2]}"
        lines = [
            f"def {name}(v, C):",
            *("    " + line for line in emit.item(node, ref, "v", self, label)),
            "    return 1",
        ]
        exec(compile("\n".join(lines), f"<acceptor {label}>", "exec"), self.scope)  # noqa: S102 - our own text
        made: Accept = self.scope[name]
        return made

    def whole(self, table: Table, field: Field) -> Accept:
        """A function for the value of a key as it stands in JSON, array or not."""
        name = f"g{len(self._keep)}"
        self._keep.append(field)
        lines = [f"def {name}(v, C):", *("    " + line for line in emit.body(table, field, "v", self)), "    return 1"]
        exec(compile("\n".join(lines), f"<acceptor {table.name}.{field.key}>", "exec"), self.scope)  # noqa: S102
        made: Accept = self.scope[name]
        return made

    # for the front tier

    refusals = REFUSALS

    @staticmethod
    def labelled_twice(meta: dict[str, Any]) -> bool:
        """Whether a security label stands twice in a right `meta`."""
        return labelled_twice(meta)

    def only_table(self, name: str, profiles: tuple[str, ...]) -> Table | None:
        """The one table that judges resources of a type with these profiles; None where there are several or none."""
        key = (name, profiles)
        if key not in self._only:
            tables = self._tables_of(name, profiles)
            if len(self._only) >= 1000:
                self._only.clear()
            self._only[key] = tables[0] if tables is not None and len(tables) == 1 else None
        return self._only[key]

    def rest(self, table: Table, without: frozenset[str]) -> Accept:
        """What is asked of an object beyond its keys and their values, except the expressions `without`.

        No object with `contained`.
        """
        name = f"r{len(self._keep)}"
        self._keep.append(table)
        lines = [*emit.beyond(table, self, without), *emit.typed(table, self), "return 1"]
        text = "\n".join([f"def {name}(o, C):", *("    " + line for line in lines)])
        exec(compile(text, f"<acceptor {table.name}>", "exec"), self.scope)  # noqa: S102 - our own text
        made: Accept = self.scope[name]
        return made

    # the unusual keys

    def general(self, table: Table, name: str, inline: tuple[str, ...]) -> str:
        """Name of the function for objects with keys beyond the inline ones."""
        known = frozenset(inline)
        made: dict[str, Accept] = {}
        beside: dict[str, Accept] = {}
        rules: list[Accept] | None = None
        fields = table.fields
        choices = [c for c in table.choices.values() if len(c[1]) > 1]
        if choices and not self.check(f"{table.name}:choice-twice"):
            choices = []
        content = not table.resource and self.check(f"{table.name}:ele-1")
        required = [
            table.choices[n.name][1]
            for n in table.required
            if n.choice and self.check(f"{table.name}.{n.name}[x]:needed")
        ]
        plain = [
            n.name
            for n in table.required
            if not n.choice and n.name not in known and self.check(f"{table.name}.{n.name}:needed")
        ]
        typed = self._typed(table)

        def judge(o: dict[str, Any], context: Context) -> int:
            nonlocal rules
            others = False
            for key, value in o.items():
                if key in known:
                    if value is None:
                        return 0
                    others = True
                    continue
                field = fields.get(key)
                if field is None:
                    if key == "resourceType" and table.resource:
                        continue
                    field = fields.get(key[1:]) if key[0] == "_" else None
                    if field is None or not field.primitive or field.node.many:
                        return 0
                    accept = beside.get(key)
                    if accept is None:
                        accept = beside[key] = self._beside(field)
                    if not accept(value, context) or (
                        field.key not in o and (field.node.binding or (len(value) < 2 and "id" in value))
                    ):
                        return 0
                    others = True
                    continue
                accept = made.get(key)
                if accept is None:
                    accept = made[key] = self.whole(table, field)
                if value is None or not accept(value, context):
                    return 0
                if key != "id":
                    others = True
            if content and not others:
                return 0
            for _, keys in choices:
                count = 0
                for key in keys:
                    if key in o or "_" + key in o:
                        count += 1
                if count > 1:
                    return 0
            for name in plain:
                if name not in o:
                    return 0
            for keys in required:
                if not any(key in o for key in keys):
                    return 0
            if rules is None:
                rules = [self.scope[r] for r in emit.rules(table, self)]
            for rule in rules:
                if not rule(o, context):
                    return 0
            return 1 if typed is None or typed(o) else 0

        return self.constant(judge)

    def _typed(self, table: Table) -> Callable[[Any], bool] | None:
        lines = list(emit.typed(table, self))
        if not lines:
            return None
        name = f"t{len(self._keep)}"
        self._keep.append(table)
        text = "\n".join([f"def {name}(o):", *("    " + line for line in lines), "    return 1"])
        exec(compile(text, f"<acceptor {table.name}>", "exec"), self.scope)  # noqa: S102 - our own text
        made: Callable[[Any], bool] = self.scope[name]
        return made

    def _beside(self, field: Field) -> Accept:
        """The object beside a primitive: `id` and `extension` only."""
        node = field.node
        if any(c.key not in invariants.SKIPPED for c in node.constraints) or node.max == 0:
            return _never
        if node.fixed is not MISSING:
            return _never
        table = self.explainer.sibling_table(self.schema.table(node, field.type.code))
        self._keep.append(table)
        return self._later(table)

    def beside(self, field: Field) -> str:
        """Name of the function for the object beside a primitive."""
        return self.constant(self._beside(field))

    def _later(self, table: Table) -> Accept:
        name = self.table_function(table)
        return lambda value, context: int(type(value) is dict and self.scope[name](value, context))

    # extensions

    def extension(self, table: Table, field: Field) -> str:
        """Name of a function (array of extensions, context) → whether each may stand there and is right."""
        node = field.node
        single: dict[tuple[str, int], Accept] = {}
        picked = self.slicer(table, field)
        if picked is None:
            return self.constant(_never)
        pick = self.scope[picked[0]]
        pieces = picked[1]
        label = f"{table.name}.{field.key}"
        bounds = [
            (n, p.min if self.check(f"{label}:{name}:min") else 0, p.max if self.check(f"{label}:{name}:max") else None)
            for n, (name, p) in enumerate(pieces)
        ]
        bounds = [b for b in bounds if b[1] or b[2] is not None]
        closed = node.rules == "closed" and self.check(f"{label}:closed")
        by_url = not pieces or self._by_url(node) is not None
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
                return _never, 0
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
            return _never
        steps: list[Accept] = []
        part = node is not field.node and bool(node.kids)
        ref = node.types[0] if node.types else TypeRef("Extension")
        if part:
            steps.append(self._now(self.schema.table(node, "Extension")))
        if not (part and not ref.profiles and extension_url(self.schema, node) == url):
            for profile in ref.profiles or (url,):
                tree = self.schema.tree(profile) if values.absolute(url) else None
                if tree is None or tree.path != "Extension":
                    return _never
                if (field.node.name == "modifierExtension") != tree.modifier:
                    return _never
                if values.misplaced(self.schema, url, table):
                    return _never
                steps.append(self._now(self.schema.table(tree, "Extension")))
        if len(steps) == 1:
            return steps[0]
        return lambda value, context: int(all(step(value, context) for step in steps))

    # names used by the generated text

    def _scope(self) -> dict[str, Any]:
        scope: dict[str, Any] = {
            "NEVER": _never,
            "EQUAL": equal,
            "FITS": fits,
            "VALID": _valid,
            "ID": primitives.ID,
            "LANGUAGE": language,
            "QUICK_DATETIME": _QUICK_DATETIME,
            "HASVALUE": lambda o: invariants.has_choice(o, "value"),
            "OBS7": _obs_7,
            "SEEN_CODING": set(),
            "SEEN_CONCEPT": set(),
            "SEEN_UNIT": set(),
            "DATED": _dated,
            "OK_date": set(),
            "DATE": lambda v: self._date(v),
            "OK_system": set(),
            "NARRATIVE": _narrative,
            "NUMBER": frozenset((int, float, Decimal)),
            "CODINGS": self._codings,
            "CODED": self._coded,
            "IDENTIFIER": lambda o: self._identifier(o),
            "ATTACHMENT": values.attachment_problem,
            "RESOURCE": lambda v, context: self._inner(v, context),
        }
        for code in ("code", "uri", "string"):
            good: set[str] = set()
            name = "text" if code == "string" else code
            scope[f"OK_{name}"] = good
            scope["TEXT" if code == "string" else f"SLOW_{code}"] = _remembering(code, good)
        return scope

    def _coded(self, value: dict[str, Any]) -> bool:
        system, code = value.get("system"), value.get("code")
        if values.local_system(system, code) or not values.known_code(self.schema, system, code):
            return False
        if len(self._codings) < _ROOM:
            self._codings.add((system, code))
        return True

    def _identifier(self, value: dict[str, Any]) -> bool:
        if values.identifier_problem(value):
            return False
        good, system = self.scope["OK_system"], value.get("system")
        if type(system) is str and system != "urn:ietf:rfc:3986" and len(good) < _ROOM:
            good.add(system)  # with this system nothing more is asked of the value
        return True

    def _date(self, value: Any) -> bool:
        if not _dated("date", value):
            return False
        if len(self.scope["OK_date"]) < _ROOM:
            self.scope["OK_date"].add(value)
        return True

    def _inner(self, value: Any, context: Context) -> int:
        context.asked |= CONTENT
        contained = context.root.get("contained")
        inside = contained is not None and any(value is r for r in contained)
        return self._resource(value, (), context, inside)


def labelled_twice(meta: dict[str, Any]) -> bool:
    """Whether a security label stands twice in a right `meta`."""
    labels = meta.get("security", ())
    return len(labels) > 1 and len({(str(s.get("system")), s.get("code")) for s in labels}) != len(labels)


def _dated(kind: str, value: Any) -> bool:
    return primitives.valid(kind, value) and not primitives.odd_year(value)


def _valid(code: str, value: Any) -> bool:
    return primitives.valid(code, value)


def _asking(rule: Callable[[Any, Context], bool]) -> Callable[[Any, Context], bool]:
    """A rule that looks beyond its value."""

    def run(o: Any, context: Context) -> bool:
        context.asked |= CONTENT
        return rule(o, context)

    return run


def _narrative(value: Any, _: Context) -> bool:
    if type(value) is not str or not 0 < len(value) <= primitives.MAX_STRING:
        return False
    if _PLAIN_DIV(value) is not None:
        return True
    message, images = xhtml.problem(value)
    return not message and not images


def _remembering(code: str, good: set[str]) -> Callable[[Any], bool]:
    def slow(value: Any) -> bool:
        if not primitives.valid(code, value) or (code == "string" and primitives.untidy(value)):
            return False
        if len(good) < _ROOM and len(value) < 200:
            good.add(value)
        return True

    return slow
