"""Room `measurement`: rules (thresholds) as data: what a rule says, and which ones a site has switched on.

Every rule is off until the site's file names it; one whose certainty is memory also needs `confirmed_by`. Reads TOML
files only.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields, replace
from decimal import Decimal
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from fhir_bladder.errors import ConfigError

CERTAINTIES = ("seen", "seen-second-hand", "memory-high", "memory-medium", "memory-low", "site")
KINDS = ("threshold", "lasting", "trial")
QUANTITIES = ("volume", "thickness", "mass", "minutes-since-void")
_UNIT = {"volume": "mL", "thickness": "mm", "mass": "g", "minutes-since-void": "min"}


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule: what it was made for, what it asks, and where it comes from.

    Identity: id, version, title, prompt, citation, certainty (of CERTAINTIES), population, technique, units.
    Conditions: age_min, age_max (completed years, inclusive), gender, void_state, symptoms (as recorded), layer,
    method (`caliper`, `automatic`, `either`), model (of a mass), filling_low, filling_high (mL, inclusive), delay_max
    (minutes since the void), voided_min (mL, measured), overdistension (per cent of the expected capacity from which
    a reading is excluded), locations (the site's).
    Question: kind; quantity; one of above, at_least, below; or_percent_above (of voided + residual); consecutive with
    within_days; months (kind `lasting`); hours with above and below (kind `trial`).
    site_must_state: `filling`, `locations` or `received_model`, which only the site can know.
    """

    id: str
    version: str
    title: str
    prompt: str
    citation: str
    certainty: str
    population: str
    technique: str
    units: str
    kind: str = "threshold"
    quantity: str = "volume"
    above: Decimal | None = None
    at_least: Decimal | None = None
    below: Decimal | None = None
    or_percent_above: Decimal | None = None
    consecutive: int = 1
    within_days: int | None = None
    months: int | None = None
    hours: Decimal | None = None
    age_min: int | None = None
    age_max: int | None = None
    gender: str | None = None
    void_state: str | None = None
    symptoms: bool | None = None
    layer: str | None = None
    method: str | None = None
    model: str | None = None
    filling_low: Decimal | None = None
    filling_high: Decimal | None = None
    delay_max: int | None = None
    voided_min: Decimal | None = None
    overdistension: Decimal | None = None
    site_must_state: tuple[str, ...] = ()
    locations: tuple[str, ...] = ()
    received_model: str | None = None
    confirmed_by: str = ""

    @property
    def from_memory(self) -> bool:
        """Whether a person has to confirm the rule before it is used."""
        return self.certainty.startswith("memory")

    @property
    def limit_text(self) -> str:
        """The rule's limit in words, with its unit."""
        unit = _UNIT[self.quantity]
        if self.kind == "trial":
            return f"below {self.below} {unit} passes, above {self.above} {unit} fails, within {self.hours} h"
        words = [
            f"{name} {limit} {unit}"
            for name, limit in (("above", self.above), ("at least", self.at_least), ("below", self.below))
            if limit is not None
        ]
        if self.or_percent_above is not None:
            words.append(f"above {self.or_percent_above} % of the capacity")
        text = " or ".join(words)
        if self.consecutive > 1:
            text += f", {self.consecutive} times in a row"
        if self.months is not None:
            text += f", lasting {self.months} months"
        return text


_CHOICES: dict[str, tuple[str, ...]] = {
    "certainty": CERTAINTIES,
    "kind": KINDS,
    "quantity": QUANTITIES,
    "gender": ("male", "female"),
    "void_state": ("pre-void", "post-void"),
    "layer": ("whole-wall", "detrusor"),
    "method": ("caliper", "automatic", "either"),
    "model": ("sphere-shell", "area-thickness"),
    "received_model": ("sphere-shell", "area-thickness"),
}
_TYPES: dict[str, type | tuple[type, ...]] = {
    field.name: (
        (int, Decimal) if "Decimal" in str(field.type)
        else int if str(field.type).startswith("int")
        else bool if str(field.type).startswith("bool")
        else list if str(field.type).startswith("tuple")
        else str
    )
    for field in fields(Rule)
}  # fmt: skip
_GREATEST = 20_000
"""Above every limit in mL, mm, g, per cent, minutes, hours, days or months that a rule could mean."""
_ONLY_FOR = {
    "hours": ("kind", "trial"),
    "layer": ("quantity", "thickness"),
    "method": ("quantity", "thickness"),
    "model": ("quantity", "mass"),
    "received_model": ("quantity", "mass"),
    "overdistension": ("quantity", "volume"),
}
"""What is asked with one kind or quantity only: elsewhere it would be ignored, which its author did not mean."""
KEPT = 64
"""Readings of a patient that are kept for rules that look back."""
_SITE_ONLY = ("locations", "received_model", "confirmed_by")
_REQUIRED = ("id", "version", "title", "prompt", "citation", "certainty", "population", "technique", "units")
_USE = ("rule", "confirmed_by", "locations", "filling_low", "filling_high", "received_model")


@lru_cache(maxsize=1)
def known_rules() -> Mapping[str, Rule]:
    """The rules that come with the package, by id; all off."""
    folder = files("fhir_bladder.measurement") / "rules"
    rules: dict[str, Rule] = {}
    for source in sorted(folder.iterdir(), key=lambda item: item.name):
        if source.name.endswith(".toml"):
            _add(rules, _parse(source.read_text("utf-8"), source.name), source.name)
    return rules


def load_rules(path: str | Path) -> tuple[Rule, ...]:
    """The rules a site has switched on, from its TOML file, in the file's order.

    `[[use]]` names a rule by `rule`, with `confirmed_by` where its certainty is memory, and what only the site can
    state (`locations`, `filling_low`, `filling_high`, `received_model`). `[[rule]]` adds a rule of the site's own,
    which `[[use]]` switches on like any other. Raises ConfigError with file and remedy.
    """
    try:
        text = Path(path).read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "is not UTF-8 text"
        raise ConfigError("the rules cannot be read", str(path), reason) from None
    return switch_on(text, str(path))


def switch_on(text: str, where: str = "rules") -> tuple[Rule, ...]:
    """`load_rules` of a text; `where` names it in errors."""
    data = _parse(text, where)
    rules = dict(known_rules())
    _add(rules, data, where)
    used: dict[str, Rule] = {}
    for number, use in enumerate(_tables(data, "use", where), 1):
        place = f"{where}, use {number}"
        for key in use:
            if key not in _USE:
                raise ConfigError(f"{key!r} is not known in [[use]]", place, f"write one of {', '.join(_USE)}")
        name = use.get("rule")
        if not isinstance(name, str) or name not in rules:
            raise ConfigError(f"no rule is called {name!r}", place, f"write one of {', '.join(rules)}")
        if name in used:
            raise ConfigError(f"rule {name!r} is switched on twice", place, "leave one out")
        used[name] = _with_site(rules[name], {key: value for key, value in use.items() if key != "rule"}, place)
    return tuple(used.values())


def _with_site(rule: Rule, use: dict[str, Any], place: str) -> Rule:
    for end in ("filling_low", "filling_high"):
        if end in use and "filling" not in rule.site_must_state:
            raise ConfigError(f"rule {rule.id!r} has a filling of its own", place, "add a rule of your own instead")
    rule = replace(rule, **_typed(use, place))
    if rule.from_memory and not rule.confirmed_by.strip():
        remedy = 'check the citation and add confirmed_by = "name, date"'
        raise ConfigError(f"rule {rule.id!r} is from memory and not confirmed", place, remedy)
    stated = {
        "filling": rule.filling_low is not None and rule.filling_high is not None,
        "locations": bool(rule.locations),
        "received_model": rule.received_model is not None,
    }
    for name in rule.site_must_state:
        if not stated[name]:
            what = "filling_low and filling_high" if name == "filling" else name
            raise ConfigError(f"rule {rule.id!r} does not know its {name} here", place, f"add {what}")
    _consistent(rule, place)
    return rule


def _parse(text: str, where: str) -> dict[str, Any]:
    try:
        data = tomllib.loads(text, parse_float=Decimal)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(f"not TOML: {error}", where, "correct the file") from None
    for key in data:
        if key not in ("rule", "use"):
            raise ConfigError(f"{key!r} is not known here", where, "write [[rule]] or [[use]]")
    return data


def _tables(data: dict[str, Any], name: str, where: str) -> Iterator[dict[str, Any]]:
    tables = data.get(name, [])
    if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
        raise ConfigError(f"{name!r} is not a list of tables", where, f"write [[{name}]]")
    yield from tables


def _add(rules: dict[str, Rule], data: dict[str, Any], where: str) -> None:
    for number, table in enumerate(_tables(data, "rule", where), 1):
        place = f"{where}, rule {number}"
        missing = [name for name in _REQUIRED if name not in table]
        if missing:
            raise ConfigError(f"{missing[0]!r} is missing", place, "every rule names its source and its limits")
        for name in _SITE_ONLY:
            if name in table:
                raise ConfigError(f"{name!r} belongs into [[use]]", place, "move it there")
        rule = Rule(**_typed(table, place))
        if rule.id in rules:
            raise ConfigError(f"a rule is already called {rule.id!r}", place, "give it another id")
        _consistent(rule, place)
        rules[rule.id] = rule


def _typed(table: dict[str, Any], place: str) -> dict[str, Any]:
    typed: dict[str, Any] = {}
    for name, value in table.items():
        wanted = _TYPES.get(name)
        if wanted is None:
            raise ConfigError(f"{name!r} is not known", place, f"write one of {', '.join(_TYPES)}")
        if not isinstance(value, wanted) or (isinstance(value, bool) and wanted is not bool):
            raise ConfigError(f"{name!r} has the wrong type", place, "see the rules that come with the package")
        if isinstance(value, (int, Decimal)) and not (Decimal(value).is_finite() and 0 <= value <= _GREATEST):
            raise ConfigError(f"{name} {value} cannot be meant", place, f"write a number from 0 to {_GREATEST}")
        if name in _CHOICES and value not in _CHOICES[name]:
            raise ConfigError(f"{name} {value!r} is not known", place, f"write one of {', '.join(_CHOICES[name])}")
        if isinstance(value, list):
            if not all(isinstance(one, str) for one in value):
                raise ConfigError(f"{name!r} is not a list of texts", place, 'write ["…", "…"]')
            typed[name] = tuple(value)
        elif isinstance(wanted, tuple):
            typed[name] = Decimal(str(value))
        else:
            typed[name] = value
    return typed


def _consistent(rule: Rule, place: str) -> None:
    limits = [limit for limit in (rule.above, rule.at_least, rule.below) if limit is not None]
    if rule.kind == "trial":
        if rule.above is None or rule.below is None or rule.hours is None or rule.quantity != "volume":
            raise ConfigError("a trial needs below, above and hours", place, "add them")
        if rule.below > rule.above:
            raise ConfigError("a trial both passes and fails", place, "below must not exceed above")
    elif len(limits) != 1:
        raise ConfigError("a rule needs one limit", place, "write one of above, at_least, below")
    if (rule.kind == "lasting") != (rule.months is not None):
        raise ConfigError("months and kind lasting belong together", place, "give both or none")
    for name, low, high in (("age", rule.age_min, rule.age_max), ("filling", rule.filling_low, rule.filling_high)):
        if low is not None and high is not None and low > high:
            raise ConfigError(f"no {name} is both {low} or above and {high} or below", place, "exchange the two")
    if rule.consecutive < 1 or (rule.consecutive > 1 and rule.within_days is None):
        raise ConfigError("consecutive needs within_days", place, "say how far apart the readings may lie")
    if rule.consecutive > 1 and rule.kind != "threshold":
        raise ConfigError("consecutive is for kind threshold", place, "leave it out")
    if rule.consecutive > KEPT:
        raise ConfigError(f"consecutive {rule.consecutive} cannot be met", place, f"at most {KEPT} readings are kept")
    if rule.within_days is not None and rule.consecutive == 1:
        raise ConfigError("within_days is for consecutive readings", place, "leave it out, or add consecutive")
    for name, (of, one) in _ONLY_FOR.items():
        if getattr(rule, name) is not None and getattr(rule, of) != one:
            raise ConfigError(f"{name} is for rules of {of} {one}", place, "leave it out")
    if rule.quantity == "thickness" and (rule.layer is None or rule.method is None):
        raise ConfigError("a thickness needs layer and method", place, "whole wall and detrusor are not one quantity")
    if rule.quantity == "mass" and rule.model is None:
        raise ConfigError("a mass needs its model", place, "sphere-shell or area-thickness")
    if rule.quantity in ("thickness", "mass") and "filling" not in rule.site_must_state and rule.filling_low is None:
        raise ConfigError("a wall value needs its filling", place, "add filling_low or site_must_state")
    if rule.or_percent_above is not None and (rule.quantity != "volume" or rule.void_state != "post-void"):
        raise ConfigError("or_percent_above is for residual volumes", place, "leave it out")
    for name in rule.site_must_state:
        if name not in ("filling", "locations", "received_model"):
            raise ConfigError(f"site_must_state {name!r} is not known", place, "filling, locations or received_model")
