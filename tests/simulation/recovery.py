"""Does the default analysis give back the truth of a cohort? Bias over many cohorts, by how visits go missing.

    python -m tests.simulation.recovery --cohorts 1000 --to tests/simulation/recovery.csv

Cohorts: the demo's two arms of 12, five visits, item-level Fugl-Meyer scores, with about a quarter of later visits
missed: completely at random, at random (people whose last seen score was low miss more), not at random (people who
have not improved since they were last seen stay away: 5 points less raise the log odds by 2.3).
Analyses, exactly as a study gets them: `fit_change` (difference in change at week 8), `count_responders` (share of
those seen, at one published threshold), `effect_from_fit` (the model's difference over the SD at baseline), and beside
it `effect_sizes` (the same index of complete pairs).
Truth: the same quantities in a population of simulated people of whom nobody is missing.

What is known beforehand: the model of change uses every visit and is right under missing at random, and so is the
effect size made of it; the share and "effect size, complete pairs" are of complete pairs, so they are only promised
under missing completely at random. Nothing here is tuned to hide a bias: the table has a row for every quantity and
mechanism.
"""

import argparse
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
from joblib import Parallel, delayed

from outcomes.columns import SCORE_COLUMNS
from outcomes.protocol.trial import Arm, ModelChoice, PlannedVisit, Protocol
from stats import FitError, count_responders, effect_sizes, fit_change
from stats.effects import effect_from_fit
from stats.selection import Selection
from synthetic_cohort import CohortDesign, preset, simulate_scores
from synthetic_cohort.design import Missing

OUTCOME, VISIT = "fma_ue.motor", "week8"
TREATED, REFERENCE = "practice", "usual"
THRESHOLD, POINTS = "fma_ue-motor-page-2012-lowest", 4.25
CENTRE, UNIT = 42.0, 11.0  # mean and SD of the score at entry
MECHANISMS = {
    "completely at random": Missing(missed=0.15, dropout=0.05),
    "at random": Missing(
        missed=0.12, missed_on_observed=-1.0, dropout=0.035, dropout_on_observed=-1.0, centre=CENTRE, unit=UNIT
    ),
    "not at random": Missing(
        missed=0.12,
        missed_on_unseen_change=-5.0,
        dropout=0.035,
        dropout_on_unseen_change=-5.0,
        centre=CENTRE,
        unit=UNIT,
    ),
}
QUANTITIES = ("effect", "share treated", "share reference", "effect size", "effect size, complete pairs")
BATCH = 25  # cohorts drawn and analysed together
POPULATION = 200_000  # people per arm behind the truth


def design(mechanism: str) -> CohortDesign:
    """The demo without planted errors, with the visits of one mechanism."""
    return replace(preset("demo").clean(), missing=MECHANISMS[mechanism])


def protocol(cohort: CohortDesign) -> Protocol:
    """The demo's protocol as `fit_change` reads it: every choice of the model left to its rules."""
    return Protocol(
        title=cohort.title,
        design=cohort.kind,
        arms=tuple(Arm(arm.id, arm.label, arm.reference) for arm in cohort.arms),
        visits=tuple(PlannedVisit(visit.id, visit.label, visit.day) for visit in cohort.visits),
        outcomes=(OUTCOME,),
        primary=OUTCOME,
        model=ModelChoice(),
    )


def truth(people: int = POPULATION, seed: int = 1) -> pd.Series:
    """The quantities in the population, nobody missing (people per arm)."""
    cohort = design("completely at random")
    big = replace(cohort, arms=tuple(replace(arm, n=500) for arm in cohort.arms))
    drawn = simulate_scores(big, np.random.default_rng(seed), people // 500, [OUTCOME], missing="none")
    place = drawn.visits.index(VISIT)
    change = {
        arm: (drawn.y[OUTCOME][:, drawn.arm == number, place] - drawn.y[OUTCOME][:, drawn.arm == number, 0]).ravel()
        for number, arm in enumerate(drawn.arms)
    }
    effect = change[TREATED].mean() - change[REFERENCE].mean()
    return pd.Series(
        {
            "effect": effect,
            "share treated": (change[TREATED] >= POINTS).mean(),
            "share reference": (change[REFERENCE] >= POINTS).mean(),
            "effect size": effect / drawn.y[OUTCOME][:, :, 0].std(),
            "effect size, complete pairs": effect / drawn.y[OUTCOME][:, :, 0].std(),
        }
    )


def analyse(scores: pd.DataFrame, plan: Protocol) -> dict[str, float]:
    """One study's default analysis: the four quantities, and the interval of the first."""
    shares = count_responders(scores, THRESHOLD, select=Selection(OUTCOME, VISIT)).frame().set_index("arm")["estimate"]
    size = effect_sizes(scores, OUTCOME, kinds="pre-post-control", reference=REFERENCE, visit=VISIT).frame()
    found = {
        "share treated": float(shares[TREATED]),
        "share reference": float(shares[REFERENCE]),
        "effect size, complete pairs": float(size["estimate"].iloc[0]),
    }
    try:
        fit = fit_change(scores, OUTCOME, design=plan)
        between = fit.between().frame().set_index("visit").loc[VISIT]
        found["effect size"] = effect_from_fit(fit, VISIT, arm=TREATED).estimate
    except FitError:
        return found
    keys = {"effect": "estimate", "conf_low": "conf_low", "conf_high": "conf_high"}
    return found | {name: float(between[key]) for name, key in keys.items()}


def batch(mechanism: str, seed: np.random.SeedSequence, size: int) -> list[dict[str, float]]:
    """Draw and analyse some cohorts."""
    cohort = design(mechanism)
    drawn = simulate_scores(cohort, np.random.default_rng(seed), size, [OUTCOME])
    frame = empty_scores(cohort)
    plan = protocol(cohort)
    seen = drawn.seen(OUTCOME).reshape(size, -1)
    return [analyse(frame.assign(value=values)[~np.isnan(values)], plan) for values in seen]


def empty_scores(cohort: CohortDesign) -> pd.DataFrame:
    """The scores frame of one cohort, participants in the order of the arrays, without values."""
    visits = len(cohort.visits)
    columns = {
        "participant": np.repeat([f"P{number:02d}" for number in range(cohort.n)], visits),
        "arm": np.repeat([arm.id for arm in cohort.arms for _ in range(arm.n)], visits),
        "visit": np.tile([visit.id for visit in cohort.visits], cohort.n),
        "day": np.tile([visit.day for visit in cohort.visits], cohort.n),
        "instrument": "fma_ue",
        "scale": "motor",
        "actual_day": np.nan,
        "outcome": OUTCOME,
        "side": "right",
        "hand": "affected",
        "condition": "unassisted",
        "value": np.nan,
        "unit": "points",
        "better": "higher",
        "answered": 33,
        "items": 33,
        "complete": True,
        "reason": "",
    }
    return pd.DataFrame(columns)[list(SCORE_COLUMNS)]


def study(cohorts: int, mechanism: str, *, seed: int = 1, jobs: int = 1, true: pd.Series | None = None) -> pd.DataFrame:
    """Bias of each quantity over many cohorts of one mechanism.

    Returns columns mechanism, quantity, truth, mean, bias, mc_error (Monte-Carlo standard error of the bias), z,
    coverage (of the 95 % interval; the effect only), cohorts, refused (cohorts without an answer).
    """
    true = truth() if true is None else true
    sizes = [min(BATCH, cohorts - start) for start in range(0, cohorts, BATCH)]
    seeds = np.random.SeedSequence([seed, list(MECHANISMS).index(mechanism)]).spawn(len(sizes))
    run = partial(batch, mechanism)
    parts = Parallel(n_jobs=jobs)(delayed(run)(one, size) for one, size in zip(seeds, sizes, strict=True))
    frame = pd.DataFrame([row for part in parts for row in part]).reindex(
        columns=[*QUANTITIES, "conf_low", "conf_high"]
    )
    covered = (frame["conf_low"] <= true["effect"]) & (true["effect"] <= frame["conf_high"])
    rows = []
    for quantity in QUANTITIES:
        values = frame[quantity].dropna()
        bias, error = values.mean() - true[quantity], values.std(ddof=1) / np.sqrt(len(values))
        rows.append(
            {
                "mechanism": mechanism,
                "quantity": quantity,
                "truth": true[quantity],
                "mean": values.mean(),
                "bias": bias,
                "mc_error": error,
                "z": bias / error,
                "coverage": covered[frame["conf_low"].notna()].mean() if quantity == "effect" else np.nan,
                "cohorts": len(frame),
                "refused": int(frame[quantity].isna().sum()),
            }
        )
    return pd.DataFrame(rows)


def main() -> None:
    """Run the study and print or write its table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cohorts", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--to", type=Path)
    asked = parser.parse_args()
    true = truth()
    table = pd.concat(
        [study(asked.cohorts, name, seed=asked.seed, jobs=asked.jobs, true=true) for name in MECHANISMS]
    ).round(5)
    print(table.to_string(index=False))
    if asked.to:
        table.to_csv(asked.to, index=False, lineterminator="\n")


if __name__ == "__main__":
    main()
