"""Re-randomisation test of a difference between arms: the arms are dealt again as the trial dealt them.

The covariance comes from the model without arms, so it is the same for every re-deal and the test is exact under the
sharp null that no one's values (nor attendance) depend on the arm, whatever the covariance model; a better model gives
power, not validity. p = (b + 1) / (B + 1) over B random re-deals (Phipson & Smyth 2010), or all of them where few.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import combinations
from math import comb
from typing import Protocol

import numpy as np
import pandas as pd

from outcomes.protocol.trial import ModelChoice
from stats.change.term_columns import covariate_names
from stats.errors import FitError
from stats.mixed.fit import MixedFit, fit_mixed
from stats.mixed.inference.blocks import Alike, alike_in, rows_of
from stats.mixed.inference.fit_estimates import Estimates
from stats.mixed.model.layout import Layout
from stats.result import Result

ALL_BELOW = 20_000
CELLS = 2_000_000  # numbers in the largest array of one step over re-deals


class Compared(Protocol):
    """What is asked of a model of change (`stats.change.change_fit.ChangeFit` has it)."""

    @property
    def fit(self) -> MixedFit: ...
    @property
    def choice(self) -> ModelChoice: ...
    @property
    def arms(self) -> tuple[str, ...]: ...
    @property
    def reference(self) -> str: ...
    @property
    def rows(self) -> pd.DataFrame: ...
    @property
    def cells(self) -> pd.DataFrame: ...
    @property
    def baseline_visit(self) -> str: ...
    @property
    def adjusted(self) -> tuple[str, ...]: ...
    @property
    def unit(self) -> str: ...
    @property
    def n_participants(self) -> int: ...
    @property
    def n_rows(self) -> int: ...
    @property
    def notes(self) -> tuple[str, ...]: ...
    def between(self, df: str | None = ...) -> Estimates: ...


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
    n_participants: int
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
        return f"Re-randomisation test over {how} re-deals of the arms: {rows}; {self.n_participants} participants."


def permutation_test(
    fit: Compared,
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
    participants = null.layout.persons  # type: ignore[union-attr]  # a fit of rows has them
    labels, stratum = _labels(fit, participants), _strata(strata, participants)
    dealt, exact = _deals(labels, stratum, rng, deals)
    single, joint = people.statistics(np.concatenate([labels[None], dealt]), len(fit.arms))
    everything = np.column_stack([single[0], joint[0]])
    seen, rest = everything[0], everything[1:]
    at_least = (rest >= seen * (1 - 1e-9)).sum(axis=0)
    p = at_least / len(rest) if exact else (at_least + 1) / (len(rest) + 1)
    keys = fit.between().frame()
    terms = [f"{arm} - {fit.reference}, slope" for arm in fit.arms[1:]] if fit.choice.time == "linear" else [
        f"{row.arm} - {row.reference}, {row.visit}" for row in keys.itertuples()
    ]  # fmt: skip
    return PermutationTest(
        term=(*terms, "arm x time"), statistic=seen, p_value=p, deals=len(rest), exact=exact, unit=fit.unit,
        n_participants=fit.n_participants, n_rows=fit.n_rows,
        notes=(*fit.notes, "Exact under no effect on anyone; covariance from the model without arms."),
    )  # fmt: skip


def _null_model(fit: Compared) -> MixedFit:
    extra = "".join(f" + {name}" for name in (*covariate_names(fit.rows, fit.choice.covariates), *fit.adjusted))
    if fit.choice.baseline == "covariate":
        per_visit = any(":baseline" in term for term in fit.fit.terms)
        own = " + visit:baseline" if per_visit else " + baseline" if "baseline" in fit.fit.terms else ""
        extra = f"{own}{extra}"
    if fit.choice.time == "visit":
        formula = f"value ~ 0 + visit{extra}"
    elif fit.choice.time == "linear":
        formula = f"value ~ time{extra}"
    else:
        raise FitError("The re-randomisation test is built for visits and for linear time, not for piecewise time.")
    model = fit.fit
    return fit_mixed(
        fit.rows, formula, participant="participant", visit="visit", random=model.random, correlated=model.correlated,
        covariance=model.covariance, time=model.time, unit=model.unit,
    )  # fmt: skip


@dataclass(frozen=True)
class ArmSums:
    """Weighted sums of R responses: X0'WX0 (R, q, q) and X0'Wy (R, q) over everyone, X0'WM (R, n, q, m), M'WM
    (R, n, m, m) and M'Wy (R, n, m) per participant.

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
    def of(cls, fit: Compared, null: MixedFit) -> "ArmSums":
        """The sums of a model of change, weighted by the model without arms."""
        purpose = "a re-randomisation test"
        layout = rows_of(null, purpose)
        frame = layout.frame
        if fit.choice.time == "visit":
            later = [v for v in dict.fromkeys(fit.cells["visit"]) if v != fit.baseline_visit]
            M = (frame["visit"].astype(str).to_numpy()[:, None] == np.array(later)).astype(float)
        else:
            M = frame["time"].to_numpy(dtype=float)[:, None]
        nuisance = int(fit.choice.baseline == "outcome")
        if nuisance:
            M = np.column_stack([np.ones(len(M)), M])
        return cls.over(alike_in(null, purpose), layout, layout.y[None], M, nuisance)

    @classmethod
    def over(cls, parts: Iterable[Alike], layout: Layout, Y: np.ndarray, M: np.ndarray, nuisance: int) -> "ArmSums":
        """The sums over participants with their covariances, for responses Y (R, N) and a basis M (N, m)."""
        R, n, q, m = len(Y), len(layout.persons), layout.X.shape[1], M.shape[1]
        XX, Xy = np.zeros((R, q, q)), np.zeros((R, q))
        XM, MM, My = np.empty((R, n, q, m)), np.empty((R, n, m, m)), np.empty((R, n, m))
        for part in parts:
            W = np.linalg.inv(part.V)[:, None]
            Xt, basis = np.swapaxes(part.X, 1, 2), M[part.rows]
            Mt, y = np.swapaxes(basis, 1, 2), Y[:, part.rows][..., None]
            XX += (Xt @ W @ part.X).sum(axis=1)
            Xy += (Xt @ (W @ y)).sum(axis=1)[..., 0]
            XM[:, part.people], MM[:, part.people] = Xt @ W @ basis, Mt @ W @ basis
            My[:, part.people] = (Mt @ (W @ y))[..., 0]
        return cls(XX, XM, MM, Xy, My, nuisance)

    def statistics(self, labels: np.ndarray, arms: int) -> tuple[np.ndarray, np.ndarray]:
        """|estimate / se| (R, B, (arms - 1) tested) and the joint Wald statistic (R, B), arm numbers labels (B, n)."""
        R, _, q, m = self.XM.shape
        single, joint = [], []
        half = np.linalg.inv(np.linalg.cholesky(self.XX))  # half' half = XX^-1
        rotated, solved_y = half[:, None] @ self.XM, (half @ self.Xy[..., None])[:, None]
        for part in np.array_split(labels, max(1, R * len(labels) * (arms - 1) * (q + m) ** 2 // CELLS)):
            one = np.moveaxis((part[:, :, None] == np.arange(1, arms)).astype(float), 1, 2)  # (B, g, n)
            B, g, _ = one.shape
            XM = np.moveaxis(_dealt(one, rotated).reshape(R, B, g, q, m), 2, 3).reshape(R, B, q, g * m)
            My = _dealt(one, self.My).reshape(R, B, g * m, 1)
            MM = np.zeros((R, B, g, m, g, m))
            own = _dealt(one, self.MM).reshape(R, B, g, m, m)
            for k in range(g):
                MM[:, :, k, :, k] = own[:, :, k]
            turned = np.swapaxes(XM, 2, 3)
            schur = MM.reshape(R, B, g * m, g * m) - turned @ XM
            covariance = _inverse(schur)
            estimate = (covariance @ (My - turned @ solved_y))[..., 0]
            tested = np.array([k * m + j for k in range(g) for j in range(self.nuisance, m)])
            value, spread = estimate[..., tested], covariance[..., tested[:, None], tested]
            single.append(np.abs(value) / np.sqrt(np.maximum(np.einsum("rbtt->rbt", spread), 1e-300)))
            joint.append((value * (_inverse(spread) @ value[..., None])[..., 0]).sum(axis=2))
        return np.concatenate(single, axis=1), np.concatenate(joint, axis=1)


def _dealt(one: np.ndarray, sums: np.ndarray) -> np.ndarray:
    """Sums over the members of each dealt arm: one (B, g, n), sums (R, n, ...): (R, B, g, ...) in one product."""
    B, g, n = one.shape
    return one.reshape(B * g, n) @ sums.reshape(len(sums), n, int(np.prod(sums.shape[2:])))


def _inverse(matrix: np.ndarray) -> np.ndarray:
    """Inverses; a visit that a deal leaves without one arm gives a singular matrix and then a pseudo-inverse."""
    try:
        return np.linalg.inv(matrix)
    except np.linalg.LinAlgError:
        singular = np.linalg.det(matrix) == 0.0
        made = np.linalg.inv(np.where(singular[..., None, None], np.eye(matrix.shape[-1]), matrix))
        made[singular] = np.linalg.pinv(matrix[singular], hermitian=True)
        return made


def _labels(fit: Compared, participants: tuple) -> np.ndarray:
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
