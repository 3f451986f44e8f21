"""Room `conformance`: invariants of R4 and of profiles. Belongs here: how one is evaluated, by hand or by FHIRPath.

The common ones of R4 are written by hand, keyed by their expression text, so that a profile that words one anew gets
its own words evaluated. Everything else runs through the room `fhirpath`. An empty result has failed, as in the
reference validator. Both ways are compared in the tests.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

from fhir_bladder.conformance import xhtml
from fhir_bladder.conformance.schema import Constraint

AROUND, CONTENT, DEEP = 1, 2, 4
_LEVELS = 3


@dataclass(slots=True)
class Context:
    """Where a value stands: nearest resource, resource that holds it as contained (or the same), Bundle around it.

    index: codings of the resource's arrays, looked up by the acceptor's rules; made when first needed.
    asked: set by whatever looks at more than the value it judges, so that its answer is not kept for equal values:
    AROUND for what lies around the resource, CONTENT for the resource itself; DEEP where a value lies inside more than
    three others of a kind that can hold its like (`depth`), so that how deep it all is must be looked at.
    """

    resource: dict[str, Any]
    root: dict[str, Any]
    bundle: Any = None
    contained: dict[str, Any] = field(default_factory=dict)
    index: dict[Any, Any] = field(default_factory=dict)
    asked: int = 0
    depth: int = 0

    def enter(self) -> None:
        """Into a value that can hold its like: an extension, a resource, an element that refers to one around it."""
        self.depth += 1
        if self.depth > _LEVELS:
            self.asked |= DEEP


Rule = Callable[[dict[str, Any], Context], bool]


def has(value: dict[str, Any], name: str) -> bool:
    """`name.exists()` for a plain element."""
    return name in value or "_" + name in value


def has_choice(value: dict[str, Any], name: str) -> bool:
    """`name.exists()` for a choice such as value[x]."""
    size = len(name)
    return any(
        (k[:size] == name and k[size : size + 1].isupper()) or (k[0] == "_" and k[1 : size + 1] == name) for k in value
    )


def many(value: Any) -> list[Any]:
    """A JSON value as a list of objects."""
    return value if isinstance(value, list) else [] if value is None else [value]


def objects(value: Any) -> list[dict[str, Any]]:
    """The objects among the items of a JSON value."""
    return [item for item in many(value) if isinstance(item, dict)]


def _obs_7(v: dict[str, Any], c: Context) -> bool:
    if not has_choice(v, "value"):
        return True
    code = c.resource.get("code")
    main = many(code.get("coding")) if isinstance(code, dict) else []
    if not main:
        return True
    for component in objects(v.get("component")):
        for inner in objects(component.get("code")):
            if any(coding in main for coding in many(inner.get("coding"))):
                return False
    return True


def _metas(v: dict[str, Any]) -> Iterator[dict[str, Any]]:
    for resource in objects(v.get("contained")):
        yield from objects(resource.get("meta"))


def strings(value: Any) -> Iterator[str]:
    """Every text inside a JSON value, without recursion."""
    stack = [value]
    while stack:
        item = stack.pop()
        if isinstance(item, str):
            yield item
        elif isinstance(item, dict):
            stack.extend(item.values())
        elif isinstance(item, list):
            stack.extend(item)


def orphans(v: dict[str, Any]) -> list[int]:
    """Positions of contained resources that nothing refers to and that do not refer to the container (dom-3)."""
    contained = v.get("contained")
    if not isinstance(contained, list):
        return []
    used = {s for s in strings(v) if s.startswith("#")}
    return [
        number
        for number, resource in enumerate(contained)
        if isinstance(resource, dict)
        and f"#{resource.get('id')}" not in used
        and not any(s == "#" for s in strings(resource))
    ]


def _empty(*names: str) -> Rule:
    return lambda v, _: not any(has(v, n) for n in names)


def _needs(when: str, then: str) -> Rule:
    return lambda v, _: not has(v, when) or has(v, then)


def _any_of(*names: str) -> Rule:
    return lambda v, _: any(has(v, n) for n in names)


def _div(v: Any, _: Context) -> bool:
    return isinstance(v, str) and not xhtml.problem(v)[0]


_HAND: dict[str, Rule] = {
    "contained.contained.empty()": lambda v, _: not any("contained" in r for r in objects(v.get("contained"))),
    "contained.meta.versionId.empty() and contained.meta.lastUpdated.empty()": lambda v, _: (
        not any(has(m, "versionId") or has(m, "lastUpdated") for m in _metas(v))
    ),
    "contained.meta.security.empty()": lambda v, _: not any(has(m, "security") for m in _metas(v)),
    "dataAbsentReason.empty() or value.empty()": lambda v, _: (
        not has(v, "dataAbsentReason") or not has_choice(v, "value")
    ),
    "value.empty() or component.code.where(coding.intersect(%resource.code.coding).exists()).empty()": _obs_7,
    "low.exists() or high.exists() or text.exists()": _any_of("low", "high", "text"),
    "name.exists() or telecom.exists() or address.exists() or organization.exists()": _any_of(
        "name", "telecom", "address", "organization"
    ),
    "code.empty() or system.exists()": _needs("code", "system"),
    "value.empty() or system.exists()": _needs("value", "system"),
    "data.empty() or contentType.exists()": _needs("data", "contentType"),
    "comparator.empty()": _empty("comparator"),
    "orderDetail.empty() or code.exists()": _needs("orderDetail", "code"),
    "(identifier.count() + name.count()) > 0": lambda v, _: bool(many(v.get("identifier"))) or has(v, "name"),
    "where(use = 'home').empty()": lambda v, _: v.get("use") != "home",
    "resource.exists() or request.exists() or response.exists()": lambda v, _: (
        has(v, "request") or has(v, "response") or any(len(r) > 1 for r in objects(v.get("resource")))
    ),
    "fullUrl.contains('/_history/').not()": lambda v, _: "/_history/" not in str(v.get("fullUrl", "")),
    "extension.exists() != value.exists()": lambda v, _: ("extension" in v) != has_choice(v, "value"),
    "htmlChecks()": _div,
    "expression.exists() or reference.exists()": _any_of("expression", "reference"),
}
_FULL_URL = "(type = 'history') or entry.where(fullUrl.exists()).select(fullUrl&resource.meta.versionId).isDistinct()"


def _distinct(v: dict[str, Any], _: Context) -> bool:
    if v.get("type") == "history":
        return True
    seen = set()
    for entry in objects(v.get("entry")):
        url = entry.get("fullUrl")
        if not isinstance(url, str):
            continue
        resource = entry.get("resource")
        meta = resource.get("meta") if isinstance(resource, dict) else None
        key = url + str(meta.get("versionId", "") if isinstance(meta, dict) else "")
        if key in seen:
            return False
        seen.add(key)
    return True


_HAND[_FULL_URL] = _distinct

SKIPPED = frozenset({"ele-1", "dom-3", "dom-6", "txt-1", "txt-2", "ref-1"})
"""Judged by the walker itself (ele-1, dom-3, txt-1, txt-2, ref-1), or a good practice nobody insists on (dom-6)."""

_TRACE = re.compile(r"\.trace\('[^']*'\)")


def hand(expression: str) -> Rule | None:
    """The hand-written rule for an expression of R4, or None."""
    return _HAND.get(" ".join(expression.split()))


def compiled(
    constraint: Constraint, type_name: str, hooks: dict[str, Callable[..., Any]]
) -> Callable[[Any, Any, Context], bool]:
    """(value, sibling, context) → whether the invariant holds. Raises UnsupportedError for what FHIRPath cannot do."""
    rule = hand(constraint.expression)
    if rule is not None:
        return lambda value, _, context: rule(value, context)
    from fhir_bladder import fhirpath  # only where a profile brings its own invariants

    program = fhirpath.compile(constraint.expression, type_name, hooks=hooks)

    def run(value: Any, sibling: Any, context: Context) -> bool:
        return program.truth(value, resource=context.resource, root=context.root, sibling=sibling) is True

    return run
