"""Plan for the mixed model over visits with dropout."""

from collections.abc import Sequence
from math import sqrt
from typing import Unpack

import numpy as np

from stats.errors import PlanError
from stats.planning.closed_form.means import correlation_between, positive
from stats.planning.closed_form.repeated import dropout_note
from stats.planning.closed_form.size import build_plan
from stats.planning.closed_form.visits import information, read_covariance, read_retention
from stats.planning.inputs import Given, read_difference
from stats.planning.plan import CommonTerms, Plan, Terms, planner

BASELINES = ("none", "constrained")


@planner("attrition")
def plan_mixed(
    *,
    difference,
    retention: Sequence[float],
    sd=None,
    correlation=None,
    structure: str = "compound-symmetry",
    covariance=None,
    covariance_source: str = "",
    retention_treatment: Sequence[float] | None = None,
    baseline: str = "none",
    weights: Sequence[float] | None = None,
    **common: Unpack[CommonTerms],
) -> Plan:
    """Arm difference at the last visit from a mixed model with an unstructured visit covariance and dropout.

    Variance per participant phi = [(sum_j (r_j - r_{j+1}) pad(V_j⁻¹))⁻¹]_JJ: those who leave after visit j still inform
    the last one through the correlations, so the loss is smaller than n / (1 - dropout).

    retention: share of the randomised observed at each modelled visit, one number a visit; retention_treatment: the
    same sequence of the treated where it differs. sd, correlation, structure: or `covariance` over the visits (with
    `covariance_source`). baseline="constrained": the first visit is the baseline with one mean for both arms. weights:
    contrast over the visits (default: the last one alone; an average of follow-ups is e.g. (0, 0.5, 0.5)).

    Source: Lu K, Luo X, Chen PY (2008) Int J Biostat 4(1):9, tables 1 and 2 (law="normal").
    difference, sd: in the outcome's unit. Raises PlanError for an input outside its range or a pilot's own effect,
    InstrumentError for a threshold key that does not exist.
    """
    terms = Terms(**common)
    target, notes = read_difference(difference, terms.use_pilot_effect)
    inputs: dict[str, Given] = {"difference": target}
    if covariance is None:
        if sd is None or correlation is None:
            raise PlanError("Give either `covariance` over the visits, or `sd` and `correlation`.")
        inputs |= {"sd": positive("sd", sd), "correlation": correlation_between("correlation", correlation)}
        matrix = read_covariance(None, inputs["sd"].value, inputs["correlation"].value, structure, len(retention))
        notes += (f"Visits correlate as {structure}.",)
    else:
        matrix = read_covariance(covariance, None, None, structure, len(retention))
        inputs["sd"] = Given(
            sqrt(matrix[-1, -1]), covariance_source or "covariance over visits, last visit", target.unit
        )
    stay = read_retention(retention, len(retention), 0.0)
    stay_treatment = stay if retention_treatment is None else read_retention(retention_treatment, len(stay), 0.0)
    if baseline not in BASELINES:
        raise PlanError(f"baseline = {baseline!r}: allowed are {', '.join(BASELINES)}.")
    contrast = np.eye(len(stay))[-1] if weights is None else np.asarray(weights, float)
    if contrast.shape != stay.shape:
        raise PlanError(f"weights has {contrast.size} numbers for {len(stay)} visits: one a visit.")
    informations = [information(np.eye(len(stay)), matrix, share) for share in (stay, stay_treatment)]
    variance = _variance(informations, contrast, constrained=baseline == "constrained")
    alone = float(contrast @ np.linalg.inv(informations[0]) @ contrast)
    return build_plan(
        design="mixed model with an unstructured visit covariance"
        + (" and a common baseline mean" if baseline == "constrained" else ""),
        variances=variance,
        terms=terms,
        inputs=inputs,
        working=[
            ("visits", "number modelled", len(stay)),
            ("share observed at the last visit", "retention", float(stay[-1])),
            ("variance of the mean, complete data", "w' V w", float(contrast @ matrix @ contrast)),
            ("variance of the mean with dropout", "w' [sum (r_j - r_j+1) pad(V_j⁻¹)]⁻¹ w", alone),
            ("inflation by dropout", "ratio of the two", alone / float(contrast @ matrix @ contrast)),
            ("variance of the difference at one per arm", "both arms", variance(1.0, terms.ratio)),
        ],
        notes=notes + dropout_note(np.minimum(stay, stay_treatment)),
        df=lambda n1, n2: stay[-1] * n1 + stay_treatment[-1] * n2 - 2,
        outcome=terms.outcome,
    )


def _variance(informations: list[np.ndarray], contrast: np.ndarray, constrained: bool):
    """Variance of the arm difference as a function of both sizes."""
    visits = len(contrast)
    if not constrained:
        parts = [float(contrast @ np.linalg.inv(matrix) @ contrast) for matrix in informations]
        return lambda n_ref, n_trt: parts[0] / n_ref + parts[1] / n_trt
    # one baseline mean, then the follow-up means of each arm
    places = [np.zeros((visits, 2 * visits - 1)) for _ in range(2)]
    for arm, place in enumerate(places):
        place[0, 0] = 1
        place[1:, 1 + arm * (visits - 1) : visits + arm * (visits - 1)] = np.eye(visits - 1)
    weights = contrast @ (places[1] - places[0])

    def variance(n_ref: float, n_trt: float) -> float:
        total = sum(
            n * place.T @ matrix @ place for n, place, matrix in zip((n_ref, n_trt), places, informations, strict=True)
        )
        return float(weights @ np.linalg.solve(total, weights))

    return variance
