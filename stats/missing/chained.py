"""Covariates and items filled in by chained equations: one regression a column, the others its predictors, in turns.

The chain is statsmodels' `MICEData` with predictive mean matching, so that every filled-in value is one that somebody
has. Source: van Buuren & Groothuis-Oudshoorn 2011 (J Stat Softw 45:3), from memory; van Buuren 2018, Flexible
Imputation of Missing Data.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from statsmodels.imputation.mice import MICEData

from outcomes.library.instrument import Scale
from outcomes.library.registry import instrument as find_instrument
from outcomes.scoring.score import score_items
from stats.errors import FitError
from stats.missing.rubin import Combined, combine_imputations

DONORS = 5  # people whose value may be taken; the library's 20 are all there are in a pilot
BURN_IN, BETWEEN = 10, 3  # turns before the first copy, and between two; 3 is the library's own


@dataclass(frozen=True)
class Chained:
    """completed: m frames like the given one, nothing missing in them. filled: how many values of each column were."""

    completed: tuple[pd.DataFrame, ...] = field(repr=False)
    filled: Mapping[str, int]
    seed: int
    notes: tuple[str, ...]

    def combined(
        self, analysis: Callable[[pd.DataFrame], tuple[float, float]], complete_df: float = np.inf
    ) -> Combined:
        """Rubin's rules over an analysis of each copy, a function that gives an estimate and its squared error.

        Raises FitError where an estimate is missing, or an error is not above 0.
        """
        found = [analysis(copy) for copy in self.completed]
        return combine_imputations(
            [estimate for estimate, _ in found], [variance for _, variance in found], complete_df,
            n_participants=len(self.completed[0]), notes=self.notes,
        )  # fmt: skip


@dataclass(frozen=True)
class ScoredImputations:
    """scores (m, n): one scale of n people in m copies, NaN where the instrument's rule allows no score; reasons (n,)
    says why not. filled (n,): how many items of each were filled in."""

    participants: tuple
    scores: np.ndarray = field(repr=False)
    filled: np.ndarray = field(repr=False)
    reasons: tuple[str, ...]
    outcome: str
    unit: str
    seed: int
    notes: tuple[str, ...]

    def frame(self) -> pd.DataFrame:
        """One row a participant: participant, items_filled, mean and spread (SD) of scores over the copies, reason."""
        return pd.DataFrame({"participant": list(self.participants), "items_filled": self.filled,
                             "mean": self.scores.mean(axis=0), "spread": self.scores.std(axis=0, ddof=1),
                             "reason": list(self.reasons)})  # fmt: skip


def chained_equations(frame: pd.DataFrame, *, m: int = 20, seed: int = 0, donors: int = DONORS) -> Chained:
    """Fill in missing numbers of a table of people by chained equations, m times.

    frame: one row a person, numeric columns (a word with two levels as 0 and 1), NaN where missing; complete columns
    are predictors only. Put the outcome and the arm in: an imputation that does not know them weakens what they have
    to do with the rest. donors: among how many nearest people a value is drawn.
    Raises FitError for text, a column with too few values for its regression, or fewer than two copies.
    Source: van Buuren & Groothuis-Oudshoorn 2011 (J Stat Softw 45:3), from memory; computed by statsmodels.
    """
    if m < 2:
        raise FitError(f"{m} copies, allowed 2 or more (20 and more are usual).")
    words = [str(name) for name in frame if not pd.api.types.is_numeric_dtype(frame[name])]
    if words:
        raise FitError(f"{', '.join(words)}: text, allowed numbers. Code a word with two levels as 0 and 1.")
    missing = frame.isna().to_numpy()
    if not missing.any():
        raise FitError("Nothing is missing in this table, so nothing is filled in. Analyse it as it is.")
    if missing.all(axis=1).any():
        raise FitError("A person has no value at all: leave such rows out, nothing is known to predict them from.")
    for name, lost in zip(frame, missing.T, strict=True):
        seen = int((~lost).sum())
        if lost.any() and seen < len(frame.columns) + 2:
            raise FitError(
                f"{name}: {seen} values for a regression on {len(frame.columns) - 1} columns, allowed "
                f"{len(frame.columns) + 2} or more. Give fewer columns."
            )
    # Names of columns would reach the library's formulas, which evaluate them.
    plain = frame.astype(float).set_axis([f"v{k}" for k in range(len(frame.columns))], axis=1)
    chain = MICEData(plain.reset_index(drop=True), k_pmm=donors, rng=np.random.default_rng(seed))
    copies = []
    for k in range(m):
        chain.update_all(BETWEEN if k else BURN_IN)
        copies.append(chain.data[list(plain)].set_axis(frame.columns, axis=1).set_axis(frame.index, axis=0).copy())
    filled = {str(name): int(count) for name, count in zip(frame, missing.sum(axis=0), strict=True) if count}
    notes = (
        f"{', '.join(f'{name}: {count}' for name, count in filled.items())} filled in by chained equations, {m} "
        f"copies, seed {seed}: predictive mean matching among {donors} people, regressions on the other columns.",
        "It is taken that what is missing depends on nothing but what was seen of these columns.",
    )
    return Chained(tuple(copies), filled, seed, notes)


def impute_items(
    answers: pd.DataFrame,
    outcome: str,
    *,
    others: pd.DataFrame | None = None,
    m: int = 20,
    seed: int = 0,
    donors: int = DONORS,
    **options: object,
) -> ScoredImputations:
    """Fill in items of one scale where its published rule lets items be missing, and score every copy.

    answers: one row a participant (index), one column an item id of the scale, numbers, NaN where missing; one visit.
    outcome: "<instrument>.<scale>". others: further complete columns that predict (arm, age), same index. donors: as
    in `chained_equations`. options: of the instrument. Who has fewer answers than the rule asks for has no score, with
    the reason.
    Raises FitError where the scale has no such rule: then a missing item means a missing score.
    Answers and scores are in points of the scale. InstrumentError for an instrument, an item or an option that does not
    exist, or a value not allowed. Source: as `chained_equations`; the rule is the scale's own, with its source in the
    catalogue.
    """
    name, _, scale_id = outcome.partition(".")
    found = find_instrument(name)
    scale = next((one for one in found.scales if one.id == scale_id), None)
    if scale is None:
        raise FitError(f"{outcome}: no such scale; {name} has {', '.join(one.id for one in found.scales)}.")
    least = _least(scale, outcome)
    lost = [item for item in scale.items if item not in answers]
    if lost:
        raise FitError(f"{outcome}: no column for {', '.join(lost)}; allowed one for each item of the scale.")
    table = answers[list(scale.items)].astype(float)
    given = table.notna().sum(axis=1).to_numpy()
    enough = given >= least
    reasons = tuple(
        "" if good else f"{count} of {len(scale.items)} items answered; the published rule asks for {least}"
        for good, count in zip(enough.tolist(), given.tolist(), strict=True)
    )
    part = table[enough]
    whole = part if others is None else part.join(others)
    notes: tuple[str, ...] = (f"{scale.missing} Who has fewer answers keeps no score: {int((~enough).sum())} people.",)
    if part.isna().to_numpy().any():
        made = chained_equations(whole, m=m, seed=seed, donors=donors)
        copies, notes = made.completed, (*notes, *made.notes)
    else:
        copies, notes = (part,) * m, (*notes, "No item of anybody else is missing: nothing was filled in.")
    scores = np.full((m, len(table)), np.nan)
    for k, copy in enumerate(copies):
        rows = copy[list(scale.items)].to_dict("records")
        scores[k, enough] = [score_items(found, row, **options)[scale.id].value for row in rows]
    return ScoredImputations(tuple(table.index), scores, np.where(enough, len(scale.items) - given, 0), reasons,
                             outcome, scale.unit, seed, notes)  # fmt: skip


def _least(scale: Scale, outcome: str) -> int:
    """How many answers the published rule of the scale asks for."""
    least = scale.rule.get("least")
    if not isinstance(least, int | float) or isinstance(least, bool):
        rule = "" if scale.missing == "none" else f" What is published: {scale.missing}"
        raise FitError(
            f"{outcome}: no published rule lets single items be missing, so none is filled in and the score stays "
            f"missing.{rule}"
        )
    return int(least)
