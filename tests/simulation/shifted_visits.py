"""Trials whose missing values are not missing at random: what the tipping-point analysis says of a shift that is known.

    python -m tests.simulation.shifted_visits 150 tests/simulation/shifted_visits.csv

Trials as in `missing_visits` (who leaves depends on what was seen), with more people in half of the rows; but the last
value of everybody in the treated arm who has left is `shift` away from what the others' would have been. The true
difference at the last visit is then TRUTH + shift x the share of the treated arm that has left by then: the share is
computed from a million people. Per row (people per arm, true shift):

    covered            95 % interval of the imputations shifted by the true shift against the true difference
    covered_unshifted  the same without a shift, as if values were missing at random
    significant        trials with p < 0.05 in favour of treatment where no shift is assumed: the ones to be tipped
    survives           those of them that stay so at the true shift

`nil`: the shift at which the true difference is none. A claim that outlives it is wrong, which may happen in 2.5 % of
all trials; in the others the tipping point found is nearer to no shift than the truth is (`tips_before`, of those
significant). At a smaller shift the difference is real, and tipping points lie beyond it as often as a trial has power.
mc: Monte Carlo standard error of `covered` where the true coverage is 95 %.
"""

import sys

import numpy as np
import pandas as pd

from stats.missing.imputation import Imputations, impute
from stats.missing.tipping import tipping_point
from tests.simulation.missing_visits import TRUTH, VISITS, trial

M, ALPHA, LAST = 50, 0.05, VISITS - 1
SIZES, SHIFTS = (12, 50), ("0", "-5", "nil")


def share_gone(rng: np.random.Generator, people: int = 500_000) -> float:
    """Share of the treated arm without a value at the last visit."""
    frame = trial(rng, people)
    return float(frame.loc[(frame["visit"] == LAST) & (frame["arm"] == "t"), "value"].isna().mean())


def answer(copies: Imputations, shift: float) -> pd.Series:
    """The difference at the last visit where the treated arm's imputed values are shifted."""
    return copies.with_shift({("t", LAST): shift}).difference().frame().iloc[0]


def tipped_before(copies: Imputations, true: float) -> bool:
    """Whether the tipping point lies between no shift and a true shift below it; nothing imputed is never tipped."""
    if not (copies.missing[:, LAST] & (copies.table.arm == "t")).any():
        return False
    found = tipping_point(copies, arm="t", visit=LAST, alpha=ALPHA, reach=1.5 * abs(true))
    return bool(true < found.down < 0)


def run(trials: int, seed: int = 20, sizes: tuple[int, ...] = SIZES, tips: int = 12) -> pd.DataFrame:
    """One row per size and shift; of significant trials at the nil shift, the first `tips` have their point found."""
    rng = np.random.default_rng(seed)
    gone = share_gone(rng)
    rows = []
    for n in sizes:
        for name in SHIFTS:
            shift = -TRUTH / gone if name == "nil" else float(name)
            true = TRUTH + shift * gone
            found, before = [], []
            for _ in range(trials):
                # Only values that nobody sees differ from those of a trial whose values are missing at random.
                copies = impute(trial(rng, n), m=M, rng=rng, covariance="common")
                plain, moved = answer(copies, 0.0), answer(copies, shift)
                claims = bool(plain["p_value"] < ALPHA and plain["estimate"] > 0)
                lasts = claims and bool(moved["p_value"] < ALPHA and moved["estimate"] > 0)
                if name == "nil" and claims and len(before) < tips:
                    before.append(tipped_before(copies, shift))
                    assert before[-1] != lasts  # the curve crosses once: both are one question
                found.append({
                    "error": moved["estimate"] - true, "covered": moved["conf_low"] <= true <= moved["conf_high"],
                    "covered_unshifted": plain["conf_low"] <= true <= plain["conf_high"], "significant": claims,
                    "survives": lasts,
                })  # fmt: skip
            table = pd.DataFrame(found)
            rows.append({
                "per_arm": n, "shift": shift, "true_difference": true, "trials": trials, "bias": table["error"].mean(),
                "covered": table["covered"].mean(), "mc": np.sqrt(0.95 * 0.05 / trials),
                "covered_unshifted": table["covered_unshifted"].mean(), "significant": table["significant"].mean(),
                "survives": table["survives"].mean(), "tips_looked_at": len(before),
                "tips_before": np.mean(before) if before else np.nan,
            })  # fmt: skip
    return pd.DataFrame(rows)


if __name__ == "__main__":
    made = run(int(sys.argv[1]) if len(sys.argv) > 1 else 150)
    print(made.to_string())
    if len(sys.argv) > 2:
        made.to_csv(sys.argv[2], index=False)
