"""Hypothesis strategies of exam records for all rooms, loaded by path (tests have no package).

`records()`: any record the format allows: odd text, long decimals, other units, times without seconds.
`plausible()`: the same shape with values that a bladder can have and an order that time has.
"""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import Any

from hypothesis import strategies as st

from fhir_bladder.terminology import units

TEXTS = st.one_of(
    st.sampled_from(
        ["ward 3", "a/b|c,d$e\\f", "<script>alert(1)</script> & co", "  blanks  ", "Ä+ö%2F", "\u202eodd", "~._-"]
    ),
    st.text(st.characters(exclude_categories=("Cs", "Cc")), min_size=1, max_size=20).filter(lambda text: text.strip()),
    st.text("\t\n\rab ", min_size=1, max_size=8).filter(lambda text: text.strip()),
)
SYSTEMS = st.sampled_from(
    ["https://records.example/mrn", "urn:oid:2.999.1", "https://x.example/a,b|c$d?e=f&g", "urn:x:ä"]
)
TYPES = st.sampled_from(["MR", "PI", "ward number", "SS"])
DATES = st.sampled_from(["1951", "1951-03", "1951-03-09", "2014-02-28", "2019"])
DIGITS = st.one_of(
    st.integers(0, 999).map(str),
    st.from_regex(r"(0|[1-9][0-9]{0,3})\.[0-9]{1,4}", fullmatch=True),
    st.sampled_from(
        [
            "1.10",
            "0.0",
            "0.00",
            "1E+2",
            "1.50E-7",
            "1E-7",
            "123456789012345678.9",
            "0.1234567890123456789",
            "-1.0",
            "0E-12",
            "-0.00",
        ]
    ),
)


@st.composite
def times(draw: st.DrawFn) -> str:
    """A time as people write it, with an offset."""
    moment = draw(st.datetimes(dt.datetime(1900, 1, 1), dt.datetime(2199, 12, 31)))
    clock = draw(st.sampled_from(["%H:%M", "%H:%M:%S", "%H:%M:%S.5", "%H:%M:%S.250", "%H:%M:%S.123456789"]))
    joint = draw(st.sampled_from("Tt "))
    offset = draw(st.sampled_from(["Z", "z", "+00:00", "-03:30", "+0100", "+14:00"]))
    return moment.strftime(f"%Y-%m-%d{joint}{clock}") + offset


def quantities(kind: str) -> st.SearchStrategy[dict[str, Any]]:
    """A quantity of a kind in any unit taken, aliases too."""
    codes = units.units_of(kind)
    names = codes + [alias for alias, code in units.ALIASES.items() if code in codes]
    return st.fixed_dictionaries({"value": DIGITS.map(Decimal), "unit": st.sampled_from(names)})


def identifiers() -> st.SearchStrategy[dict[str, Any]]:
    """system and value."""
    return st.fixed_dictionaries({"system": SYSTEMS, "value": TEXTS})


@st.composite
def scans(draw: st.DrawFn, comparators: bool = True) -> list[dict[str, Any]]:
    """One to four scans in any order, with numbers of their own."""
    numbers = draw(st.lists(st.integers(1, 30), min_size=1, max_size=4, unique=True))
    found = []
    for number in numbers:
        scan: dict[str, Any] = {"scan_number": number}
        if draw(st.integers(0, 4)):
            scan["volume"] = draw(quantities("volume"))
            if comparators and not draw(st.integers(0, 4)):
                scan["volume"]["comparator"] = draw(st.sampled_from("<>"))
        else:
            scan["absent_reason"] = draw(st.sampled_from(["not-seen", "failed", "refused"]))
        scan |= draw(
            st.fixed_dictionaries(
                {},
                optional={
                    "taken_at": times(),
                    "centring": st.sampled_from(["centred", "partly-centred", "not-centred", "unknown"]),
                    "off_centre_towards": st.lists(st.sampled_from(["left", "right", "cranial", "caudal"]), max_size=3),
                    "pubic_shadow": st.sampled_from([True, False, None]),
                },
            )
        )
        found.append(scan)
    return found


FLAGS = st.sampled_from([True, False, None])


@st.composite
def records(draw: st.DrawFn) -> dict[str, Any]:
    """Any record of the format, as parsed JSON with exact decimals."""
    rule = draw(st.sampled_from([None, "operator", "last", "largest", "median", "mean"]))
    average = rule in ("median", "mean")
    some_scans = draw(scans(comparators=not average))
    numbers = [scan["scan_number"] for scan in some_scans]
    optional = {
        "patient": st.fixed_dictionaries(
            {},
            optional={
                "identifiers": st.lists(
                    st.fixed_dictionaries({"system": SYSTEMS, "value": TEXTS}, optional={"type": TYPES}), max_size=3
                ),
                "birth_date": DATES,
                "administrative_gender": st.sampled_from(["male", "female", "other", "unknown"]),
                "family_name": TEXTS,
                "given_names": st.lists(TEXTS, max_size=2),
            },
        ),
        "order": identifiers(),
        "encounter": identifiers(),
        "episode": identifiers(),
        "reason": TEXTS,
        "operator": st.fixed_dictionaries({}, optional={"identifier": identifiers(), "display": TEXTS}),
        "location": TEXTS,
        "uterus_present": FLAGS,
        "void_attempt": st.sampled_from(["voided", "unable", "not-attempted", "unknown"]),
        "voided_at": times(),
        "voided_volume": quantities("volume"),
        "void_measured": FLAGS,
        "earlier_voids": st.lists(
            st.fixed_dictionaries({"at": times()}, optional={"volume": quantities("volume"), "measured": FLAGS}),
            max_size=3,
        ),
        "catheter_removed_at": times(),
        "catheterised_volume": quantities("volume"),
        "catheterised_at": times(),
        "catheter_in_place": FLAGS,
        "pregnant": FLAGS,
        "hysterectomy": FLAGS,
        "ascites": FLAGS,
        "pelvic_surgery": FLAGS,
        "retention_symptoms": FLAGS,
        "position": st.sampled_from(["supine", "sitting", "standing", "left-lateral", "right-lateral", "unspecified"]),
        "diameters": st.fixed_dictionaries(
            {
                "length": quantities("length"),
                "width": quantities("length"),
                "height": quantities("length"),
                "coefficient": DIGITS.map(Decimal),
            },
            optional={"scan_number": st.sampled_from(numbers)},
        ),
        "wall": st.fixed_dictionaries(
            {},
            optional={
                "scan_number": st.sampled_from(numbers),
                "layer": st.sampled_from(["whole-wall", "detrusor", "unknown"]),
                "thickness": quantities("length"),
                "caliper_thickness": quantities("length"),
                "surface_area": quantities("area"),
                "mass": quantities("mass"),
                "probe_frequency": quantities("frequency"),
            },
        ),
        "verified": st.fixed_dictionaries({"by": TEXTS, "at": times()}, optional={"note": TEXTS}),
        "action": st.fixed_dictionaries(
            {"what": st.sampled_from(["none", "repeat-scan", "catheterised", "escalated"])},
            optional={"at": times(), "note": TEXTS},
        ),
        "status": st.sampled_from(["final", "preliminary", "amended", "corrected", "cancelled", "entered-in-error"]),
        "supersedes": TEXTS,
        "synthetic": FLAGS,
    }
    if not average:
        optional["reported_scan"] = st.sampled_from([*numbers, None])
    required = {
        "record_version": st.just("1"),
        "exam_number": TEXTS,
        "device": st.fixed_dictionaries(
            {"serial": TEXTS},
            optional={
                "manufacturer": TEXTS,
                "model": TEXTS,
                "software_version": TEXTS,
                "udi_device_identifier": TEXTS,
                "calibrated_on": DATES,
            },
        ),
        "started_at": times(),
        "void_state": st.sampled_from(["pre-void", "post-void", "unspecified"]),
        "scans": st.just(some_scans),
    }
    found = draw(st.fixed_dictionaries(required, optional=optional))
    if rule is not None:
        found["choice_rule"] = rule
    if found.get("supersedes") == found["exam_number"]:  # refused
        del found["supersedes"]
    return found


def plausible() -> st.SearchStrategy[dict[str, Any]]:
    """Records that hold to the profiles: no value below 0, test data, numbers of ordinary length."""
    return records().map(_plausible)


def _plausible(record: dict[str, Any]) -> dict[str, Any]:
    record["synthetic"] = True
    _tame(record)
    return record


def _tame(value: Any) -> None:
    for item in value.values() if isinstance(value, dict) else value:
        if isinstance(item, dict | list):
            _tame(item)
    if isinstance(value, dict) and "unit" in value and (value["value"] < 0 or len(str(value["value"])) > 12):
        value["value"] = Decimal("180.5")
