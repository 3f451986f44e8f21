"""Room `conformance`: code systems and value sets, expanded in memory. Belongs here: membership, nothing else.

A value set answers True (in), False (not in) or None (cannot be decided offline: a part of it is unknown here).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

MIME = "urn:ietf:bcp:13"
LANGUAGE = "urn:ietf:bcp:47"
UCUM = "http://unitsofmeasure.org"
CURRENCY = "urn:iso:std:iso:4217"

LANGUAGE_TAG = re.compile(r"(?:[a-zA-Z]{2,3}|[xiXI](?=-))(?:-[a-zA-Z0-9]{1,8})*", re.ASCII).fullmatch


_REGISTERED = (
    "aa ab ae af ak am an ar as av ay az ba be bg bh bi bm bn bo br bs ca ce ch co cr cs cu cv cy da de dv dz ee "
    "el en eo es et eu fa ff fi fj fo fr fy ga gd gl gn gu gv ha he hi ho hr ht hu hy hz ia id ie ig ii ik in io "
    "is it iu iw ja ji jv jw ka kg ki kj kk kl km kn ko kr ks ku kv kw ky la lb lg li ln lo lt lu lv mg mh mi mk "
    "ml mn mo mr ms mt my na nb nd ne ng nl nn no nr nv ny oc oj om or os pa pi pl ps pt qu rm rn ro ru rw sa sc "
    "sd se sg sh si sk sl sm sn so sq sr ss st su sv sw ta te tg th ti tk tl tn to tr ts tt tw ty ug uk ur uz ve "
    "vi vo wa wo xh yi yo za zh zu"
)
"""Two-letter languages of the IANA Language Subtag Registry (BCP 47), the withdrawn `bh in iw ji jw mo` among them.

The others are those of ISO 639-1. Compared on 2026-11-25 with PyPI pycountry 26.2.16 (184 codes) and language-tags
1.3.2 (190). Tags of three letters are checked for their form only.
"""


_LANGUAGES = frozenset(_REGISTERED.split())


def language(tag: str) -> bool:
    """Whether a text is a BCP 47 tag whose primary subtag is registered, as far as that is known here."""
    if LANGUAGE_TAG(tag) is None:
        return False
    first = tag.partition("-")[0].lower()
    return len(first) != 2 or first in _LANGUAGES


@dataclass(slots=True)
class CodeSystem:
    """Codes of one system. `complete` is False where the definition holds only some of them."""

    url: str
    codes: frozenset[str]
    complete: bool = True
    case_sensitive: bool = True
    parents: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    _lower: frozenset[str] | None = None

    def has(self, code: str) -> bool | None:
        """Whether `code` belongs to the system; None where the definition is not complete enough to say."""
        if code in self.codes:
            return True
        if not self.case_sensitive:
            if self._lower is None:
                self._lower = frozenset(c.lower() for c in self.codes)
            if code.lower() in self._lower:
                return True
        return False if self.complete else None

    def descendants(self, root: str) -> set[str]:
        """`root` and everything below it (is-a)."""
        children: dict[str, list[str]] = {}
        for code, parents in self.parents.items():
            for parent in parents:
                children.setdefault(parent, []).append(code)
        found: set[str] = set()
        queue = [root]
        while queue:
            code = queue.pop()
            if code not in found:
                found.add(code)
                queue.extend(children.get(code, ()))
        return found


def code_system(resource: Mapping[str, Any]) -> CodeSystem:
    """Read a FHIR CodeSystem, hierarchy by nesting and by the `subsumedBy` and `parent` properties."""
    codes: list[str] = []
    parents: dict[str, tuple[str, ...]] = {}
    queue: list[tuple[Mapping[str, Any], str]] = [(c, "") for c in resource.get("concept", ())]
    while queue:
        concept, above = queue.pop()
        code = concept.get("code")
        if not isinstance(code, str):
            continue
        codes.append(code)
        up = [above] if above else []
        for item in concept.get("property", ()):
            if item.get("code") in ("subsumedBy", "parent"):
                up += [v for k, v in item.items() if k.startswith("value") and isinstance(v, str)]
        if up:
            parents[code] = parents.get(code, ()) + tuple(up)
        queue += [(c, code) for c in concept.get("concept", ())]
    return CodeSystem(
        resource["url"],
        frozenset(codes),
        resource.get("content", "complete") == "complete",
        bool(resource.get("caseSensitive", True)),
        parents,
    )


@dataclass(slots=True)
class ValueSet:
    """An expanded value set: codes by system; `whole` systems are taken as they are; `open` parts are unknown.

    beyond: the systems the unknown parts may take codes from; None where that is not known either.
    """

    url: str
    codes: Mapping[str, frozenset[str]]
    whole: frozenset[str] = frozenset()
    open: bool = False
    system_of: Callable[[str], CodeSystem | None] = lambda _: None
    unit: Callable[[str], bool] | None = None
    beyond: frozenset[str] | None = None

    def has(self, system: str | None, code: str) -> bool | None:
        """Membership of a coding; `system` None means a plain `code`, matched in any system of the set."""
        if system is None:
            answers = [self.has(s, code) for s in (*self.codes, *self.whole)]
            if True in answers:
                return True
            return None if self.open or None in answers else False
        if code in self.codes.get(system, ()):
            return True
        if system in self.whole:
            return self._whole(system, code)
        if system in self.codes:
            known = self.system_of(system)
            if known is not None and not known.case_sensitive:
                lower = code.lower()
                if any(c.lower() == lower for c in self.codes[system]):
                    return True
        return None if self.open and (self.beyond is None or system in self.beyond) else False

    def _whole(self, system: str, code: str) -> bool | None:
        special = special_system(system, code, self.unit)
        if special is not None:
            return special
        known = self.system_of(system)
        return None if known is None else known.has(code)

    def listed(self) -> frozenset[str] | None:
        """Every code, where the set is closed and lists them; None otherwise."""
        if self.open:
            return None
        result: set[str] = set()
        for codes in self.codes.values():
            result |= codes
        for system in self.whole:
            known = self.system_of(system)
            if known is None or not known.complete:
                return None
            result |= known.codes
        for system in (*self.codes, *self.whole):
            known = self.system_of(system)
            if known is not None and not known.case_sensitive:
                return None
        return frozenset(result)


def special_system(system: str, code: str, unit: Callable[[str], bool] | None = None) -> bool | None:
    """Systems whose codes have a grammar, not a list: media types (anything, as in the reference validator),
    language tags (BCP 47 form), UCUM units. None where the system is not one of them.
    """
    if system == MIME:
        return True
    if system == LANGUAGE:
        return language(code)
    if system == UCUM:
        return None if unit is None else unit(code)
    return None


class Expander:
    """Turns ValueSet resources into ValueSet objects; `value_set` and `system` find what is referred to."""

    def __init__(
        self,
        value_set: Callable[[str], Mapping[str, Any] | None],
        system: Callable[[str], CodeSystem | None],
        unit: Callable[[str], bool] | None = None,
    ) -> None:
        self.find, self.system, self.unit = value_set, system, unit

    def expand(self, resource: Mapping[str, Any], trail: tuple[str, ...] = ()) -> ValueSet:
        """Expand one ValueSet. A cycle or a part that cannot be listed leaves the result `open`."""
        url = resource.get("url", "")
        codes: dict[str, set[str]] = {}
        whole: set[str] = set()
        is_open = url in trail
        beyond: set[str] | None = None if is_open else set()  # None: any system
        compose = resource.get("compose")
        if compose is None:
            contains = resource.get("expansion", {}).get("contains", ())
            self._contained(contains, codes)
            is_open = is_open or not contains
            beyond = None if is_open else beyond
        for include in (compose or {}).get("include", ()) if not is_open else ():
            part = self._part(include, (*trail, url))
            is_open = is_open or part.open
            if part.open:
                beyond = None if beyond is None or part.beyond is None else beyond | part.beyond
            whole |= part.whole
            for name, found in part.codes.items():
                codes.setdefault(name, set()).update(found)
        for exclude in (compose or {}).get("exclude", ()):
            part = self._part(exclude, (*trail, url))
            is_open = is_open or part.open
            if part.open:  # what it takes away cannot be said
                beyond = None
                for name in list(codes if part.beyond is None else part.beyond):
                    codes.pop(name, None)
            for name in list(part.codes) + list(part.whole):
                if name in whole:
                    known = self.system(name)
                    if known is None or not known.complete:
                        is_open, beyond = True, None
                        continue
                    whole.discard(name)
                    codes.setdefault(name, set()).update(known.codes)
                gone = part.codes.get(name) or (known.codes if (known := self.system(name)) else frozenset())
                if name in codes:
                    codes[name] -= gone
        return ValueSet(
            url, {s: frozenset(c) for s, c in codes.items()}, frozenset(whole), is_open, self.system, self.unit,
            None if beyond is None else frozenset(beyond),
        )  # fmt: skip

    def _contained(self, contains: Iterable[Mapping[str, Any]], codes: dict[str, set[str]]) -> None:
        for item in contains:
            if isinstance(item.get("code"), str) and not item.get("abstract"):
                codes.setdefault(item.get("system", ""), set()).add(item["code"])
            self._contained(item.get("contains", ()), codes)

    def _part(self, include: Mapping[str, Any], trail: tuple[str, ...]) -> ValueSet:
        """One include or exclude. Several value sets, or a system beside them, mean the intersection."""
        parts: list[ValueSet] = []
        if system := include.get("system"):
            parts.append(self._of_system(system, include))
        for url in include.get("valueSet", ()):
            resource = self.find(url)
            parts.append(ValueSet(url, {}, open=True) if resource is None else self.expand(resource, trail))
        if len(parts) == 1:
            return parts[0]
        if not parts or any(p.open for p in parts):
            return ValueSet("", {}, open=True)
        first, *others = parts
        codes = {s: set(c) for s, c in first.codes.items()}
        for name in first.whole:
            known = self.system(name)
            if known is None or not known.complete:
                return ValueSet("", {}, open=True)
            codes.setdefault(name, set()).update(known.codes)
        for other in others:
            other.system_of, other.unit = self.system, self.unit
            codes = {s: {code for code in c if other.has(s, code)} for s, c in codes.items()}
        return ValueSet("", {s: frozenset(c) for s, c in codes.items()})

    def _of_system(self, system: str, include: Mapping[str, Any]) -> ValueSet:
        if "concept" in include:
            return ValueSet("", {system: frozenset(c["code"] for c in include["concept"])})
        known = self.system(system)
        if "filter" not in include:
            if system in (MIME, LANGUAGE, UCUM) or (known is not None and known.complete):
                return ValueSet("", {}, frozenset([system]))
            return ValueSet("", {}, frozenset([system]), open=True, beyond=frozenset([system]))
        if known is None or not known.complete:
            return ValueSet("", {}, open=True, beyond=frozenset([system]))
        found = set(known.codes)
        for rule in include["filter"]:
            op, value = rule.get("op"), rule.get("value", "")
            if rule.get("property") not in ("concept", "code") or op not in ("is-a", "descendent-of", "is-not-a", "in"):
                return ValueSet("", {}, open=True, beyond=frozenset([system]))
            if op == "in":
                found &= {v.strip() for v in value.split(",")}
                continue
            below = known.descendants(value)
            if op == "is-not-a":
                found -= below
            else:
                found &= below - ({value} if op == "descendent-of" else set())
        return ValueSet("", {system: frozenset(found)})
