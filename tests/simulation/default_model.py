"""Error rates of the model that `fit_change` chooses by default, under true nulls at pilot size.

    python -m tests.simulation.default_model --trials 10000 --to tests/simulation/default_model.csv

Every trial draws its own people, baselines and gaps: 8 % of the later values missing here and there, 15 % of the
people leave at a visit after the first later one; with `missing` 8 % of the baselines too (a trial is drawn again
where an arm has fewer than two people at a later visit). Truths over baseline and V later visits: `hetero` errors
growing from 1.5 to 7 beside an intercept of SD 7, `shrink` errors shrinking from 7 to 2, `slopes` people's own lines,
`growing_slopes` steeper ones, `ar1`, `cs` equal correlation; `lognormal` has the covariance of `hetero` and lognormal
margins, `ceiling` the values of `slopes` in whole points, cut off at a maximum that a sixth of the people reach at
baseline.

Columns: rejection at nominal 5 % of the difference (one arm: the change) at the last visit, the middle one and of all
of them jointly, and of the difference between straight lines; `none_*` the share of trials without an answer. What is
fitted is what `stats.change.ladder` names for the size, stepping down where there is no maximum; a test holds it
equal to `fit_change` trial by trial. A run that was stopped goes on where it was; Monte-Carlo error 0.22 points at
10,000.
"""

import argparse
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from joblib import Parallel, delayed
from scipy.stats import t as student
from threadpoolctl import threadpool_limits

from stats.change.ladder import visit_steps
from stats.mixed.own_designs import OwnDesigns, fit_own_designs

OBSERVED, EXPECTED = "kenward-roger-observed", "kenward-roger"
TRUTHS = ("hetero", "shrink", "slopes", "growing_slopes", "ar1", "cs", "lognormal", "ceiling")
SIZES = ((6, 6), (10, 10), (15, 15), (6, 12))
ALONE = (8, 12, 20)
VISITS = (1, 3, 5)
SINGLE, LEAVE, NO_BASELINE = 0.08, 0.15, 0.08
MAXIMUM, NEAR = 58.0, 8.0
BATCH = 2000


@dataclass(frozen=True)
class Cell:
    """One condition. other: people in the second arm, 0 with one arm."""

    truth: str
    people: int
    other: int
    visits: int
    missing: bool

    @property
    def arm(self) -> np.ndarray:
        """Arm code of every participant."""
        return np.repeat([0, 1], [self.people, self.other])


def cells() -> Iterator[Cell]:
    """Every condition of the study."""
    for truth in TRUTHS:
        for visits in VISITS:
            for one, other in SIZES:
                for missing in (False, True):
                    yield Cell(truth, one, other, visits, missing)
            for one in ALONE:
                yield Cell(truth, one, 0, visits, False)


def covariance(truth: str, visits: int) -> np.ndarray:
    """Covariance over baseline and the later visits."""
    t = np.arange(visits + 1.0)
    own = np.column_stack([np.ones_like(t), t])
    match truth:
        case "hetero" | "lognormal":
            return 49.0 + np.diag(np.linspace(1.5, 7, visits + 1) ** 2)
        case "shrink":
            return 49.0 + np.diag(np.linspace(7, 2, visits + 1) ** 2)
        case "slopes" | "ceiling":
            return own @ np.array([[64, 1.28], [1.28, 0.64]]) @ own.T + 12.25 * np.eye(visits + 1)
        case "growing_slopes":
            return own @ np.diag([36, 4.0]) @ own.T + 6 * np.eye(visits + 1)
        case "ar1":
            return 100 * 0.8 ** np.abs(t[:, None] - t)
        case _:
            return 64.0 + 16 * np.eye(visits + 1)


def draw(cell: Cell, rng: np.random.Generator, trials: int) -> np.ndarray:
    """Values (trials, people, 1 + visits), NaN where missing."""
    arm, V = cell.arm, cell.visits
    root = np.linalg.cholesky(covariance(cell.truth, V))
    y = 40 + rng.standard_normal((trials, len(arm), V + 1)) @ root.T
    if cell.truth == "lognormal":
        sd, shape = np.sqrt((root**2).sum(axis=1)), 0.6
        x, middle = np.exp(shape * (y - 40) / sd), np.exp(shape**2 / 2)
        y = 40 + sd * (x - middle) / (middle * np.sqrt(np.exp(shape**2) - 1))
    elif cell.truth == "ceiling":
        y = np.minimum(np.round(y + NEAR), MAXIMUM)
    seen = _seen(cell, rng, trials)
    while (bad := _too_few(seen, arm)).any():
        seen[bad] = _seen(cell, rng, int(bad.sum()))
    return np.where(seen, y, np.nan)


def _seen(cell: Cell, rng: np.random.Generator, trials: int) -> np.ndarray:
    people, V = len(cell.arm), cell.visits
    seen = rng.random((trials, people, V + 1)) >= SINGLE
    seen[:, :, 0] = (rng.random((trials, people)) >= NO_BASELINE) if cell.missing else True
    if V > 1:
        left = rng.random((trials, people)) < LEAVE
        when = rng.integers(2, V + 1, (trials, people))
        seen &= ~(left[..., None] & (np.arange(V + 1) >= when[..., None]))
    return seen


def _too_few(seen: np.ndarray, arm: np.ndarray) -> np.ndarray:
    counts = np.stack([seen[:, arm == code, 1:].sum(axis=1) for code in np.unique(arm)])
    return (counts < 2).any(axis=(0, 2))


def default_fits(y: np.ndarray, arm: np.ndarray) -> tuple[list[tuple[np.ndarray, OwnDesigns]], np.ndarray]:
    """What the rules fit: (trials, their fits) step by step, and the rows of the answers in the coefficients (V, q)."""
    later, base = y[:, :, 1:], y[:, :, :1]
    V, arms = later.shape[2], len(np.unique(arm))
    if arms == 1:
        later, X, L = later - base, np.broadcast_to(np.eye(V), (1, len(arm), V, V)), np.eye(V)
    else:
        used = np.isfinite(base[:, :, 0]) & np.isfinite(later).any(axis=2)
        mean = np.where(used, base[:, :, 0], 0).sum(axis=1) / used.sum(axis=1)
        centred = np.where(np.isfinite(base[:, :, 0]), base[:, :, 0] - mean[:, None], 0.0)
        X = np.zeros((len(y), len(arm), V, 3 * V))
        for visit in range(V):
            X[:, :, visit, visit] = 1.0
            X[:, :, visit, V + visit] = arm
            X[:, :, visit, 2 * V + visit] = centred
        L = np.eye(3 * V)[V : 2 * V]
    left, made = np.arange(len(y)), []
    for step, _ in visit_steps(len(arm), arms, V):
        Z = None if step.random is None else np.ones((V, 1))
        fits = fit_own_designs(later[left], X if len(X) == 1 else X[left], covariance=step.covariance, Z=Z)
        made.append((left, fits))
        left = left[~fits.converged]
        if not len(left):
            break
    return made, L


def study(cell: Cell, trials: int, seed: int = 1) -> dict:
    """The row of one condition."""
    V, arm = cell.visits, cell.arm
    rng = np.random.default_rng([seed, TRUTHS.index(cell.truth), cell.people, cell.other, V, int(cell.missing)])
    p = {name: [] for name in ("last", "middle", "joint", "line")}
    with threadpool_limits(1):
        for start in range(0, trials, BATCH):
            y = draw(cell, rng, min(BATCH, trials - start))
            single, joint = p_values(y, arm)
            p["last"].append(single[:, -1])
            p["middle"].append(single[:, (V - 1) // 2])
            p["joint"].append(joint)
            p["line"].append(line_p(y, arm) if V > 1 else np.full(len(y), np.nan))
    row = asdict(cell) | {"trials": trials}
    for name, parts in p.items():
        value = np.concatenate(parts)
        there = np.isfinite(value)
        row[name] = float((value[there] <= 0.05).mean()) if there.any() else np.nan
        row[f"none_{name}"] = float(1 - there.mean())
    return row


def p_values(y: np.ndarray, arm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Of every later visit (trials, V) and of all jointly (trials,), by the default model."""
    made, L = default_fits(y, arm)
    single, joint = np.full((len(y), len(L)), np.nan), np.full(len(y), np.nan)
    for at, fits in made:
        asked, test = fits.estimates(L, OBSERVED), fits.test(L, OBSERVED)
        good = fits.converged
        with np.errstate(invalid="ignore"):
            p = 2 * student.sf(np.abs(asked.estimate / asked.std_error), asked.df)
        single[at[good]], joint[at[good]] = p[good], test.p_value[good]
    return single, joint


def line_p(y: np.ndarray, arm: np.ndarray) -> np.ndarray:
    """Of the difference between the arms' straight lines (one arm: of its slope), every visit an outcome (trials,)."""
    t = np.broadcast_to(np.arange(y.shape[2], dtype=float), y.shape[1:])
    columns = [np.ones_like(t), t]
    if len(np.unique(arm)) > 1:
        columns += [arm[:, None] * np.ones_like(t), arm[:, None] * t]
    X = np.stack(columns, axis=2)[None]
    fits = fit_own_designs(y, X, Z=np.column_stack([np.ones(y.shape[2]), t[0]]))
    asked = fits.estimates(np.eye(len(columns))[-1:], EXPECTED)
    with np.errstate(invalid="ignore"):
        return np.where(
            fits.converged, 2 * student.sf(np.abs(asked.estimate / asked.std_error), asked.df)[:, 0], np.nan
        )


def main() -> None:
    """Run what the file does not hold yet, a row after every condition."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--trials", type=int, default=10_000)
    parser.add_argument("--to", type=Path, required=True)
    parser.add_argument("--processes", type=int, default=2)
    options = parser.parse_args()
    done = set()
    if options.to.exists():
        table = pd.read_csv(options.to)
        done = {Cell(*row) for row in table[list(Cell.__dataclass_fields__)].itertuples(index=False)}
    left = [cell for cell in cells() if cell not in done]
    run = Parallel(n_jobs=options.processes, return_as="generator_unordered")
    for number, row in enumerate(run(delayed(study)(cell, options.trials) for cell in left), 1):
        pd.DataFrame([row]).to_csv(options.to, mode="a", header=not options.to.exists(), index=False)
        print(f"{number} of {len(left)}: {row}", flush=True)


if __name__ == "__main__":
    main()
