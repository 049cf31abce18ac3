"""Scores of whole batches of cohorts in memory: what planning needs, thousands of trials at once, no disk.

The scoring rules are those of `outcomes`, applied to arrays instead of files.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from outcomes.errors import StudyError
from synthetic_cohort.design import CohortDesign
from synthetic_cohort.forms.drawn_scores import score_answers
from synthetic_cohort.forms.form_rules import passive_beyond_active
from synthetic_cohort.forms.responses import Answers, PersonNoise, draw_answers, person_noise
from synthetic_cohort.forms.retest_noise import occasion_sd
from synthetic_cohort.people.ability import Ability, Array, draw_ability
from synthetic_cohort.people.attendance import ATTENDED, draw_attendance

PASSIVE = {"rom_passive": "rom_active", "tpm": "tam"}  # passive motion -> the active motion it must not fall short of
CELLS_AT_ONCE = 4_000_000  # answers held in memory at a time


@dataclass(frozen=True)
class TrialScores:
    """Scores of many cohorts of one design.

    y: outcome -> scores (replicates, participants, visits) of the affected hand, unassisted; every planned visit
    has its value, also where nobody came. observed: True where the visit was attended, (replicates, participants,
    visits). arm: index into `arms` per participant, the same in every replicate. day: planned days.
    """

    design: CohortDesign
    y: dict[str, Array]
    observed: NDArray[np.bool_]
    arm: NDArray[np.int64]
    arms: tuple[str, ...]
    visits: tuple[str, ...]
    day: Array

    def seen(self, outcome: str) -> Array:
        """Scores with NaN where the visit was missed."""
        return np.where(self.observed, self.y[outcome], np.nan)


def simulate_scores(
    design: CohortDesign,
    rng: Generator,
    replicates: int,
    outcomes: Sequence[str] = (),
    *,
    missing: str = "own",
) -> TrialScores:
    """Scores of `replicates` independent cohorts.

    outcomes: ids such as "fma_ue.motor"; empty means the primary outcome.
    missing: "own" draws each cohort's missed visits, "none" leaves every visit attended, "shared" draws one pattern
    for all cohorts (only for a design whose visits are missing completely at random).
    Returns `TrialScores`. Raises StudyError where the design does not measure an outcome.
    InstrumentError where the catalogue does not have it.
    """
    if missing not in ("own", "none", "shared"):
        raise StudyError(f"missing is {missing!r}, allowed own, none, shared.")
    if missing == "shared" and not design.missing.completely_at_random:
        raise StudyError(
            f"design {design.name}: one shared pattern was asked for, but visits go missing by score; "
            'use missing="own".'
        )
    wanted = tuple(outcomes) or (str(design.protocol["primary"]),)
    per_cohort = design.n * len(design.visits) * 60
    step = max(1, CELLS_AT_ONCE // per_cohort)
    sizes = [min(step, replicates - start) for start in range(0, replicates, step)]
    parts = [
        _batch(design, stream, size, wanted, missing) for stream, size in zip(rng.spawn(len(sizes)), sizes, strict=True)
    ]
    observed = np.concatenate([seen for _, seen in parts])
    if missing == "shared":
        observed = np.broadcast_to(observed[:1], observed.shape)
    return TrialScores(
        design=design,
        y={outcome: np.concatenate([scores[outcome] for scores, _ in parts]) for outcome in wanted},
        observed=observed,
        arm=np.repeat(np.arange(len(design.arms)), [arm.n for arm in design.arms]),
        arms=tuple(arm.id for arm in design.arms),
        visits=tuple(visit.id for visit in design.visits),
        day=np.array([visit.day for visit in design.visits]),
    )


def _batch(design: CohortDesign, rng: Generator, size: int, wanted: Sequence[str], missing: str):
    """Scores and attendance of one batch, drawn with the same streams as a cohort on disk."""
    by_score = not design.missing.completely_at_random and missing == "own"
    primary = str(design.protocol["primary"])
    needed = {outcome.split(".")[0] for outcome in (*wanted, *([primary] if by_score else []))}
    _, drawn, _, attendance_rng = draw_cohorts(design, rng, size, needed)
    scores = {outcome: score_answers(drawn[outcome.split(".")[0]], outcome, design)[..., 0, 0] for outcome in wanted}
    if missing == "none":
        return scores, np.ones((size, design.n, len(design.visits)), dtype=bool)
    if by_score:
        leading = scores.get(primary)
        if leading is None:
            leading = score_answers(drawn[primary.split(".")[0]], primary, design)[..., 0, 0]
    else:
        leading = np.zeros((size, design.n, len(design.visits)))
    return scores, draw_attendance(design, leading, attendance_rng) == ATTENDED


def draw_cohorts(
    design: CohortDesign, rng: Generator, size: int = 1, instruments: set[str] | None = None
) -> tuple[Ability, dict[str, Answers], dict[str, PersonNoise], Generator]:
    """Abilities and answers of `size` cohorts; leaving out an instrument changes nothing about the others.

    Returns the abilities, answers and person noise by instrument, and the generator for the attendance.
    """
    wanted = (
        None if instruments is None else {*instruments, *(PASSIVE[name] for name in instruments if name in PASSIVE)}
    )
    ability_rng, attendance_rng, *streams = rng.spawn(2 + len(design.measures))
    ability = draw_ability(design, ability_rng, size)
    drawn, noise = {}, {}
    for measure, stream in zip(design.measures, streams, strict=True):
        if wanted is not None and measure.instrument not in wanted:
            continue
        person_rng, answer_rng = stream.spawn(2)
        noise[measure.instrument] = person_noise(measure, person_rng, size, design.n)
        day_sd = occasion_sd(design, measure)
        drawn[measure.instrument] = draw_answers(
            design, measure, ability, answer_rng, noise[measure.instrument], day_sd=day_sd
        )
    for passive, active in PASSIVE.items():
        if passive in drawn and active in drawn:
            drawn[passive] = _beyond(drawn[passive], drawn[active])
    missing = sorted((instruments or set()) - set(drawn))
    if missing:
        known = ", ".join(measure.instrument for measure in design.measures)
        raise StudyError(f"design {design.name}: {missing[0]} is not measured; it has {known}.")
    return ability, drawn, noise, attendance_rng


def primary_score(design: CohortDesign, drawn: dict[str, Answers]) -> Array:
    """The primary score (R, N, V) of the affected hand, unassisted."""
    primary = str(design.protocol["primary"])
    return score_answers(drawn[primary.split(".")[0]], primary, design)[..., 0, 0]


def _beyond(passive: Answers, active: Answers) -> Answers:
    """Passive motion of the hands and items that were also measured actively is never the smaller."""
    if passive.items != active.items or passive.measure.hands != active.measure.hands:
        return passive
    deficit = np.array([curve.item.better == "lower" for curve in passive.bank.curves])
    best = np.where(deficit, active.value.min(axis=4, keepdims=True), active.value.max(axis=4, keepdims=True))
    return replace(passive, value=passive_beyond_active(best, passive.value, deficit))
