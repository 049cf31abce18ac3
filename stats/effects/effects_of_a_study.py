"""Effect sizes of every outcome from its model of change: what a study with missed visits should lead with."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Unpack

import pandas as pd

from outcomes import columns as c
from outcomes.protocol.trial import Protocol
from stats.change.change_fit import ChangeFit, fit_change
from stats.change.crossover import CrossoverFit, fit_crossover
from stats.change.person_changes import better_sign
from stats.effects.effects_of_a_fit import Spread, effect_from_fit, in_units_of, pooled_sd
from stats.effects.effects_of_scores import POSITIVE, EffectRow, EffectSizes, outcomes_wanted
from stats.effects.noncentral import hedges_correction
from stats.errors import FitError
from stats.estimates import NAN
from stats.selection import Narrowed, Selection, selection_of

KIND = "model-baseline-sd"


def model_effects(
    scores: pd.DataFrame,
    outcomes: str | Sequence[str] | None = None,
    *,
    design: Protocol,
    select: Selection | None = None,
    participants: pd.DataFrame | None = None,
    fitted: Callable[[str], ChangeFit | CrossoverFit] | None = None,
    **named: Unpack[Narrowed],
) -> EffectSizes:
    """The model's difference of changes between arms (one arm: its change) over the SD at baseline, per outcome.

    scores, design, participants: as in `fit_change`, which is fitted to every outcome. outcomes: one id or a sequence;
    the protocol's where not named. select: the rows; visit, baseline, hand and condition narrow it. Its visit is the
    one the effect is of; where not named the protocol's primary one, or the last with an estimate. fitted: gives the
    model of an outcome where it was fitted already, or raises its FitError. See `effect_from_fit` for standardiser,
    small-sample correction and interval. Unlike the indices of complete pairs it uses every visit of everybody and
    holds where visits are missing at random. With periods in the protocol (crossover) it is the treatment effect of
    `fit_crossover` over the SD at the start of the first period. Positive is better.
    Returns `EffectSizes`, kind "model-baseline-sd": one row per outcome and arm against the reference arm ("a - b"); an
    outcome without a model keeps its row, with the reason. n: participants of those arms in the model; enrolled: in the
    scores or, where given, in `participants`.
    Source: as `effect_from_fit`.
    """
    selection = selection_of(select, **named)
    wanted = outcomes_wanted(scores, outcomes or selection.outcome or design.outcomes)
    people = (scores if participants is None else participants)[[c.PARTICIPANT, c.ARM]].drop_duplicates()
    enrolled = people[c.ARM].astype(str).value_counts()
    rows: list[EffectRow] = []
    for outcome in wanted:
        own = replace(selection, outcome=outcome)
        try:
            if fitted is not None:
                fit = fitted(outcome)
            elif design.periods:
                fit = fit_crossover(scores, own, design=design)
            else:
                fit = fit_change(scores, replace(own, visit=None), design=design, participants=participants)
            if isinstance(fit, CrossoverFit):
                rows += _crossover_rows(fit, scores, design)
            else:
                rows += _rows(fit, own.visit, design, enrolled)
        except FitError as refused:
            rows.append(
                EffectRow(
                    outcome, "", KIND, design.baseline.id, own.visit or "", 0, len(people), NAN, "", None, str(refused)
                )
            )
    return EffectSizes(
        rows=tuple(rows),
        unit="SD",
        n_participants=int(scores[c.PARTICIPANT].nunique()),
        n_rows=sum(row.n for row in rows),
        notes=(
            POSITIVE,
            "From the model of change: every visit of everybody counts, also of those who missed the visit shown.",
            "The SD at baseline is taken as known in the interval, which is a little too narrow in small trials.",
        ),
    )


def _rows(fit: ChangeFit, visit: str | None, design: Protocol, enrolled: pd.Series) -> list[EffectRow]:
    several = len(fit.arms) > 1
    found = (fit.between() if several else fit.changes()).frame()
    at = visit or design.headline_visit(set(found["visit"])) or str(found["visit"].iloc[-1])
    own = found[found["visit"] == at]
    if own.empty:
        raise FitError(
            f"{fit.outcome}: no estimate at visit {at}; there are {', '.join(dict.fromkeys(found['visit']))}."
        )
    seen = fit.rows.drop_duplicates(c.PARTICIPANT)
    rows = []
    for _, row in own.iterrows():
        arms = [str(row["arm"]), fit.reference] if several else [str(row["arm"])]
        inside = seen[c.ARM].astype(str).isin(arms) if several else seen[c.ARM].notna()
        rows.append(
            EffectRow(
                outcome=fit.outcome,
                arm=" - ".join(arms),
                kind=KIND,
                from_visit=fit.baseline_visit,
                to_visit=at,
                n=int(inside.sum()),
                enrolled=int(enrolled.reindex(arms).fillna(0).sum() if several else enrolled.sum()),
                mean_improvement=better_sign(fit.better) * float(row["estimate"]),
                unit=fit.unit,
                size=effect_from_fit(fit, at, arm=str(row["arm"]) if several else None),
            )
        )
    return rows


def _crossover_rows(fit: CrossoverFit, scores: pd.DataFrame, design: Protocol) -> list[EffectRow]:
    first = design.periods[0]
    entry = fit.rows[fit.rows["period"].astype(str) == first.id].drop_duplicates(c.PARTICIPANT)
    spread, df = pooled_sd(entry["start"], entry["sequence"])
    if not spread > 0:
        raise FitError(f"Nothing to standardise by: the SD at the start of period {first.id} is {spread}.")
    sign = better_sign(str(scores.loc[scores[c.OUTCOME] == fit.outcome, "better"].iloc[0]))
    name = "SD at the start of the first period"
    over = Spread(spread, name, hedges_correction(df) if df > 1 else 1.0)
    method, n = f"mixed model of the periods, standardiser: {name}", (fit.fit.n_participants, fit.fit.n_rows)
    made, rows = fit.effect().frame(), []
    for _, row in made.iterrows():
        size = in_units_of(over, row, sign, f"{row['treatment']} - {row['reference']}", method, n, fit.notes)
        rows.append(
            EffectRow(fit.outcome, size.term, KIND, first.start, design.periods[-1].end, fit.fit.n_participants,
                      int(scores[c.PARTICIPANT].nunique()), sign * float(row["estimate"]), fit.fit.unit, size)
        )  # fmt: skip
    return rows
