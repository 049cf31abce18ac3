"""Error rates of models of trials with sites, under true nulls: the default rules, an intercept only, and none.

    python -m tests.simulation.sites --designs 40 --to tests/simulation/sites.csv

Every design draws the sites' sizes (6 to 14 people, mean 10), arms dealt in pairs within sites, baselines and 15 % of
the later values missing at random over three later visits; DRAWS trials of it draw new sites (SD 3), effects of the arm
by site (SD `by_arm` of the difference, zero on average), people (SD 5, half of it seen at baseline) and errors (SD 2, 3
and 4). The model is the one `fit_change` takes for the design; rejection at nominal 5 % of the difference at the last
visit by the df method of that model. `none`: share without an answer (counted as not rejected); `boundary`: share of
fits on the boundary. Monte-Carlo error at 2,000 trials 0.5 points, larger by the trials that share a design.
"""

import argparse
from dataclasses import replace

import numpy as np
import pandas as pd

from outcomes.protocol.trial import Arm, ModelChoice, PlannedVisit, Protocol, Randomisation
from stats import fit_change
from stats.mixed.many import template

SITES, BY_ARM, DRAWS = (4, 8, 20), (0.0, 3.0), 50
MODELS = {
    "default": ModelChoice(site="site"),
    "random with treatment by site": ModelChoice(site="site", site_effect="random"),
    "site intercept only": ModelChoice(site="site", site_effect="random"),
    "no sites": ModelChoice(),
}
DESIGN = Protocol(
    title="Made up", design="parallel", arms=(Arm("usual", "", reference=True), Arm("active", "")),
    visits=tuple(PlannedVisit(f"v{k}", "", 28.0 * k) for k in range(4)), outcomes=("made.total",),
    primary="made.total", randomisation=Randomisation(randomised=True),
)  # fmt: skip


def people_of(sites: int, rng: np.random.Generator) -> pd.DataFrame:
    """Participants with site and arm, arms dealt in pairs within sites."""
    size = 2 * rng.integers(3, 8, sites)
    site = np.repeat(np.arange(sites), size)
    arm = np.concatenate([rng.permutation(np.tile(["active", "usual"], n // 2)) for n in size])
    return pd.DataFrame({"participant": np.arange(len(site)), "site": [f"s{s}" for s in site], "arm": arm})


def draw(people: pd.DataFrame, by_arm: float, rng: np.random.Generator, draws: int) -> tuple[np.ndarray, np.ndarray]:
    """Baselines (n,) and later values (draws, n, 3) of one design."""
    n, sites = len(people), people["site"].nunique()
    site = pd.factorize(people["site"])[0]
    treated = (people["arm"] == "active").to_numpy() - 0.5
    seen = rng.normal(0, 3.5, n)
    baseline = 30 + seen + rng.normal(0, 2, n)
    level = rng.normal(0, 3, (draws, sites))[:, site] + rng.normal(0, by_arm, (draws, sites))[:, site] * treated
    person = seen + rng.normal(0, 3.5, (draws, n))
    return baseline, 30 + (level + person)[:, :, None] + rng.normal(0, 1, (draws, n, 3)) * np.array([2.0, 3.0, 4.0])


def one_design(sites: int, by_arm: float, seed: list[int], draws: int) -> pd.DataFrame:
    """Trials of one design, analysed by every model: model, trials, rejected, none, boundary."""
    rng = np.random.default_rng(seed)
    people = people_of(sites, rng)
    baseline, later = draw(people, by_arm, rng, draws)
    there = np.ones((len(people), 4), dtype=bool)
    there[:, 1:] = rng.random((len(people), 3)) > 0.15
    values = np.column_stack([baseline, later[0]])
    scores = pd.concat(
        [people[["participant", "arm"]].assign(
            visit=f"v{k}", day=28.0 * k, value=np.where(there[:, k], values[:, k], np.nan)) for k in range(4)],
        ignore_index=True,
    ).assign(instrument="made", scale="total", outcome="made.total", side="", hand="", condition="unassisted",
             unit="points", better="higher", answered=1, items=1, complete=True, reason="")  # fmt: skip
    rows = []
    for name, model in MODELS.items():
        fit = fit_change(scores, "made.total", design=replace(DESIGN, model=model), participants=people)
        sums = fit.fit.moments.sites
        above = {} if sums is None else {
            "site": "site", "site_random": "1" if name == "site intercept only" else "1 + arm"}  # fmt: skip
        again = template(fit.rows, fit.fit.formula, participant="participant", visit="visit",
                         random=fit.fit.random, covariance=fit.fit.covariance, **above)  # fmt: skip
        frame = again.layout.frame
        visit = frame["visit"].astype(str).str[1:].astype(int).to_numpy() - 1
        made = again.fit(later[:, frame["participant"].to_numpy(dtype=int), visit])
        last = fit.between().weights[-1:]
        p = made.estimates(last, fit.choice.df).p_value[:, 0]
        rows.append((name, draws, int((p < 0.05).sum()), int(np.isnan(p).sum()), int(made.solution.boundary.sum())))
    return pd.DataFrame(rows, columns=["model", "trials", "rejected", "none", "boundary"])


def study(sites: int, by_arm: float, designs: int, seed: int = 1, draws: int = DRAWS) -> pd.DataFrame:
    """One condition: sites, by_arm, model, trials, rejection, none, boundary."""
    parts = [one_design(sites, by_arm, [seed, sites, int(by_arm), k], draws) for k in range(designs)]
    total = pd.concat(parts).groupby("model", sort=False).sum()
    made = total.assign(**{name: total[name] / total["trials"] for name in ("rejected", "none", "boundary")})
    made = made.rename(columns={"rejected": "rejection"}).reset_index()
    return made.assign(sites=sites, by_arm=by_arm)[
        ["sites", "by_arm", "model", "trials", "rejection", "none", "boundary"]
    ]


def main() -> None:
    """Write the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--designs", type=int, default=40)
    parser.add_argument("--to", required=True)
    asked = parser.parse_args()
    made = []
    for sites in SITES:
        for by_arm in BY_ARM:
            made.append(study(sites, by_arm, asked.designs))
            pd.concat(made).to_csv(asked.to, index=False)
            print(made[-1].to_string())


if __name__ == "__main__":
    main()
