"""Whatever record the model accepts: nothing raises, nothing calculated is out of range, every finding is whole."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from fhir_bladder.errors import Finding, RecordError
from fhir_bladder.exam import ExamRecord, load
from fhir_bladder.measurement import calculate, choose, findings
from fhir_bladder.measurement.checking import KINDS, Checker, check
from fhir_bladder.measurement.prompts import Prompt
from fhir_bladder.measurement.rulebook import known_rules, switch_on
from fhir_bladder.measurement.sequences import pairs, trials
from fhir_bladder.measurement.trials import TrialLimits

NOW = dt.datetime(2026, 11, 30, 12, tzinfo=dt.UTC)
SEVERITY = {kind.id: kind.severity for kind in KINDS}
STATES = ("met", "not-met", "unknown", "not-applicable")


def every_rule() -> str:
    lines = []
    for rule in known_rules().values():
        lines += ["[[use]]", f'rule = "{rule.id}"', 'confirmed_by = "test"']
        if "locations" in rule.site_must_state:
            lines.append('locations = ["Ward H"]')
        if "filling" in rule.site_must_state:
            lines += ["filling_low = 100", "filling_high = 500"]
        if rule.quantity == "mass":
            lines.append('received_model = "sphere-shell"')
    return "\n".join(lines)


RULES = switch_on(every_rule())
numbers = st.one_of(
    st.integers(-10, 6000).map(Decimal),
    st.decimals(0, 600, places=2),
    st.sampled_from([Decimal(text) for text in ("0", "0E-60", "1E+60", "-1E+60", "1E-60", "5000.0001", "150", "400")]),
)
moments = st.one_of(
    st.datetimes(dt.datetime(2026, 11, 18, 8), dt.datetime(2026, 11, 18, 12)),
    st.datetimes(dt.datetime(1950, 1, 1), dt.datetime(2030, 1, 1)),
).map(lambda moment: moment.replace(microsecond=0, minute=moment.minute // 5 * 5).isoformat() + "+00:00")
maybe_bool = st.sampled_from([True, False, None])


def quantity(*units: str) -> st.SearchStrategy[dict[str, Any]]:
    return st.fixed_dictionaries({"value": numbers, "unit": st.sampled_from(units)})


volume = quantity("mL", "mL", "L", "dL")


def optional(**fields: st.SearchStrategy[Any]) -> dict[str, st.SearchStrategy[Any]]:
    return {name: st.none() | strategy for name, strategy in fields.items()}


@st.composite
def scan_lists(draw: st.DrawFn) -> list[dict[str, Any]]:
    scans = []
    for number in draw(st.lists(st.integers(1, 6), min_size=1, max_size=4, unique=True)):
        scan: dict[str, Any] = {
            "scan_number": number,
            "centring": draw(st.sampled_from(["centred", "partly-centred", "not-centred", "unknown", None])),
            "pubic_shadow": draw(maybe_bool),
            "taken_at": draw(st.none() | moments),
        }
        if draw(st.integers(0, 5)):
            scan["volume"] = draw(volume) | {"comparator": draw(st.sampled_from([None, None, None, ">", "<"]))}
        else:
            scan["absent_reason"] = draw(st.sampled_from(["not-seen", "failed", "refused"]))
        scans.append(scan)
    return scans


@st.composite
def exams(draw: st.DrawFn) -> ExamRecord | None:
    scans = draw(scan_lists())
    patients = st.fixed_dictionaries(
        optional(
            identifiers=st.lists(
                st.fixed_dictionaries({"system": st.sampled_from("ab").map("https://x.example/".__add__),
                                       "value": st.sampled_from("12")}), max_size=2),
            birth_date=st.sampled_from(["1951-03-09", "2018-05", "2021", "2027-01-01", "1970-01-01"]),
            administrative_gender=st.sampled_from(["male", "female", "other", "unknown"]),
        )
    )  # fmt: skip
    wall = st.fixed_dictionaries(
        optional(
            scan_number=st.integers(1, 6),
            layer=st.sampled_from(["whole-wall", "detrusor", "unknown"]),
            thickness=quantity("mm", "cm"),
            caliper_thickness=quantity("mm"),
            surface_area=quantity("cm2", "mm2"),
            mass=quantity("g", "kg"),
            probe_frequency=quantity("MHz"),
        )
    )
    data = draw(
        st.fixed_dictionaries(
            {
                "record_version": st.just("1"),
                "exam_number": st.sampled_from([str(n) for n in range(9)] + ["a", "x-09"]),
                "device": st.sampled_from([{"serial": "HT-1"}, {"serial": "HT-2"}]),
                "started_at": moments,
                "void_state": st.sampled_from(["pre-void", "post-void", "post-void", "unspecified"]),
                "scans": st.just(scans),
            }
            | optional(
                patient=patients,
                location=st.just("Ward H"),
                episode=st.just({"system": "https://e.example", "value": "1"}),
                uterus_present=maybe_bool,
                void_attempt=st.sampled_from(["voided", "unable", "not-attempted", "unknown"]),
                voided_at=moments,
                voided_volume=volume,
                void_measured=maybe_bool,
                earlier_voids=st.lists(st.fixed_dictionaries({"at": moments} | optional(volume=volume)), max_size=2),
                catheter_removed_at=moments,
                catheterised_volume=volume,
                catheterised_at=moments,
                catheter_in_place=maybe_bool,
                hysterectomy=maybe_bool,
                retention_symptoms=maybe_bool,
                reported_scan=st.sampled_from([scan["scan_number"] for scan in scans]),
                choice_rule=st.sampled_from(["operator", "last", "largest", "median", "mean"]),
                wall=wall,
                verified=st.fixed_dictionaries({"by": st.just("x"), "at": moments}),
                action=st.fixed_dictionaries({"what": st.just("catheterised"), "at": moments}),
                status=st.sampled_from(["final", "amended", "corrected", "entered-in-error", "cancelled"]),
                supersedes=st.sampled_from("123"),
            )
        )
    )
    try:
        return load({name: value for name, value in data.items() if value is not None})
    except RecordError:
        return None


@given(exams())
def test_one_record(record: ExamRecord | None) -> None:
    if record is None:
        return
    choice = choose(record)
    assert (choice.value is None) or choice.scan is not None or choice.how in ("median", "mean")
    done = calculate(record)
    assert done == calculate(record, choice=choice)
    if done.mass is not None:
        assert done.inside is True
        assert record.wall is not None
        assert record.wall.layer != "detrusor"
        assert done.mass == done.mass.quantize(Decimal("0.1"))
        assert done.mass >= 0
        assert done.mass_text
        assert not done.mass_absent
    if done.efficiency is not None:
        assert 0 <= done.efficiency <= 100
        assert record.void_state == "post-void"
        assert record.verified is not None
    assert done.minutes is None or done.minutes >= 0
    alone = findings(record, now=NOW)
    assert alone == findings(record, now=NOW, choice=choice, calculated=done)
    ranks = [("block", "warn", "note").index(one.severity) for one in alone]
    assert ranks == sorted(ranks)


@given(st.lists(exams(), max_size=8))
def test_streams_with_every_rule_switched_on(drawn: list[ExamRecord | None]) -> None:
    records = [record for record in drawn if record is not None]
    for one in check(records, RULES, NOW):
        written = one.as_dict()
        for name in ("id", "severity", "message", "expected", "found", "source", "exam_number", "field"):
            assert written[name], name
        if isinstance(one, Finding):
            assert one.severity == SEVERITY[one.id]
        else:
            assert isinstance(one, Prompt)
    checker = Checker(RULES, now=NOW)
    for record in records:
        checker.add(record)
        assert [verdict.rule.id for verdict in checker.verdicts] == [rule.id for rule in RULES]
        for verdict in checker.verdicts:
            assert verdict.state in STATES
            assert verdict.reason or verdict.state in ("met", "not-met")


@given(st.lists(exams(), max_size=8))
def test_sequences_list_every_exam_once(drawn: list[ExamRecord | None]) -> None:
    records = [record for record in drawn if record is not None]
    found = pairs(records)
    listed = [one.key for one in found.unlinked]
    listed += [(r.device.serial, r.exam_number) for pair in found.linked for r in (pair.pre, pair.post)]
    assert len(listed) == len(set(listed))
    limits = TrialLimits(Decimal(100), Decimal(150), Decimal(6))
    for trial in trials(records, limits).trials:
        assert trial.outcome.state in ("passed", "failed", "open")
        assert all(void.at >= trial.removed_at for void in trial.voids)
