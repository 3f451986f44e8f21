"""Room `analysis`: what compiled views call at run time. Imports only errors and keys.

A collection is held as JSON holds it: None is empty, a list is several, anything else is one item. That keeps the
common case (one value, no list) free of allocation. An object is a dict, or a Struct of `decoding`.
"""

from __future__ import annotations

import calendar
import datetime as dt
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from decimal import Decimal
from functools import lru_cache
from typing import Any

from fhir_bladder.analysis.keys import member
from fhir_bladder.errors import ConfigError, RecordError

TYPES = (
    "Address", "Age", "Annotation", "Attachment", "Base64Binary", "Boolean", "Canonical", "Code", "CodeableConcept",
    "Coding", "ContactDetail", "ContactPoint", "Contributor", "Count", "DataRequirement", "Date", "DateTime",
    "Decimal", "Distance", "Dosage", "Duration", "Expression", "HumanName", "Id", "Identifier", "Instant", "Integer",
    "Markdown", "Meta", "Money", "Oid", "ParameterDefinition", "Period", "PositiveInt", "Quantity", "Range", "Ratio",
    "Reference", "RelatedArtifact", "SampledData", "Signature", "String", "Time", "Timing", "TriggerDefinition",
    "UnsignedInt", "Uri", "Url", "UsageContext", "Uuid",
)  # fmt: skip
"""Suffixes of a choice element's key in JSON: R4 `Extension.value[x]` names every type that can stand there."""

CHOICES = frozenset((
    "abatement", "additive", "age", "allowed", "amount", "answer", "asNeeded", "author", "born", "chargeItem",
    "collected", "content", "created", "date", "deceased", "defaultValue", "definition", "detail", "diagnosis",
    "dose", "due", "effective", "entity", "example", "fastingStatus", "fixed", "identified", "indicator", "item",
    "legallyBinding", "location", "maxValue", "medication", "minValue", "minimumVolume", "multipleBirth", "occurred",
    "occurrence", "onset", "pattern", "performed", "probability", "procedure", "product", "quantity", "rate",
    "reason", "rejected", "replaces", "schedule", "scheduled", "serviced", "source", "statusReason", "subject",
    "substance", "target", "term", "time", "timing", "topic", "trigger", "used", "value",
))  # fmt: skip
"""Names that are choice elements somewhere in R4; looked up under their typed keys when the plain key is absent."""

ROOT_CHOICES = {
    "Observation": frozenset({"value", "effective"}),
    "Patient": frozenset({"deceased", "multipleBirth"}),
    "DiagnosticReport": frozenset({"effective"}),
    "Device": frozenset[str](),
    "Encounter": frozenset[str](),
    "Provenance": frozenset({"occurred"}),
}
"""Choice elements of some resources themselves (R4 definitions); of others any of CHOICES may be one."""

WITHOUT_CHOICE = (
    "quantity",
    "identifier",
    "telecom",
    "contactpoint",
    "reference",
    "coding",
    "code",
    "subject",
    "device",
)
"""Ends of element names whose type (Quantity, Identifier, ContactPoint, Reference …) has no choice element."""


@lru_cache(maxsize=200)
def _choice_keys(name: str) -> tuple[str, ...]:
    return tuple(name + suffix for suffix in TYPES)


def items(value: Any) -> Sequence[Any]:
    """The items of a collection."""
    if value is None:
        return ()
    return value if value.__class__ is list else (value,)


def pack(values: list[Any]) -> Any:
    """A list as a collection: empty becomes None, one item stands alone."""
    if not values:
        return None
    return values[0] if len(values) == 1 else values


def step(value: Any, name: str) -> Any:
    """The children called `name` of every item; None for items that are not objects."""
    if value.__class__ is not list:
        return member(value, name)
    out: list[Any] = []
    for item in value:
        child = member(item, name)
        if child.__class__ is list:
            out.extend(child)
        elif child is not None:
            out.append(child)
    return pack(out)


def choice(value: Any, name: str) -> Any:
    """A choice element by its plain name: the child under whichever typed key is there."""
    out: list[Any] = []
    for item in items(value):
        for key in _choice_keys(name):
            child = member(item, key)
            if child is not None:
                out.extend(child if child.__class__ is list else (child,))
    return pack(out)


def code_index(value: Any, system: str | None) -> dict[str, Any]:
    """Items by the codes of their `code.coding` in one system (None: in any), so that many columns share one pass."""
    index: dict[str, Any] = {}
    for item in value if value.__class__ is list else items(value):
        try:
            codings = item["code"]["coding"]
            for coding in codings:
                if system is None or coding["system"] == system:
                    code = coding["code"]
                    if code not in index:
                        index[code] = item
                    else:
                        _another(index, code, item)
        except (KeyError, TypeError):
            _index_slowly(index, item, system)
    return index


def coded(system: str | None, codes_of: Mapping[bytes, Iterable[str]]) -> Callable[[Any], dict[str, Any]]:
    """`code_index` for Structs whose `code` was left as bytes; `codes_of` says which codes those bytes hold."""

    def index(value: Any) -> dict[str, Any]:
        found: dict[str, Any] = {}
        for item in value if value.__class__ is list else items(value):
            try:
                codes = codes_of[bytes(item.k_code)]
            except AttributeError:  # no Struct
                codes = code_index(item, system)
            for code in codes:
                if code not in found:
                    found[code] = item
                else:
                    _another(found, code, item)
        return found

    return index


def _another(index: dict[str, Any], code: str, item: Any) -> None:
    there = index[code]
    if there.__class__ is list:
        if there[-1] is not item:
            there.append(item)
    elif there is not item:
        index[code] = [there, item]


def _index_slowly(index: dict[str, Any], item: Any, system: str | None) -> None:
    """The same for an item whose shape is not the usual one; what was entered before the surprise stays as it is."""
    for coding in items(step(step(item, "code"), "coding")):
        if coding.__class__ is dict and (system is None or coding.get("system") == system):
            code = coding.get("code")
            if code.__class__ is str:
                if code in index:
                    _another(index, code, item)
                else:
                    index[code] = item


def extension_index(value: Any) -> dict[str, Any]:
    """Extensions of the items by URL."""
    index: dict[str, Any] = {}
    for extension in items(step(value, "extension")):
        url = member(extension, "url")
        if url.__class__ is str:
            if url in index:
                _another(index, url, extension)
            else:
                index[url] = extension
    return index


def first(value: Any) -> Any:
    """The first item."""
    if value.__class__ is list:
        return value[0] if value else None
    return value


def last(value: Any) -> Any:
    """The last item."""
    if value.__class__ is list:
        return value[-1] if value else None
    return value


def at(value: Any, index: Any) -> Any:
    """The item at a position, from 0."""
    sequence = items(value)
    if index.__class__ is not int:
        raise RecordError(f"index {index!r} is not an integer", remedy="correct the view's path")
    return sequence[index] if 0 <= index < len(sequence) else None


def exists(value: Any) -> bool:
    """Whether there is any item."""
    return bool(value) if value.__class__ is list else value is not None


def one(value: Any, what: str) -> Any:
    """The only item, or None. Raises RecordError where there are several."""
    if value.__class__ is not list:
        return value
    if len(value) > 1:
        raise RecordError(f"{what} has {len(value)} values where one is allowed", remedy="use first() or collection")
    return value[0] if value else None


def truth(value: Any) -> bool | None:
    """A collection where a boolean is asked for: one item that is not a boolean counts as true (FHIRPath N1, 4.5)."""
    if value.__class__ is list:
        value = one(value, "a condition")
    if value is None or value is True or value is False:
        return value
    return True


def condition(value: Any, path: str) -> bool:
    """The result of a view's own `where`, which must be a boolean or empty."""
    if value.__class__ is list:
        value = one(value, f"where {path!r}")
    if value is None:
        return False
    if value is True or value is False:
        return value
    raise RecordError(f"where {path!r} is {str(value)[:40]!r}, not a boolean", remedy="compare it, or use exists()")


def number(value: Any) -> Any:
    """A number as int or Decimal; None for anything else."""
    if value.__class__ is int or value.__class__ is Decimal:
        return value
    return Decimal(repr(value)) if value.__class__ is float else None


def equal(left: Any, right: Any) -> bool | None:
    """FHIRPath `=`: None where either side is empty, item by item otherwise."""
    left_items, right_items = items(left), items(right)
    if not left_items or not right_items:
        return None
    if len(left_items) != len(right_items):
        return False
    return all(_same(a, b) for a, b in zip(left_items, right_items, strict=True))


def _same(left: Any, right: Any) -> bool:
    if left.__class__ is right.__class__:
        return bool(left == right)
    a, b = number(left), number(right)
    return a is not None and b is not None and bool(a == b)


_MOMENT = re.compile(
    r"(\d{4})(?:-(\d{2})(?:-(\d{2})(?:T(\d{2})(?::(\d{2})(?::(\d{2})(?:\.(\d+))?)?)?)?)?)?(Z|[+-]\d{2}:\d{2})?\Z"
)
_CLOCK = re.compile(r"(\d{2})(?::(\d{2})(?::(\d{2})(?:\.(\d+))?)?)?\Z")


def _moment(text: Any) -> tuple[list[int], int, bool] | None:
    """Components, precision (how many), whether an offset was given; in UTC where one was."""
    if text.__class__ is not str:
        return None
    if match := _CLOCK.match(text):
        hour, minute, second, fraction = match.groups()
        parts = [int(p) for p in (hour, minute, second) if p is not None]
        return _with_fraction(parts, fraction), 0, False
    match = _MOMENT.match(text)
    if not match:
        return None
    *fields, fraction, offset = match.groups()
    parts = [int(p) for p in fields if p is not None]
    if offset and len(parts) >= 5:
        shift = 0 if offset == "Z" else int(offset[0] + offset[1:3]) * 60 + int(offset[0] + offset[4:6])
        try:
            moment = dt.datetime(*parts) - dt.timedelta(minutes=shift)  # type: ignore[arg-type]
        except (ValueError, OverflowError):
            return None  # no such day or hour
        parts = list(moment.timetuple()[: len(parts)])
    return _with_fraction(parts, fraction), 1, bool(offset)


def _with_fraction(parts: list[int], fraction: str | None) -> list[int]:
    """Seconds and their fraction are one precision (FHIRPath N1): both as nanoseconds."""
    if parts and (len(parts) in (3, 6)) and (fraction is not None or len(parts) == 6 or parts[0] < 25):
        parts[-1] = parts[-1] * 10**9 + int(((fraction or "") + "0" * 9)[:9])
    return parts


def compare_times(left: Any, right: Any) -> int | None:
    """-1, 0 or 1 for two dates or times; None where the precision of one leaves it open, or either is empty."""
    a, b = _moment(one(left, "a comparison")), _moment(one(right, "a comparison"))
    if a is None or b is None or a[1] != b[1] or (a[2] != b[2] and len(a[0]) > 3 and len(b[0]) > 3):
        return None
    for x, y in zip(a[0], b[0], strict=False):
        if x != y:
            return -1 if x < y else 1
    return 0 if len(a[0]) == len(b[0]) else None


def compare(left: Any, right: Any) -> int | None:
    """-1, 0 or 1 for numbers or strings; None where either side is empty. Raises RecordError for other kinds."""
    a, b = one(left, "a comparison"), one(right, "a comparison")
    if a is None or b is None:
        return None
    x, y = number(a), number(b)
    if x is None or y is None:
        if a.__class__ is not str or b.__class__ is not str:
            raise RecordError(f"cannot compare {str(a)[:40]!r} with {str(b)[:40]!r}", remedy="compare values alike")
        x, y = a, b
    return 0 if x == y else -1 if x < y else 1


def arithmetic(operator: str, left: Any, right: Any) -> Any:
    """`+ - * / div mod` on numbers, `+` on strings; empty where either side is, on division by zero and overflow."""
    a, b = one(left, "arithmetic"), one(right, "arithmetic")
    if a is None or b is None:
        return None
    if operator == "+" and a.__class__ is str and b.__class__ is str:
        return a + b
    x, y = number(a), number(b)
    if x is None or y is None:
        raise RecordError(f"cannot compute {str(a)[:30]!r} {operator} {str(b)[:30]!r}", remedy="use numbers")
    try:
        return _computed(operator, x, y)
    except ArithmeticError:
        return None


def _computed(operator: str, x: Any, y: Any) -> Any:
    if operator == "+":
        return x + y
    if operator == "-":
        return x - y
    if operator == "*":
        return x * y
    quotient = Decimal(x) / Decimal(y)
    if operator == "/":
        return quotient
    return int(quotient) if operator == "div" else x - y * int(quotient)


def text(value: Any) -> str | None:
    """toString(): a primitive as FHIRPath writes it."""
    if value is None or value.__class__ is str:
        return value
    if value is True or value is False:
        return "true" if value else "false"
    return None if value.__class__ in (dict, list) else str(value)


def join(value: Any, separator: str | None) -> str:
    """The strings of a collection as one; an empty collection gives an empty string (as the public suite has it)."""
    return (separator or "").join(text(item) or "" for item in items(value))


def of_type(value: Any, name: str) -> Any:
    """Items of a resource or primitive type, where the key did not already say which."""
    out = [item for item in items(value) if _is(item, name)]
    return pack(out)


def _is(item: Any, name: str) -> bool:
    if item.__class__ is dict:
        return bool(item.get("resourceType") == name)
    if item.__class__ is bool:
        return name.lower() == "boolean"
    if item.__class__ is int:
        return name.lower() in ("integer", "positiveint", "unsignedint", "decimal")
    if item.__class__ in (Decimal, float):
        return name.lower() == "decimal"
    return name not in ("boolean", "integer", "decimal") and name[:1].islower()


def reference_key(value: Any, wanted: str | None) -> Any:
    """getReferenceKey(): the id a relative literal reference ends in, if it is of the wanted type."""
    out = []
    for item in items(value):
        target = member(item, "reference")
        if target.__class__ is str and "://" not in target and not target.startswith(("urn:", "#")):
            kind, _, rest = target.partition("/")
            key = rest.partition("/_history")[0]
            if key and (wanted is None or kind == wanted):
                out.append(key)
    return pack(out)


def repeat(node: Any, paths: Sequence[Callable[[Any], Any]]) -> list[Any]:
    """All nodes reached by following the paths again and again, each before its own children."""
    found: list[Any] = []
    stack = [child for path in reversed(paths) for child in reversed(items(path(node)))]
    while stack:
        item = stack.pop()
        found.append(item)
        if len(found) > 1_000_000:
            raise RecordError("repeat finds more than a million nodes", remedy="correct the view's repeat")
        stack.extend(child for path in reversed(paths) for child in reversed(items(path(item))))
    return found


def sub(pattern: Any, value: Any, replacement: Any) -> Any:
    """replaceMatches(): `$1` in the replacement is the first group; empty where one of the three is.

    Raises ConfigError for what is no regular expression.
    """
    if value.__class__ is not str or pattern.__class__ is not str or replacement.__class__ is not str:
        return None
    try:
        return re.sub(pattern, re.sub(r"\$(\d)", r"\\\1", replacement), value)
    except re.error as error:
        raise ConfigError(f"regular expression {pattern!r}: {error}", remedy="correct the view's path") from None


def boundary(value: Any, high: bool) -> Any:
    """lowBoundary() and highBoundary() with default precision: the least or greatest value the digits allow."""
    value = one(value, "a boundary")
    if value.__class__ is int or value.__class__ is Decimal or value.__class__ is float:
        exact = Decimal(repr(value)) if value.__class__ is float else Decimal(value)
        exponent = exact.as_tuple().exponent
        half = Decimal(5).scaleb((exponent if isinstance(exponent, int) else 0) - 1)
        return exact + half if high else exact - half
    if value.__class__ is not str:
        return None
    if match := _CLOCK.match(value):
        hour, minute, second, fraction = match.groups()
        end = ("59", "59", "999") if high else ("00", "00", "000")
        return f"{hour}:{minute or end[0]}:{second or end[1]}.{(fraction or end[2]).ljust(3, '0')[:3]}"
    match = _MOMENT.match(value)
    if not match:
        return None
    year, month, day, hour, minute, second, fraction, offset = match.groups()
    month = month or ("12" if high else "01")
    if not "01" <= month <= "12":
        return None
    day = day or (str(calendar.monthrange(int(year), int(month))[1]) if high else "01")
    if hour is None and "T" not in value:
        return f"{year}-{month}-{day}"
    return _full(f"{year}-{month}-{day}", (hour, minute, second, fraction), offset, high)


def moment_boundary(value: Any, high: bool) -> Any:
    """The same for an element known to be a dateTime: always down to the millisecond, at the outermost offset."""
    low = boundary(value, high)
    if low.__class__ is str and "T" not in low and len(low) == 10:
        return _full(low, (None, None, None, None), None, high)
    return low


def _full(day: str, clock: tuple[str | None, ...], offset: str | None, high: bool) -> str:
    hour, minute, second, fraction = clock
    end = ("23", "59", "59", "999", "-12:00") if high else ("00", "00", "00", "000", "+14:00")
    milliseconds = (fraction or end[3]).ljust(3, "0")[:3]
    return f"{day}T{hour or end[0]}:{minute or end[1]}:{second or end[2]}.{milliseconds}{offset or end[4]}"
