"""Races of the mixed-model engine, ratios in one run, processor time of one core.

    OMP_NUM_THREADS=1 python tests/benchmarks/engine_speed.py [--people 1000000]

one fit: fit_mixed and a Kenward-Roger contrast against statsmodels' default MixedLM fit alone, on 24 x 6 cohorts:
responses of the model fitted to the committed pilot (statsmodels often falls back on its other optimisers there, and
many fits do not converge), and people who differ more with 15 % of visits missing (it converges more often and sooner).
Its fits take some 35 ms where the first optimiser converges and several times that elsewhere, about half and half, so
its median jumps with the cohorts drawn (of the first 40, 60 and 150 cohorts like the pilot it was 82, 151 and 41 ms;
the mean 133, 163 and 140 ms). Many cohorts are drawn for that reason, and both ratios are printed.
refits: 1,000 responses with a Kenward-Roger test each. unstructured: 40 x 5 against scipy's BFGS on the same restricted
likelihood written with dense matrices. pooling: reading the rows from Parquet, pooling, fitting, and one evaluation of
the likelihood with its derivatives for a thousand and for all participants.
"""

import argparse
import tempfile
import time
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import statsmodels.formula.api as smf
from scipy.optimize import minimize

from stats.mixed.fit import MixedFit, fit_mixed, fit_moments
from stats.mixed.inference.resampling import simulate_responses
from stats.mixed.many import template
from stats.mixed.model.pooling import pool_moments

FORMULA = "score ~ week * arm"
COHORTS = 150
REFERENCE = Path(__file__).parents[1] / "reference" / "data"


def seconds(call, repeat: int = 1) -> float:
    """Median processor seconds of a call."""
    taken = []
    for _ in range(repeat):
        start = time.process_time()
        call()
        taken.append(time.process_time() - start)
    return float(np.median(taken))


def cohort(people: int, visits: int, rng: np.random.Generator, missing: float = 0.0) -> pd.DataFrame:
    """participant, week, arm, score with random intercepts and slopes."""
    effects = rng.multivariate_normal([0, 0], [[36, -2], [-2, 0.6]], people)
    week = np.tile(np.arange(visits, dtype=float), people)
    person = np.repeat(np.arange(people), visits)
    score = 30 + effects[person, 0] + (1 + effects[person, 1]) * week + rng.normal(0, 3, len(week))
    frame = pd.DataFrame({"participant": person, "week": week, "arm": (person % 2).astype(float), "score": score})
    return frame[(rng.random(len(frame)) >= missing) | (week == 0)].reset_index(drop=True)


def pilot_cohorts(count: int) -> list[pd.DataFrame]:
    """Complete cohorts of 24 x 6 simulated from the model fitted to the committed pilot."""
    frame = pd.read_csv(REFERENCE / "pilot24_rep1.csv")[["id", "time", "arm", "y"]]
    frame.columns = pd.Index(["participant", "week", "arm", "score"])
    fit = fit_mixed(frame, FORMULA, participant="participant", visit="week", random="1 + week")
    responses = simulate_responses(fit, np.random.default_rng(4), count)
    return [fit.layout.frame.assign(score=response) for response in responses]  # type: ignore[union-attr]


def one_fit(label: str, cohorts: list[pd.DataFrame]) -> None:
    """Kenward-Roger contrast against statsmodels' fit."""
    ours, theirs, converged = [], [], 0
    for frame in cohorts:

        def fit(data: pd.DataFrame = frame) -> None:
            model = fit_mixed(data, FORMULA, participant="participant", visit="week", random="1 + week")
            model.contrast([0, 0, 0, 1.0])

        ours.append(seconds(fit, 5))
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            other = smf.mixedlm(FORMULA, frame, groups="participant", re_formula="~week")
            start = time.process_time()
            converged += other.fit().converged
            theirs.append(time.process_time() - start)
    print(
        f"one fit, {label}: ours {1e3 * np.median(ours):.2f} ms (mean {1e3 * np.mean(ours):.2f}), statsmodels "
        f"{1e3 * np.median(theirs):.0f} ms (mean {1e3 * np.mean(theirs):.0f}; "
        f"{converged} of {len(cohorts)} converged); "
        f"ratio of medians {np.median(theirs) / np.median(ours):.0f}, of means {np.mean(theirs) / np.mean(ours):.0f}"
    )


def refits(count: int = 1000) -> None:
    """Stacked responses with a Kenward-Roger test each."""
    rng = np.random.default_rng(6)
    frame = cohort(24, 6, rng, 0.15)
    prepared = template(frame, FORMULA, participant="participant", visit="week", random="1 + week")
    base = fit_mixed(frame, FORMULA, participant="participant", visit="week", random="1 + week")
    responses = simulate_responses(base, rng, count)
    L = np.array([[0, 0, 0, 1.0]])
    print(f"{count} refits with a Kenward-Roger test: {seconds(lambda: prepared.fit(responses).estimates(L), 3):.2f} s")


def unstructured() -> None:
    """40 x 5 against a general optimiser on dense matrices."""
    rng = np.random.default_rng(7)
    frame = cohort(40, 5, rng).assign(visit=lambda d: d["week"].astype(int).astype(str))
    ours = fit_mixed(frame, "score ~ visit * arm", participant="participant", visit="week", covariance="unstructured")
    X = np.asarray(ours.layout.X).reshape(40, 5, -1)  # type: ignore[union-attr]
    y = ours.layout.y.reshape(40, 5)  # type: ignore[union-attr]
    lower = np.tril_indices(5)

    def minus_twice(theta: np.ndarray) -> float:
        L = np.zeros((5, 5))
        L[lower] = theta
        S = L @ L.T
        sign, logdet = np.linalg.slogdet(S)
        if sign <= 0:
            return 1e10
        W = np.linalg.inv(S)
        XWX, XWy, yWy = np.zeros((X.shape[2],) * 2), np.zeros(X.shape[2]), 0.0
        for x, value in zip(X, y, strict=True):
            XWX, XWy, yWy = XWX + x.T @ W @ x, XWy + x.T @ W @ value, yWy + value @ W @ value
        b = np.linalg.solve(XWX, XWy)
        return 40 * logdet + np.linalg.slogdet(XWX)[1] + yWy - b @ XWy

    start = np.linalg.cholesky(np.cov((y - y.mean(axis=0)).T))[lower]
    model = {"participant": "participant", "visit": "week", "covariance": "unstructured"}
    fast = seconds(lambda: fit_mixed(frame, "score ~ visit * arm", **model), 5)
    slow = seconds(lambda: minimize(minus_twice, start, method="BFGS", options={"gtol": 1e-5}))
    print(f"unstructured 40 x 5: ours {1e3 * fast:.1f} ms, BFGS {1e3 * slow:.0f} ms, ratio {slow / fast:.0f}")


def iteration(fit: MixedFit) -> float:
    """Microseconds of one evaluation of the likelihood, its gradient and informations."""
    likelihood, theta = fit.solution.small.likelihood, fit.solution.small.point.theta
    return 1e6 * seconds(lambda: [likelihood.at(theta) for _ in range(20)], 9) / 20


def pooling(people: int, missing: float) -> None:
    """Rows from Parquet, pooled, fitted."""
    frame = cohort(people, 6, np.random.default_rng(8), missing)
    arm = pd.Categorical(frame["arm"].map({0.0: "usual", 1.0: "new"}), ["usual", "new"])
    frame = frame.assign(arm=arm)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "rows.parquet"
        frame.to_parquet(path)
        read = seconds(lambda: pd.read_parquet(path), 5)
    keys = {"participant": "participant", "visit": "week", "random": "1 + week"}
    took = seconds(lambda: pool_moments(frame, FORMULA, **keys), 5)
    pooled = [pool_moments(part, FORMULA, **keys) for part in (frame[frame["participant"] < 1000], frame)]
    fitting = seconds(lambda: fit_moments(pooled[1]), 9)
    small, large = (iteration(fit_moments(moments)) for moments in pooled)
    print(
        f"{people} participants x 6, {missing:.0%} missing: reading Parquet {read:.2f} s, pooling {took:.2f} s, "
        f"fit {1e3 * fitting:.1f} ms; an iteration {small:.0f} us for 1,000 participants, {large:.0f} us for all"
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--people", type=int, default=1_000_000)
    options = parser.parse_args()
    rng = np.random.default_rng(5)
    one_fit("cohorts like the committed pilot", pilot_cohorts(COHORTS))
    one_fit("people who differ more, 15 % missing", [cohort(24, 6, rng, 0.15) for _ in range(COHORTS)])
    refits()
    unstructured()
    pooling(options.people, 0.0)
    pooling(options.people, 0.1)
