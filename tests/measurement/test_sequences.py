"""Pre/post pairs and trials without catheter: linked where the records leave no choice, listed otherwise."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest

from fhir_bladder.exam import ExamRecord
from fhir_bladder.measurement.checking import check
from fhir_bladder.measurement.prompts import Prompt, trial_limits
from fhir_bladder.measurement.rulebook import known_rules, switch_on
from fhir_bladder.measurement.sequences import pairs, trials
from fhir_bladder.measurement.trials import TrialLimits

Exam = Callable[..., ExamRecord]
NOW = dt.datetime(2026, 11, 30, 12, tzinfo=dt.UTC)
START = dt.datetime(2026, 11, 18, 8, 0, tzinfo=dt.UTC)
LIMITS = TrialLimits(Decimal(150), Decimal(150), Decimal(6))


def clock(minute: float) -> str:
    return (START + dt.timedelta(minutes=minute)).isoformat()


@pytest.fixture
def pre(exam: Exam) -> Exam:
    def make(minute: float, volume: Any = 400, patient: str = "H7", **changes: Any) -> ExamRecord:
        fields = {
            "exam_number": f"pre-{minute}", "started_at": clock(minute), "void_state": "pre-void", "volumes": [volume],
            "patient": {"identifiers": [{"system": "https://x.example", "value": patient}], "birth_date": "1951-03-09"},
            "void_attempt": None, "voided_at": None, "voided_volume": None, "void_measured": None, "verified": None,
        }  # fmt: skip
        return exam(**fields | changes)

    return make


@pytest.fixture
def post(pre: Exam) -> Exam:
    def make(
        minute: float, volume: Any = 100, voided: Any = 290, at: float | None = None, **changes: Any
    ) -> ExamRecord:
        fields: dict[str, Any] = {
            "exam_number": f"post-{minute}", "void_state": "post-void", "void_attempt": "voided", "void_measured": True,
            "voided_at": None if at is None else clock(at),
            "voided_volume": None if voided is None else {"value": voided, "unit": "mL"},
            "verified": {"by": "operator 1", "at": clock(minute)},
        }  # fmt: skip
        return pre(minute, volume, **fields | changes)

    return make


def test_a_pair(pre: Exam, post: Exam) -> None:
    for records in ([pre(0), post(20, at=10)], [post(20, at=10), pre(0)]):
        (pair,), unlinked = pairs(records)
        assert unlinked == []
        assert (pair.pre.exam_number, pair.post.exam_number, pair.minutes) == ("pre-0", "post-20", 20)
        assert (pair.pre_volume, pair.post_volume, pair.voided, pair.voided_measured) == (400, 100, 290, True)
        assert (pair.balance, str(pair.emptied_fraction), str(pair.efficiency)) == (10, "75.0", "74.4")


def test_a_pair_is_timed_by_the_reported_scans(pre: Exam, post: Exam) -> None:
    scan = {"scan_number": 1, "taken_at": clock(25), "volume": {"value": 100, "unit": "mL"}}
    (pair,) = pairs([pre(0), post(20, at=22, volumes=None, scans=[scan])]).linked
    assert pair.minutes == 25


@pytest.mark.parametrize(
    ("minute", "at", "linked"),
    [
        (60, None, True),
        (60.1, None, False),
        (60, 0, True),
        (60, -1, False),
        (20, 20, True),
        (0, None, True),
        (-1, None, False),
    ],
)
def test_pair_in_time(pre: Exam, post: Exam, minute: float, at: float | None, linked: bool) -> None:
    found = pairs([pre(0), post(minute, at=at)])
    assert bool(found.linked) is linked
    assert len(found.unlinked) == (0 if linked else 2)


def test_pair_is_of_one_patient_visit_and_episode(pre: Exam, post: Exam) -> None:
    visit = [{"system": "https://v.example", "value": value} for value in "12"]
    assert not pairs([pre(0, patient="H8"), post(20)]).linked
    for name in ("encounter", "episode"):
        assert not pairs([pre(0, **{name: visit[0]}), post(20, **{name: visit[1]})]).linked
        assert pairs([pre(0, **{name: visit[0]}), post(20, **{name: visit[0]})]).linked
        assert pairs([pre(0, **{name: visit[0]}), post(20)]).linked
        assert pairs([pre(0), post(20, **{name: visit[0]})]).linked


def test_one_identifier_shared_is_one_patient(exam: Exam, pre: Exam, post: Exam) -> None:
    both = {"identifiers": [{"system": "https://x.example", "value": value} for value in ("H1", "H2")]}

    def known_as_both(record: ExamRecord) -> ExamRecord:
        return record.model_copy(update={"patient": exam(patient=both).patient})

    assert len(pairs([known_as_both(pre(0)), post(20, patient="H2")]).linked) == 1
    assert pairs([pre(0, patient="H1"), post(20, patient="H2")]).linked == []
    (trial,) = trials([known_as_both(post(60, at=55, **REMOVED))], LIMITS).trials
    assert trial.patient == ("https://x.example", "H1")  # the first one stated


@pytest.mark.parametrize("nobody", [None, {"birth_date": "1951-03-09"}, {"identifiers": []}])
def test_an_exam_of_nobody_known_takes_no_part(exam: Exam, pre: Exam, post: Exam, nobody: Any) -> None:
    unknown = {"patient": exam(patient=nobody).patient}
    records = [one.model_copy(update=unknown) for one in (pre(0), post(20, at=10, **REMOVED))]
    assert pairs(records) == ([], [])
    assert trials(records, LIMITS) == ([], [])


def test_what_is_found_is_in_time_order(pre: Exam, post: Exam) -> None:
    """Whatever the order of exams and patients in the files."""
    other = {"patient": "H8"}
    found = pairs([post(90), pre(80), post(20, **other), pre(0, **other), pre(200), pre(190), post(210)])
    assert [pair.post.exam_number for pair in found.linked] == ["post-20", "post-90"]
    (ambiguous,) = [one for one in found.unlinked if one.key[1] == "post-210"]
    assert [key[1] for key in ambiguous.candidates] == ["pre-190", "pre-200"]
    late, early = post(200, at=195, catheter_removed_at=clock(60)), post(90, at=85, **REMOVED, **other)
    assert [one.removed_at for one in trials([late, early], LIMITS).trials] == [START, START + dt.timedelta(hours=1)]


def test_ambiguous_links_stay_unlinked_and_are_listed(pre: Exam, post: Exam) -> None:
    found = pairs([pre(0), pre(10), post(20)])
    assert found.linked == []
    listed = {one.key[1]: one for one in found.unlinked}
    assert listed["post-20"].reason == "2 pre-void exams could belong to it"
    assert [key[1] for key in listed["post-20"].candidates] == ["pre-0", "pre-10"]
    assert listed["pre-0"].reason == "its link is ambiguous"
    found = pairs([pre(0), post(20), post(30)])
    listed = {one.key[1]: one for one in found.unlinked}
    assert listed["post-20"].reason == "its pre-void exam could belong to 2 post-void exams"
    assert len(listed) == 3
    # the time of the void takes the ambiguity away
    assert len(pairs([pre(0), pre(10), post(20, at=5)]).linked) == 1
    assert pairs([pre(0), pre(10), post(20, at=15)]).linked == []
    lonely = pairs([post(20)]).unlinked[0]
    assert lonely.reason == "no pre-void exam within 60 min before the void"
    assert pairs([pre(20)]).unlinked[0].reason == "no post-void exam follows it"


def test_retracted_superseded_and_older_versions_take_no_part(pre: Exam, post: Exam) -> None:
    gone = pre(10, status="entered-in-error")
    assert len(pairs([pre(0), gone, post(20)]).linked) == 1
    replaced = [pre(10, exam_number="a"), pre(0, exam_number="b", supersedes="a")]
    assert len(pairs([*replaced, post(20)]).linked) == 1
    (pair,) = pairs([pre(0, 40), pre(0, 400, status="amended"), post(20)]).linked
    assert pair.pre_volume == 400


def test_bounded_and_absent_volumes_give_no_arithmetic(pre: Exam, post: Exam) -> None:
    (pair,) = pairs([pre(0, ">999"), post(20)]).linked
    assert (pair.pre_volume, pair.balance, pair.emptied_fraction) == (None, None, None)
    (pair,) = pairs([pre(0), post(20, None)]).linked
    assert (pair.post_volume, pair.balance, pair.efficiency) == (None, None, None)
    (pair,) = pairs([pre(0), post(20, void_measured=False)]).linked
    assert (pair.balance, pair.voided, pair.efficiency) == (None, 290, None)
    (pair,) = pairs([pre(0), post(20, voided=None)]).linked
    assert (pair.balance, pair.voided, pair.emptied_fraction) == (None, None, 75)
    for before, after in ((-1, 100), (400, -1)):
        (pair,) = pairs([pre(0, before), post(20, after)]).linked
        assert (pair.balance, pair.emptied_fraction) == (None, None)
    (pair,) = pairs([pre(0, 0), post(20, 0)]).linked
    assert (pair.emptied_fraction, pair.balance) == (None, -290)
    (pair,) = pairs([pre(0, 400), post(20, 0)]).linked
    assert (pair.emptied_fraction, pair.balance) == (100, 110)
    (pair,) = pairs([pre(0, volumes=[390, 410], choice_rule="mean"), post(20)]).linked
    assert (pair.pre_volume, pair.minutes) == (400, 20)  # a mean is no scan of its own, its time is the exam's


# Trials without catheter

REMOVED = {"catheter_removed_at": clock(0)}
EPISODE = {"episode": {"system": "https://e.example", "value": "1"}}


@pytest.mark.parametrize(
    ("volume", "state"),
    [(149, "passed"), (150, "open"), (151, "failed"), ("<150", "passed"), (">150", "failed"), ("<200", "open"),
     (">100", "open"), (None, "open")],
)  # fmt: skip
def test_outcome_by_the_sites_limits(post: Exam, volume: Any, state: str) -> None:
    (trial,), unlinked = trials([post(120, volume, at=115, **REMOVED)], LIMITS)
    assert unlinked == []
    assert trial.outcome.state == state
    assert trial.minutes_to_first_void == 115
    assert trial.outcome.key == ("HT-0093", "post-120")


def test_limits_apart_leave_a_gap(post: Exam) -> None:
    wide = TrialLimits(Decimal(100), Decimal(200), Decimal(6))
    states = [trials([post(120, v, at=115, **REMOVED)], wide).trials[0].outcome.state for v in (99, 100, 150, 200, 201)]
    assert states == ["passed", "open", "open", "open", "failed"]


def test_the_latest_scan_within_the_hours_decides(post: Exam) -> None:
    first, second = post(60, 300, at=55, **REMOVED), post(180, 80, at=170, **REMOVED)
    (trial,), _ = trials([second, first], LIMITS)
    assert trial.outcome.state == "passed"
    assert [void.volume for void in trial.voids] == [290, 290]
    assert [reading.key[1] for reading in trial.readings] == ["post-60", "post-180"]
    late = post(361, 300, at=355, **REMOVED)
    assert trials([first, second, late], LIMITS).trials[0].outcome.state == "passed"
    assert trials([first, second, post(360, 300, at=355, **REMOVED)], LIMITS).trials[0].outcome.state == "failed"


def test_no_void_within_the_hours(post: Exam) -> None:
    unable = {"void_attempt": "unable", "voided": None, "void_measured": None}
    assert trials([post(359, 500, **unable, **REMOVED)], LIMITS).trials[0].outcome.state == "open"
    (trial,), _ = trials([post(360, 500, **unable, **REMOVED)], LIMITS)
    assert (trial.outcome.state, trial.minutes_to_first_void) == ("failed", None)
    assert trial.outcome.reason == "no void within 6 h of the removal"
    # a void after the hours does not save it, an unknown attempt leaves it open
    assert trials([post(400, 50, at=390, **REMOVED)], LIMITS).trials[0].outcome.state == "open"
    unknown = post(400, 50, voided=None, void_attempt="unknown", void_measured=None, **REMOVED)
    assert trials([unknown], LIMITS).trials[0].outcome.state == "open"
    voided_then_late_scan = post(400, 50, at=200, **REMOVED)
    assert trials([voided_then_late_scan], LIMITS).trials[0].outcome.reason.startswith("voided, but no scan")


def test_voids_before_the_removal_do_not_count(post: Exam) -> None:
    record = post(120, 50, at=-10, **REMOVED)
    (trial,), _ = trials([record], LIMITS)
    assert (trial.voids, trial.outcome.state) == ((), "open")
    record = post(120, 50, at=100, earlier_voids=[{"at": clock(50), "volume": {"value": 90, "unit": "mL"}}], **REMOVED)
    (trial,), _ = trials([record], LIMITS)
    assert [void.volume for void in trial.voids] == [90, 290]
    assert trial.minutes_to_first_void == 50
    assert trial.readings[0].voids == (START + dt.timedelta(minutes=100), START + dt.timedelta(minutes=50))
    (trial,), _ = trials([post(120, 50, at=0, **REMOVED)], LIMITS)
    assert ([void.at for void in trial.voids], trial.minutes_to_first_void) == ([START], 0)  # on the minute of it


def test_a_scan_before_a_void_is_no_reading_of_a_trial(pre: Exam, post: Exam) -> None:
    (trial,), _ = trials([post(60, 80, at=55, **REMOVED), pre(120, 300, **REMOVED)], LIMITS)
    assert [reading.key[1] for reading in trial.readings] == ["post-60"]
    assert trial.outcome.state == "passed"


def test_links_by_episode_and_removal(post: Exam) -> None:
    first = post(60, 300, at=55, **REMOVED, **EPISODE)
    joined = post(180, 80, at=170, **EPISODE)
    (trial,), unlinked = trials([first, joined], LIMITS)
    assert (len(trial.readings), trial.episode, unlinked) == (2, ("https://e.example", "1"), [])
    between = trials([first, joined, post(240, 90, at=235, **REMOVED, **EPISODE)], LIMITS).trials[0]
    assert [reading.key[1] for reading in between.readings] == ["post-60", "post-180", "post-240"]
    again = post(400, 80, at=390, catheter_removed_at=clock(300), **EPISODE)
    found = trials([first, joined, again], LIMITS)
    assert [len(trial.readings) for trial in found.trials] == [1, 1]
    assert found.unlinked[0].reason == "its episode has 2 removals of a catheter"
    near = trials([first, post(180, 80, at=170)], LIMITS)
    assert near.unlinked[0].reason == "follows a removal, but does not say that it belongs"
    assert near.unlinked[0].candidates == (("HT-0093", "post-60"),)
    near = trials([first, post(90, 80, at=85, **REMOVED), post(180, 80, at=170)], LIMITS)
    assert near.unlinked[0].candidates == (("HT-0093", "post-60"),)  # the trial's first exam stands for it
    far = trials([first, post(361, 80, at=355)], LIMITS)
    assert far.unlinked == []
    assert trials([first, post(70, 300, patient="H8", at=65, **REMOVED)], LIMITS).trials[1].patient[1] == "H8"


def test_catheter_back_in_place_is_no_reading(post: Exam) -> None:
    (trial,), _ = trials([post(120, 50, at=115, catheter_in_place=True, **REMOVED)], LIMITS)
    assert trial.readings == ()


def test_trial_rule_prompts_once_a_state(post: Exam, pre: Exam) -> None:
    rules = switch_on('[[use]]\nrule = "trial-150"')

    def prompts(*records: ExamRecord) -> list[str]:
        return [one.found for one in check(records, rules, NOW) if isinstance(one, Prompt)]

    first, second, third = (post(m, v, at=m - 5, **REMOVED) for m, v in ((60, 300), (120, 280), (180, 80)))
    assert prompts(first, second, third) == [
        "failed: 300 mL left, above 150 mL", "passed: 80 mL left, below 150 mL",
    ]  # fmt: skip
    assert prompts(post(60, 150, at=55, **REMOVED)) == []
    assert prompts(post(60, 300, at=55)) == []
    assert prompts(pre(60, 300, **REMOVED)) == []
    assert prompts(post(60, 300, at=55, catheter_in_place=True, **REMOVED)) == []
    unknown = post(240, 70, voided=None, void_attempt="unknown", void_measured=None, **REMOVED)
    assert prompts(first, unknown) == ["failed: 300 mL left, above 150 mL", "passed: 70 mL left, below 150 mL"]
    again = post(1500, 80, at=1495, catheter_removed_at=clock(1440))
    assert len(prompts(third, again)) == 2


@pytest.mark.parametrize(
    ("minute", "at", "attempt", "state"),
    [
        (0, 0, "voided", "passed"),  # on the minute of the removal
        (360, 360, "voided", "passed"),  # on the last minute
        (360, None, "voided", "passed"),
        (361, None, "voided", "open"),  # a void at an unknown time, seen too late
        (-1, None, "voided", "open"),
        (360, 361, "unknown", "open"),
        (360, None, "unable", "failed"),
        (360, None, "not-attempted", "failed"),
        (359, None, "not-attempted", "open"),
    ],
)
def test_ends_of_the_trial_count(post: Exam, minute: float, at: float | None, attempt: str, state: str) -> None:
    volume = {} if attempt == "voided" else {"voided": None, "void_measured": None}
    record = post(minute, 80, at=at, void_attempt=attempt, **REMOVED, **volume)
    (trial,), _ = trials([record], LIMITS)
    assert trial.outcome.state == state


def test_a_void_at_an_unknown_time_after_the_hours_makes_no_trial(post: Exam) -> None:
    within = post(60, 80, voided=None, void_attempt="unknown", void_measured=None, **REMOVED)
    late = post(361, 80, void_attempt="voided", **REMOVED)
    for records in ([late], [within, late]):
        outcome = trials(records, LIMITS).trials[0].outcome
        assert (outcome.state, outcome.reason) == ("open", "no void recorded yet")


@pytest.mark.parametrize(
    ("volume", "reason"),
    [
        ("<150", "<150 mL left, below 150 mL"),
        (">150", ">150 mL left, above 150 mL"),
        ("<200", "<200 mL left, which the limits leave open"),
        (149, "149 mL left, below 150 mL"),
    ],
)
def test_an_outcome_names_the_volume_as_bounded(post: Exam, volume: Any, reason: str) -> None:
    assert trials([post(120, volume, at=115, **REMOVED)], LIMITS).trials[0].outcome.reason == reason


def test_limits_of_a_rule() -> None:
    assert trial_limits(known_rules()["trial-150"]) == LIMITS
    with pytest.raises(ValueError, match="not about a trial"):
        trial_limits(known_rules()["residual-advice-100"])
