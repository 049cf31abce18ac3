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
from stats.missing.visit_table import VisitTable, refuse_flat, visit_table
from stats.mixed.inference.fit_estimates import Estimates
from stats.result import Result

STEPS, TOLERANCE = 20_000, 1e-12
Near = tuple[bytes, bytes] | None  # means and covariance to begin at
SINGULAR = 1e-9  # smallest eigenvalue of a correlation matrix in which no visit follows from the others
TOO_FEW = (
    "Too few people for so many visits: the covariance runs to one in which a visit follows from the others. Use fewer "
    "visits (visits=)."
)


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


def normal_maximum(
    Y: np.ndarray, group: np.ndarray, near: tuple[np.ndarray, np.ndarray] | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Maximum likelihood means (groups, J) and one covariance (J, J) of a normal law with gaps; Y (n, J).

    Regression by regression where people only leave, else the EM algorithm, two steps of which tell how far a third
    may go (squared extrapolation: Varadhan & Roland 2008, Scand J Stat 35:335-353, from memory). near: means and
    covariance to begin at. Raises FitError where it does not settle, or runs to a covariance without a maximum.
    """
    reached = last_seen(Y)
    if not (np.isnan(Y) & (np.arange(Y.shape[1]) < reached[:, None])).any():
        return _by_regressions(Y, group, reached)
    groups = int(group.max()) + 1
    if min((~np.isnan(Y[group == g])).sum(axis=0).min() for g in range(groups)) == 0:
        raise FitError("In some arm nobody has a value at a visit: there is no mean to impute from.")
    means = np.stack([np.nanmean(Y[group == g], axis=0) for g in range(groups)])
    here = (means, np.diag(np.nanvar(Y, axis=0, ddof=1))) if near is None else near
    sets = list(patterns(np.isnan(Y)))
    for _ in range(STEPS):
        one = _em_step(Y, group, sets, *here)
        if _moved(here, one) < TOLERANCE:
            return one
        two = _em_step(Y, group, sets, *one)
        first = [b - a for a, b in zip(here, one, strict=True)]
        turn = [c - b - f for b, c, f in zip(one, two, first, strict=True)]
        sd = np.sqrt(np.diag(two[1]))
        far = min(-1.0, -np.sqrt(_size(first, sd) / max(_size(turn, sd), 1e-300)))
        ahead = [a - 2 * far * f + far**2 * t for a, f, t in zip(here, first, turn, strict=True)]
        here = two if _singular(ahead[1]) else _em_step(Y, group, sets, *ahead)
        if _singular(here[1]):
            raise FitError(TOO_FEW)
    raise FitError("The means and covariance of the visits did not settle: too few people for so many gaps.")


def _em_step(
    Y: np.ndarray, group: np.ndarray, sets: list, means: np.ndarray, S: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Means and covariance given what gaps are expected to hold under the ones before."""
    filled, extra = Y.copy(), np.zeros_like(S)
    for people, missing in sets:
        at = np.flatnonzero(missing)
        own = means[group[people]]
        rest, spread = given_seen(np.zeros(len(S)), S, Y[people] - own, missing)
        filled[people[:, None], at] = own[:, at] + rest
        extra[np.ix_(at, at)] += len(people) * spread
    new = np.stack([filled[group == g].mean(axis=0) for g in range(len(means))])
    gap = filled - new[group]
    return new, (gap.T @ gap + extra) / len(Y)


def _moved(before: tuple[np.ndarray, np.ndarray], after: tuple[np.ndarray, np.ndarray]) -> float:
    """The largest step of a mean, in its SD, or of the covariance, as a share of its largest entry."""
    (means, S), (new, wide) = before, after
    return max(float((np.abs(new - means) / np.sqrt(np.diag(S))).max()), float(np.abs(wide - S).max() / S.max()))


def _size(step: list[np.ndarray], sd: np.ndarray) -> float:
    """Sum of squares of a step of means and covariance, in standard deviations."""
    return float(((step[0] / sd) ** 2).sum() + ((step[1] / np.outer(sd, sd)) ** 2).sum())


def _singular(S: np.ndarray) -> bool:
    """Whether a covariance has run to one in which some visit follows from the others: the likelihood has no end."""
    if not (np.diag(S) > 0).all():
        return True
    sd = np.sqrt(np.diag(S))
    return bool(np.linalg.eigvalsh(S / np.outer(sd, sd))[0] < SINGULAR)


@lru_cache(maxsize=512)
def _kept_maximum(
    values: bytes, shape: tuple[int, int], group: bytes, near: Near = None
) -> tuple[np.ndarray, np.ndarray]:
    """The maximum of a table, kept: every assumption asks for the same one, with and without each person."""
    made = np.frombuffer(group, dtype=np.int64)
    begin = None if near is None else (np.frombuffer(near[0]).reshape(-1, shape[1]),
                                       np.frombuffer(near[1]).reshape(shape[1], shape[1]))  # fmt: skip
    return normal_maximum(np.frombuffer(values).reshape(shape), made, begin)


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


def _answer(
    Y: np.ndarray,
    group: np.ndarray,
    base: int,
    at: int,
    method: str,
    skip: int,
    near: tuple[bytes, bytes] | None = None,
) -> np.ndarray:
    """Differences from the base arm (groups - 1,) at column `at`, adjusted for column `skip` (the first visit)."""
    means, S = _kept_maximum(Y.tobytes(), Y.shape, group.tobytes(), near)
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
    refuse_flat(table)
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
    means, S = _kept_maximum(Y.tobytes(), Y.shape, group.tobytes())
    near = means.tobytes(), S.tobytes()
    left = np.stack([_answer(np.delete(Y, i, 0), np.delete(group, i), code, at, method, skip, near) for i in range(n)])
    error = np.sqrt((n - 1) / n * ((left - left.mean(axis=0)) ** 2).sum(axis=0))
    names = tuple(f"{arm} - {base}" for arm in table.arms if arm != base)
    notes = (*table.notes, f"Conditional means: {WORDS[method]}. Standard error by jackknife: the long-run variance, "
             "smaller than Rubin's after reference-based imputation.")  # fmt: skip
    df = np.full(len(names), float(n - len(table.arms) - 1))
    made = Estimates(names, whole, error, df, "normal", table.unit, n, n, notes)
    return LongRun(made, method, left, table.visits[at - skip], table.unit, n, notes)
