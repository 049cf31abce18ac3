"""Trials without an effect, with grades, a ceiling and capped times, at 10 and 15 per arm: how often p is below 0.05.

    python -m tests.simulation.bounded_nulls 1000 tests/simulation/bounded_nulls.csv

Grades 0-4 and sums 0-24 at three later visits with differences between people and a baseline; a third of the sums stand
at the top; times with a third unfinished at the cap. Per test: rejections at 5 % among trials with an answer, and the
share without one (refused: separation, everyone at an end).
"""

import itertools
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from stats.bounded.capped_times import capped_time
from stats.bounded.censoring import fit_censored
from stats.bounded.counts import fit_bounded
from stats.bounded.estimating_equations import KAUERMANN, MANCL, gee
from stats.bounded.grades import fit_ordinal
from stats.bounded.rank_tests import rank_test

VISITS, MAXIMUM, CAP = 3, 24, 120.0
SIZES, COLUMNS = (10, 15), ("per_arm", "trial", "test", "p")


def people(rng: np.random.Generator, n: int) -> pd.DataFrame:
    """Rows of a trial: 2n people x visits, ability per person and visit, arm without effect."""
    u = rng.normal(size=2 * n)
    frame = pd.DataFrame({"id": np.repeat(np.arange(2 * n), VISITS), "visit": np.tile(np.arange(VISITS), 2 * n)})
    frame["arm"] = np.where(frame["id"] < n, "a", "b")
    frame["base"] = (0.8 * u + 0.6 * rng.normal(size=2 * n))[frame["id"]]
    eta = 1.2 * u[frame["id"]] + 0.3 * frame["visit"]
    frame["grade"] = np.digitize(eta + rng.logistic(size=len(frame)), [-1.5, -0.3, 0.8, 2.2])
    share = 1 / (1 + np.exp(-(1.3 + eta)))
    frame["sum"] = rng.binomial(MAXIMUM, rng.beta(8 * share, 8 * (1 - share)))
    latent = 22 + 4.5 * u[frame["id"]] + frame["visit"] + rng.normal(0, 3, len(frame))
    frame["score"] = np.minimum(np.rint(latent), MAXIMUM)
    seconds = np.exp(4.3 - 0.5 * eta + 0.5 * rng.normal(size=len(frame)))
    frame["done"], frame["time"] = seconds <= CAP, np.minimum(np.ceil(seconds), CAP)
    return frame


def last_arm(fit) -> tuple[float, float]:
    """p of the arm's effect over all visits: Wald with t on between-within df, and likelihood ratio."""
    row = fit.fixed().set_index("term").loc["arm[T.b]"]
    return float(row["p_value"]), float(fit.test("arm").p_value)


def answers(frame: pd.DataFrame) -> dict[str, object]:
    """p value of every test, a function each; a refusal is no answer."""
    last = frame[frame["visit"] == VISITS - 1]
    a, b = last[last["arm"] == "a"], last[last["arm"] == "b"]
    common = "base + arm + visit"
    fits = {
        "grades": lambda: fit_ordinal(frame, f"grade ~ {common}", participant="id", points=7),
        "sums": lambda: fit_bounded(frame, f"sum ~ {common}", participant="id", maximum=MAXIMUM, points=7),
        "ceiling": lambda: fit_censored(frame, f"score ~ {common}", participant="id", high=MAXIMUM, points=7),
    }
    made: dict[str, object] = {}
    for name, fit in fits.items():
        made[name] = lambda fit=fit: last_arm(fit())

    def equations() -> tuple[float, ...]:
        fit = gee(frame, f"sum ~ {common}", participant="id", visit="visit", working="exchangeable")
        kinds = (replace(fit, small_sample=kind).fixed() for kind in (MANCL, KAUERMANN, None))
        return tuple(float(rows.set_index("term").loc["arm[T.b]", "p_value"]) for rows in kinds)

    made["equations"] = equations
    made["rank test of grades, exact"] = lambda: rank_test(a["grade"], b["grade"]).p_value

    def timed() -> tuple[float, float]:
        found = capped_time(last, time="time", done="done", cap=CAP, arm="arm")
        rows = found.frame().set_index("quantity")["p_value"]
        return float(rows["difference (pseudo-values)"]), float(rows["difference"])

    made["times"] = timed
    return made


WORDS = {
    "grades": ("grades, Wald t", "grades, likelihood ratio"),
    "sums": ("beta-binomial, Wald t", "beta-binomial, likelihood ratio"),
    "ceiling": ("censored normal, Wald t", "censored normal, likelihood ratio"),
    "equations": tuple(f"estimating equations, {kind}" for kind in (MANCL, KAUERMANN, "plain sandwich")),
    "times": ("restricted mean, pseudo-values", "restricted mean, Greenwood"),
}


def run(trials: int, seed: int = 30, journal: Path | None = None) -> pd.DataFrame:
    """p values of every test: columns per_arm, trial, test, p. Each trial has a seed of its own.

    journal: file of finished trials; a stopped run goes on from there. Small and large trials take turns, so that a run
    that was stopped has as many of both.
    """
    done = pd.read_csv(journal) if journal is not None and journal.exists() else pd.DataFrame(columns=list(COLUMNS))
    known = set(zip(done["per_arm"], done["trial"], strict=True))
    parts = [done]
    for trial, n in itertools.product(range(trials), SIZES):
        if (n, trial) in known:
            continue
        rows = pd.DataFrame(_trial(np.random.default_rng([seed, n, trial]), n, trial))
        parts.append(rows)
        if journal is not None:
            rows.to_csv(journal, mode="a", header=not journal.exists(), index=False)
    return pd.concat([part for part in parts if len(part)], ignore_index=True)


def _trial(rng: np.random.Generator, n: int, trial: int) -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    for name, ask in answers(people(rng, n)).items():
        names = WORDS.get(name, (name,))
        try:
            found = ask()
        except ValueError:
            found = (np.nan,) * len(names)
        values = found if isinstance(found, tuple) else (found,)
        rows += [{"per_arm": n, "trial": trial, "test": t, "p": v} for t, v in zip(names, values, strict=True)]
    return rows


def counted(table: pd.DataFrame) -> pd.DataFrame:
    """One row per test and number per arm: trials, share rejected of those with an answer, share refused."""
    table = table.assign(refused=table["p"].isna(), rejected=(table["p"] < 0.05).where(table["p"].notna()))
    found = table.groupby(["per_arm", "test"], sort=False)
    return found.agg(trials=("p", "size"), rejected=("rejected", "mean"), refused=("refused", "mean")).reset_index()


if __name__ == "__main__":
    to = Path(sys.argv[2]) if len(sys.argv) > 2 else None
    made = counted(run(int(sys.argv[1]) if len(sys.argv) > 1 else 100, journal=to and to.with_suffix(".trials.csv")))
    print(made.to_string())
    if to is not None:
        made.to_csv(to, index=False)
