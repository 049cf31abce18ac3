"""Give a design the treatment effect that a plan asks for, in points of a score instead of latent units."""

from dataclasses import replace

import numpy as np
from scipy.optimize import brentq

from outcomes.errors import StudyError
from outcomes.library.registry import outcome_scale
from synthetic_cohort.design import CohortDesign
from synthetic_cohort.score_batches import simulate_scores

PEOPLE, BATCH = 8_000, 200  # simulated per arm at every try, in cohorts of this many per arm
LARGEST = 12.0  # times the design's own effect


def with_difference(
    design: CohortDesign, difference: float, *, outcome: str = "", visit: str = "", seed: int = 20310113
) -> CohortDesign:
    """The same trial with its treatment effects scaled so that the arms truly differ by `difference`.

    difference: mean improvement of the first treated arm minus that of the reference arm, in units of the outcome,
    positive where the treatment helps. outcome: the primary one where none is named. visit: the last where none is.
    The effects of all arms and constructs are multiplied by one number, found by root search on the same simulated
    people at every try; ceilings of the instrument are part of what is simulated.
    Raises StudyError for a design without a reference arm or effect, or a difference no multiple can reach.
    InstrumentError for an outcome that the catalogue does not have.
    """
    outcome = outcome or str(design.protocol["primary"])
    place = [entry.id for entry in design.visits].index(visit) if visit else len(design.visits) - 1
    reference = next((number for number, arm in enumerate(design.arms) if arm.reference), None)
    treated = next((number for number, arm in enumerate(design.arms) if arm.effect and number != reference), None)
    if reference is None or treated is None:
        raise StudyError(
            f"design {design.name}: a difference needs a reference arm and another arm with an effect; found "
            f"{', '.join(arm.id for arm in design.arms)}. Give one arm reference = true and the other an effect."
        )
    better = 1.0 if outcome_scale(outcome)[1].better == "higher" else -1.0

    def reached(times: float) -> float:
        tried = scaled(design, times)
        big = replace(tried, arms=tuple(replace(arm, n=BATCH) for arm in tried.arms))
        drawn = simulate_scores(big, np.random.default_rng(seed), PEOPLE // BATCH, [outcome], missing="none")
        change = better * (drawn.y[outcome][:, :, place] - drawn.y[outcome][:, :, 0])
        return float(change[:, drawn.arm == treated].mean() - change[:, drawn.arm == reference].mean())

    low, high = -LARGEST, LARGEST
    if not reached(low) <= difference <= reached(high):
        raise StudyError(
            f"design {design.name}: a difference of {difference} in {outcome} cannot be reached; found "
            f"{reached(low):.3g} to {reached(high):.3g} with up to {LARGEST:g} times the effect. Ask for less."
        )
    return scaled(design, float(brentq(lambda times: reached(times) - difference, low, high, xtol=1e-3)))


def scaled(design: CohortDesign, times: float) -> CohortDesign:
    """The design with every treatment effect multiplied."""
    arms = tuple(
        replace(arm, effect={construct: times * size for construct, size in arm.effect.items()}) for arm in design.arms
    )
    return replace(design, arms=arms)
