"""Mutation operators on primitive values: dates, codes, ids, numbers, text."""

from __future__ import annotations

import random
from decimal import Decimal
from typing import Any

from operators import TEXTS, Resource, of_type, operator, pick, set_at

DATES = ("date", "dateTime", "instant")
operator("date-month-13")(set_at(DATES, "2026-13-01"))
operator("date-no-such-day")(set_at(DATES, "2023-02-29", "2026-04-31", "2026-00-10", "2026-01-00"))
operator("time-without-zone")(set_at(("dateTime", "instant"), "2026-03-02T08:10:00"))
operator("time-without-seconds")(set_at(("dateTime", "instant"), "2026-03-02T08:10+01:00"))
operator("time-with-blank")(set_at(("dateTime", "instant"), "2026-03-02 08:10:00+01:00"))
operator("hour-25")(
    set_at(("dateTime", "instant"), "2026-03-02T25:10:00+01:00", "2026-03-02T24:00:00Z", "2026-03-02T08:61:00Z")
)
operator("zone-odd")(
    set_at(("dateTime", "instant"), "2026-03-02T08:10:00+15:00", "2026-03-02T08:10:00+0100", "2026-03-02T08:10:00z")
)
operator("date-with-time")(set_at(("date",), "1970-01-01T00:00:00Z"))
operator("date-other-form")(set_at(DATES, "02.03.2026", "20260302", "2026-3-2", "today"))
operator("year-0000")(set_at(DATES, "0000-01-01", "0000"))
operator("leap-second")(set_at(("dateTime", "instant"), "2016-12-31T23:59:60Z"))
operator("date-year-only", harmless=True)(set_at(("dateTime", "date"), "2026"))
operator("date-month-only", harmless=True)(set_at(("dateTime", "date"), "2026-03"))
operator("date-day", harmless=True)(set_at(("dateTime", "date"), "2026-03-02"))
operator("time-fraction", harmless=True)(
    set_at(("dateTime", "instant"), "2026-03-02T08:10:00.5Z", "2026-03-02T08:10:00.123456789+01:00")
)
operator("time-zone-z", harmless=True)(
    set_at(("dateTime", "instant"), "2026-03-02T08:10:00Z", "2026-03-02T08:10:00-00:00", "2026-03-02T08:10:00+14:00")
)

operator("code-unknown")(set_at(("code",), "no-such-code", "finished-x"))
operator("code-blank")(set_at(("code",), " final", "final ", "fi  nal", "final\n"))
operator("code-upper")(set_at(("code",), "FINAL", "Final"))
operator("id-too-long")(set_at(("id",), "a" * 65))
operator("id-bad-char")(set_at(("id",), "a_b", "a b", "ä", "a/b"))
operator("id-ok", harmless=True)(set_at(("id",), "A-1.b", "a" * 64, "7"))
operator("uri-blank")(set_at(("uri", "url", "canonical"), "http://a b", "urn:oid:2.999 ", " http://a"))
operator("uri-odd")(
    set_at(("uri",), "urn:oid:2.999.x", "urn:uuid:C757873D-EC9A-4326-A141-556F43239520", "urn:uuid:7", "not a uri")
)
operator("uri-ok", harmless=True)(
    set_at(("uri",), "https://ward-h.example/x?y=1#z", "urn:oid:2.999.1", "mailto:a@example.org")
)
operator("text-blank-around")(set_at(TEXTS, " text", "text ", "\ttext"))
operator("text-only-blank")(set_at(TEXTS, " ", "\t", "\n "))
operator("text-control")(set_at(TEXTS, "a\u0001b", "a\u0000b", "a\u007fb"))
operator("text-long", harmless=True)(set_at(TEXTS, "long " * 400 + "end"))
operator("text-unicode", harmless=True)(set_at(TEXTS, "Größe ½ µ 測定 😀", "e\u0301", "a\u00a0b"))
operator("text-lines", harmless=True)(set_at(TEXTS, "one\ntwo\n\nthree", "a\r\nb"))
operator("text-markup")(set_at(TEXTS, "<b>bold</b>", "<script>alert(1)</script>", "a < b & c"))

operator("decimal-huge")(set_at(("decimal",), Decimal("1E+30"), Decimal("123456789012345678901234567890")))
operator("decimal-forms", harmless=True)(
    set_at(("decimal",), Decimal("1.10"), Decimal("0.0"), Decimal("1E-7"), Decimal("-3.50"), Decimal("12"))
)
operator("decimal-other", harmless=True)(set_at(("decimal",), Decimal(7), Decimal("186.5"), Decimal("99")))
operator("integer-negative")(set_at(("positiveInt", "unsignedInt"), -1, 0))
operator("integer-overflow")(set_at(("integer", "positiveInt", "unsignedInt"), 2147483648, -2147483649, 99999999999))
operator("integer-decimal")(
    set_at(("integer", "positiveInt", "unsignedInt"), Decimal("1.5"), Decimal("1.0"), Decimal("1E+2"))
)
operator("integer-other", harmless=True)(set_at(("integer", "positiveInt", "unsignedInt"), 1, 2, 2147483647))
operator("base64-bad")(set_at(("base64Binary",), "a", "====", "not base64!"))
operator("base64-ok", harmless=True)(set_at(("base64Binary",), "YWJj", "YQ=="))
operator("time-of-day-bad")(set_at(("time",), "25:00:00", "08:00", "08:00:00Z"))
operator("boolean-other", harmless=True)(set_at(("boolean",), True, False))


@operator("unit-other")
def _unit(rng: random.Random, resource: Resource) -> Any:
    place = pick(
        rng, resource, lambda value, key: key.type == "Quantity" and isinstance(value, dict) and "code" in value
    )
    if place is None:
        return None
    place[0][place[1]]["code"] = rng.choice(["cm", "mL", "ml", "L", "bogus", "mm2", "%", "min"])
    return resource


@operator("text-changed", harmless=True)
def _text(rng: random.Random, resource: Resource) -> Any:
    place = pick(rng, resource, of_type(*TEXTS))
    if place is None:
        return None
    place[0][place[1]] += " changed"
    return resource


@operator("display-changed", harmless=True)
def _display(rng: random.Random, resource: Resource) -> Any:
    place = pick(rng, resource, lambda value, key: key.type == "Coding")
    coding = place and place[0][place[1]]
    items = coding if isinstance(coding, list) else [coding]
    if not coding or not isinstance(items[0], dict):
        return None
    rng.choice(items)["display"] = "Another display"
    return resource


@operator("number-changed", harmless=True)
def _number(rng: random.Random, resource: Resource) -> Any:
    place = pick(rng, resource, lambda value, key: key.type == "decimal" and type(value) in (int, Decimal))
    if place is None:
        return None
    place[0][place[1]] += rng.randint(1, 5)
    return resource
