"""Room `analysis`: exams that belong together, in the report: before and after a void, trials without catheter.

May import exam, measurement. Trials are judged by the limits of rules that are switched on, by no others.
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from fhir_bladder.analysis.report import display
from fhir_bladder.analysis.report.gather import Exam
from fhir_bladder.analysis.report.methods import Comparison
from fhir_bladder.measurement import sequences
from fhir_bladder.measurement.patients import key_of
from fhir_bladder.measurement.prompts import trial_limits
from fhir_bladder.measurement.rulebook import Rule


def links(exams: Sequence[Exam], rules: Sequence[Rule]) -> list[Comparison]:
    """Pairs, and the trials of each rule about them; nothing where there is nothing to link."""
    found = [_pairs(exams), *(_trials(exams, rule) for rule in rules if rule.kind == "trial")]
    return [one for one in found if one is not None]


def _pairs(exams: Sequence[Exam]) -> Comparison | None:
    found = sequences.pairs(exam.record for exam in exams)
    after = sum(exam.record.void_state == "post-void" for exam in exams)
    unclear = [one for one in found.unlinked if one.candidates]
    if not found.linked and not unclear:
        return None
    rows = [
        ("/".join(key_of(pair.pre)), "/".join(key_of(pair.post)), _ml(pair.pre_volume), _voided(pair),
         _ml(pair.post_volume), "" if pair.balance is None else f"{pair.balance:+f}", f"{pair.minutes}")
        for pair in found.linked
    ]  # fmt: skip
    text = (
        f"{display.share(len(found.linked), after)} exams after a void have one exam before it. The balance is what "
        "went out by the scans less what was measured; urine made meanwhile counts in." + _listed(unclear)
    )
    heads = ("Before", "After", "Before, mL", "Voided, mL", "After, mL", "Balance, mL", "Minutes between")
    return Comparison("Before and after a void", text, heads, rows)


def _trials(exams: Sequence[Exam], rule: Rule) -> Comparison | None:
    found = sequences.trials((exam.record for exam in exams), trial_limits(rule))
    if not found.trials and not found.unlinked:
        return None
    rows = [
        (f"{trial.patient[1]}", display.when(trial.removed_at), f"{len(trial.voids)}", f"{len(trial.readings)}",
         trial.outcome.state, trial.outcome.reason)
        for trial in found.trials
    ]  # fmt: skip
    states = [trial.outcome.state for trial in found.trials]
    counts = ", ".join(f"{display.share(states.count(state), len(states))} {state}" for state in sorted(set(states)))
    text = f"By the limits switched on: {rule.limit_text} ({rule.citation}). {counts or 'No trial'}."
    heads = ("Patient", "Catheter removed", "Voids", "Scans", "Outcome", "Why")
    return Comparison(f"Trials by rule {rule.id}", text + _listed(found.unlinked), heads, rows)


def _ml(volume: Decimal | None) -> str:
    return "no exact volume" if volume is None else f"{volume:f}"


def _voided(pair: sequences.Pair) -> str:
    if pair.voided is None:
        return ""
    how = {True: ", measured", False: ", estimated", None: ""}[pair.voided_measured]
    return f"{pair.voided:f}{how}"


def _listed(unclear: Sequence[sequences.Unlinked]) -> str:
    """Exams that could belong to several, by number; they are linked to none."""
    if not unclear:
        return ""
    told = "; ".join(
        f"{'/'.join(one.key)}: {one.reason}"
        + (f" ({', '.join('/'.join(key) for key in one.candidates)})" if one.candidates else "")
        for one in unclear
    )
    return f" Not linked, {len(unclear)}: {told}."
