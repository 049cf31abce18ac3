"""Running the scenarios of a what-if: each combination of model and people is fitted once and asked for its answer."""

from dataclasses import replace

import pandas as pd

from outcomes import columns as c
from outcomes.protocol.trial import Protocol
from stats.change.change_fit import ChangeFit, fit_change
from stats.change.crossover import CrossoverFit, fit_crossover
from stats.choices.choice_grid import Scenario, usable_df
from stats.errors import FitError
from stats.mixed.fitting.kenward_roger import KENWARD_ROGER
from stats.mixed.inference.fit_estimates import Estimates

DIFFERENCE, CHANGE, EFFECT = "difference in change", "change from baseline", "treatment effect"


class Runs:
    """The fits of one outcome. A refusal is an answer too: the FitError is kept and returned.

    main: the protocol's own model, where it was fitted already.
    """

    def __init__(
        self,
        scores: pd.DataFrame,
        outcome: str,
        design: Protocol,
        participants: pd.DataFrame | None,
        main: ChangeFit | CrossoverFit | None = None,
    ):
        self.scores = scores[scores[c.OUTCOME] == outcome]
        self.outcome, self.design, self.participants = outcome, design, participants
        self.crossover = design.design == "crossover" and bool(design.periods)
        self.unit = str(self.scores["unit"].iloc[0])
        self.quantity = EFFECT if self.crossover else DIFFERENCE if len(design.arms) > 1 else CHANGE
        self._fits: dict[tuple, ChangeFit | CrossoverFit | FitError] = {}
        if main is not None:
            self._fits[(design.model, Scenario("", "", design.model, "").without)] = main

    def ask(self, one: Scenario) -> Estimates | FitError:
        """The main result under a scenario, every comparison and visit of it."""
        fit = self._fit(one)
        if isinstance(fit, FitError):
            return fit
        try:
            if isinstance(fit, CrossoverFit):
                return fit.effect(df=KENWARD_ROGER if one.df == "auto" else one.df)
            return fit.between(df=one.df) if self.quantity == DIFFERENCE else fit.changes(df=one.df)
        except FitError as refused:
            return refused

    def as_decided(self, one: Scenario) -> Scenario:
        """The scenario with everything its rules decided written out, so that another choice changes nothing else."""
        fit = self.fitted(one)
        if fit is None:
            return replace(one, df=KENWARD_ROGER) if one.df == "auto" else one
        decided = replace(one, model=fit.choice, df=usable_df(fit.choice))
        self._fits[decided.model, decided.without] = fit
        return decided

    def fitted(self, one: Scenario) -> ChangeFit | None:
        """The model of change of a scenario, where it could be fitted."""
        fit = self._fit(one)
        return fit if isinstance(fit, ChangeFit) else None

    def people(self, one: Scenario) -> int:
        """Participants in the model of a scenario; 0 where it could not be fitted."""
        fit = self._fit(one)
        return 0 if isinstance(fit, FitError) else fit.fit.n_participants

    def headline_visit(self, asked: Estimates | FitError) -> str:
        """The primary visit, or the last with an answer; "" where the answer is not about a visit."""
        if isinstance(asked, FitError) or asked.keys is None or "visit" not in asked.keys:
            return ""
        named = self.design.headline_visit(set(asked.keys["visit"].astype(str)))
        if named:
            return named
        return str(asked.keys.loc[asked.keys["day"].astype(float).idxmax(), "visit"])

    def comparisons(self, asked: Estimates | FitError, visit: str) -> list[str]:
        """What is compared, in words, at a visit: "arm - reference"; a single blank where nothing could be asked."""
        return [""] if isinstance(asked, FitError) else [told for told in _told(asked, visit) if told is not None]

    def at(self, asked: Estimates, visit: str, comparison: str) -> Estimates | None:
        """The estimate of one comparison at one visit."""
        chosen = [k for k, told in enumerate(_told(asked, visit)) if told == comparison]
        return asked.select(chosen[:1]) if chosen else None

    def _fit(self, one: Scenario) -> ChangeFit | CrossoverFit | FitError:
        key = (one.model, one.without)
        if key not in self._fits:
            there = ~self.scores[c.PARTICIPANT].astype(str).isin(one.without)
            try:
                self._fits[key] = self._made(self.scores[there] if one.without else self.scores, one)
            except FitError as refused:
                self._fits[key] = refused
        return self._fits[key]

    def _made(self, scores: pd.DataFrame, one: Scenario) -> ChangeFit | CrossoverFit:
        if scores.empty:
            raise FitError("Nobody with a score is left.")
        if self.crossover:
            return fit_crossover(scores, self.outcome, design=self.design)
        return fit_change(scores, self.outcome, design=self.design, model=one.model, participants=self.participants)


def _told(asked: Estimates, visit: str) -> list[str | None]:
    """The comparison of every row in words; None for rows about another visit."""
    if asked.keys is None:
        return list(asked.term)
    names = [name for name in ("arm", "treatment", "reference") if name in asked.keys]
    return [
        " - ".join(str(row[name]) for name in names if row[name] != "")
        if not visit or "visit" not in row or str(row["visit"]) == visit
        else None
        for row in asked.keys.to_dict("records")
    ]
