"""Re-randomisation test of a difference between arms: the arms are dealt again as the trial dealt them.

The covariance comes from the model without arms, so it is the same for every re-deal and the test is exact under the
sharp null that no one's values (nor attendance) depend on the arm, whatever the covariance model; a better model gives
power, not validity. p = (b + 1) / (B + 1) over B random re-deals (Phipson & Smyth 2010), or all of them where few.
"""

from dataclasses import dataclass
from itertools import combinations
from math import comb
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from stats.errors import FitError
from stats.mixed.fit import MixedFit, fit_mixed
from stats.mixed.people import blocks
from stats.result import Result

if TYPE_CHECKING:
    from stats.change import ChangeFit

ALL_BELOW = 20_000


@dataclass(frozen=True)
class PermutationTest(Result):
    """p values by re-dealing the arms: one row per difference between arms, and one for all of them together.

    statistic: |estimate / std_error| per row, the Wald statistic for the joint row. `deals` re-deals were used;
    `exact` says that these were all there are. p values of single differences are unadjusted.
    """

    term: tuple[str, ...]
    statistic: np.ndarray
    p_value: np.ndarray
    deals: int
    exact: bool
    unit: str
    n_subjects: int
    n_rows: int
    notes: tuple[str, ...] = ()

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """Columns term statistic p_value deals exact; `level` plays no part."""
        return pd.DataFrame(
            {
                "term": self.term,
                "statistic": self.statistic,
                "p_value": self.p_value,
                "deals": self.deals,
                "exact": self.exact,
            }
        )

    def sentence(self, level: float = 0.95) -> str:
        """p of every row, re-deals, n."""
        rows = "; ".join(f"{t}: p = {p:.3f}" for t, p in zip(self.term, self.p_value, strict=True))
        how = "all" if self.exact else f"{self.deals} random"
        return f"Re-randomisation test over {how} re-deals of the arms: {rows}; {self.n_subjects} participants."


def permutation_test(
    fit: "ChangeFit",
    rng: np.random.Generator,
    *,
    deals: int = 4999,
    strata: pd.Series | None = None,
) -> PermutationTest:
    """Test the differences in change of `fit.between()` by re-dealing the arms.

    strata: value per participant (index participant); arms are dealt within its levels, as the trial did. rng: numpy
    Generator. Raises FitError with one arm, or where a stratum leaves nothing to deal.
    """
    if len(fit.arms) < 2:
        raise FitError("This study has one arm: there are no arms to deal again.")
    null = _null_model(fit)
    people = ArmSums.of(fit, null)
    participants = null.layout.persons  # type: ignore[union-attr]
    labels, stratum = _labels(fit, participants), _strata(strata, participants)
    dealt, exact = _deals(labels, stratum, rng, deals)
    single, joint = people.statistics(np.concatenate([labels[None], dealt]), len(fit.arms))
    everything = np.column_stack([single, joint])
    seen, rest = everything[0], everything[1:]
    at_least = (rest >= seen * (1 - 1e-9)).sum(axis=0)
    p = at_least / len(rest) if exact else (at_least + 1) / (len(rest) + 1)
    keys = fit.between().frame()
    terms = [f"{arm} - {fit.reference}, slope" for arm in fit.arms[1:]] if fit.choice.time == "linear" else [
        f"{row.arm} - {row.reference}, {row.visit}" for row in keys.itertuples()
    ]  # fmt: skip
    return PermutationTest(
        term=(*terms, "arm x time"), statistic=seen, p_value=p, deals=len(rest), exact=exact, unit=fit.unit,
        n_subjects=fit.n_participants, n_rows=fit.n_rows,
        notes=(*fit.notes, "Exact under no effect on anyone; covariance from the model without arms."),
    )  # fmt: skip


def _null_model(fit: "ChangeFit") -> MixedFit:
    extra = "".join(f" + {name}" for name in fit.choice.covariates)
    if fit.choice.baseline == "covariate":
        extra = f" + baseline{extra}"
    if fit.choice.time == "visit":
        formula = f"value ~ 0 + visit{extra}"
    elif fit.choice.time == "linear":
        formula = f"value ~ time{extra}"
    else:
        raise FitError("The re-randomisation test is built for visits and for linear time, not for piecewise time.")
    model = fit.fit
    return fit_mixed(
        fit.rows, formula, participant="participant", visit="visit", random=model.random, correlated=model.correlated,
        covariance=model.covariance, unit=model.unit,
    )  # fmt: skip


@dataclass(frozen=True)
class ArmSums:
    """Weighted sums per participant: X0'WX0 (q, q) and X0'Wy (q,) summed, X0'WM (n, q, m), M'WM (n, m, m), M'Wy (n, m).

    X0 is the design without arms, M the basis of an arm's effect, W the inverse covariance. nuisance: leading columns
    of M that are not tested (an arm difference at baseline).
    """

    XX: np.ndarray
    XM: np.ndarray
    MM: np.ndarray
    Xy: np.ndarray
    My: np.ndarray
    nuisance: int

    @classmethod
    def of(cls, fit: "ChangeFit", null: MixedFit) -> "ArmSums":
        layout = null.layout
        frame = layout.frame  # type: ignore[union-attr]
        if fit.choice.time == "visit":
            later = [v for v in dict.fromkeys(fit.cells["visit"]) if v != fit.baseline_visit]
            M = (frame["visit"].astype(str).to_numpy()[:, None] == np.array(later)).astype(float)
        else:
            M = frame["time"].to_numpy(dtype=float)[:, None]
        nuisance = int(fit.choice.baseline == "outcome")
        if nuisance:
            M = np.column_stack([np.ones(len(M)), M])
        sums: list[list[np.ndarray]] = [[], [], [], [], []]
        for block in blocks(null, "a re-randomisation test"):
            W = np.linalg.inv(block.V)
            X, m, y = block.X, M[block.rows], layout.y[block.rows]  # type: ignore[union-attr]
            for into, value in zip(
                sums, (X.T @ W @ X, X.T @ W @ m, m.T @ W @ m, X.T @ W @ y, m.T @ W @ y), strict=True
            ):
                into.append(value)
        XX, XM, MM, Xy, My = (np.array(part) for part in sums)
        return cls(XX.sum(axis=0), XM, MM, Xy.sum(axis=0), My, nuisance)

    def statistics(self, labels: np.ndarray, arms: int) -> tuple[np.ndarray, np.ndarray]:
        """|estimate / se| (B, (arms - 1) tested) and the joint Wald statistic (B,) for arm numbers `labels` (B, n)."""
        n, q, m = self.XM.shape
        single, joint = [], []
        solved_y = np.linalg.solve(self.XX, self.Xy)
        for part in np.array_split(labels, max(1, len(labels) * n * (arms - 1) // 200_000)):
            one = (part[:, :, None] == np.arange(1, arms)).astype(float)  # (B, n, g)
            B, _, g = one.shape
            XM = np.moveaxis((one.transpose(0, 2, 1) @ self.XM.reshape(n, q * m)).reshape(B, g, q, m), 1, 2)
            XM = XM.reshape(B, q, g * m)
            My = (one.transpose(0, 2, 1) @ self.My).reshape(B, g * m)
            MM = np.zeros((B, g, m, g, m))
            own = (one.transpose(0, 2, 1) @ self.MM.reshape(n, m * m)).reshape(B, g, m, m)
            for k in range(g):
                MM[:, k, :, k] = own[:, k]
            schur = MM.reshape(B, g * m, g * m) - np.swapaxes(XM, 1, 2) @ np.linalg.solve(self.XX, XM)
            right = My - np.swapaxes(XM, 1, 2) @ solved_y
            covariance = _inverse(schur)
            estimate = (covariance @ right[:, :, None])[:, :, 0]
            tested = np.array([k * m + j for k in range(g) for j in range(self.nuisance, m)])
            value, spread = estimate[:, tested], covariance[:, tested[:, None], tested]
            single.append(np.abs(value) / np.sqrt(np.maximum(np.einsum("btt->bt", spread), 1e-300)))
            joint.append(np.einsum("bt,bt->b", value, (_inverse(spread) @ value[:, :, None])[:, :, 0]))
        return np.concatenate(single), np.concatenate(joint)


def _inverse(matrix: np.ndarray) -> np.ndarray:
    """Inverse; a visit that a deal leaves without one arm gives a singular matrix and then a pseudo-inverse."""
    try:
        return np.linalg.inv(matrix)
    except np.linalg.LinAlgError:
        return np.linalg.pinv(matrix, hermitian=True)


def _labels(fit: "ChangeFit", participants: tuple) -> np.ndarray:
    arm = fit.rows.drop_duplicates("participant").set_index("participant")["arm"].astype(str)
    return np.array([fit.arms.index(arm[p]) for p in participants])


def _strata(strata: pd.Series | None, participants: tuple) -> np.ndarray:
    if strata is None:
        return np.zeros(len(participants), dtype=int)
    missing = [str(p) for p in participants if p not in strata.index or pd.isna(strata[p])]
    if missing:
        raise FitError(
            f"No stratum for participants {', '.join(missing)}. Every participant needs the one used to randomise."
        )
    return pd.factorize(pd.Series([strata[p] for p in participants]))[0]


def _deals(labels: np.ndarray, stratum: np.ndarray, rng: np.random.Generator, deals: int) -> tuple[np.ndarray, bool]:
    """Random re-deals within strata (B, n); all of them where two arms in one stratum have few."""
    if len(np.unique(labels)) < 2 or all(len(np.unique(labels[stratum == s])) < 2 for s in np.unique(stratum)):
        raise FitError("Every stratum holds one arm only: dealing the arms again changes nothing.")
    first, n = int((labels == labels.max()).sum()), len(labels)
    if len(np.unique(stratum)) == 1 and len(np.unique(labels)) == 2 and comb(n, first) <= min(ALL_BELOW, 4 * deals):
        other, own = int(labels.min()), int(labels.max())
        all_deals = np.full((comb(n, first), n), other)
        for row, members in zip(all_deals, combinations(range(n), first), strict=True):
            row[list(members)] = own
        return all_deals, True
    dealt = np.tile(labels, (deals, 1))
    for s in np.unique(stratum):
        at = np.flatnonzero(stratum == s)
        dealt[:, at] = rng.permuted(dealt[:, at], axis=1)
    return dealt, False
