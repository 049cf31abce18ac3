"""People at an end of a scale, and the models that know the scale has ends, beside the normal one."""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from stats.bounded.censoring import CensoredFit, fit_censored
from stats.bounded.counts import BoundedFit, fit_bounded
from stats.errors import FitError
from stats.missing.visit_table import VisitTable
from stats.mixed.inference.fit_estimates import Estimates
from stats.result import Result

FLAGGED = (
    0.15  # share at an end from which floor or ceiling is spoken of: Terwee et al. 2007 (J Clin Epidemiol 60:34-42)
)
BETA_BINOMIAL, CENSORED = "counts out of the maximum (beta-binomial)", "normal with ends (censored)"


@dataclass(frozen=True)
class ScaleEnds(Result):
    """How many stand at the lowest and the highest score, per arm and visit; all arms together under "all"."""

    table: pd.DataFrame = field(repr=False)
    outcome: str
    low: float
    high: float
    unit: str
    n_participants: int
    notes: tuple[str, ...] = ()

    @property
    def flagged(self) -> bool:
        """Whether more than 15 % of all stand at an end at some visit."""
        own = self.table[self.table["arm"] == "all"]
        return bool((own[["share_low", "share_high"]] > FLAGGED).to_numpy().any())

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """Columns arm visit n at_low at_high share_low share_high."""
        return self.table

    def sentence(self, level: float = 0.95) -> str:
        """The visits where more than 15 % stand at an end."""
        own = self.table[(self.table["arm"] == "all") & (self.table["n"] > 0)]
        parts = []
        for end, value in (("low", self.low), ("high", self.high)):
            there = own[own[f"share_{end}"] > FLAGGED]
            parts += [
                f"{row[f'share_{end}']:.0%} ({row[f'at_{end}']} of {row['n']}) at {value:g} at {row['visit']}"
                for _, row in there.iterrows()
            ]
        if not parts:
            return f"{self.outcome}: at no visit do more than {FLAGGED:.0%} stand at an end of the scale."
        return (
            f"{self.outcome}: {'; '.join(parts)}. Change beyond the end cannot be seen; models that know the ends are "
            "shown beside the normal one."
        )


def ends_of_scale(table: VisitTable, low: float, high: float) -> ScaleEnds:
    """Count people at the ends `low` and `high` of the scale in every arm at every visit.

    table: values by person and visit, as `visit_table` makes it. low, high: in the unit of the values. Source: a count,
    no model.
    """
    rows = []
    for arm in (*table.arms, "all"):
        people = np.ones(len(table.arm), dtype=bool) if arm == "all" else table.arm == arm
        for j, visit in enumerate(table.visits):
            own = table.values[people, j]
            own = own[~np.isnan(own)]
            at_low, at_high, n = int((own <= low).sum()), int((own >= high).sum()), len(own)
            shares = {"share_low": at_low / n if n else np.nan, "share_high": at_high / n if n else np.nan}
            rows.append({"arm": arm, "visit": visit, "n": n, "at_low": at_low, "at_high": at_high} | shares)
    return ScaleEnds(pd.DataFrame(rows), table.outcome, low, high, table.unit, len(table.participants), table.notes)


def differences_with_ends(
    table: VisitTable, low: float, high: float, step: float, visit: object, reference: str
) -> dict[str, Estimates | FitError]:
    """Difference from the reference arm at a visit by the models that know the ends, on the original scale.

    Baseline as covariate, arm x visit, random intercept, averaged over people; by the names BETA_BINOMIAL and CENSORED.
    A model that cannot be fitted is its error.
    """
    first, later = table.values[:, 0], table.values[:, 1 : table.at(visit) + 1]
    n, J = later.shape
    columns = {"participant": np.repeat(np.arange(n), J), "arm": np.repeat(table.arm, J),
               "visit": np.tile(np.arange(J), n), "base": np.repeat(first, J), "value": later.ravel()}  # fmt: skip
    frame = pd.DataFrame(columns).dropna().assign(visit=lambda f: pd.Categorical(f["visit"]))
    frame["base"] = (frame["base"] - frame["base"].mean()) / max(float(frame["base"].std()), 1e-12)
    order = [reference, *(arm for arm in table.arms if arm != reference)]
    frame["arm"] = pd.Categorical(frame["arm"], order)
    formula = "value ~ base + arm * visit" if frame["visit"].nunique() > 1 else "value ~ base + arm"
    fitted: dict[str, Callable[[], BoundedFit | CensoredFit]] = {
        BETA_BINOMIAL: lambda: fit_bounded(
            frame, formula, participant="participant", maximum=high, minimum=low, step=step, unit=table.unit
        ),
        CENSORED: lambda: fit_censored(frame, formula, participant="participant", low=low, high=high, unit=table.unit),
    }
    found: dict[str, Estimates | FitError] = {}
    for name, fit in fitted.items():
        try:
            gaps = fit().marginal_difference(between="arm")
            assert gaps.keys is not None
            last = gaps.keys["visit"] == J - 1 if "visit" in gaps.keys else np.ones(len(gaps.term), dtype=bool)
            found[name] = gaps.select(np.flatnonzero(last).tolist())
        except FitError as refused:
            found[name] = refused
    return found
