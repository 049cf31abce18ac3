"""What a change of the design buys: visits and trials, grids of inputs, the smallest detectable difference."""

from collections.abc import Iterable, Mapping
from itertools import product

import pandas as pd
from scipy.optimize import brentq

from stats.errors import PlanError
from stats.planning.plan import Plan

MAIN_COLUMNS = {
    "n_per_arm": "n_per_arm",
    "n_total": "n_total",
    "power_reached": "power",
    "recruit_total": "recruit_total",
}


def plan_grid(plan: Plan, inputs: Mapping[str, Iterable]) -> pd.DataFrame:
    """The plan over all combinations of some inputs: a column per input, then those of `MAIN_COLUMNS`.

    inputs: name of an input -> its values, each in the unit of the plan. Source: that of the plan.
    """
    rows = []
    for values in product(*inputs.values()):
        chosen = dict(zip(inputs, values, strict=True))
        at = plan.change(**chosen).frame()
        rows.append({**chosen, **{name: at[column].iloc[0] for name, column in MAIN_COLUMNS.items()}})
    return pd.DataFrame(rows)


def visits_buy(
    plan: Plan,
    *,
    baselines: Iterable[int] = (1, 2, 3),
    followups: Iterable[int] = (1, 2, 3),
    trials: Iterable[int] = (1,),
    reliability=None,
) -> pd.DataFrame:
    """What another baseline, follow-up or trial buys: baselines followups trials n_per_arm n_total saved visits.

    plan: from `plan_repeated` for a wanted power. baselines, followups, trials: numbers to try, each a sequence. saved:
    participants fewer in total than in the first design listed; visits: visits of the whole trial, so that people and
    visits can be weighed against each other. More than one trial needs `reliability`, the correlation of two trials of
    one visit.
    Raises PlanError for another plan, or one of a given size. Source: as `plan_repeated`.
    """
    if plan.terms.power is None or plan.call is None or "followups" not in plan.call[1]:
        raise PlanError("visits_buy needs a plan from plan_repeated with a wanted power.")
    rows = []
    for before, after, repeats in product(baselines, followups, trials):
        extra = {"reliability": reliability} if repeats > 1 else {}
        at = plan.change(baselines=before, followups=after, trials=repeats, **extra)
        rows.append((before, after, repeats, at.n_per_arm, at.n_total, sum(at.recruit) * (before + after)))
    frame = pd.DataFrame(rows, columns=["baselines", "followups", "trials", "n_per_arm", "n_total", "visits"])
    frame.insert(5, "saved", frame["n_total"].iloc[0] - frame["n_total"])
    return frame


def smallest_detectable(plan: Plan, *, power: float, n_per_arm: int) -> float:
    """Difference the design detects with this power at this n: what a size that cannot be changed is good for.

    The result is in the unit of the plan's difference. Source: that of the plan, solved for the difference.
    """

    def gap(difference: float) -> float:
        return plan.change(difference=difference, n_per_arm=n_per_arm).power - power

    high = abs(plan.inputs["difference"].value) or 1.0
    while gap(high) < 0:
        high *= 2
    return float(brentq(gap, 0.0, high, xtol=1e-10))
