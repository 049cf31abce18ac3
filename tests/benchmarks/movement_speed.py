"""How long the measures of movement take on 10,000 recordings of 10 s at 100 Hz, against reading their Parquet file.

Run from the top of the repository: python tests/benchmarks/movement_speed.py   (about a minute)
Prints one ratio per measure and exits with 1 where one is above 10. The file is long, as exports are: participant,
hand, repetition, time and value. Times are of the processor, the smallest of several runs taken in turns, so that
other work on the machine does not decide.
"""

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.movement.force_above import forces_above
from outcomes.movement.force_hold import force_holds
from outcomes.movement.ranges import motion_ranges
from outcomes.movement.smoothness import smoothness_of_angles
from outcomes.movement.speed import velocities
from outcomes.movement.together import pairs_together

RECORDINGS, RATE, SECONDS = 10_000, 100, 10
ALLOWED = 10.0


def recordings() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Leaders, followers with a lag of their own, and forces, with noise."""
    rng = np.random.default_rng(1)
    t = np.arange(RATE * SECONDS) / RATE
    lag, phase = rng.uniform(-0.3, 0.3, (RECORDINGS // 2, 1)), rng.uniform(0, 6, (RECORDINGS // 2, 1))

    def turning(at: np.ndarray) -> np.ndarray:
        return 30 + 25 * np.sin(np.pi * at + phase) + 8 * np.sin(1.6 * np.pi * at + 2 * phase)

    leaders, followers = turning(t), 4 + 0.9 * turning(t - lag)
    force = 20 * np.clip((t - 0.5) / 0.4, 0, 1) * np.clip((8.5 - t) / 0.3, 0, 1)
    noise = rng.normal(0, 0.5, (3, RECORDINGS // 2, len(t)))
    return leaders + noise[0], followers + noise[1], np.tile(force + 0.2 * noise[2], (2, 1))


def write(folder: Path, leaders: np.ndarray, followers: np.ndarray) -> Path:
    values = np.concatenate([leaders, followers])
    people = [f"P{number:03d}" for number in range(500)]
    count = values.shape[1]
    number = np.arange(RECORDINGS)
    frame = pd.DataFrame(
        {
            "participant": pd.Categorical.from_codes(np.repeat(number % 500, count), people),
            "hand": pd.Categorical.from_codes(np.repeat(number * 2 // RECORDINGS, count), ["left", "right"]),
            "repetition": np.repeat(number // 500 % 10, count),
            "time": np.tile(np.arange(count) / RATE, RECORDINGS),
            "degrees": values.ravel(),
        }
    )
    frame.to_parquet(folder / "series.parquet")
    return folder / "series.parquet"


def seconds(work: Callable[[], object]) -> float:
    start = time.process_time()
    work()
    return time.process_time() - start


def main() -> int:
    leaders, followers, forces = recordings()
    angles = np.concatenate([leaders, followers])
    with tempfile.TemporaryDirectory() as name:
        path = write(Path(name), leaders, followers)
        work: dict[str, Callable[[], object]] = {
            "reading": lambda: pd.read_parquet(path),
            "range": lambda: motion_ranges(angles, RATE, cutoff=6),
            "range between turns": lambda: motion_ranges(angles, RATE, kind="repetitions", cutoff=6),
            "velocity and time": lambda: velocities(angles, RATE, cutoff=6),
            "spectral arc length": lambda: smoothness_of_angles(angles, RATE, cutoff=6),
            "dimensionless jerk": lambda: smoothness_of_angles(angles, RATE, "log-dimensionless-jerk", cutoff=6),
            "two hands (5,000 pairs)": lambda: pairs_together(leaders, followers, RATE),
            "force hold": lambda: force_holds(forces, RATE),
            "time above a force": lambda: forces_above(forces, RATE, 5.0),
        }
        best = dict.fromkeys(work, np.inf)
        for _ in range(3):
            for title, call in work.items():
                best[title] = min(best[title], seconds(call))
    worst = 0.0
    for title, taken in best.items():
        ratio = taken / best["reading"]
        worst = max(worst, ratio if title != "reading" else 0)
        print(f"{title:28s} {taken:7.2f} s of the processor   {ratio:5.1f} x reading")
    return int(worst > ALLOWED)


if __name__ == "__main__":
    sys.exit(main())
