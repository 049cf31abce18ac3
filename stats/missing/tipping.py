"""How much worse the missing values would have to be for the answer to change."""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy.optimize import brentq

from stats.errors import FitError
from stats.missing.imputation import Imputations, impute
from stats.missing.rubin import Combined
from stats.missing.visit_table import VisitTable
from stats.mixed.inference.fit_estimates import Estimates, t_quantile, two_sided_p
from stats.result import Result

STEPS = 241
REACH = 5.0  # SDs of the visit's values


@dataclass(frozen=True)
class TippingPoint(Result):
    """The answer along a shift of the imputed values of one arm at one visit.

    down, up: the smallest shift of each sign at which the p value crosses alpha; NaN where none within `reach`.
    grid: a row per shift: shift estimate std_error df p_value and limits at 1 - alpha.
    """

    arm: str
    comparison: str
    visit: object
    alpha: float
    at_zero: Combined = field(repr=False)
    down: float
    up: float
    reach: float
    grid: pd.DataFrame = field(repr=False)
    n_imputed: int
    unit: str
    n_participants: int
    notes: tuple[str, ...]

    @property
    def shift(self) -> float:
        """The crossing nearest to no shift; NaN where there is none."""
        found = [one for one in (self.down, self.up) if not np.isnan(one)]
        return min(found, key=abs) if found else float("nan")

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """Two rows, direction down and up: shift, arm, visit, comparison, p_value without shift, n imputed."""
        p = float(self.at_zero.frame()["p_value"].iloc[self._row])
        rows = [{"direction": name, "shift": value, "arm": self.arm, "visit": self.visit, "comparison": self.comparison,
                 "alpha": self.alpha, "p_without_shift": p, "imputed": self.n_imputed, "reach": self.reach,
                 "unit": self.unit} for name, value in (("down", self.down), ("up", self.up))]  # fmt: skip
        return pd.DataFrame(rows)

    @property
    def _row(self) -> int:
        return self.at_zero.estimates.term.index(self.comparison)

    def sentence(self, level: float = 0.95) -> str:
        """The shift in words."""
        there = [
            f"{abs(one):.2f} {self.unit} {'lower' if one < 0 else 'higher'}".replace("  ", " ")
            for one in (self.down, self.up) if not np.isnan(one)
        ]  # fmt: skip
        start = "below" if float(self.at_zero.frame()["p_value"].iloc[self._row]) < self.alpha else "above"
        if not there:
            return (
                f"{self.comparison} at {self.visit}: the p value is {start} {self.alpha:g} and stays there for every "
                f"shift of the {self.n_imputed} imputed values of {self.arm} up to {self.reach:.1f} {self.unit}."
            )
        return (
            f"{self.comparison} at {self.visit}: the p value, {start} {self.alpha:g} without a shift, crosses it if "
            f"the {self.n_imputed} imputed values of {self.arm} are {' or '.join(there)} than imputed."
        )


def tipping_point(
    source: Imputations | VisitTable | pd.DataFrame, outcome: str | None = None, *, visit: object = None,
    arm: str | None = None, alpha: float = 0.05, reach: float | None = None, adjust: bool = True, m: int = 100,
    seed: int | None = None, reference: str | None = None, covariance: str | None = None, **where,
) -> TippingPoint:  # fmt: skip
    """Shift the imputed values of one arm at one visit until the p value of its difference crosses alpha.

    source: imputations, or the frame or table that `impute` takes (then seed=). arm: whose imputed values move (the
    first other than the reference; the reference itself may be named too). visit: the last. reach: how far either way
    is searched, in the unit of the outcome; 5 SDs of the visit's values where not named. adjust: for the first visit.
    The shift goes on top of the assumption of the imputations. Whether a shift is plausible is for clinicians to say:
    the kit does not.

    Returns `TippingPoint`. Raises FitError where nothing was imputed there.
    Source: Rubin 1977; Yan, Lee & Li 2009 (J Biopharm Stat 19:1085-1098), from memory.
    """
    if not 0 < alpha < 1:
        raise FitError(f"alpha={alpha}: allowed above 0 and below 1.")
    copies = source if isinstance(source, Imputations) else impute(
        source, outcome, m=m, seed=seed, reference=reference, covariance=covariance, **where)  # fmt: skip
    table = copies.table
    at = len(table.visits) - 1 if visit is None else table.at(visit)
    others = [one for one in table.arms if one != copies.reference]
    if not others:
        raise FitError("One arm only: there is no difference to tip.")
    moved = others[0] if arm is None else table.check_arm(arm)
    compared = others[0] if moved == copies.reference else moved
    comparison = f"{compared} - {copies.reference}"
    row = others.index(compared)
    n_imputed = int((copies.missing[:, at] & (table.arm == moved)).sum())
    if n_imputed == 0:
        raise FitError(f"{moved}: nothing was imputed at {table.visits[at]}, so no shift can change the answer.")
    spread = float(np.nanstd(table.values[:, at], ddof=1))
    reach = REACH * spread if reach is None else float(reach)

    def answer(shift: float) -> Combined:
        return copies.with_shift({(moved, table.visits[at]): shift}).difference(table.visits[at], adjust)

    def excess(shift: float) -> float:
        return _numbers(answer(shift).estimates, row, alpha)["p_value"] - alpha

    shifts = np.linspace(-reach, reach, 2 * STEPS - 1)
    shifts[STEPS - 1] = 0.0
    rows = []
    for one in shifts:
        rows.append({"shift": float(one), **_numbers(answer(float(one)).estimates, row, alpha)})
    grid = pd.DataFrame(rows)
    side = (grid["p_value"] - alpha).to_numpy()
    down = _crossing(excess, shifts[STEPS - 1 :: -1], side[STEPS - 1 :: -1])
    up = _crossing(excess, shifts[STEPS - 1 :], side[STEPS - 1 :])
    notes = (*copies.notes, f"{n_imputed} imputed values of {moved} at {table.visits[at]} are shifted, nothing else.")
    plain = copies.difference(table.visits[at], adjust)
    return TippingPoint(
        moved, comparison, table.visits[at], alpha, plain, down, up, reach, grid, n_imputed, table.unit,
        len(table.participants), notes,
    )  # fmt: skip


def _numbers(made: Estimates, row: int, alpha: float) -> dict[str, float]:
    """One row of the frame of estimates, without the frame: hundreds of shifts are asked."""
    estimate, error, df = made.estimate[row], made.std_error[row], made.df[row]
    half = t_quantile(1 - alpha, df) * error
    return {
        "estimate": float(estimate), "std_error": float(error), "df": float(df),
        "p_value": float(two_sided_p(estimate / error, df)), "conf_low": float(estimate - half),
        "conf_high": float(estimate + half),
    }  # fmt: skip


def _crossing(excess, shifts: np.ndarray, side: np.ndarray) -> float:
    """The first place from no shift outwards where the sign changes; NaN where it never does."""
    changes = np.flatnonzero(np.diff(np.sign(side)) != 0)
    if not len(changes):
        return float("nan")
    k = int(changes[0])
    if side[k] == 0:
        return float(shifts[k])
    low, high = sorted((float(shifts[k]), float(shifts[k + 1])))
    return float(brentq(excess, low, high, xtol=1e-11, rtol=1e-13))
