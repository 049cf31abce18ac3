"""How sites and strata enter a model of change, by written rules.

A trial with sites asks two things: whether scores differ between sites, and whether the treatment does. With a variance
of site intercepts alone a true null is rejected in about one trial of five where the effect differs between sites, so
whoever names sites gets the treatment by site as well, as variances whose df are about the number of sites. Below FEW
sites such variances are not worth estimating: sites are then fixed effects, and the answer speaks of these sites, not
of sites in general. Error rates behind this: tests/simulation/sites.csv (`python -m tests.simulation.sites`).

Strata within which arms were dealt are fixed effects, as the randomisation asks (common practice, no source).
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.protocol.trial import ModelChoice
from stats.errors import FitError

FEW = 5  # sites: with fewer, fixed effects
EACH = 4  # participants for each coefficient of strata
SITE, MISSING = "site", "not known"
ONE_ARM_EACH = "Each site holds one arm: the arms are compared between sites, on about as many df."
BY_SITE = "The effect of the arm may differ between sites: treatment by site, about as many df as sites."


@dataclass(frozen=True)
class Above:
    """What stands above participants: fixed columns (name -> value of each participant), random effects of sites.

    fixed: columns by their names in a formula. site: every participant's site, None without random effects of sites;
    site_random as in `fit_mixed`. `notes`: the reasons, in order. `effect`: "fixed", "random" or "" without sites.
    """

    fixed: dict[str, pd.Series]
    site: pd.Series | None = None
    site_random: str | None = None
    notes: tuple[str, ...] = ()
    effect: str = ""


def above_participants(
    person: Iterable, arm: Iterable, choice: ModelChoice, strata: tuple[str, ...], participants: pd.DataFrame | None
) -> Above:
    """Sites and strata of the participants that a model holds: person and arm of each of its rows."""
    if choice.site is None and not (strata and choice.strata):
        return Above({})
    people = pd.DataFrame({"participant": person, "arm": np.asarray(arm)}).drop_duplicates("participant")
    if participants is None:
        if choice.site is not None:
            raise FitError(f"The site of every participant, column {choice.site}, stands in the table of participants: "
                           "give participants=.")  # fmt: skip
        return Above({}, notes=(f"The arms were dealt within strata ({', '.join(strata)}), which stand in the table of "
                                "participants: without participants= they are not in the model.",))  # fmt: skip
    table = participants.drop_duplicates("participant").set_index("participant")
    absent = [name for name in (*strata, *([choice.site] if choice.site else [])) if name not in table]
    if absent:
        raise FitError(f"{', '.join(absent)} not in the table of participants. Columns there: {', '.join(table)}.")
    fixed, notes = _strata(people, table, choice, tuple(name for name in strata if name != choice.site))
    if choice.site is None:
        return Above(fixed, notes=notes)
    where = people["participant"].map(table[choice.site]).astype("string")
    where = where.where(where.str.strip() != "").set_axis(people["participant"])
    return _sites(where, people.set_index("participant")["arm"], choice, fixed, notes)


def _strata(
    people: pd.DataFrame, table: pd.DataFrame, choice: ModelChoice, strata: tuple[str, ...]
) -> tuple[dict[str, pd.Series], tuple[str, ...]]:
    if not strata or not choice.strata:
        return {}, ()
    made, alike, known = {}, [], pd.get_dummies(people["arm"].astype("string").fillna(MISSING)).to_numpy(float)
    for k, name in enumerate(strata):
        value = people["participant"].map(table[name]).astype("string").fillna(MISSING)
        if value.nunique() < 2 or name in choice.covariates:
            continue
        both = np.column_stack([known, pd.get_dummies(value).to_numpy(float)[:, 1:]])
        if np.linalg.matrix_rank(both) < np.linalg.matrix_rank(known) + value.nunique() - 1:
            alike.append(name)
            continue
        known, made[f"stratum_{k + 1}"] = both, pd.Categorical(value)
    told = (f"Strata of the randomisation ({', '.join(alike)}) cannot be told apart from the arms or from one another: "
            "they are not in the model.",) if alike else ()  # fmt: skip
    strata = tuple(name for name in strata if name not in alike)
    size = sum(len(column.categories) - 1 for column in made.values())
    named = ", ".join(strata)
    if size * EACH > len(people):
        return {}, (*told, f"Strata of the randomisation ({named}) ask for {size} coefficients, {EACH} people each; "
                    f"there are {len(people)}: they are not in the model.",)  # fmt: skip
    if not made:
        return {}, told
    columns = {name: pd.Series(column, index=people["participant"]) for name, column in made.items()}
    return columns, (
        *told,
        f"Arms were dealt within strata ({named}): fixed effects of each.",
    )


def _sites(
    where: pd.Series, arm: pd.Series, choice: ModelChoice, fixed: dict[str, pd.Series], notes: tuple[str, ...]
) -> Above:
    missing = int(where.isna().sum())
    if missing:
        notes = (*notes, f"{missing} participants have no {choice.site} and are left out.")
    sizes = where.value_counts()
    if len(sizes) < 2:
        return Above(fixed, notes=(*notes, f"One {choice.site}: no effect of sites in the model."))
    effect, note = effect_of_sites(len(sizes), choice.site_effect)
    notes = (*notes, note)
    if effect == "fixed":
        return Above(fixed | {SITE: where.astype("category")}, notes=notes, effect=effect)
    both = int((arm.groupby(where.to_numpy()).nunique() > 1).sum())
    if arm.nunique() < 2:
        return Above(fixed, where, "1", notes, effect)
    if both < 2:
        return Above(fixed, where, "1", (*notes, ONE_ARM_EACH), effect)
    return Above(fixed, where, "1 + arm", (*notes, BY_SITE), effect)


def effect_of_sites(sites: int, asked: str) -> tuple[str, str]:
    """ "fixed" or "random" for so many sites, asked "auto", "fixed" or "random", and the reason."""
    if asked != "auto":
        return asked, f"{sites} sites, {asked} effects as the protocol says."
    if sites >= FEW:
        return "random", f"{sites} sites, {FEW} or more: random effects of sites."
    return "fixed", (
        f"{sites} sites, fewer than {FEW}: fixed effects of sites, and the answer is about these sites: taken as one "
        "about sites in general it is too sure where the effect differs between them (12 % of true nulls rejected at 4 "
        "sites, simulated)."
    )
