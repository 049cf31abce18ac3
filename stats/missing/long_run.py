"""Reference-based answers with the variance they have in the long run: conditional means and a jackknife.

Rubin's variance after reference-based imputation keeps the information of the missing at random analysis
("information-anchored"; Cro, Carpenter & Kenward 2019) and is larger than the spread of the estimate over repeated
trials. Which to report is a choice that the protocol makes; both are given, named.
Source: Wolbers et al. 2022 (Pharm Stat 21:1246-1257); von Hippel & Bartlett 2021 (Stat Sci 36:400-420), from memory.
"""

from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
import pandas as pd

from stats.errors import FitError
from stats.estimates import check_level
from stats.missing.assumptions import NORMAL, WORDS, check_assumption, given_seen, joint_moments
from stats.missing.normal_draws import last_seen, patterns
from stats.missing.visit_table import VisitTable, visit_table
from stats.mixed.inference.fit_estimates import Estimates
from stats.result import Result

STEPS, TOLERANCE = 20_000, 1e-12


@dataclass(frozen=True)
class LongRun(Result):
    """Difference at one visit after imputing conditional means; standard error by leaving out one person at a time."""

    estimates: Estimates = field(repr=False)
    method: str
    leave_one_out: np.ndarray = field(repr=False)
    visit: object
    unit: str
    n_participants: int
    notes: tuple[str, ...]

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """term estimate std_error df statistic p_value conf_low conf_high unit."""
        return self.estimates.frame(check_level(level))

    def sentence(self, level: float = 0.95) -> str:
        """Estimate with interval and the assumption in words."""
        parts = [
            f"{row.term}: {row.estimate:.2f} {self.unit} ({level:.0%} interval {row.conf_low:.2f} to "
            f"{row.conf_high:.2f})"
            for row in self.frame(level).itertuples()
        ]
        return f"{'; '.join(parts)} if {WORDS[self.method]} (conditional means, jackknife)."


def normal_maximum(Y: np.ndarray, group: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Maximum likelihood means (groups, J) and one covariance (J, J) of a normal law with gaps; Y (n, J).

    Regression by regression where people only leave, else the EM algorithm. Raises FitError where it does not settle.
    """
    reached = last_seen(Y)
    if not (np.isnan(Y) & (np.arange(Y.shape[1]) < reached[:, None])).any():
        return _by_regressions(Y, group, reached)
    groups = int(group.max()) + 1
    means = np.stack([np.nanmean(Y[group == g], axis=0) for g in range(groups)])
    S = np.diag(np.nanvar(Y, axis=0, ddof=1))
    sets = list(patterns(np.isnan(Y)))
    for _ in range(STEPS):
        filled, extra = Y.copy(), np.zeros_like(S)
        for people, missing in sets:
            at = np.flatnonzero(missing)
            centred = Y[people] - means[group[people]]
            rest, spread = given_seen(np.zeros(len(S)), S, centred, missing)
            filled[people[:, None], at] = means[group[people]][:, at] + rest
            extra[np.ix_(at, at)] += len(people) * spread
        new = np.stack([filled[group == g].mean(axis=0) for g in range(groups)])
        gap = filled - new[group]
        wide = (gap.T @ gap + extra) / len(Y)
        moved = max(float((np.abs(new - means) / np.sqrt(np.diag(S))).max()), float(np.abs(wide - S).max() / S.max()))
        means, S = new, wide
        if moved < TOLERANCE:
            return means, S
    raise FitError("The means and covariance of the visits did not settle: too few people for so many gaps.")


@lru_cache(maxsize=512)
def _kept_maximum(values: bytes, shape: tuple[int, int], group: bytes) -> tuple[np.ndarray, np.ndarray]:
    """The maximum of a table, kept: every assumption asks for the same one, with and without each person."""
    return normal_maximum(np.frombuffer(values).reshape(shape), np.frombuffer(group, dtype=np.int64))


def _by_regressions(Y: np.ndarray, group: np.ndarray, reached: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    J, groups = Y.shape[1], int(group.max()) + 1
    means, S = np.zeros((groups, J)), np.zeros((J, J))
    for j in range(J):
        there = reached > j
        heads = (group[there][:, None] == np.arange(groups)).astype(float)
        X = np.concatenate([heads, Y[there, :j]], axis=1)
        if len(X) <= X.shape[1] or np.linalg.matrix_rank(X) < X.shape[1]:
            raise FitError("Too few people reached a visit in some arm for its mean and covariance.")
        b = np.linalg.lstsq(X, Y[there, j], rcond=None)[0]
        slope = b[groups:]
        S[j, :j] = S[:j, j] = slope @ S[:j, :j]
        S[j, j] = ((Y[there, j] - X @ b) ** 2).mean() + slope @ S[:j, :j] @ slope
        means[:, j] = b[:groups] + means[:, :j] @ slope
    return means, S


def _answer(Y: np.ndarray, group: np.ndarray, base: int, at: int, method: str, skip: int) -> np.ndarray:
    """Differences from the base arm (groups - 1,) at column `at`, adjusted for column `skip` (the first visit)."""
    means, S = _kept_maximum(Y.tobytes(), Y.shape, group.tobytes())
    filled, reached = Y.copy(), last_seen(Y)
    for people, missing in patterns(np.isnan(Y)):
        for g in np.unique(group[people]):
            own = people[group[people] == g]
            how = NORMAL if g == base else method
            moments = joint_moments(how, (means[g], S), (means[base], S), int(reached[own[0]]))
            filled[own[:, None], np.flatnonzero(missing)] = given_seen(*moments, Y[own], missing)[0]
    others = [g for g in range(means.shape[0]) if g != base]
    X = np.column_stack([*[(group == g).astype(float) for g in others], np.ones(len(Y)), filled[:, skip]])
    return np.linalg.lstsq(X, filled[:, at], rcond=None)[0][: len(others)]


def long_run_difference(
    scores: pd.DataFrame | VisitTable, outcome: str | None = None, *, method: str = NORMAL, visit: object = None,
    reference: str | None = None, **where,
) -> LongRun:  # fmt: skip
    """Differences from the reference arm at a visit (the last) after imputing conditional means, with a jackknife.

    scores: as for `impute`, a frame or a `VisitTable`. Maximum likelihood of a joint normal law (means by arm, one
    covariance), each gap at its conditional mean under the assumption `method` (as in `impute`), least squares on arm
    and first visit; standard error from leaving out each person in turn and doing all of it again, t with people - arms
    - 1 df (our choice).
    Returns `LongRun`. Raises FitError where leaving one person out leaves too few.
    """
    check_assumption(method)
    table = scores if isinstance(scores, VisitTable) else visit_table(scores, outcome, **where)
    base = table.check_arm(reference)
    if len(table.arms) < 2:
        raise FitError("One arm only: there is no difference between arms.")
    skip = table.auxiliaries.shape[1]
    Y = np.concatenate([table.auxiliaries, table.values], axis=1)
    at = (len(table.visits) - 1 if visit is None else table.at(visit)) + skip
    group, code = table.group, table.arms.index(base)
    group = group.astype(np.int64)
    whole = _answer(Y, group, code, at, method, skip)
    n = len(Y)
    left = np.stack([_answer(np.delete(Y, i, 0), np.delete(group, i), code, at, method, skip) for i in range(n)])
    error = np.sqrt((n - 1) / n * ((left - left.mean(axis=0)) ** 2).sum(axis=0))
    names = tuple(f"{arm} - {base}" for arm in table.arms if arm != base)
    notes = (*table.notes, f"Conditional means: {WORDS[method]}. Standard error by jackknife: the long-run variance, "
             "smaller than Rubin's after reference-based imputation.")  # fmt: skip
    df = np.full(len(names), float(n - len(table.arms) - 1))
    made = Estimates(names, whole, error, df, "normal", table.unit, n, n, notes)
    return LongRun(made, method, left, table.visits[at - skip], table.unit, n, notes)
