"""The price of care and of the next trial: costs by arm, per additional responder, and what a larger trial is worth."""

from math import isfinite

import numpy as np
import pandas as pd

from notebooks.analysis import Analysis
from outcomes import Study
from outcomes.library.instrument import Threshold
from stats.economics.incremental import NetBenefit
from stats.economics.people_costs import ArmCosts, arm_costs, cost_and_effect
from stats.economics.responder_price import CostPerResponder, cost_per_responder
from stats.economics.worth_of_trial import WorthOfTrial, worth_of_trial
from stats.errors import FitError
from stats.planning.inputs import pilot_sd
from stats.responders.count import count_responders

SIZES = tuple(range(10, 1001, 5))  # per arm, that are looked at
CAREFUL = 0.8  # one-sided limit of the SD of a person's net benefit: a pilot's own SD is too small in half of all cases


def costs_of(study: Study) -> ArmCosts:
    """What every participant costs, from the sheet `costs`."""
    return arm_costs(study.costs, study.participants, sessions=study.sessions, visits=study.visits)


def responder_price(
    analysis: Analysis, costs: ArmCosts | None, threshold: str | Threshold | None, willingness: tuple[float, ...]
) -> tuple[CostPerResponder | None, NetBenefit | None, np.ndarray | None]:
    """Cost of an additional responder, net benefit where a willingness is named, and cost and response by person.

    Nothing without costs, without a threshold, or with other than two arms. The array: arm (1 treated, 0 reference),
    cost, improved (1 or 0), people with both.
    """
    protocol = analysis.study.protocol
    others = [arm.id for arm in protocol.arms if arm.id != protocol.reference_arm]
    if costs is None or threshold is None or len(others) != 1 or protocol.reference_arm is None:
        return None, None, None
    counted = count_responders(
        analysis.scores, threshold=threshold, design=protocol, participants=analysis.study.participants
    )
    by_arm = {count.arm: count for count in counted.counts}
    one, two = by_arm[others[0]], by_arm[protocol.reference_arm]
    price = cost_per_responder(
        cost_difference=costs.difference(others[0], protocol.reference_arm), x1=one.improved, n1=one.observed,
        x2=two.improved, n2=two.observed, currency=costs.unit,
    )  # fmt: skip
    people = _people(costs, counted.people, others[0], protocol.reference_arm)
    if not willingness or not isfinite(price.cost_std_error):
        return price, None, people
    arms = [people[people[:, 0] == flag] for flag in (1, 0)]
    benefit = cost_and_effect(
        arms[0][:, 1], arms[0][:, 2], arms[1][:, 1], arms[1][:, 2], willingness=willingness, currency=costs.unit,
        effect_unit="responder",
    )  # fmt: skip
    return price, benefit, people


def _people(costs: ArmCosts, classed: pd.DataFrame, treated: str, reference: str) -> np.ndarray:
    seen = classed[classed["class"] != "missing"]
    improved = dict(zip(seen["participant"], seen["class"] == "improved", strict=True))
    kept = costs.people[costs.people["arm"].isin([treated, reference]) & costs.people["cost"].notna()]
    kept = kept[kept["participant"].isin(improved)]
    return np.column_stack(
        [kept["arm"] == treated, kept["cost"], kept["participant"].map(improved).astype(float)]
    ).astype(float)  # fmt: skip


def worth_of_next(
    costs: ArmCosts, benefit: NetBenefit, people: np.ndarray, later_patients: float
) -> tuple[tuple[float, WorthOfTrial], ...]:
    """What a larger trial is worth at each willingness to pay, in the simple normal form.

    benefit: its estimate and error are the prior, so the pilot alone is believed. people: arm, cost, improved.
    The SD of a person's net benefit is taken at its upper 80 % limit. Raises FitError where that SD is 0.
    """
    made = []
    for row in benefit.frame().itertuples():
        value = row.willingness * people[:, 2] - people[:, 1]
        within = [value[people[:, 0] == flag] for flag in (1, 0)]
        df = len(value) - 2
        pooled = float(sum(((part - part.mean()) ** 2).sum() for part in within)) / df
        if not pooled > 0:
            raise FitError(f"At a willingness of {row.willingness:g} the net benefit does not vary between people.")
        spread = float(pilot_sd(pooled**0.5, df, "this pilot").quantile(CAREFUL))
        each = costs.of_trial(1) - costs.per_trial  # one person in each arm
        found = worth_of_trial(
            mean=float(row.estimate), sd=float(row.std_error), sd_per_person=spread, population=later_patients,
            fixed=costs.per_trial, per_participant=each / 2, sizes=SIZES, currency=costs.unit,
        )  # fmt: skip
        made.append((float(row.willingness), found))
    return tuple(made)
