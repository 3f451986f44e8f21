"""Room `measurement`: findings and prompts of a stream of exams, what `fhir-bladder check` shows. May import exam."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Sequence

from fhir_bladder.errors import Finding
from fhir_bladder.exam import ExamRecord
from fhir_bladder.measurement.across import KINDS as ACROSS
from fhir_bladder.measurement.across import Stream
from fhir_bladder.measurement.calculated import calculate
from fhir_bladder.measurement.choice import choose
from fhir_bladder.measurement.facts import Facts, Kind
from fhir_bladder.measurement.findings import CHECKS
from fhir_bladder.measurement.findings import KINDS as ALONE
from fhir_bladder.measurement.prompts import Engine, Prompt
from fhir_bladder.measurement.rulebook import Rule
from fhir_bladder.measurement.settings import DEFAULT, Settings
from fhir_bladder.measurement.verdicts import Verdict

KINDS: tuple[Kind, ...] = ALONE + ACROSS
"""Every kind of finding there is, with id, severity, sentence and source."""


class Checker:
    """Checks exams one by one in time order: `add` each, `close` at the end. Memory is bounded (`patients`).

    rules: those a site has switched on (`rulebook.load_rules`), none by default. now: the moment of judging, aware;
    by default the present of each `add`.
    """

    def __init__(
        self,
        rules: Sequence[Rule] | None = None,
        *,
        now: dt.datetime | None = None,
        settings: Settings = DEFAULT,
        patients: int = 20_000,
    ) -> None:
        self._now = now
        self._settings = settings
        self._stream = Stream(settings, patients=patients)
        self._engine = Engine(rules or ())
        self.verdicts: list[Verdict] = []

    def add(self, record: ExamRecord) -> list[Finding | Prompt]:
        """Findings of this exam, alone and with the ones before it, then prompts of rules it newly meets.

        Afterwards `verdicts` holds what every rule says of it, "not applicable because …" included.
        """
        choice = choose(record)
        calculated = calculate(record, self._settings, choice=choice)
        now = self._now or dt.datetime.now(dt.UTC)
        facts = Facts(record, now, self._settings, choice, calculated.filling)
        found: list[Finding | Prompt] = []
        for check in CHECKS:
            found += check(facts)
        across, course = self._stream.add(facts)
        found += across
        if self._engine.rules:
            held = next((one.id for one in found if one.severity == "block"), "")
            self.verdicts = self._engine.judge(facts, calculated, course, held=held)
            found += self._engine.prompts(self.verdicts, facts, course)
        return found

    def close(self) -> list[Finding]:
        """What only the end of the stream shows: gaps in exam numbers that nobody filled."""
        return self._stream.close()


def check(
    records: Iterable[ExamRecord],
    rules: Sequence[Rule] | None = None,
    now: dt.datetime | None = None,
    settings: Settings = DEFAULT,
) -> Iterator[Finding | Prompt]:
    """Findings and prompts of a stream of exams in time order; see Checker."""
    checker = Checker(rules, now=now, settings=settings)
    for record in records:
        yield from checker.add(record)
    yield from checker.close()
