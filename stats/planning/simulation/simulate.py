"""Simulate a trial many times with the analysis of the protocol: power, type I error, bias, width, coverage.

Numbers depend on the seed, the number of replicates and the batch size only: each batch has its own child of the seed
(`numpy.random.SeedSequence.spawn`), so one process, several workers and a cluster give the same digits.
"""

from collections.abc import Callable
from pathlib import Path

import numpy as np
from joblib import Parallel, delayed
from numpy.random import SeedSequence, default_rng
from threadpoolctl import threadpool_limits

from stats.errors import PlanError
from stats.planning.simulation.journal import Journal
from stats.planning.simulation.simulated import Simulation
from stats.planning.simulation.site_trials import SiteMaker
from stats.planning.simulation.trials import Maker, NormalMaker, Trials
from stats.planning.simulation.verdicts import Verdicts

Analysis = Callable[[Trials, float], Verdicts]
Progress = Callable[[int, int], None]
ARRAYS = tuple(Verdicts.__dataclass_fields__)


def simulate_trials(
    maker: Maker,
    analysis: Analysis,
    *,
    replicates: int = 2000,
    seed: int = 1,
    alpha: float = 0.05,
    truth: float | None = None,
    batch: int = 250,
    workers: int | None = None,
    journal: str | Path | None = None,
    progress: Progress | None = None,
    unit: str = "",
) -> Simulation:
    """Draw `replicates` trials from `maker`, analyse each, and count.

    maker: (rng, replicates) -> Trials, for instance `NormalTruth(...).maker(n_per_arm)`. analysis: (trials, level) ->
    Verdicts, for instance `MixedAnalysis(...)`. truth: true value of the estimate; taken from a normal maker and the
    analysis where they know it. workers: processes; None follows an active `joblib.parallel_config` (this is how the
    same call runs on a cluster) and is one process otherwise. journal: file of finished batches; the same call with the
    same file goes on where it stopped. progress: called with replicates done and in all.

    Returns: a `Simulation`. Raises PlanError for impossible inputs or a journal of another simulation.
    Power and coverage are shares from 0 to 1, bias and width in the `unit` of the outcome. Source: Monte-Carlo counts
    with their error; the analysis has its own.

    >>> from stats.planning.simulation.trials import visits_truth
    >>> from stats.planning.simulation.verdicts import FinalValueAnalysis
    >>> maker = visits_truth(times=(0, 8), difference=5, sd=9, correlation=0.6).maker(30)
    >>> simulate_trials(maker, FinalValueAnalysis(), replicates=200).n_arms
    (30, 30)
    """
    if replicates < 2 or batch < 1 or not 0 < alpha < 1:
        raise PlanError(
            f"replicates = {replicates}, batch = {batch}, alpha = {alpha}: at least 2, at least 1, between 0 and 1."
        )
    sizes = [min(batch, replicates - start) for start in range(0, replicates, batch)]
    seeds = SeedSequence(seed).spawn(len(sizes))
    book = None
    if journal is not None:
        describes = {
            "maker": description(maker), "analysis": description(analysis), "replicates": replicates, "seed": seed,
            "alpha": alpha, "batch": batch,
        }  # fmt: skip
        book = Journal(journal, describes)
    parts: dict[int, dict[str, np.ndarray]] = dict(book.done) if book is not None else {}
    finished = sum(sizes[index] for index in parts)
    waiting = [index for index in range(len(sizes)) if index not in parts]
    run = Parallel(n_jobs=workers, return_as="generator_unordered")
    for index, arrays in run(
        delayed(_batch)(maker, analysis, index, seeds[index], sizes[index], alpha) for index in waiting
    ):
        parts[index] = arrays
        if book is not None:
            book.add(index, arrays)
        finished += sizes[index]
        if progress is not None:
            progress(finished, replicates)
    verdicts = _join([parts[index] for index in range(len(sizes))])
    n_ref, n_trt = parts[0]["n"]
    notes = []
    without, boundary = int((~verdicts.usable).sum()), int(verdicts.boundary.sum())
    if without:
        notes.append(f"{without} of {replicates} replicates had no answer and count as not significant.")
    if boundary:
        notes.append(f"{boundary} of {replicates} fits lie on the boundary of the covariance parameters.")
    return Simulation(
        n_arms=(int(n_ref), int(n_trt)),
        replicates=replicates,
        alpha=alpha,
        truth=known_truth(maker, analysis) if truth is None else float(truth),
        seed=seed,
        batch=batch,
        analysis=getattr(analysis, "__name__", type(analysis).__name__),
        verdicts=verdicts,
        unit=unit,
        notes=tuple(notes),
    )


def _join(parts: list[dict[str, np.ndarray]]) -> Verdicts:
    """The batches in their order; what came back from a journal as 0 and 1 is a truth value again."""
    whole = {name: np.concatenate([part[name] for part in parts]) for name in ARRAYS}
    return Verdicts(**{name: v.astype(bool) if name in ("usable", "boundary") else v for name, v in whole.items()})


def _batch(
    maker: Maker, analysis: Analysis, index: int, seed: SeedSequence, size: int, alpha: float
) -> tuple[int, dict[str, np.ndarray]]:
    """One batch. One thread for the linear algebra: the same digits everywhere, and faster on small matrices."""
    with threadpool_limits(limits=1):
        trials = maker(default_rng(seed), size)
        found = analysis(trials, 1 - alpha)
    arrays = {name: np.asarray(getattr(found, name)) for name in ARRAYS}
    arrays["n"] = np.array([np.sum(trials.arm == 0), np.sum(trials.arm == 1)])
    return index, arrays


def known_truth(maker: Maker, analysis: Analysis) -> float:
    """True value of the estimate where maker and analysis know it, else NaN."""
    if isinstance(maker, NormalMaker | SiteMaker) and hasattr(analysis, "truth"):
        return float(analysis.truth(maker.truth.observed_means(), np.array(maker.truth.times)))
    return float("nan")


def description(part: object) -> str:
    """What a journal knows of a maker or an analysis: all of a record, the name alone of a function."""
    name = getattr(part, "__qualname__", None)
    return f"{part.__module__}.{name}" if name is not None else repr(part)
