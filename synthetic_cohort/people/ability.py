"""Latent abilities: who the people are and what is true of them at every visit.

Every array has replicates first: R cohorts, N people, V visits, K constructs. One cohort is R = 1.
"""

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from synthetic_cohort.design import CONSTRUCTS, CohortDesign

Array = NDArray[np.float64]
DAYS_PER_MONTH = 30.4375


@dataclass(frozen=True)
class Ability:
    """The truth of R cohorts, before anything is measured.

    arm: index of the arm per person (the same in every replicate, so that replicates share their design matrix).
    affected, other: latent ability (R, N, V, K) of the two hands; higher is more of the construct.
    people: background per person, each (R, N).
    """

    arm: NDArray[np.int64]
    affected: Array
    other: Array
    people: dict[str, NDArray]


def draw_ability(design: CohortDesign, rng: Generator, replicates: int = 1) -> Ability:
    """Draw people and their latent abilities.

    design: what to draw. rng: a numpy Generator. replicates: number of independent cohorts.
    Returns an `Ability`.
    """
    people_rng, base_rng, change_rng, other_rng = rng.spawn(4)
    arm = np.repeat(np.arange(len(design.arms)), [entry.n for entry in design.arms])
    people = _people(design, people_rng, replicates)
    base = _baseline(design, base_rng, replicates)
    change = _change(design, change_rng, arm, people, replicates)
    affected = base[:, :, None, :] + change
    hand = design.other_hand
    own = other_rng.standard_normal(base.shape)
    centre = sum(part.share * part.mean for part in design.severity) * np.array(design.correlation[0])
    shared = (base - centre) / max(_spread(design), 1e-9)
    noise = hand.correlation * shared + np.sqrt(1 - hand.correlation**2) * own
    sign = np.where(np.array(CONSTRUCTS) == "spasticity", -1.0, 1.0)
    other = (hand.mean * sign + hand.sd * noise)[:, :, None, :] + hand.shares_change * change
    return Ability(arm=arm, affected=affected, other=other, people=people)


def _spread(design: CohortDesign) -> float:
    """Standard deviation of impairment at entry, over the severity mix."""
    mean = sum(part.share * part.mean for part in design.severity)
    return float(np.sqrt(sum(part.share * (part.sd**2 + (part.mean - mean) ** 2) for part in design.severity)))


def _pick(rng: Generator, shares: list[float], shape: tuple[int, ...]) -> NDArray[np.int64]:
    """Draw category numbers with the given shares."""
    edges = np.cumsum(np.array(shares) / sum(shares))
    return np.searchsorted(edges[:-1], rng.random(shape), side="right")


def _people(design: CohortDesign, rng: Generator, replicates: int) -> dict[str, NDArray]:
    """Background of each person; `onset_months` is counted at entry."""
    who = design.people
    shape = (replicates, design.n)
    age = np.clip(rng.normal(who.age_mean, who.age_sd, shape), who.age_low, who.age_high)
    onset = np.exp(np.log(who.onset_months) + who.onset_spread * rng.standard_normal(shape))
    # Folding back at the lower limit instead of cutting avoids a heap of people exactly at the entry criterion.
    onset = np.where(onset < who.onset_low, who.onset_low**2 / np.maximum(onset, 1e-3), onset)
    people = {
        "age": np.floor(age),
        "woman": rng.random(shape) < who.women,
        "affected_left": rng.random(shape) < who.affected_left,
        "left_handed": rng.random(shape) < who.left_handed,
        "onset_months": np.clip(onset, who.onset_low, None),
        "diagnosis": _pick(rng, list(who.diagnoses.values()), shape),
        "therapist": rng.integers(max(who.therapists, 1), size=shape),
    }
    # Every site has its own raters where their number allows it; a person keeps one rater.
    people["site"] = rng.integers(len(who.sites), size=shape)
    per_site, left = divmod(len(who.raters), len(who.sites))
    if left or per_site == 0:
        people["rater"] = rng.integers(len(who.raters), size=shape)
    else:
        people["rater"] = people["site"] * per_site + rng.integers(per_site, size=shape)
    adherence = rng.normal(design.sessions.adherence_mean, design.sessions.adherence_sd, shape)
    people["adherence"] = np.clip(adherence, 0.05, 1.0)
    people["assist_noise"] = rng.standard_normal(shape)
    return people


def _baseline(design: CohortDesign, rng: Generator, replicates: int) -> Array:
    """Abilities at entry (R, N, K): the severity mix moves every construct by its correlation with impairment."""
    shape = (replicates, design.n)
    part = _pick(rng, [entry.share for entry in design.severity], shape)
    mean = np.array([entry.mean for entry in design.severity])[part]
    sd = np.array([entry.sd for entry in design.severity])[part]
    correlation = np.array(design.correlation)
    factor = np.linalg.cholesky(correlation)
    noise = rng.standard_normal((*shape, len(CONSTRUCTS))) @ factor.T
    return mean[..., None] * correlation[0] + sd[..., None] * noise


def _change(
    design: CohortDesign, rng: Generator, arm: NDArray[np.int64], people: dict[str, NDArray], replicates: int
) -> Array:
    """Change since entry (R, N, V, K): recovery, personal drift, treatment."""
    course = design.course
    shape = (replicates, design.n)
    day = np.array([visit.day for visit in design.visits]) - design.visits[0].day
    recovery_noise, drift_noise, response_noise = (rng.standard_normal(shape) for _ in range(3))
    change = np.zeros((*shape, len(day), len(CONSTRUCTS)))

    onset_days = people["onset_months"][..., None] * DAYS_PER_MONTH
    half_time = course.recovery_half_time_days
    # Recovery saturates with time since onset: what is left of it at entry is gone over the following weeks.
    saturation = 2.0 ** (-onset_days / half_time) - 2.0 ** (-(onset_days + day) / half_time)
    gain = (course.recovery_gain + course.recovery_sd * recovery_noise)[..., None] * saturation
    drift = (course.drift_sd * drift_noise)[..., None] * np.minimum(day / course.drift_days, 1.0)
    recovers = np.array([course.recovering.get(construct, 0.0) for construct in CONSTRUCTS])
    change += (gain + drift)[..., None] * recovers

    per_arm = np.array([[entry.effect.get(construct, 0.0) for construct in CONSTRUCTS] for entry in design.arms])
    growth = np.array([_growth(entry.windows, day, course.effect_half_life_days) for entry in design.arms])[arm]
    therapist_noise = rng.standard_normal((replicates, max(design.people.therapists, 1)))
    therapist = np.take_along_axis(therapist_noise, people["therapist"], axis=1) * course.therapist_sd
    dose = 1.0 + course.dose_response * (people["adherence"] / design.sessions.adherence_mean - 1.0)
    treated = per_arm[arm] != 0.0
    personal = (course.response_sd * response_noise + therapist)[..., None] * treated
    effect = per_arm[arm] * dose[..., None] + personal * np.sign(per_arm[arm])
    return change + effect[:, :, None, :] * growth[None, :, :, None]


def _growth(windows: tuple[tuple[float, ...], ...], day: Array, half_life: float) -> Array:
    """Share of the full effect present at each day: rises inside each window, fades after it."""
    share = np.zeros(len(day))
    for first, last in windows:
        risen = np.clip((day - first) / (last - first), 0.0, 1.0)
        after = np.maximum(day - last, 0.0)
        share += risen * (2.0 ** (-after / half_life) if half_life else 1.0)
    return share
