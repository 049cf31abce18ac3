"""One analysis of a study: findings, scores, changes and models, each made when first asked for, and made once."""

from collections.abc import Callable, Hashable
from contextlib import suppress
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from typing import TypeVar

import pandas as pd

from outcomes import InstrumentError, Study, check, read_study, score
from outcomes import columns as c
from outcomes.findings import Findings
from outcomes.protocol.trial import ModelChoice
from outcomes.sharing.masked_identifiers import masked_identifiers, without_texts
from stats.change.change_fit import ChangeFit, fit_change
from stats.change.crossover import CrossoverFit, fit_crossover
from stats.change.period_changes import period_changes
from stats.change.person_changes import change_table
from stats.choices.choice_answers import WhatIf, what_if
from stats.errors import FitError
from stats.missing.estimand import ACCOUNTING
from stats.missing.scores_after_events import ScoresAfterEvents, scores_after_events

Made = TypeVar("Made")


class Analysis:
    """What every section asks for. A refusal is remembered like an answer, and raised again.

    Nothing in here may be changed by who asks: frames are shared.
    """

    def __init__(self, study: Study, *, shareable: bool = False):
        self._whole = study
        shown = study if study.protocol.privacy.identifiers else masked_identifiers(study)
        self._masked = shown is not study
        self.study = one_unnamed_arm(shown)
        self.shareable = shareable  # nothing about one person is shown in its report
        self._made: dict[Hashable, object] = {}

    @cached_property
    def findings(self) -> Findings:
        """Findings of the checks, errors first."""
        try:
            scores = self.scores
        except InstrumentError:  # the checks report it as a finding
            scores = None
        if not self._masked:
            return check(self._whole, scores)
        # What was masked is found by the checks of the whole study, which never repeat what a cell holds.
        return without_texts(check(self._whole), dict(self.study.masked_texts))

    @cached_property
    def scores(self) -> pd.DataFrame:
        """The frame of `outcomes.score`."""
        return score(self.study)

    @cached_property
    def after_events(self) -> ScoresAfterEvents:
        """The scores that models and counts see: values after intercurrent events as the protocol's strategies say.

        A strategy that cannot be applied is refused where it is shown (`missing_visits`); the scores then stay as they
        are, and the note says so.
        """
        study = self.study
        tables = {"adverse_events": study.adverse_events, "visits": study.visits}
        try:
            return scores_after_events(self.scores, study.protocol, tables, study.visits)
        except FitError as refused:
            note = f"Strategies for intercurrent events are not applied: {refused}"
            return ScoresAfterEvents(self.scores, self.scores, pd.DataFrame(columns=ACCOUNTING), (note,))

    def cleared(self) -> "Analysis":
        """The analysis itself, for chaining. Raises StudyError where a finding blocks it."""
        self.findings.raise_if_blocking()
        return self

    def headline_visit(self, outcome: str) -> str | None:
        """The visit the study speaks of: the primary one where the outcome was seen then, else its last."""
        own = self.scores[(self.scores[c.OUTCOME] == outcome).to_numpy() & self.scores[c.VALUE].notna().to_numpy()]
        return self.study.protocol.headline_visit(set(own[c.VISIT].astype(str)))

    def changes(self, outcome: str, visit: str | None = None) -> pd.DataFrame:
        """The frame of `change_table` from the protocol's baseline to a visit, the headline one by default."""
        visit = visit or self.headline_visit(outcome)
        return self._once(
            ("changes", outcome, visit),
            lambda: change_table(
                self.after_events.counts,
                outcome,
                baseline=self.study.protocol.baseline.id,
                visit=visit,
                participants=self.study.participants,
            ),
        )

    def period_changes(self, outcome: str) -> pd.DataFrame:
        """Changes inside the periods of a crossover, by treatment (`stats.change.period_changes`)."""
        return self._once(
            ("period changes", outcome),
            lambda: period_changes(
                self.after_events.counts, outcome, design=self.study.protocol, participants=self.study.participants
            ),
        )

    def fit(self, outcome: str, model: ModelChoice | None = None) -> ChangeFit:
        """The model of change of an outcome: the protocol's, or another of its choices."""
        protocol = self.study.protocol
        chosen = model or protocol.model
        place = (protocol.model, *protocol.sensitivity).index(chosen)
        return self._once(
            ("fit", outcome, place),
            lambda: fit_change(
                self.after_events.means, outcome, design=protocol, model=chosen, participants=self.study.participants
            ),
        )

    def crossover_fit(self, outcome: str) -> CrossoverFit:
        """The treatment effect inside people, of a crossover with periods."""
        return self._once(
            ("crossover", outcome), lambda: fit_crossover(self.after_events.means, outcome, design=self.study.protocol)
        )

    def main_fit(self, outcome: str) -> ChangeFit | CrossoverFit:
        """The model the main result of an outcome is taken from: inside people where the protocol has periods."""
        return self.crossover_fit(outcome) if self.study.protocol.periods else self.fit(outcome)

    def choices(self) -> WhatIf:
        """The main result of the primary outcome under other choices, one at a time."""
        return self._once(("choices",), self._choices)

    def _choices(self) -> WhatIf:
        try:
            main = self.main_fit(self.study.protocol.primary)
        except FitError:
            main = None
        return what_if(self.study, scores=self.after_events.means, counted=self.after_events.counts, main=main)

    def prepare(self) -> "Analysis":
        """Make what several notebooks ask for, before they start."""
        _ = self.findings
        protocol = self.study.protocol
        with suppress(FitError):  # remembered; the section that asks says so
            self.choices()
        for outcome in protocol.outcomes:
            for make in (self.fit, self.crossover_fit) if protocol.periods else (self.fit,):
                try:
                    make(outcome)
                except FitError:  # remembered; the section that asks says so
                    continue
        return self

    def _once(self, key: Hashable, make: Callable[[], Made]) -> Made:
        if key not in self._made:
            try:
                self._made[key] = make()
            except FitError as refused:
                self._made[key] = refused
        found = self._made[key]
        if isinstance(found, FitError):
            raise found
        return found  # type: ignore[return-value]  # kept under the key of what made it


def one_unnamed_arm(study: Study) -> Study:
    """A study whose one arm goes without its name, in people, prices and criteria: there is nothing to tell it from.

    All that is asked of a study with one arm is then asked of everybody, whether or not the arm was given a name.
    """
    names = set(study.participants[c.ARM].fillna("")) - {""}
    if len(study.protocol.arms) > 1 or study.protocol.periods or len(names) != 1:
        return study
    (name,) = names
    criteria = tuple(
        {key: value for key, value in one.items() if key != c.ARM or value != name} for one in study.protocol.criteria
    )
    return replace(
        study,
        participants=study.participants.assign(**{c.ARM: ""}).astype({c.ARM: "str"}),
        costs=study.costs.assign(**{c.ARM: study.costs[c.ARM].replace(name, "")}),
        protocol=replace(study.protocol, criteria=criteria),
    )


_given: dict[str, Analysis] = {}


def analyse(folder: str | Path) -> Analysis:
    """The analysis of a study folder. While a report is made its notebooks get the one analysis of that report."""
    return _given[str(folder)] if str(folder) in _given else Analysis(read_study(folder))


def hand_over(folder: str, analysis: Analysis) -> None:
    """Let `analyse(folder)` in this process give this analysis: for the notebooks of a report."""
    _given[folder] = analysis
