"""Error rates of every method under a true null, at pilot size: the study behind the model ladder and the df default.

    python tests/simulation/calibration.py --trials 10000 --to tests/simulation/calibration.csv

A finished cell is written at once; the same command goes on where a stopped run was. One process.

Trials: two arms of n, 6 visits (time 0 to 5), no arm difference, 15 % of all values missing completely at random (none
at the first visit), in batches of 50 that share a missing pattern. Truths: "slopes" (random intercept and slope,
independent errors) and "memory" (autoregressive, correlation 0.8 from one visit to the next). A model is right or
wrong: "random intercept and slope" is right under slopes, "ar1" under memory, "random intercept" under neither,
"unstructured" under both. "baseline covariate" and "constrained baseline" are what `fit_change` chooses at these sizes
(with a random intercept and slope), the second where someone lacks a baseline; for the first all of a batch share
their baselines as well. All other models meet the same trials.

Methods: Kenward-Roger (both informations), Satterthwaite, normal law; "cr2": Satterthwaite df for the slope, the
approximate Hotelling T-squared for the joint test; re-dealing the arms (199 deals, the same for all of a batch,
covariance from the model without arms); the parametric bootstrap of the Wald statistic from the model without
arm x time in two forms: "parametric bootstrap, one draw" pools one inner replicate per trial over the cell (Giacomini,
Politis & White 2013, Econometric Theory 29:567), "parametric bootstrap" draws 99 for each of the first trials of a
batch (6 per arm only, since slow).

Reported per method: rejection at nominal 5 % and coverage of 95 % intervals (for re-dealing, bootstrap and joint tests
the interval or region of values not rejected), Monte-Carlo standard errors from the spread between batches, and the
share of trials in which the method gave no answer; rates are over those that had one.
"""

import argparse
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from stats.change.re_randomisation import ArmSums
from stats.mixed.many import ManyFits, Template, template

VISITS = 6
TIMES = np.arange(VISITS)
RANDOM = np.column_stack([np.ones(VISITS), TIMES])
TRUTHS = {
    "slopes": RANDOM @ np.array([[36.0, -2.0], [-2.0, 0.6]]) @ RANDOM.T + 9.0 * np.eye(VISITS),
    "memory": 45.0 * 0.8 ** np.abs(np.subtract.outer(TIMES, TIMES)),
}
MISSING = 0.15
SIZES = (6, 10, 15)
BATCH = 50
DF_METHODS = ("kenward-roger", "kenward-roger-observed", "satterthwaite", "normal")
LEVEL = 0.05
DEALS, REPLICATES = 199, 99  # (B + 1) LEVEL is whole for both: rejecting at p <= LEVEL, few deals cost power, not level
INNER_AT = 6  # size at which many inner replicates are drawn
ONE_DRAW = "parametric bootstrap, one draw"

# Unstructured: trials that get a bootstrap. Searches that run to a singular matrix take long, and bootstrap samples of
# an estimate close to one do so more often than not.
DRAWN = {10: 2_000, 6: 200}

LATER = " + ".join(f"later{k}" for k in range(1, VISITS))  # arm x later visit
SLOPES = {"random": "1 + time"}
STRUCTURES = {
    "random intercept and slope": SLOPES,
    "ar1": {"covariance": "ar1"},
    "random intercept": {"random": "1"},
    "unstructured": {"covariance": "unstructured"},
}


@dataclass(frozen=True)
class Model:
    """Formulas with everything, without arm x time, and without arms; covariance; columns of an arm's effect."""

    full: str
    null: str
    armless: str
    covariance: dict = field(hash=False)
    effect: tuple[str, ...] = ()
    nuisance: bool = True
    covariate: bool = False  # the first visit is a covariate, not an outcome


EACH_VISIT = tuple(f"visit{k}" for k in range(1, VISITS))
MODELS = {
    "slope": {
        name: Model("score ~ time * arm", "score ~ time + arm", "score ~ time", kind, ("time",))
        for name, kind in STRUCTURES.items()
        if name != "unstructured"
    },
    "joint": {
        **{
            name: Model(f"score ~ visit + arm + {LATER}", "score ~ visit + arm", "score ~ visit", kind, EACH_VISIT)
            for name, kind in STRUCTURES.items()
        },
        "baseline covariate": Model(
            f"score ~ visit + baseline + {LATER}", "score ~ visit + baseline", "score ~ visit + baseline", SLOPES,
            EACH_VISIT, nuisance=False, covariate=True,
        ),
        "constrained baseline": Model(
            f"score ~ visit + {LATER}", "score ~ visit", "score ~ visit", SLOPES, EACH_VISIT, nuisance=False
        ),
    },
}  # fmt: skip


def cohorts(n: int, truth: str, covariate: bool, batches: int, rng: np.random.Generator) -> Iterator[tuple]:
    """Frames of the observed rows and responses (BATCH, rows), one missing pattern per batch."""
    people, V = 2 * n, TRUTHS[truth]
    visit, arm = np.tile(TIMES, people), np.repeat([0.0, 1.0], n * VISITS)
    frame = pd.DataFrame(
        {"participant": np.repeat(np.arange(people), VISITS), "time": visit.astype(float), "arm": arm, "score": 0.0}
    )
    frame["visit"] = pd.Categorical(visit.astype(str))
    for k in range(1, VISITS):
        frame[f"visit{k}"] = (visit == k).astype(float)
        frame[f"later{k}"] = frame[f"visit{k}"] * arm
    for _ in range(batches):
        seen = np.zeros(len(frame), dtype=bool)
        # Patterns that leave an arm with fewer than two people at a visit are drawn again.
        while _fewest(frame[seen]) < 2:
            seen = (rng.random(len(frame)) >= MISSING * VISITS / (VISITS - 1)) | (visit == 0)
        scores = 30 + TIMES + rng.standard_normal((BATCH, people, VISITS)) @ np.linalg.cholesky(V).T
        kept = frame
        if covariate:  # the first trial's baselines, and later visits given those
            first = scores[0, :, 0] - 30
            rest = V[1:, 1:] - np.outer(V[1:, 0], V[0, 1:]) / V[0, 0]
            noise = rng.standard_normal((BATCH, people, VISITS - 1)) @ np.linalg.cholesky(rest).T
            scores[:, :, 1:] = 30 + TIMES[1:] + np.outer(first, V[0, 1:] / V[0, 0]) + noise
            kept, seen = frame.assign(baseline=np.repeat(first, VISITS)), seen & (visit > 0)
        kept = kept[seen].reset_index(drop=True)
        yield kept.assign(visit=kept["visit"].cat.remove_unused_categories()), scores.reshape(BATCH, -1)[:, seen]


def _fewest(frame: pd.DataFrame) -> int:
    return int(frame.groupby(["arm", "visit"], observed=False).size().min()) if len(frame) else 0


@dataclass
class Cell:
    """p values (and interval hits) of every method, batch by batch."""

    p: dict[str, list[np.ndarray]] = field(default_factory=dict)
    hits: dict[str, list[np.ndarray]] = field(default_factory=dict)
    statistics: list[tuple[np.ndarray, np.ndarray]] = field(default_factory=list)  # seen and one draw each
    boundary: list[np.ndarray] = field(default_factory=list)

    def add(self, method: str, p: np.ndarray, hits: np.ndarray | None = None) -> None:
        self.p.setdefault(method, []).append(p)
        self.hits.setdefault(method, []).append(p > LEVEL if hits is None else hits)

    def pool_draws(self) -> None:
        """p values against the inner replicates of the whole cell."""
        drawn = np.sort(np.concatenate([draw[np.isfinite(draw)] for _, draw in self.statistics]))
        for seen, _ in self.statistics:
            beyond = len(drawn) - np.searchsorted(drawn, seen)
            self.add(ONE_DRAW, np.where(np.isfinite(seen), (beyond + 1) / (len(drawn) + 1), np.nan))


def tested(fits: ManyFits) -> np.ndarray:
    """Rows of L: the slope difference, or all arm x visit coefficients."""
    return np.eye(len(fits.terms))[[term == "time:arm" or term.startswith("later") for term in fits.terms]]


def by_likelihood(question: str, fits: ManyFits, cell: Cell) -> None:
    """Kenward-Roger, Satterthwaite, normal law and CR2; for the slope whether the 95 % interval covers zero."""
    L = tested(fits)
    cell.boundary.append(fits.boundary[fits.converged])
    if question == "joint":
        for df in DF_METHODS:
            cell.add(df, fits.test(L, df).p_value)
        cell.add("cr2", fits.robust_test(L).p_value)
        return
    for name, made in (*((df, fits.estimates(L, df)) for df in DF_METHODS), ("cr2", fits.robust(L))):
        low, high = made.interval()
        cell.add(name, made.p_value[:, 0], ((low <= 0) & (high >= 0))[:, 0])


def by_dealing(model: Model, prepared: Template, Y: np.ndarray, rng: np.random.Generator, cell: Cell) -> None:
    """Re-randomisation test with the covariance of the model without arms."""
    fits = prepared.fit(Y)
    frame, good = prepared.layout.frame, fits.converged
    labels = frame.drop_duplicates("participant")["arm"].to_numpy(dtype=int)
    M = frame[list(model.effect)].to_numpy()
    if model.nuisance:
        M = np.column_stack([np.ones(len(M)), M])
    sums = ArmSums.over(fits.alike(good), prepared.layout, Y[good], M, int(model.nuisance))
    dealt = rng.permuted(np.tile(labels, (DEALS, 1)), axis=1)
    statistic = sums.statistics(np.concatenate([labels[None], dealt]), 2)[1]  # one row: the square of the single one
    p = np.full(len(Y), np.nan)
    p[good] = ((statistic[:, 1:] >= statistic[:, :1] * (1 - 1e-9)).sum(axis=1) + 1) / (DEALS + 1)
    cell.add("re-randomisation", p)


def by_bootstrap(fits: ManyFits, null: ManyFits, few: int, rng: np.random.Generator, cell: Cell) -> None:
    """Parametric bootstrap of the model's Wald statistic: one draw for every trial, many for the first `few`."""
    L = tested(fits)
    seen = np.where(null.converged, fits.test(L, "normal").statistic, np.nan)
    cell.statistics.append((seen, _statistics(fits.template, null.simulate(rng), L)))
    if few:
        some = null.template.fit(null.responses[:few]).simulate(rng, REPLICATES)
        drawn = _statistics(fits.template, some, L).reshape(few, REPLICATES)
        beyond = (drawn >= seen[:few, None]).sum(axis=1)  # a draw without an answer is left out
        p = (beyond + 1) / (np.isfinite(drawn).sum(axis=1) + 1)
        cell.add("parametric bootstrap", np.where(np.isfinite(seen[:few]), p, np.nan))


def _statistics(prepared: Template, Y: np.ndarray, L: np.ndarray) -> np.ndarray:
    """Wald F statistics of responses; NaN for those that are NaN or have no maximum."""
    known = np.isfinite(Y).all(axis=1)
    made = np.full(len(Y), np.nan)
    if known.any():
        made[known] = prepared.fit(Y[known]).test(L, "normal").statistic
    return made


def study(
    n: int, truth: str, question: str, name: str, trials: int, inner: int, seed: int, drawn: int | None = None
) -> pd.DataFrame:
    """One cell: a row per method with rejection, coverage, Monte-Carlo errors and the share without an answer.

    inner: trials that get 99 inner bootstrap replicates each; drawn: trials that get one (all).
    """
    model, cell = MODELS[question][name], Cell()
    place = [n, list(TRUTHS).index(truth), int(model.covariate)]
    data = np.random.default_rng(np.random.SeedSequence([seed, *place]))
    own = [list(MODELS).index(question), list(MODELS[question]).index(name)]
    dealing, booting = (np.random.default_rng(s) for s in np.random.SeedSequence([seed, *place, *own]).spawn(2))
    batches = -(-trials // BATCH)
    for batch, (frame, Y) in enumerate(cohorts(n, truth, model.covariate, batches, data)):
        full, null, armless = (
            template(frame, formula, participant="participant", visit="visit", **model.covariance)
            for formula in (model.full, model.null, model.armless)
        )
        fits = full.fit(Y)
        by_likelihood(question, fits, cell)
        by_dealing(model, armless, Y, dealing, cell)
        if drawn is None or batch * BATCH < drawn:
            by_bootstrap(fits, null.fit(Y), -(-inner // batches), booting, cell)
    cell.pool_draws()
    shared = {"n_per_arm": n, "truth": truth, "question": question, "model": name}
    boundary = float(np.concatenate(cell.boundary).mean())
    return pd.DataFrame([{**shared, **_row(cell, method), "boundary": boundary} for method in cell.p])


def _row(cell: Cell, method: str) -> dict:
    known = [np.isfinite(p) for p in cell.p[method]]
    rejected = [p[k] <= LEVEL for p, k in zip(cell.p[method], known, strict=True)]
    covered = [hit[k] for hit, k in zip(cell.hits[method], known, strict=True)]
    rate, error = _rate(rejected)
    cover, cover_error = _rate(covered)
    if method == ONE_DRAW:  # the pooled critical value is as uncertain as the rate itself
        draws = sum(np.isfinite(draw).sum() for _, draw in cell.statistics)
        error, cover_error = (float(np.hypot(e, np.sqrt(rate * (1 - rate) / draws))) for e in (error, cover_error))
    everyone = sum(map(len, known))
    return {
        "method": method, "trials": everyone, "rejection": rate, "rejection_mc_error": error, "coverage": cover,
        "coverage_mc_error": cover_error, "no_answer": 1 - sum(map(np.sum, known)) / everyone,
    }  # fmt: skip


def _rate(batches: list[np.ndarray]) -> tuple[float, float]:
    """A rate and its standard error from the spread between batches (a ratio of sums)."""
    sums, sizes = np.array([b.sum() for b in batches], dtype=float), np.array([len(b) for b in batches], dtype=float)
    if sizes.sum() == 0:
        return np.nan, np.nan
    rate = sums.sum() / sizes.sum()
    spread = np.square(sums - rate * sizes).sum() * len(sums) / max(len(sums) - 1, 1)
    return float(rate), float(np.sqrt(spread) / sizes.sum())


def cells(sizes: tuple[int, ...] = SIZES) -> list[tuple[int, str, str, str]]:
    """Every cell of the study: size, truth, question, model; the slowest last."""
    every = [
        (n, truth, question, name)
        for question, models in MODELS.items()
        for name in models
        for n in sizes
        for truth in TRUTHS
    ]
    return sorted(every, key=lambda cell: (cell[3] == "unstructured", cell[3] == "random intercept", -cell[0]))


def main() -> None:
    """Run the study; finished cells are kept, so that a stopped run goes on where it was."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--trials", type=int, default=10_000)
    parser.add_argument("--inner", type=int, default=1_000, help="trials with 99 inner bootstrap replicates")
    parser.add_argument("--seed", type=int, default=20260)
    parser.add_argument("--to", type=Path, required=True)
    options = parser.parse_args()
    done = pd.read_csv(options.to) if options.to.exists() else pd.DataFrame()
    for n, truth, question, name in cells():
        key = {"n_per_arm": n, "truth": truth, "question": question, "model": name}
        if len(done) and (done[list(key)] == pd.Series(key)).all(axis=1).any():
            continue
        start = time.perf_counter()
        inner = options.inner if n == INNER_AT and name != "unstructured" else 0
        drawn = DRAWN.get(n) if name == "unstructured" else None
        made = study(n, truth, question, name, options.trials, inner, options.seed, drawn)
        done = pd.concat([done, made], ignore_index=True)
        done.to_csv(options.to, index=False, float_format="%.5g")
        print(f"{n} per arm, {truth}, {question}, {name}: {time.perf_counter() - start:.0f} s", flush=True)


if __name__ == "__main__":
    main()
