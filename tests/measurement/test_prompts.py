"""What rules remember of a patient: readings in time order, trials, bounded memory; and the fields of a prompt.

The limits are invented. That the time of an exam counts and not its arrival follows from the rules' own words.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from fhir_bladder.exam import ExamRecord
from fhir_bladder.measurement.checking import Checker
from fhir_bladder.measurement.prompts import Prompt, trial_limits
from fhir_bladder.measurement.rulebook import Rule, switch_on
from fhir_bladder.measurement.verdicts import Verdict

Exam = Callable[..., ExamRecord]
NOW = dt.datetime(2026, 11, 30, 12, tzinfo=dt.UTC)
START = dt.date(2026, 1, 1)
OWN = '[[use]]\nrule = "own"\n' + Path(__file__).with_name("own_rule.toml").read_text("utf-8")
LASTING = OWN + 'above = 300\nkind = "lasting"\nmonths = 6\nvoid_state = "post-void"\n'
IN_A_ROW = OWN + 'above = 100\nor_percent_above = 50\nvoid_state = "post-void"\nwithin_days = {}\nconsecutive = {}\n'
TRIAL = '[[use]]\nrule = "trial-150"'


def last_verdict(rules: str | tuple[Rule, ...], records: list[ExamRecord]) -> Verdict:
    """What the only rule says of the last record."""
    checker = Checker(switch_on(rules) if isinstance(rules, str) else rules, now=NOW)
    for record in records:
        checker.add(record)
    return checker.verdicts[0]


def told(rules: str, records: list[ExamRecord]) -> tuple[str, str]:
    verdict = last_verdict(rules, records)
    return verdict.state, verdict.reason


@pytest.fixture
def on_days(exam: Exam) -> Callable[..., list[ExamRecord]]:
    """Exams of (day from the start, mL, voided mL); each reads as its day."""

    def make(*readings: tuple[Any, ...]) -> list[ExamRecord]:
        records = []
        for day, volume, *voided in readings:
            date = (START + dt.timedelta(days=day)).isoformat()
            fields: dict[str, Any] = {
                "volumes": [volume], "started_at": f"{date}T10:42:00Z", "voided_at": f"{date}T10:35:00Z",
                "verified": None, "exam_number": f"{day}",
            }  # fmt: skip
            if voided:
                fields["voided_volume"] = {"value": voided[0], "unit": "mL"}
            records.append(exam(**fields))
        return records

    return make


# Lasting. Six months from the first of January are 181 days, to the first of July.


@pytest.mark.parametrize(
    ("readings", "state"),
    [
        ([(0, 301), (181, 301)], "met"),
        ([(0, 301), (180, 301)], "not-met"),
        ([(0, 301), (181, 301), (90, 301)], "met"),  # the one between arrives last
        ([(10, 301), (191, 301), (0, 300), (192, 301)], "met"),  # one before the run, late, does not break it
        ([(10, 301), (191, 301), (100, 300), (192, 301)], "not-met"),
    ],
)
def test_a_late_exam_stands_where_its_time_is(on_days: Any, readings: Any, state: str) -> None:
    assert last_verdict(LASTING, on_days(*readings)).state == state


@pytest.mark.parametrize(
    ("residual", "voided", "state"), [(301, 1000, "met"), (200, 199, "met"), (200, 200, "not-met")]
)
def test_a_lasting_share_of_the_capacity_counts_too(on_days: Any, residual: int, voided: int, state: str) -> None:
    """Above 300 mL or above half of voided and residual together: at 200 of 399 mL it is."""
    text = LASTING + "or_percent_above = 50\n"
    assert last_verdict(text, on_days((0, residual, voided), (181, residual, voided))).state == state


RUN, OPEN = 301, ">200"


@pytest.mark.parametrize(
    ("readings", "expected"),
    [
        # the first of a run is kept, also where the run is not the first that is known
        ([(0, 200), *((day, RUN) for day in range(1, 71)), (182, RUN)], ("met", "")),
        ([(0, 200), *((day, RUN) for day in range(1, 71)), (181, RUN)], ("not-met", "met, but for less than 6 months")),
        ([*((day, RUN) for day in range(70)), (181, RUN)], ("met", "")),
        # two alike at the start: the first of them counts
        (
            [(0, RUN), *((day, RUN if day % 2 else OPEN) for day in range(1, 63)), (63, RUN), (181, RUN)],
            ("unknown", "a value between leaves it open"),
        ),
    ],
)
def test_the_first_of_a_long_run_is_remembered(on_days: Any, readings: Any, expected: tuple[str, str]) -> None:
    assert told(LASTING, on_days(*readings)) == expected


@pytest.mark.parametrize(
    ("readings", "expected"),
    [
        # 65 that change every time: the oldest is forgotten, so the third is the first that is known to be over 300 mL
        (
            [*((day, OPEN if day % 2 else RUN) for day in range(64)), (182, RUN)],
            ("not-met", "met, but for less than 6 months"),
        ),
        # of the last two the last is what is judged
        (
            [*((day, RUN if day % 2 else OPEN) for day in range(64)), (185, RUN)],
            ("unknown", "a value between leaves it open"),
        ),
        # one of the two before the last tells nothing
        (
            [*((day, OPEN if day % 2 else RUN) for day in range(63)), (63, RUN), (182, RUN)],
            ("unknown", "a value between leaves it open"),
        ),
    ],
)
def test_what_is_forgotten_where_readings_change_all_the_time(
    on_days: Any, readings: Any, expected: tuple[str, str]
) -> None:
    assert told(LASTING, on_days(*readings)) == expected


# Several in a row: above 100 mL, or above half of voided and residual together, each twice within 30 days

LOW, HIGH, BY_SHARE = (50, 500), (150, 500), (90, 50)
"""mL left and voided: under both limits; over the first only, 23 % left; over the second only, 64 % left."""
FEW = "fewer than 2 readings within 30 days of each other"


@pytest.mark.parametrize(
    ("first", "second", "days", "expected"),
    [
        (HIGH, HIGH, 30, ("met", "")),
        (HIGH, HIGH, 31, ("not-met", FEW)),
        (BY_SHARE, BY_SHARE, 30, ("met", "")),
        (HIGH, BY_SHARE, 30, ("not-met", "")),  # neither limit by both
        (HIGH, LOW, 31, ("not-met", "")),  # the last one is under the limit, however many there are
        (LOW, HIGH, 31, ("not-met", FEW)),
        (LOW, BY_SHARE, 31, ("not-met", FEW)),
        ((">50", 500), HIGH, 30, ("unknown", "a value leaves it open")),
    ],
)
def test_two_in_a_row(on_days: Any, first: Any, second: Any, days: int, expected: tuple[str, str]) -> None:
    assert told(IN_A_ROW.format(30, 2), on_days((0, *first), (days, *second))) == expected


def test_one_alone_is_told_by_its_own_value(on_days: Any) -> None:
    assert told(IN_A_ROW.format(30, 2), on_days((0, *HIGH))) == ("not-met", FEW)
    assert told(IN_A_ROW.format(30, 2), on_days((0, *LOW))) == ("not-met", "")


@pytest.mark.parametrize(("days", "state"), [(range(64), "met"), (range(65), "met"), (range(1, 64), "not-met")])
def test_as_many_in_a_row_as_are_remembered(on_days: Any, days: range, state: str) -> None:
    assert last_verdict(IN_A_ROW.format(1, 64), on_days(*((day, *HIGH) for day in days))).state == state


def test_three_in_a_row_after_a_long_up_and_down(on_days: Any) -> None:
    """What is left out of a row that is full is its oldest, not one in the middle of those that count."""
    days = [(day, *(HIGH if day % 2 else LOW)) for day in range(64)]
    assert last_verdict(IN_A_ROW.format(1, 3), on_days(*days, (64, *HIGH), (65, *HIGH))).state == "met"


# Trials


@pytest.fixture
def after_removal(exam: Exam) -> Callable[..., ExamRecord]:
    """A scan so many minutes after the removal at 8:00, which is `removed` minutes later where that is given."""

    def make(minute: int, volume: Any = 80, removed: int = 0, **changes: Any) -> ExamRecord:
        def clock(after: int) -> str:
            return (dt.datetime(2026, 11, 18, 8, tzinfo=dt.UTC) + dt.timedelta(minutes=after)).isoformat()

        fields = {"exam_number": f"{minute}", "volumes": [volume], "started_at": clock(minute),
                  "voided_at": clock(minute - 5), "catheter_removed_at": clock(removed), "verified": None}  # fmt: skip
        return exam(**fields | changes)

    return make


def test_a_trial_is_judged_after_voids_only(after_removal: Any) -> None:
    fields = {"void_attempt": None, "voided_at": None, "voided_volume": None, "void_measured": None}
    before = after_removal(120, 300, void_state="pre-void", **fields)
    expected = ("not-applicable", "a trial is judged after voids, this scan is pre-void")
    assert told(TRIAL, [before]) == expected
    assert told(TRIAL, [after_removal(60), before]) == expected
    assert told(TRIAL, [after_removal(60, catheter_removed_at=None)]) == (
        "not-applicable", "no removal of a catheter is recorded",
    )  # fmt: skip


def test_the_latest_scan_of_a_trial_decides_whenever_it_arrives(after_removal: Any) -> None:
    late, early = after_removal(180, 80), after_removal(60, 300)
    for records in ([late, early], [early, late]):
        assert last_verdict(TRIAL, records).reason == "passed after the removal at 2026-11-18T08:00:00+00:00"


def test_scans_of_another_removal_are_of_another_trial(after_removal: Any) -> None:
    """A removal at 8:00 with 300 mL at 9:30, and one at 10:00 with 80 mL at 11:00, three hours after the first."""
    first, second = after_removal(90, 300), after_removal(180, 80, removed=120)
    assert last_verdict(TRIAL, [second, first]).reason.startswith("failed after the removal at 2026-11-18T08:00")
    assert last_verdict(TRIAL, [first, second]).reason.startswith("passed after the removal at 2026-11-18T10:00")


@pytest.mark.parametrize(("volume", "state"), [(150, "unknown"), (80, "met")])
def test_a_trial_is_about_the_removal(after_removal: Any, volume: int, state: str) -> None:
    verdict = last_verdict(TRIAL, [after_removal(60, volume)])
    assert (verdict.state, verdict.field) == (state, "catheter_removed_at")


def test_only_a_trial_has_limits_of_a_trial() -> None:
    (rule,) = switch_on(OWN + "above = 300\n")
    with pytest.raises(ValueError, match="'own' is not about a trial"):
        trial_limits(rule)


# Prompts


def test_the_written_form_of_a_prompt(exam: Exam) -> None:
    (prompt,) = [one for one in Checker(switch_on(OWN + "above = 100"), now=NOW).add(exam()) if isinstance(one, Prompt)]
    written = {
        "id": "own",
        "version": "1",
        "exam_number": "2026-00417",
        "field": "scans",
        "message": "over our own limit (rule for adults; ultrasound)",
        "expected": "above 100 mL",
        "found": "186 mL",
        "source": "ward protocol 7",
        "certainty": "site",
        "hint": "a prompt, no diagnosis: local codes and licensed practice decide",
        "severity": "prompt",
    }
    assert prompt.as_dict() == written
    prompt.file, prompt.line = "exams.ndjson", 7
    assert list(prompt.as_dict().items()) == [("file", "exams.ndjson"), ("line", 7), *written.items()]
