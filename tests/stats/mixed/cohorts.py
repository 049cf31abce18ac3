"""Seeded small cohorts for tests of the engine."""

import numpy as np
import pandas as pd

DAYS = (0.0, 7.0, 21.0, 56.0)


def cohort(
    seed: int = 1, people: int = 16, days: tuple[float, ...] = DAYS, missing: float = 0.15, scale: float = 1.0
) -> pd.DataFrame:
    """A two-arm trial: participant, arm, visit (category), day, week, age, score; some visits missing."""
    rng = np.random.default_rng(seed)
    T = len(days)
    person = np.repeat(np.arange(people), T)
    day = np.tile(days, people)
    arm = np.where(person % 2, "practice", "usual")
    effect = rng.multivariate_normal([0, 0], [[9.0, 1.0], [1.0, 0.6]], people)
    week = day / 7
    score = 30 + effect[person, 0] + (1 + 0.5 * (person % 2) + effect[person, 1]) * week + rng.normal(0, 2, len(day))
    frame = pd.DataFrame(
        {"participant": [f"P{i:03d}" for i in person], "day": day, "week": week, "score": scale * score}
    )
    frame["arm"] = pd.Categorical(arm, ["usual", "practice"])
    frame["visit"] = pd.Categorical([f"day {d:g}" for d in day], [f"day {d:g}" for d in days])
    frame["age"] = np.repeat(rng.normal(60, 9, people), T)
    keep = (rng.random(len(frame)) >= missing) | (day == 0)
    return frame[keep].reset_index(drop=True)
