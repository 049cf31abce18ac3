"""Crossover trials: the effect of a treatment within participants, periods accounted for."""

from dataclasses import dataclass, field, replace
from typing import Unpack

import numpy as np
import pandas as pd

from outcomes.protocol.trial import Protocol
from stats.errors import FitError
from stats.mixed.fit import MixedFit, fit_mixed
from stats.mixed.inference.fit_estimates import Estimates, JointTest
from stats.result import Result
from stats.selection import Narrowed, Selected, rows, selection_of


@dataclass(frozen=True)
class CrossoverFit(Result):
    """Change within each period, by treatment and period, with a random intercept per participant.

    rows: participant, sequence, period, treatment, start, end, value (end - start).
    """

    outcome: str
    fit: MixedFit
    treatments: tuple[str, ...]
    reference: str
    notes: tuple[str, ...]
    rows: pd.DataFrame = field(repr=False)

    @property
    def unit(self) -> str:
        """Unit of the outcome."""
        return self.fit.unit

    @property
    def n_participants(self) -> int:
        """Participants in the model."""
        return self.fit.n_participants

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """The treatment effects: `effect().frame(level)`."""
        return self.effect().frame(level)

    def sentence(self, level: float = 0.95) -> str:
        """The treatment effects in words."""
        return f"{self.outcome}. {self.effect().sentence(level)}"

    def effect(self, df: str = "kenward-roger") -> Estimates:
        """Change under each treatment minus change under the reference treatment: keys treatment, reference."""
        names = [f"treatment[T.{name}]" for name in self.treatments[1:]]
        L = np.array([[float(term == name) for term in self.fit.terms] for name in names])
        keys = pd.DataFrame({"treatment": self.treatments[1:], "reference": self.reference})
        made = self.fit.estimates(L, [f"{name} - {self.reference}" for name in self.treatments[1:]], df=df, keys=keys)
        return replace(made, notes=self.notes)

    def changes(self, df: str = "kenward-roger") -> Estimates:
        """Change inside a period under each treatment, averaged over the periods: key treatment."""
        periods = self.rows["period"].cat.categories
        weights = []
        for treatment in self.treatments:
            known = {"Intercept": 1.0, f"treatment[T.{treatment}]": 1.0}
            known |= {f"period[T.{name}]": 1 / len(periods) for name in periods[1:]}
            weights.append([known.get(term, 0.0) for term in self.fit.terms])
        keys = pd.DataFrame({"treatment": self.treatments})
        return replace(self.fit.estimates(np.array(weights), list(self.treatments), df=df, keys=keys), notes=self.notes)

    def period(self, df: str = "kenward-roger") -> JointTest:
        """Do the periods differ whatever the treatment?"""
        return self.fit.test("period", df=df, label="period")


def fit_crossover(
    scores: pd.DataFrame,
    outcome: Selected,
    *,
    design: Protocol,
    reference: str | None = None,
    **named: Unpack[Narrowed],
) -> CrossoverFit:
    """The treatment effect of a crossover with periods declared in the protocol ([[periods]]).

    Each period's change (its last visit minus its first) is modelled as treatment + period + a participant's own
    level. Participants with one period inform the effect through the model. A treatment that works on after its period
    (carry-over) biases the effect; no test of carry-over has power in a pilot, so none decides the analysis.
    scores: frame of `outcomes.score`. outcome: its name or a `Selection`; hand and condition narrow it. reference: the
    treatment compared against; where not named, what the reference sequence got first.
    Effects are in the outcome's own unit. Raises FitError without [[periods]], with changes under one treatment only,
    an unknown reference, or where the model cannot be fitted. Source: a linear model of the period differences, as
    `fit_mixed`; no test of carry-over, common practice after Freeman 1989, from memory.
    """
    if not design.periods:
        raise FitError(
            "The protocol declares no [[periods]]. Add one table per period with its start and end visit and what each "
            "sequence got, or analyse the sequences as arms with fit_change."
        )
    selection = selection_of(outcome, **named)
    mine, outcome = rows(scores, selection), selection.named()
    wide = mine.pivot(index=["participant", "arm"], columns="visit", values="value")
    parts = []
    for period in design.periods:
        if period.start not in wide.columns or period.end not in wide.columns:
            continue
        change = wide[period.end] - wide[period.start]
        part = pd.DataFrame({"start": wide[period.start], "end": wide[period.end], "value": change}).reset_index()
        parts.append(part.assign(period=period.id, treatment=part["arm"].map(period.treatments)))
    periods = (
        pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=["value", "treatment", "participant"])
    )
    periods = periods[periods["value"].notna()].rename(columns={"arm": "sequence"})
    treatments = sorted(periods["treatment"].dropna().unique()) if len(periods) else []
    if len(treatments) < 2:
        raise FitError(f"{outcome}: changes were seen under {len(treatments)} treatment; two are needed to compare.")
    chosen = reference or design.periods[0].treatments.get(design.reference_arm or "", treatments[-1])
    if chosen not in treatments:
        raise FitError(f"Reference treatment '{chosen}' is not among {', '.join(treatments)}.")
    order = [chosen, *(name for name in treatments if name != chosen)]
    periods = periods.assign(
        treatment=pd.Categorical(periods["treatment"], categories=order),
        period=pd.Categorical(
            periods["period"], categories=[p.id for p in design.periods if p.id in set(periods["period"])]
        ),
    )
    unit = str(mine["unit"].iloc[0])
    fit = fit_mixed(
        periods, "value ~ treatment + period", participant="participant", visit="period", random="1", unit=unit
    )
    both = int((periods.groupby("participant")["period"].nunique() > 1).sum())
    notes = (
        f"{periods['participant'].nunique()} participants, {both} with more than one period.",
        "Change within each period; treatment and period as fixed effects, a random intercept per participant.",
        "Carry-over between periods is assumed absent.",
        *fit.notes,
    )
    return CrossoverFit(outcome, fit, tuple(order), chosen, notes, periods.reset_index(drop=True))
