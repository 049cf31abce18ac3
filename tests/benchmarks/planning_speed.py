"""Race: 10,000 simulated trials of 2 x 24 people and 6 visits, each with a Kenward-Roger test, against a plain loop.

    python tests/benchmarks/planning_speed.py [--trials 10000] [--workers 2] [--loop 20]

The loop fits the same model to the same simulated trials with statsmodels' MixedLM (REML, random intercept and slope),
one trial at a time, by L-BFGS: the quickest of its optimisers here and one that finds the maximum (its default order of
optimisers stopped short in three of the first four trials). It has no Kenward-Roger test, so its time is for the fit
alone. The loop takes trials with dropout (complete ones would give equal estimates whatever the covariance), on one
thread of the linear algebra as ours, and its estimates are compared with ours.
"""

import argparse
import warnings
from time import perf_counter, process_time

import numpy as np
import pandas as pd
import statsmodels.formula.api as smf
from numpy.random import SeedSequence, default_rng
from threadpoolctl import threadpool_limits

from stats.planning import MixedAnalysis, simulate_trials, slopes_truth

TIMES = (0.0, 1.6, 3.2, 4.8, 6.4, 8.0)
STAY = (1.0, 0.97, 0.94, 0.91, 0.88, 0.85)
SEED, BATCH = 1, 250
SLOPES = MixedAnalysis(time="linear", baseline="outcome", random="1 + time")
VISITS = MixedAnalysis(baseline="outcome", covariance="unstructured")


def truth(stay=None):
    """Random intercepts and slopes of about the spread of a motor score in a pilot."""
    retention = None if stay is None else (stay, stay)
    return slopes_truth(
        times=TIMES, difference=0.5, sd_residual=3, sd_slope=0.6, sd_intercept=8, start=30, retention=retention
    )


def loop(trials, count):
    """Processor seconds a fit, and the estimates, of a loop over the first trials."""
    people = len(trials.arm)
    found, seconds = [], 0.0
    for values in trials.values[:count]:
        frame = pd.DataFrame(
            {
                "person": np.repeat(np.arange(people), len(TIMES)),
                "arm": np.repeat(trials.arm, len(TIMES)),
                "time": np.tile(trials.times, people),
                "y": values.ravel(),
            }
        ).dropna()
        start = process_time()
        with warnings.catch_warnings(), threadpool_limits(1):
            warnings.simplefilter("ignore")
            model = smf.mixedlm("y ~ time * arm", frame, groups="person", re_formula="~ time")
            fit = model.fit(reml=True, method="lbfgs")
        seconds += process_time() - start
        found.append(fit.params["time:arm"])
    return seconds / count, np.array(found)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=10_000)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--loop", type=int, default=20)
    asked = parser.parse_args()
    first = truth(STAY).maker(24)(default_rng(SeedSequence(SEED).spawn(1)[0]), BATCH)
    each, theirs = loop(first, asked.loop)
    difference = np.abs(SLOPES(first).estimate[: asked.loop] / theirs - 1)
    print(f"estimates within 0.1 % of the loop's: {np.sum(difference < 1e-3)} of {asked.loop}")
    print(f"  median difference {np.median(difference):.1e}; the others are loop fits short of their maximum")
    whole = each * asked.trials
    print(f"statsmodels loop: {1000 * each:.0f} ms of processor time a fit, {whole:.0f} s for {asked.trials} trials")
    simulate_trials(truth().maker(24), SLOPES, replicates=2 * BATCH, workers=asked.workers)  # starts the workers
    races = {
        "random slopes, complete": (SLOPES, None),
        "random slopes, 15 % dropout": (SLOPES, STAY),
        "unstructured over visits, complete": (VISITS, None),
    }
    for name, (analysis, stay) in races.items():
        for workers in sorted({1, asked.workers}):
            start, used = perf_counter(), process_time()
            found = simulate_trials(
                truth(stay).maker(24), analysis, replicates=asked.trials, seed=SEED, batch=BATCH, workers=workers
            )
            seconds, used = perf_counter() - start, process_time() - used
            ratio = whole / seconds
            processor = f" ({used:.2f} s of processor time)" if workers == 1 else ""
            print(f"{name}, {workers} worker(s): {seconds:.2f} s{processor}, {ratio:.0f} x the loop, {found.power:.4f}")


if __name__ == "__main__":
    main()
