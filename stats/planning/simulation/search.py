"""Find n by simulation, and lay simulated power over a grid of designs."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from itertools import product
from math import ceil, sqrt
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.stats import norm

from stats.errors import PlanError
from stats.planning.simulation.simulate import Analysis, simulate_trials
from stats.planning.simulation.simulated import Simulation
from stats.planning.simulation.trials import Maker
from stats.result import Result

ROUNDS = 12


@dataclass(frozen=True)
class SizeSearch(Result):
    """The n per arm found by simulation, its uncertainty, and every size that was tried."""

    n_per_arm: int
    n_low: int  # n per arm at the ends of the simulation interval of the power
    n_high: int
    target: float
    simulation: Simulation  # at n_per_arm
    tried: pd.DataFrame  # n_per_arm replicates power monte_carlo_error
    unit: str = "participants per arm"
    notes: tuple[str, ...] = ()

    @property
    def power(self) -> float:
        return self.simulation.power

    @property
    def n_participants(self) -> int:
        return self.simulation.n_participants

    @property
    def n_rows(self) -> int:
        return len(self.tried)

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """The sizes tried: n_per_arm replicates power monte_carlo_error."""
        return self.tried

    def sentence(self, level: float = 0.95) -> str:
        """n, its range from the simulation error, and the power there."""
        return (
            f"By simulation {self.n_per_arm} randomised per arm reach {100 * self.target:g} % power (simulation error "
            f"leaves {self.n_low} to {self.n_high}); at that size {self.simulation.sentence(level)[0].lower()}"
            f"{self.simulation.sentence(level)[1:]}"
        )


def size_by_simulation(
    make: Callable[[int], Maker],
    analysis: Analysis,
    *,
    power: float,
    start: int,
    replicates: int = 4000,
    alpha: float = 0.05,
    seed: int = 1,
    **options,
) -> SizeSearch:
    """Smallest n per arm whose simulated power reaches the target.

    make: n per arm to a maker, for instance `truth.maker`. start: first guess, for instance the closed form's n.
    replicates: trials a size. Each step moves n by the ratio of noncentralities ((z_alpha + z_target) / (z_alpha +
    z_power))²; then one line of probit power on sqrt(n) through every size tried gives n and, from its error, n_low and
    n_high. options: those of `simulate_trials` (truth, batch, workers, progress).
    Raises PlanError for a power outside 0 to 1, a journal, or as `simulate_trials`. Source: our own search; probit
    power is linear in sqrt(n) where the estimate is normal.
    """
    if not 0 < power < 1:
        raise PlanError(f"power = {power}: allowed are values between 0 and 1, such as 0.9.")
    if "journal" in options:
        raise PlanError(
            "size_by_simulation tries several sizes and keeps no journal; simulate the size found with one."
        )
    z_alpha, z_target = norm.isf(alpha / 2), norm.ppf(power)
    tried: dict[int, Simulation] = {}

    def at(n: int) -> Simulation:
        if n not in tried:
            tried[n] = simulate_trials(make(n), analysis, replicates=replicates, alpha=alpha, seed=seed, **options)
        return tried[n]

    n = max(2, int(start))
    for _ in range(ROUNDS):
        found = min(max(at(n).power, 1 / replicates), 1 - 1 / replicates)
        step = ((z_alpha + z_target) / max(z_alpha + norm.ppf(found), 0.3)) ** 2
        following = max(2, ceil(n * min(max(step, 0.25), 4.0)))
        if following in tried:
            break
        n = following
    n, low, high = _line(tried, z_target, replicates)
    simulation = at(n)
    rows = [(size, sim.replicates, sim.power, sim.monte_carlo_error) for size, sim in sorted(tried.items())]
    frame = pd.DataFrame(rows, columns=["n_per_arm", "replicates", "power", "monte_carlo_error"])
    return SizeSearch(n, low, high, power, simulation, frame, notes=simulation.notes)


def _line(tried: Mapping[int, Simulation], z_target: float, replicates: int) -> tuple[int, int, int]:
    """n per arm where probit power, a line in sqrt(n), crosses the target; and two standard errors to each side.

    The line passes through (0, z of alpha / 2 tail) for a normal test, so its slope is what the sizes tried estimate;
    each is weighted by the information of its share.
    """
    sizes = np.array(sorted(tried))
    shares = np.clip([tried[n].power for n in sizes], 1 / replicates, 1 - 1 / replicates)
    probit = norm.ppf(shares)
    alpha = next(iter(tried.values())).alpha
    origin = -norm.isf(alpha / 2)
    weight = norm.pdf(probit) ** 2 / (shares * (1 - shares)) * replicates
    # sizes far from the answer say little about it once tests are not exactly normal
    near = np.exp(-0.5 * ((probit - z_target) / 0.5) ** 2) + 1e-9
    root = np.sqrt(sizes)
    use = weight * near
    slope = float(np.sum(use * root * (probit - origin)) / np.sum(use * root**2))
    # sizes share their random numbers, so their errors add up rather than average out: take that of one size
    error = 1 / sqrt(float(np.max(weight * near)))
    ends = [((z_target + shift - origin) / slope) ** 2 for shift in (0.0, -2 * error, 2 * error)]
    return ceil(ends[0] - 1e-9), ceil(ends[1] - 1e-9), ceil(ends[2] - 1e-9)


def simulate_grid(
    make: Callable[..., Maker],
    analysis: Analysis,
    settings: Mapping[str, Iterable],
    *,
    journal: str | Path | None = None,
    seed: int = 1,
    **options,
) -> pd.DataFrame:
    """Simulated power over every combination of settings.

    settings: name -> its values. make: keywords named in `settings` to a maker, for instance `lambda n, difference,
    dropout: ...`. Every cell uses the same seed, so neighbouring cells share their chance and their differences are
    steadier. journal: a folder with one journal per cell. options: those of `simulate_trials`.

    Returns columns: those of `settings`, then n_per_arm n_total power monte_carlo_error truth bias width coverage
    without_answer.
    Raises PlanError as `simulate_trials`. Source: as there.
    """
    rows = []
    for number, values in enumerate(product(*settings.values()), start=1):
        chosen = dict(zip(settings, values, strict=True))
        place = None if journal is None else Path(journal) / f"cell-{number}.jsonl"
        found = simulate_trials(make(**chosen), analysis, journal=place, seed=seed, **options)
        value = found.frame().set_index("quantity")["value"]
        rows.append(
            {
                **chosen,
                "n_per_arm": found.n_per_arm,
                "n_total": found.n_participants,
                "power": found.power,
                "monte_carlo_error": found.monte_carlo_error,
                "truth": found.truth,
                "bias": value.get("bias", float("nan")),
                "width": value["width of the intervals"],
                "coverage": value.get("coverage", float("nan")),
                "without_answer": value["without an answer"],
            }
        )
    return pd.DataFrame(rows)
