"""Room `measurement`: exams that belong together: pre/post pairs and trials without catheter. May import exam.

A link is made only where the records leave no choice. What could belong to several stays unlinked and is listed.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable
from decimal import Decimal
from typing import NamedTuple

from fhir_bladder.exam import ExamRecord
from fhir_bladder.measurement import voiding
from fhir_bladder.measurement.calculated import calculate
from fhir_bladder.measurement.choice import Choice, choose
from fhir_bladder.measurement.patients import RETRACTED, any_within, key_of
from fhir_bladder.measurement.settings import DEFAULT, Settings
from fhir_bladder.measurement.trials import Outcome, Reading, TrialLimits, outcome

Key = tuple[str, str]


class Unlinked(NamedTuple):
    """An exam without a link: its key (device serial, exam number), why, and the exams it could belong to."""

    key: Key
    reason: str
    candidates: tuple[Key, ...] = ()


class Pair(NamedTuple):
    """A pre-void and a post-void exam of one void. Volumes in mL, None where bounded or absent.

    voided: as recorded, with voided_measured. balance: (pre − post) − voided, only with a measured void.
    emptied_fraction: % of the pre-void scan, one decimal. efficiency: of the post-void exam by its measured void.
    """

    pre: ExamRecord
    post: ExamRecord
    minutes: int
    pre_volume: Decimal | None
    post_volume: Decimal | None
    voided: Decimal | None
    voided_measured: bool | None
    balance: Decimal | None
    emptied_fraction: Decimal | None
    efficiency: Decimal | None


class Pairs(NamedTuple):
    """Linked pairs in time order of the post-void exams, and the exams without a link."""

    linked: list[Pair]
    unlinked: list[Unlinked]


class Void(NamedTuple):
    """A void of a trial: when, mL where recorded, measured or not."""

    at: dt.datetime
    volume: Decimal | None
    measured: bool | None


class Trial(NamedTuple):
    """A trial without catheter: removal, voids and post-void scans in time order, outcome by the site's limits."""

    patient: tuple[str, str]
    episode: tuple[str, str] | None
    removed_at: dt.datetime
    voids: tuple[Void, ...]
    readings: tuple[Reading, ...]
    outcome: Outcome
    minutes_to_first_void: int | None


class Trials(NamedTuple):
    """Trials in time order, and exams that may or may not belong to one."""

    trials: list[Trial]
    unlinked: list[Unlinked]


class _Exam(NamedTuple):
    record: ExamRecord
    key: Key
    choice: Choice
    moment: dt.datetime


def pairs(records: Iterable[ExamRecord], settings: Settings = DEFAULT) -> Pairs:
    """Pre/post pairs: one patient, the pre-void exam at most `settings.pair_minutes` before, the void between if known.

    Linked only one to one: a post-void exam with two candidates, or two with one candidate, stay unlinked. Exams
    without patient, retracted and superseded ones take no part; of several versions the last counts.
    """
    linked: list[Pair] = []
    unlinked: list[Unlinked] = []
    for exams in _by_patient(records).values():
        before = [exam for exam in exams if exam.record.void_state == "pre-void"]
        after = [exam for exam in exams if exam.record.void_state == "post-void"]
        options = {post.key: [pre for pre in before if _may_pair(pre, post, settings)] for post in after}
        claims: dict[Key, list[_Exam]] = defaultdict(list)
        for post in after:
            for pre in options[post.key]:
                claims[pre.key].append(post)
        for post in after:
            candidates = options[post.key]
            keys = tuple(pre.key for pre in candidates)
            if not candidates:
                reason = f"no pre-void exam within {settings.pair_minutes} min before the void"
                unlinked.append(Unlinked(post.key, reason))
            elif len(candidates) > 1:
                unlinked.append(Unlinked(post.key, f"{len(candidates)} pre-void exams could belong to it", keys))
            elif len(claims[keys[0]]) > 1:
                reason = f"its pre-void exam could belong to {len(claims[keys[0]])} post-void exams"
                unlinked.append(Unlinked(post.key, reason, keys))
            else:
                linked.append(_pair(candidates[0], post, settings))
        paired = {key_of(pair.pre) for pair in linked}
        for pre in before:
            if pre.key not in paired:
                claimed = tuple(post.key for post in claims[pre.key])
                reason = "its link is ambiguous" if claimed else "no post-void exam follows it"
                unlinked.append(Unlinked(pre.key, reason, claimed))
    linked.sort(key=lambda pair: pair.post.started_at.moment)
    return Pairs(linked, unlinked)


def _may_pair(pre: _Exam, post: _Exam, settings: Settings) -> bool:
    apart = post.moment - pre.moment
    if not dt.timedelta(0) <= apart <= dt.timedelta(minutes=settings.pair_minutes):
        return False
    for name in ("encounter", "episode"):
        one, other = getattr(pre.record, name), getattr(post.record, name)
        if one is not None and other is not None and one != other:
            return False
    voided = post.record.voided_at
    return voided is None or pre.moment <= voided.moment <= post.moment


def _pair(pre: _Exam, post: _Exam, settings: Settings) -> Pair:
    before = None if pre.choice.comparator else pre.choice.value
    after = None if post.choice.comparator else post.choice.value
    quantity, measured = post.record.voided_volume, post.record.void_measured
    voided = None if quantity is None else quantity.canonical
    balance = emptied = None
    if before is not None and after is not None and before >= 0 and after >= 0:
        fraction = voiding.emptied_fraction(before, after)
        emptied = None if fraction is None else voiding.one_decimal(fraction)
        if voided is not None and measured:
            balance = voiding.balance(before, after, voided)
    minutes = voiding.minutes_between(pre.moment, post.moment)
    assert minutes is not None
    efficiency = calculate(post.record, settings, choice=post.choice).efficiency
    return Pair(pre.record, post.record, minutes, before, after, voided, measured, balance, emptied, efficiency)


def trials(records: Iterable[ExamRecord], limits: TrialLimits) -> Trials:
    """Trials without catheter: exams of one patient that name the same removal, with the outcome by the site's limits.

    An exam without the time of removal joins by its episode where that has one removal only. One that merely lies
    within the hours after a removal is listed, not linked.
    """
    found: list[Trial] = []
    unlinked: list[Unlinked] = []
    for patient, exams in _by_patient(records).items():
        groups: dict[dt.datetime, list[_Exam]] = defaultdict(list)
        removals: dict[tuple[str, str], set[dt.datetime]] = defaultdict(set)
        for exam in exams:
            if exam.record.catheter_removed_at is not None:
                removed = exam.record.catheter_removed_at.moment
                groups[removed].append(exam)
                if (episode := _episode(exam)) is not None:
                    removals[episode].add(removed)
        for exam in exams:
            if exam.record.catheter_removed_at is not None:
                continue
            episode = _episode(exam)
            options = removals.get(episode, set()) if episode is not None else set()
            if len(options) == 1:
                groups[next(iter(options))].append(exam)
            elif options:
                unlinked.append(Unlinked(exam.key, f"its episode has {len(options)} removals of a catheter"))
            elif near := [key for key in groups if _soon_after(key, exam, limits)]:
                candidates = tuple(groups[removed][0].key for removed in near)
                unlinked.append(Unlinked(exam.key, "follows a removal, but does not say that it belongs", candidates))
        found += [_trial(patient, removed, group, limits) for removed, group in groups.items()]
    found.sort(key=lambda trial: trial.removed_at)
    return Trials(found, unlinked)


def _trial(patient: tuple[str, str], removed: dt.datetime, exams: list[_Exam], limits: TrialLimits) -> Trial:
    exams.sort(key=lambda exam: exam.moment)
    voids: dict[dt.datetime, Void] = {}
    readings = []
    for exam in exams:
        record = exam.record
        if record.voided_at is not None:
            volume = record.voided_volume.canonical if record.voided_volume is not None else None
            voids[record.voided_at.moment] = Void(record.voided_at.moment, volume, record.void_measured)
        for earlier in record.earlier_voids or ():
            volume = earlier.volume.canonical if earlier.volume is not None else None
            voids.setdefault(earlier.at.moment, Void(earlier.at.moment, volume, earlier.measured))
        if record.void_state == "post-void" and not record.catheter_in_place:
            times = tuple(
                void.moment for void in (record.voided_at, *(one.at for one in record.earlier_voids or ())) if void
            )
            readings.append(
                Reading(exam.key, exam.moment, exam.choice.value, exam.choice.comparator, times, record.void_attempt)
            )
    after = tuple(voids[moment] for moment in sorted(voids) if moment >= removed)
    episode = next((one for exam in exams if (one := _episode(exam)) is not None), None)
    first = voiding.minutes_between(removed, after[0].at) if after else None
    return Trial(patient, episode, removed, after, tuple(readings), outcome(removed, readings, limits), first)


def _episode(exam: _Exam) -> tuple[str, str] | None:
    episode = exam.record.episode
    return None if episode is None else (episode.system, episode.value)


def _soon_after(removed: dt.datetime, exam: _Exam, limits: TrialLimits) -> bool:
    return any_within([exam.moment], removed, removed + dt.timedelta(hours=float(limits.hours)))


def _by_patient(records: Iterable[ExamRecord]) -> dict[tuple[str, str], list[_Exam]]:
    """The newest version of every exam that stands, by patient, in time order."""
    newest: dict[Key, ExamRecord] = {}
    gone: set[Key] = set()
    for record in records:
        newest[key_of(record)] = record
        if record.supersedes is not None:
            gone.add((record.device.serial, record.supersedes))
    by_patient: dict[tuple[str, str], list[_Exam]] = defaultdict(list)
    same: dict[tuple[str, str], tuple[str, str]] = {}
    for key, record in newest.items():
        identifiers = record.patient.identifiers if record.patient is not None else None
        if record.status in RETRACTED or key in gone or not identifiers:
            continue
        ids = [(one.system, one.value) for one in identifiers]
        patient = next((same[one] for one in ids if one in same), ids[0])
        for one in ids:
            same.setdefault(one, patient)
        choice = choose(record)
        scan = choice.scan
        time = scan.taken_at if scan is not None and scan.taken_at is not None else record.started_at
        by_patient[patient].append(_Exam(record, key, choice, time.moment))
    for exams in by_patient.values():
        exams.sort(key=lambda exam: exam.moment)
    return by_patient
