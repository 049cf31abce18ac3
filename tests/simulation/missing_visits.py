"""Trials with visits missing at random: bias and coverage of the mixed model and of imputation, and both variances.

    python -m tests.simulation.missing_visits 1000 tests/simulation/missing_visits.csv
    python -m tests.simulation.missing_visits by-size tests/simulation/imputation_by_size.csv

12 people per arm, baseline and three visits, correlation 0.75 per visit lag, SD 10; true difference 5 at the last visit
among those who stay. Who leaves after a visit depends on the value seen there (about 30 % gone at the last visit).
Prints, per method: mean error, mean standard error, spread of the estimates, coverage of 95 % intervals of the truth
and of the method's own long-run mean (jumping to the reference arm aims at a smaller effect on purpose).
"""

import sys

import numpy as np
import pandas as pd

from stats.missing.imputation import impute
from stats.missing.long_run import long_run_difference
from stats.mixed.fit import fit_mixed

N, VISITS, TRUTH = 12, 4, 5.0
M = 50
SIZES = ((12, 2000), (20, 1000), (50, 1000), (150, 400))  # people per arm, trials


def trial(rng: np.random.Generator, n: int = N) -> pd.DataFrame:
    """One trial of n people per arm in long form with NaN where someone has left."""
    lag = np.abs(np.subtract.outer(np.arange(VISITS), np.arange(VISITS)))
    arm = np.repeat([0, 1], n)
    mean = 40 + 2.0 * np.arange(VISITS) + np.outer(arm, [0, TRUTH / 3, 2 * TRUTH / 3, TRUTH])
    Y = mean + rng.multivariate_normal(np.zeros(VISITS), 100 * 0.75**lag, 2 * n)
    for j in range(1, VISITS):
        chance = 1 / (1 + np.exp(2.3 + 0.08 * (Y[:, j - 1] - 42)))
        gone = np.isnan(Y[:, j - 1]) | (rng.random(2 * n) < chance)
        Y[gone, j] = np.nan
    people, visit = np.repeat(np.arange(2 * n), VISITS), np.tile(np.arange(VISITS), 2 * n)
    return pd.DataFrame({"participant": people, "arm": np.where(np.repeat(arm, VISITS), "t", "c"), "visit": visit,
                         "value": Y.ravel()})  # fmt: skip


def mixed_model(frame: pd.DataFrame) -> pd.Series:
    """Baseline as covariate, arm x visit, unstructured, Kenward-Roger."""
    first = frame[frame["visit"] == 0].set_index("participant")["value"]
    later = frame[(frame["visit"] > 0) & frame["value"].notna()]
    later = later.assign(base=later["participant"].map(first), at=later["visit"].astype(str))
    fit = fit_mixed(later, "value ~ (base + arm) * at", participant="participant", visit="visit",
                    covariance="unstructured")  # fmt: skip
    weights = np.zeros(len(fit.terms))
    for name in ("arm[T.t]", "arm[T.t]:at[T.3]"):
        weights[fit.terms.index(name)] = 1
    return fit.contrast(weights).frame().iloc[0]


METHODS = {
    "mixed model": lambda f, rng: mixed_model(f),
    "imputation, by arm": lambda f, rng: impute(f, m=M, rng=rng, covariance="by-arm").difference().frame().iloc[0],
    "imputation, common": lambda f, rng: impute(f, m=M, rng=rng, covariance="common").difference().frame().iloc[0],
    "imputation, common, flat prior": lambda f, rng: impute(f, m=M, rng=rng, covariance="common", prior="flat")
    .difference().frame().iloc[0],
    "imputation, by arm, centred prior": lambda f, rng: impute(f, m=M, rng=rng, covariance="by-arm", prior="centred")
    .difference().frame().iloc[0],
    "imputation, by rule": lambda f, rng: impute(f, m=M, rng=rng).difference().frame().iloc[0],
    "jump, Rubin": lambda f, rng: impute(f, m=M, rng=rng, method="jump-to-reference", covariance="common")
    .difference().frame().iloc[0],
    "jump, jackknife": lambda f, rng: long_run_difference(f, method="jump-to-reference").frame().iloc[0],
}  # fmt: skip


def run(trials: int, seed: int = 20) -> pd.DataFrame:
    """One row per method."""
    rng = np.random.default_rng(seed)
    rows = []
    for k in range(trials):
        frame = trial(rng)
        for name, method in METHODS.items():
            try:
                found = method(frame, rng)
            except ValueError:
                continue
            rows.append({"trial": k, "method": name, "error": found["estimate"] - TRUTH, "se": found["std_error"],
                         "low": found["conf_low"] - TRUTH, "high": found["conf_high"] - TRUTH,
                         "covered": found["conf_low"] <= TRUTH <= found["conf_high"],
                         "lost": frame["value"].isna().mean() * VISITS / (VISITS - 1),
                         "length": found["conf_high"] - found["conf_low"]})  # fmt: skip
    table = pd.DataFrame(rows)
    own = table.groupby("method")["error"].transform("mean")
    table = table.assign(covered_own=(table["low"] <= own) & (own <= table["high"])).groupby("method", sort=False)
    columns = {"bias": ("error", "mean"), "spread": ("error", "std"), "mean_se": ("se", "mean"),
               "coverage": ("covered", "mean"), "coverage_of_own_mean": ("covered_own", "mean"),
               "length": ("length", "mean"), "lost": ("lost", "mean")}  # fmt: skip
    return table.agg(trials=("trial", "size"), **columns)


def by_size(trials: tuple[tuple[int, int], ...] = SIZES, seed: int = 20) -> pd.DataFrame:
    """Imputation with a common covariance by people per arm: total variance against the spread of the estimates.

    trials: people per arm and trials. mc: Monte Carlo standard error of the coverage where it is 95 %.
    """
    rows = []
    for n, count in trials:
        rng = np.random.default_rng(seed)
        found = []
        for _ in range(count):
            made = impute(trial(rng, n), m=M, rng=rng, covariance="common").difference()
            row = made.frame().iloc[0]
            found.append({"error": row["estimate"] - TRUTH, "total": row["std_error"] ** 2, "df": row["df"],
                          "within": made.within[0], "between": made.between[0],
                          "covered": row["conf_low"] <= TRUTH <= row["conf_high"]})  # fmt: skip
        table = pd.DataFrame(found)
        rows.append({"per_arm": n, "trials": count, "bias": table["error"].mean(), "spread_2": table["error"].var(),
                     **table[["total", "within", "between", "df"]].mean(), "coverage": table["covered"].mean(),
                     "mc": np.sqrt(0.95 * 0.05 / count)})  # fmt: skip
    return pd.DataFrame(rows)


if __name__ == "__main__":
    if sys.argv[1:2] == ["by-size"]:
        sizes = by_size()
        print(sizes.to_string())
        sizes.to_csv(sys.argv[2], index=False)
        sys.exit()
    found = run(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
    print(found.to_string())
    if len(sys.argv) > 2:
        found.to_csv(sys.argv[2])
