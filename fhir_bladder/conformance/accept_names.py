"""Room `conformance`: names in the acceptor's generated text. Belongs here: judges of single values, templates."""

from __future__ import annotations

import re
from collections.abc import Callable
from decimal import Decimal
from typing import Any

from fhir_bladder.conformance import invariants, primitives, values, xhtml
from fhir_bladder.conformance.coded import known_code, local_system
from fhir_bladder.conformance.codes import language
from fhir_bladder.conformance.invariants import CONTENT, Context
from fhir_bladder.conformance.schema import Schema
from fhir_bladder.conformance.slicing import equal, fits
from fhir_bladder.errors import BladderError

Accept = Callable[[Any, Context], int]
REFUSALS = (KeyError, TypeError, AttributeError, IndexError, ValueError, ArithmeticError, RecursionError, BladderError)
ROOM = 20_000
_QUICK_DATETIME = re.compile(
    r"(?:19|20)[0-9]{2}-(?:(?:0[1-9]|1[0-2])-(?:0[1-9]|1[0-9]|2[0-8])|(?:0[13-9]|1[0-2])-(?:29|30)|(?:0[13578]|1[02])-31)"
    r"T(?:[01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9]"
    r"(?:\.[0-9]+)?(?:Z|[+-](?:0[0-9]|1[0-3]):[0-5][0-9])",
    re.ASCII,
).fullmatch


PLAIN_DIV = re.compile(
    r'<div xmlns="http://www\.w3\.org/1999/xhtml">'
    r"(?:<p>[0-9A-Za-z][^<>&\x00-\x1f\x7f-\x9f\ud800-\udfff\ufffe\uffff]*</p>)+</div>"
).fullmatch
"""Narratives of plain paragraphs, which need no XML parser."""

MEMO = {
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
        if a and len(a) == 1:
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


def obs_7(o: dict[str, Any]) -> bool:
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


def never(_value: Any, _context: Context) -> int:
    """The function of what is always left to the explainer."""
    return 0


def names(schema: Schema) -> dict[str, Any]:
    """Everything the generated text may name, but `RESOURCE` and what it makes itself."""
    codings: set[tuple[Any, Any]] = set()
    dates: set[str] = set()
    systems: set[str] = set()

    def coded(value: dict[str, Any]) -> bool:
        system, code = value.get("system"), value.get("code")
        if local_system(system, code) or not known_code(schema, system, code):
            return False
        if len(codings) < ROOM:
            codings.add((system, code))
        return True

    def identifier(value: dict[str, Any]) -> bool:
        if values.identifier_problem(value):
            return False
        system = value.get("system")
        if type(system) is str and system != "urn:ietf:rfc:3986" and len(systems) < ROOM:
            systems.add(system)  # with this system nothing more is asked of the value
        return True

    def date(value: Any) -> bool:
        if not _dated("date", value):
            return False
        if len(dates) < ROOM:
            dates.add(value)
        return True

    scope: dict[str, Any] = {
        "NEVER": never,
        "EQUAL": equal,
        "FITS": fits,
        "VALID": _valid,
        "ID": primitives.ID,
        "LANGUAGE": language,
        "QUICK_DATETIME": _QUICK_DATETIME,
        "HASVALUE": lambda o: invariants.has_choice(o, "value"),
        "OBS7": obs_7,
        "SEEN_CODING": set(),
        "SEEN_CONCEPT": set(),
        "SEEN_UNIT": set(),
        "DATED": _dated,
        "OK_date": dates,
        "DATE": date,
        "OK_system": systems,
        "NARRATIVE": _narrative,
        "NUMBER": frozenset((int, float, Decimal)),
        "CODINGS": codings,
        "CODED": coded,
        "IDENTIFIER": identifier,
        "ATTACHMENT": values.attachment_problem,
    }
    for code in ("code", "uri", "string"):
        good: set[str] = set()
        name = "text" if code == "string" else code
        scope[f"OK_{name}"] = good
        scope["TEXT" if code == "string" else f"SLOW_{code}"] = _remembering(code, good)
    return scope


def labelled_twice(meta: dict[str, Any]) -> bool:
    """Whether a security label stands twice in a right `meta`."""
    labels = meta.get("security", ())
    return len(labels) > 1 and len({(str(s.get("system")), s.get("code")) for s in labels}) != len(labels)


def _dated(kind: str, value: Any) -> bool:
    return primitives.valid(kind, value) and not primitives.odd_year(value)


def _valid(code: str, value: Any) -> bool:
    return primitives.valid(code, value)


def asking(rule: Callable[[Any, Context], bool]) -> Callable[[Any, Context], bool]:
    """A rule that looks beyond its value."""

    def run(o: Any, context: Context) -> bool:
        context.asked |= CONTENT
        return rule(o, context)

    return run


def _narrative(value: Any, _: Context) -> bool:
    if type(value) is not str or not 0 < len(value) <= primitives.MAX_STRING:
        return False
    if PLAIN_DIV(value) is not None:
        return True
    message, images = xhtml.problem(value)
    return not message and not images


def _remembering(code: str, good: set[str]) -> Callable[[Any], bool]:
    def slow(value: Any) -> bool:
        if not primitives.valid(code, value) or (code == "string" and primitives.untidy(value)):
            return False
        if len(good) < ROOM and len(value) < 200:
            good.add(value)
        return True

    return slow
