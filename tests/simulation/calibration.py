"""Error rates of every method under a true null, at pilot size: the study behind the model ladder and the df default.

    python tests/simulation/calibration.py --trials 10000 --to tests/simulation/calibration.csv

Trials: two arms of n, 6 visits (time 0 to 5), no arm difference, 15 % of later visits missing completely at random, in
batches that share a missing pattern. Truths: "slopes" (random intercept and slope, independent errors) and "memory"
(autoregressive, correlation 0.8 from one visit to the next). Each model is right under one truth and wrong under the
other, or wrong under both. Reported per method: rejection at nominal 5 % and coverage of 95 % intervals with their
Monte-Carlo standard errors, and the share of trials in which the method gave no answer.
"""

import argparse
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd

from stats.errors import FitError
from stats.mixed.fit import fit_mixed
from stats.mixed.many import ManyFits, template
from stats.mixed.people import blocks
from stats.permutation import ArmSums

VISITS = 6
G = np.array([[36.0, -2.0], [-2.0, 0.6]])
ERROR = 9.0
MEMORY = 45.0 * 0.8 ** np.abs(np.subtract.outer(np.arange(VISITS), np.arange(VISITS)))
MISSING = 0.15
DF_METHODS = ("kenward-roger", "kenward-roger-observed", "satterthwaite", "normal")
DEALS, REPLICATES = 499, 99  # (B + 1) 0.05 is whole for both
BOOTSTRAP_AT = (6,)  # sizes at which the parametric bootstrap, by far the slowest, is run

SLOPE = "score ~ time * arm"
JOINT = "score ~ visit * arm"
MODELS = {
    "slope": {
        "random intercept and slope": (SLOPE, {"random": "1 + time"}),
        "random intercept": (SLOPE, {"random": "1"}),
    },
    "joint": {
        "random intercept and slope": (JOINT, {"random": "1 + time"}),
        "random intercept": (JOINT, {"random": "1"}),
        "unstructured": (JOINT, {"covariance": "unstructured"}),
    },
}


def cohorts(n: int, truth: str, batch: int, batches: int, rng: np.random.Generator) -> Iterator[tuple]:
    """Frames of the observed rows and responses (batch, rows), one missing pattern per batch."""
    people = 2 * n
    time_ = np.tile(np.arange(VISITS), people)
    frame = pd.DataFrame(
        {
            "participant": np.repeat(np.arange(people), VISITS),
            "time": time_.astype(float),
            "visit": pd.Categorical(time_.astype(str)),
            "arm": np.repeat(np.repeat([0.0, 1.0], n), VISITS),
            "score": 0.0,
        }
    )
    for _ in range(batches):
        seen = np.zeros(len(frame), dtype=bool)
        # Patterns that leave an arm with fewer than two people at a visit are drawn again.
        while _fewest(frame[seen]) < 2:
            seen = (rng.random(len(frame)) >= MISSING * VISITS / (VISITS - 1)) | (time_ == 0)
        if truth == "slopes":
            effects = rng.multivariate_normal([0, 0], G, (batch, people))
            deviations = effects[:, :, :1] + effects[:, :, 1:] * np.arange(VISITS)
            deviations = deviations + rng.normal(0, np.sqrt(ERROR), (batch, people, VISITS))
        else:
            deviations = rng.multivariate_normal(np.zeros(VISITS), MEMORY, (batch, people))
        scores = 30 + np.arange(VISITS) + deviations
        yield frame[seen].reset_index(drop=True), scores.reshape(batch, -1)[:, seen]


def _fewest(frame: pd.DataFrame) -> int:
    return int(frame.groupby(["arm", "visit"], observed=False).size().min()) if len(frame) else 0


def weights(question: str, terms: tuple[str, ...]) -> np.ndarray:
    """Rows of L: the slope difference, or all arm x visit coefficients."""
    wanted = [k for k, term in enumerate(terms) if "arm" in term and ":" in term]
    return np.eye(len(terms))[wanted]


def by_likelihood(question: str, fits: ManyFits, into: dict) -> None:
    """p values and, for the slope, whether the 95 % interval covers zero."""
    L = weights(question, fits.terms)
    for df in DF_METHODS:
        if question == "slope":
            made = fits.estimates(L, df)
            low, high = made.interval()
            into.setdefault(df, []).append((made.p_value[:, 0], ((low <= 0) & (high >= 0))[:, 0]))
        else:
            p = fits.test(L, df).p_value
            into.setdefault(df, []).append((p, p >= 0.05))


def by_robust(question: str, frame: pd.DataFrame, Y: np.ndarray, formula: str, model: dict, into: dict) -> None:
    """CR2 with Satterthwaite df, slope only: no joint CR2 test is built."""
    p = np.full(len(Y), np.nan)
    for r, y in enumerate(Y):
        try:
            table = fit_mixed(
                frame.assign(score=y), formula, participant="participant", visit="visit", **model
            ).robust()
        except FitError:
            continue
        p[r] = table["p_value"].to_numpy()[table["term"] == "time:arm"][0]
    into.setdefault("cr2", []).append((p, p >= 0.05))


def by_dealing(
    question: str, frame: pd.DataFrame, Y: np.ndarray, model: dict, rng: np.random.Generator, into: dict
) -> None:
    """Re-randomisation test with the covariance of the model without arms."""
    formula = "score ~ time" if question == "slope" else "score ~ 0 + visit"
    M = frame["time"].to_numpy()[:, None] if question == "slope" else _later(frame)
    M = np.column_stack([np.ones(len(M)), M])
    first = frame.drop_duplicates("participant")
    labels = first["arm"].to_numpy(dtype=int)
    p = np.full(len(Y), np.nan)
    for r, y in enumerate(Y):
        try:
            null = fit_mixed(frame.assign(score=y), formula, participant="participant", visit="visit", **model)
        except FitError:
            continue
        sums = _sums(null, M)
        dealt = rng.permuted(np.tile(labels, (DEALS, 1)), axis=1)
        single, joint = sums.statistics(np.concatenate([labels[None], dealt]), 2)
        seen = joint if question == "joint" else single[:, 0]
        p[r] = ((seen[1:] >= seen[0] * (1 - 1e-9)).sum() + 1) / (DEALS + 1)
    into.setdefault("re-randomisation", []).append((p, p >= 0.05))


def _sums(null, M: np.ndarray) -> ArmSums:
    parts: list[list] = [[], [], [], [], []]
    for block in blocks(null, "dealing"):
        W = np.linalg.inv(block.V)
        X, m, y = block.X, M[block.rows], null.layout.y[block.rows]
        for into, value in zip(parts, (X.T @ W @ X, X.T @ W @ m, m.T @ W @ m, X.T @ W @ y, m.T @ W @ y), strict=True):
            into.append(value)
    XX, XM, MM, Xy, My = (np.array(part) for part in parts)
    return ArmSums(XX.sum(axis=0), XM, MM, Xy.sum(axis=0), My, 1)


def _later(frame: pd.DataFrame) -> np.ndarray:
    codes = frame["visit"].cat.codes.to_numpy()
    return (codes[:, None] == np.arange(1, VISITS)).astype(float)


def by_bootstrap(
    question: str, frame: pd.DataFrame, Y: np.ndarray, formula: str, model: dict, rng: np.random.Generator, into: dict
) -> None:
    """Parametric bootstrap of the Wald statistic under the null model (no arm x time), studentised by the model."""
    null_formula = "score ~ time + arm" if question == "slope" else "score ~ visit + arm"
    full = template(frame, formula, participant="participant", visit="visit", **model)
    L = weights(question, full.layout.terms)
    seen = full.fit(Y).test(L, "normal").statistic
    p = np.full(len(Y), np.nan)
    for r, y in enumerate(Y):
        try:
            null = fit_mixed(frame.assign(score=y), null_formula, participant="participant", visit="visit", **model)
        except FitError:
            continue
        again = np.broadcast_to(null.layout.X @ null.beta, (REPLICATES, len(y))).copy()
        for block in blocks(null, "bootstrap"):
            root = np.linalg.cholesky(block.V)
            again[:, block.rows] += rng.standard_normal((REPLICATES, len(root))) @ root.T
        drawn = full.fit(again).test(L, "normal").statistic
        drawn = drawn[np.isfinite(drawn)]
        if len(drawn) and np.isfinite(seen[r]):
            p[r] = ((drawn >= seen[r]).sum() + 1) / (len(drawn) + 1)
    into.setdefault("parametric bootstrap", []).append((p, p >= 0.05))


def study(n: int, truth: str, question: str, model: str, trials: int, slow_trials: int, seed: int) -> pd.DataFrame:
    """One cell: a row per method with rejection, coverage, Monte-Carlo errors and the share without an answer."""
    formula, keywords = MODELS[question][model]
    batch = 50
    made: dict[str, list] = {}
    boundary: list[np.ndarray] = []
    spawned = np.random.SeedSequence([seed, n, len(truth), len(question), len(model)]).spawn(3)
    data, dealing, booting = (np.random.default_rng(s) for s in spawned)
    for k, (frame, Y) in enumerate(cohorts(n, truth, batch, -(-trials // batch), data)):
        fits = template(frame, formula, participant="participant", visit="visit", **keywords).fit(Y)
        boundary.append(fits.boundary)
        by_likelihood(question, fits, made)
        # The slower methods take the first trials of every batch, so that they meet as many missing patterns.
        few = Y[: max(1, -(-slow_trials * batch // trials))]
        if k * batch < trials and model != "unstructured":
            if question == "slope":
                by_robust(question, frame, few, formula, keywords, made)
            by_dealing(question, frame, few, keywords, dealing, made)
            if n in BOOTSTRAP_AT:
                by_bootstrap(question, frame, few[: max(1, len(few) // 2)], formula, keywords, booting, made)
    rows = []
    for method, parts in made.items():
        p = np.concatenate([part[0] for part in parts])
        covered = np.concatenate([part[1] for part in parts]).astype(float)
        known = np.isfinite(p)
        count = int(known.sum())
        rate = float((p[known] < 0.05).mean()) if count else np.nan
        cover = float(covered[known].mean()) if count else np.nan
        rows.append(
            {
                "n_per_arm": n, "truth": truth, "question": question, "model": model, "method": method,
                "trials": len(p), "rejection": rate, "rejection_mc_error": np.sqrt(rate * (1 - rate) / max(count, 1)),
                "coverage": cover, "coverage_mc_error": np.sqrt(cover * (1 - cover) / max(count, 1)),
                "no_answer": 1 - known.mean(), "boundary": np.concatenate(boundary).mean(),
            }
        )  # fmt: skip
    return pd.DataFrame(rows)


def cells(sizes: tuple[int, ...] = (6, 10, 15)) -> list[tuple[int, str, str, str]]:
    """Every cell of the study: size, truth, question, model."""
    return [
        (n, truth, question, model)
        for n in sizes
        for truth in ("slopes", "memory")
        for question, models in MODELS.items()
        for model in models
        if model != "unstructured" or n >= 10  # at 6 per arm with six visits it has no maximum in two trials of five
    ]


def main() -> None:
    """Run the study; finished cells are kept, so that a stopped run goes on where it was."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--trials", type=int, default=10_000)
    parser.add_argument(
        "--slow-trials", type=int, default=2_000, help="trials of re-dealing and CR2; half of them for bootstrap"
    )
    parser.add_argument("--seed", type=int, default=20260)
    parser.add_argument("--sizes", type=int, nargs="+", default=[6, 10, 15])
    parser.add_argument("--to", type=Path, required=True)
    options = parser.parse_args()
    done = pd.read_csv(options.to) if options.to.exists() else pd.DataFrame()
    for n, truth, question, model in cells(tuple(options.sizes)):
        key = {"n_per_arm": n, "truth": truth, "question": question, "model": model}
        if len(done) and (done[list(key)] == pd.Series(key)).all(axis=1).any():
            continue
        start = time.perf_counter()
        trials = options.trials if model != "unstructured" else min(options.trials, 2_000)
        slow = min(options.slow_trials, trials)
        done = pd.concat([done, study(n, truth, question, model, trials, slow, options.seed)], ignore_index=True)
        done.to_csv(options.to, index=False, float_format="%.5g")
        print(f"{n} per arm, {truth}, {question}, {model}: {time.perf_counter() - start:.0f} s", flush=True)


if __name__ == "__main__":
    main()
