"""Room `exchange`: the life of an exam on the server, as pure functions. May import terminology.

`compare` says in what two states of one exam agree, `decide` which row of the life table applies. Nothing here talks
to a server. Servers rewrite decimals, add ids and resolve references; that is no difference.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Context, Decimal
from typing import Any

from fhir_bladder.exchange.shapes import relative
from fhir_bladder.terminology import names

Resource = Mapping[str, Any]

CREATE, SAME, UPDATE, REPLACE, SUPERSEDED, HELD = "create", "same", "update", "replace", "superseded", "held"

_RANK = {"registered": 0, "preliminary": 0, "final": 1, "cancelled": 1, "amended": 2, "corrected": 2}
_DECLARED = ("amended", "corrected")

_DOUBLE = Context(prec=15, traps=[])
"""Digits that every server keeps: many pass numbers through binary doubles. No number of a server's may raise."""


@dataclass(frozen=True, slots=True)
class Decision:
    """What to do with an exam, and why in words. `code` names the kind of a hold."""

    action: str
    reason: str = ""
    code: str = ""


@dataclass(frozen=True, slots=True)
class Comparison:
    """How our state of an exam agrees with the server's.

    subject: the same patient. measured: time, values, absent reasons. whole: everything that both sides carry.
    """

    subject: bool
    measured: bool
    whole: bool


def declared_status(observation: Resource) -> str:
    """The status as the record stated it, where it had to be lowered to `preliminary` for want of a chosen scan."""
    for extension in observation.get("extension", ()):
        if extension.get("url") == names.STATUS_AS_RECEIVED:
            return str(extension.get("valueCode", "")) or str(observation.get("status", ""))
    return str(observation.get("status", ""))


def decide(ours: str, theirs: str | None, comparison: Comparison | None, *, earlier: bool = False) -> Decision:
    """The row of the life table that applies.

    ours, theirs: status as declared (None: nothing on the server). earlier: our state equals one that the server's
    history shows the exam had before.
    """
    if theirs is None or comparison is None:
        return Decision(CREATE)
    if comparison.subject and comparison.whole and ours == theirs:
        return Decision(SAME)
    if earlier:
        return Decision(SUPERSEDED, "the server has had this version and has a newer one")
    if not comparison.subject:
        return _other_subject(ours)
    if theirs == "entered-in-error":
        if ours != "entered-in-error" and comparison.measured:
            return Decision(SUPERSEDED, "the exam was retracted (entered-in-error) after this version")
        return Decision(HELD, "the exam is retracted on the server and comes with other content", "retracted")
    if ours == "entered-in-error":
        return Decision(UPDATE, "retracted")
    if theirs not in _RANK:
        return Decision(HELD, f"the exam has status {theirs!r} on the server, which we never write", "content-differs")
    if ours in _DECLARED:
        return Decision(UPDATE, ours)
    if _RANK[theirs] == 0 and ours in ("preliminary", "final", "cancelled"):
        return Decision(UPDATE, f"{theirs} becomes {ours}" if ours != theirs else "still preliminary, content changed")
    return _backwards(ours, theirs, comparison)


def _other_subject(ours: str) -> Decision:
    if ours == "corrected":
        return Decision(REPLACE, "the subject was corrected")
    return Decision(
        HELD,
        "the server has this exam on another patient; if the record is right, send it with status corrected",
        "other-subject",
    )


def _backwards(ours: str, theirs: str, comparison: Comparison) -> Decision:
    if ours in _RANK and _RANK[ours] < _RANK[theirs] and comparison.measured:
        return Decision(SUPERSEDED, f"the server has it as {theirs} already")
    return Decision(
        HELD,
        f"the server has this exam ({theirs}) with other content; if the record is right, send it as amended or "
        "corrected",
        "content-differs",
    )


# -- comparing


def subjects(observation: Resource) -> frozenset[str]:
    """Names of the subject: `Patient/id` without host or version, and `system|value` of its identifier."""
    subject = observation.get("subject") or {}
    found = set()
    if reference := relative(subject.get("reference", "")):
        found.add(reference)
    identifier = subject.get("identifier") or {}
    if identifier.get("value"):
        found.add(f"{identifier.get('system', '')}|{identifier['value']}")
    return frozenset(found)


def same_subject(ours: Resource, theirs: Resource) -> bool:
    """Whether two Observations are of one patient: by literal reference where both have one, else by identifier."""
    mine, other = subjects(ours), subjects(theirs)
    mine_literal = {name for name in mine if "|" not in name}
    other_literal = {name for name in other if "|" not in name}
    if mine_literal and other_literal:
        return mine_literal == other_literal
    return bool(mine & other) or (not mine and not other)


def compare(ours: Sequence[Resource], theirs: Sequence[Resource], *, context: bool = True) -> Comparison:
    """Compare two states of one exam, each given as its Observations (one, or a group and its members).

    Members are matched by what they measure, not by their place. What we calculate, other than the volume itself, is
    left out: it follows from the rest, and from whether the exam is verified. context=False: `whole` is not looked at.
    """
    derived = {name for observation in (*ours, *theirs) for name in _calculated(observation)}
    mine, other = _by_key(ours, derived), _by_key(theirs, derived)
    measured = mine.keys() == other.keys() and all(
        _measured(mine[k], derived) == _measured(other[k], derived) for k in mine
    )
    whole = measured and context and all(_context_agrees(mine[k], other[k], derived) for k in mine)
    subject = bool(ours) and bool(theirs) and same_subject(ours[-1], theirs[-1])
    return Comparison(subject, measured, whole)


def _calculated(observation: Resource) -> Iterable[str]:
    """Codes of what is marked as calculated, apart from the volume."""
    for element in (observation, *observation.get("component", ())):
        for extension in element.get("extension", ()):
            if extension.get("url") == names.ORIGIN and extension.get("valueCode") == "calculated":
                code = _code(element.get("code"))
                if code != "volume":
                    yield code


def _components(observation: Resource, derived: set[str]) -> list[Resource]:
    return [c for c in observation.get("component", ()) if _code(c.get("code")) not in derived]


def _by_key(observations: Iterable[Resource], derived: set[str]) -> dict[str, Resource]:
    found: dict[str, Resource] = {}
    for observation in observations:
        if _code(observation.get("code")) in derived:
            continue
        value = next((i.get("value", "") for i in observation.get("identifier", ()) if i.get("value")), "")
        parts = value.split("/")
        found["/".join(part for part in parts[2:] if not is_revision(part))] = observation
    return found


def is_revision(part: str) -> bool:
    """Whether a part of an exam key is a revision (`r1`, `r2`, …), given where a subject was corrected."""
    return part[:1] == "r" and part[1:].isdigit()


def _measured(observation: Resource, derived: set[str]) -> tuple[object, ...]:
    components = sorted(_component_order(c) for c in _components(observation, derived))
    return (
        _moment(observation.get("effectiveDateTime")),
        _code(observation.get("code")),
        _value(observation),
        _extension(observation, names.SCAN_NUMBER),
        tuple(components),
    )


def _context_agrees(ours: Resource, theirs: Resource, derived: set[str]) -> bool:
    if _moment(ours.get("issued")) != _moment(theirs.get("issued")):
        return False
    if [_text(n.get("text")) for n in ours.get("note", ())] != [_text(n.get("text")) for n in theirs.get("note", ())]:
        return False
    if any(not _identifiers_agree(ours, theirs, name) for name in ("encounter", "basedOn", "performer", "device")):
        return False
    if not _extensions_agree(ours, theirs):
        return False
    mine = sorted(_components(ours, derived), key=_component_order)
    other = sorted(_components(theirs, derived), key=_component_order)
    return all(_extensions_agree(a, b) for a, b in zip(mine, other, strict=True))


def _component_order(component: Resource) -> str:
    return repr((_code(component.get("code")), _value(component), _extension(component, names.SCAN_NUMBER)))


def _identifiers_agree(ours: Resource, theirs: Resource, name: str) -> bool:
    """By identifier where both sides have one: a server may have put a reference of its own in its place."""
    mine, other = _identifiers(ours.get(name)), _identifiers(theirs.get(name))
    return mine == other if mine and other else bool(ours.get(name)) == bool(theirs.get(name))


def _identifiers(value: Any) -> list[tuple[str, str]]:
    references = value if isinstance(value, list) else [value] if value else []
    found = [r.get("identifier") or {} for r in references]
    return sorted((i.get("system", ""), i.get("value", "")) for i in found if i.get("value"))


def _extensions_agree(ours: Resource, theirs: Resource) -> bool:
    """Where both carry extensions; a server that keeps none is no difference."""
    mine, other = _extensions(ours), _extensions(theirs)
    return not mine or not other or mine == other


def _extensions(element: Resource) -> list[str]:
    own = (e for e in element.get("extension", ()) if str(e.get("url", "")).startswith(names.BASE))
    return sorted(repr(_plain(e)) for e in own if not _is_spelling(e))


def _is_spelling(value: Any) -> bool:
    """How something was spelt when it was received is no content: `10:35Z` and `10:35:00Z` are the same exam."""
    return isinstance(value, Mapping) and value.get("url") == names.AS_RECEIVED


def _plain(value: Any) -> Any:
    """Numbers without their digits, without what servers add; keys in order."""
    if isinstance(value, Mapping):
        return tuple((k, _plain(v)) for k, v in sorted(value.items()) if not k.startswith("_") and k != "id")
    if isinstance(value, list | tuple):
        return tuple(_plain(item) for item in value if not _is_spelling(item))
    if isinstance(value, int | float | Decimal) and not isinstance(value, bool):
        return _number(value)
    return _moment(value) if isinstance(value, str) else value


def _number(value: Any) -> Any:
    if isinstance(value, bool) or not isinstance(value, int | float | Decimal):
        return value
    number = _DOUBLE.plus(Decimal(str(value)))
    return number.normalize(_DOUBLE) if number else Decimal(0)


def _moment(value: Any) -> Any:
    """A time as the moment it means, so that another offset is no difference; other texts as they are."""
    if not isinstance(value, str) or len(value) < 16 or value[4:5] != "-" or value[10:11] not in ("T", "t"):
        return _text(value)
    try:
        moment = dt.datetime.fromisoformat(value)
        return moment.astimezone(dt.UTC).isoformat() if moment.tzinfo else value
    except (ValueError, OverflowError):  # no time, or one at the edge of the calendar
        return value


def _text(value: Any) -> Any:
    """Texts without the blanks around them, which servers cut."""
    return value.strip() if isinstance(value, str) else value


def _code(concept: Any) -> str:
    """The local code where there is one, else the first coding, else the text."""
    codings = (concept or {}).get("coding") or ()
    for coding in codings:
        if coding.get("system") == names.LOCAL:
            return str(coding.get("code", ""))
    for coding in codings:
        return f"{coding.get('system', '')}|{coding.get('code', '')}"
    return str((concept or {}).get("text", ""))


def _value(element: Resource) -> tuple[object, ...]:
    quantity = element.get("valueQuantity")
    if quantity is not None:
        unit = quantity.get("code") or quantity.get("unit", "")
        return ("quantity", _number(quantity.get("value")), quantity.get("comparator", ""), unit)
    if element.get("dataAbsentReason"):
        return ("absent", _code(element["dataAbsentReason"]))
    if element.get("valueCodeableConcept"):
        return ("code", _code(element["valueCodeableConcept"]))
    for name in ("valueBoolean", "valueInteger", "valueString", "valueDateTime"):
        if name in element:
            return (name, _moment(element[name]))
    return ()


def _extension(element: Resource, url: str) -> object:
    for extension in element.get("extension", ()):
        if extension.get("url") == url:
            return _number(extension.get("valueInteger"))
    return None
