"""How long synthetic cohorts take: one with all its sheets in memory, and a thousand for planning.

Run from the top of the repository: python tests/benchmarks/cohort_speed.py   (under a minute)
Exits with 1 where a cohort of 24 takes 50 ms or more (median; every sheet, no disk, no planted errors), or a thousand
cohorts with all outcomes of the demo take 10 s or more. Times are of the processor: the work runs on one core, and
other work on the machine must not decide.
"""

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from synthetic_cohort import make_cohort, preset, simulate_scores

COHORTS, RUNS = 1000, 25


def seconds(run: Callable[[int], object], runs: int) -> float:
    """Median processor time of a call, after one call that fills the caches."""
    run(0)
    times = []
    for number in range(1, runs + 1):
        start = time.process_time()
        run(number)
        times.append(time.process_time() - start)
    return statistics.median(times)


def main() -> int:
    """Print every figure; 0 where both limits hold."""
    demo = preset("demo")
    clean = demo.clean()
    outcomes = [str(outcome) for outcome in demo.outcomes]

    def thousand(names: list[str]) -> Callable[[int], object]:
        return lambda seed: simulate_scores(clean, np.random.default_rng(seed), COHORTS, names)

    def folder(seed: int) -> None:
        with tempfile.TemporaryDirectory() as place:
            make_cohort(demo, seed=seed, folder=Path(place) / "study")

    one = seconds(lambda seed: make_cohort(clean, seed=seed), RUNS)
    every = seconds(thousand(outcomes), 3)
    print(f"one cohort of {demo.n}, every sheet in memory     {1000 * one:8.1f} ms   (limit 50 ms)")
    print(
        f"the same with its planted errors           {1000 * seconds(lambda s: make_cohort(demo, seed=s), 9):8.1f} ms"
    )
    print(f"the same, written to a folder with truth   {1000 * seconds(folder, 5):8.1f} ms")
    print(f"{COHORTS} cohorts, primary outcome            {seconds(thousand(outcomes[:1]), 3):8.2f} s")
    print(f"{COHORTS} cohorts, all {len(outcomes)} outcomes            {every:8.2f} s    (limit 10 s)")
    return 0 if one < 0.05 and every < 10 else 1


if __name__ == "__main__":
    sys.exit(main())
