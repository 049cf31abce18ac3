"""Error rates of the models of two conditions (`stats.fit_conditions`) under true nulls, at pilot size.

    python tests/simulation/conditions.py --trials 2000 --to tests/simulation/conditions.csv

Trials: one arm, 4 visits, both conditions at each, 15 % of all values missing completely at random, in batches of 50
that share a missing pattern. People differ in level (SD 5, 0.5 per visit) and, by truth, not at all in the effect of
the condition, in the effect (SD 2), or in the effect and its trend (SD 2 and 0.5 per visit); a visit's deviation (SD
1.5) is shared by its two values, errors have SD 1. Kenward-Roger tests at nominal 5 %: "mean" effect of the visits,
"change" from the first to the last, "joint" all changes. no_answer: share of trials without a proven maximum, in which
`fit_conditions` steps down; rejection is over the others.
"""

import argparse
from pathlib import Path

import numpy as np
import pandas as pd

from stats.mixed.many import template

VISITS, BATCH, MISSING = 4, 50, 0.15
CONDITIONS = ("assisted", "unassisted")
TRUTHS = {"same effect": (0.0, 0.0), "own effect": (2.0, 0.0), "own effect and trend": (2.0, 0.5)}
CELLS = [(6, "paired"), (9, "paired"), (6, "paired-lines"), (9, "paired-lines"), (12, "paired-lines"),
         (20, "paired-lines")]  # fmt: skip


def study(people: int, covariance: str, truth: str, trials: int, seed: int = 7) -> pd.DataFrame:
    """One cell: a row per question."""
    rng = np.random.default_rng([seed, people, len(covariance), list(TRUTHS).index(truth)])
    effect_sd, trend_sd = TRUTHS[truth]
    order = [(v, name) for v in range(VISITS) for name in CONDITIONS]
    slots = [f"{7.0 * v!r}, {name}" for v, name in order]
    plan = pd.DataFrame({"participant": np.repeat(np.arange(people), len(slots)), "slot": slots * people, "value": 0.0})
    plan["slot"] = pd.Categorical(plan["slot"], slots)
    time, z = np.arange(VISITS)[:, None], np.array([0.5, -0.5])
    p: dict[str, list] = {"mean": [], "change": [], "joint": []}
    for _ in range(-(-trials // BATCH)):
        level, trend, effect, own = (rng.normal(0, sd, (BATCH, people, 1, 1)) for sd in (5.0, 0.5, effect_sd, trend_sd))
        y = level + trend * time + z * (effect + own * time)
        y = y + rng.normal(0, 1.5, (BATCH, people, VISITS, 1)) + rng.normal(0, 1, (BATCH, people, VISITS, 2))
        seen = rng.random(len(plan)) >= MISSING
        while plan[seen].groupby("slot", observed=False).size().min() < 2:
            seen = rng.random(len(plan)) >= MISSING
        frame = plan[seen].reset_index(drop=True)
        fits = template(frame, "value ~ 0 + slot", participant="participant", visit="slot", covariance=covariance).fit(
            y.reshape(BATCH, -1)[:, seen]
        )
        effects = np.kron(np.eye(VISITS), [1.0, -1.0])
        p["mean"].append(fits.estimates(effects.mean(axis=0)).p_value[:, 0])
        p["change"].append(fits.estimates(effects[-1] - effects[0]).p_value[:, 0])
        p["joint"].append(fits.test(effects[1:] - effects[0]).p_value)
    rows = []
    for question, parts in p.items():
        known = [part[np.isfinite(part)] for part in parts]
        values = np.concatenate(known)
        rate = float((values <= 0.05).mean())
        rows.append(
            {
                "people": people, "covariance": covariance, "truth": truth, "question": question,
                "trials": BATCH * len(parts), "rejection": rate,
                "rejection_mc_error": float(np.sqrt(rate * (1 - rate) / len(values))),
                "no_answer": 1 - len(values) / (BATCH * len(parts)),
            }
        )  # fmt: skip
    return pd.DataFrame(rows)


def main() -> None:
    """Run every cell and write the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--trials", type=int, default=2_000)
    parser.add_argument("--to", type=Path, required=True)
    options = parser.parse_args()
    made = [study(*cell, truth, options.trials) for cell in CELLS for truth in TRUTHS]
    pd.concat(made, ignore_index=True).to_csv(options.to, index=False, float_format="%.5g")


if __name__ == "__main__":
    main()
