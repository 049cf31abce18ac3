"""Sites of a trial: who is where, and how far sites differ, in the units of the outcome."""

import numpy as np
import pandas as pd

from notebooks.sections.change import Fits
from notebooks.show.exhibits import Exhibits, gather
from notebooks.show.tables import Table
from outcomes import columns as c
from stats.mixed.model.site_sums import FirstSums

PRINTED = 40  # rows of sites and arms; the file holds all of them


def sites_exhibits(fits: Fits) -> Exhibits:
    """Two tables for a protocol that names a column of sites; nothing for others."""
    column = fits.study.protocol.model.site
    if column is None or column not in fits.study.participants:
        return gather(())
    return gather((people_table(fits, column), apart_table(fits)))


def people_table(fits: Fits, column: str) -> Table:
    """Participants of every site by arm, and how many of them have the primary outcome at the primary visit."""
    protocol, scores = fits.study.protocol, fits.scores
    people = fits.study.participants.drop_duplicates("participant")
    visit = protocol.primary_visit or protocol.visits[-1]
    there = scores[(scores["outcome"] == protocol.primary) & (scores["visit"] == visit.id) & scores["value"].notna()]
    site = people[column].astype("string").fillna("").str.strip().replace("", "no site").astype(str)
    frame = pd.DataFrame({"site": site, "seen": people["participant"].isin(there["participant"])})
    frame[c.ARM] = people[c.ARM].astype(str) if c.ARM in people else ""
    groups = frame.groupby(["site", c.ARM], sort=True)["seen"]
    counts = groups.agg(people="size", seen="sum").reset_index()
    told = f"{fits.names.outcome(protocol.primary)} at {fits.names.visit(visit.id)}"
    arms = {"Arm": "{arm_label}"} if len(protocol.arms) > 1 else {}
    return Table(
        "sites", "Participants of each site", fits.names.labelled(counts),
        {"Site": "{site}", **arms, "Participants": "{people}", f"With {told}": "{seen}"},
        keys=("site", c.ARM), decimals=0, limit=PRINTED,
    )  # fmt: skip


def apart_table(fits: Fits) -> Table | None:
    """Standard deviations between sites, of the protocol's model; None where no model has random effects of sites."""
    made = []
    for one in fits.main:
        sites = one.fit.fit.moments.sites
        if not isinstance(sites, FirstSums):
            continue
        values = one.fit.fit.variances().set_index(["component", "name"])["value"]
        own = {name: np.sqrt(max(float(values[part, name]), 0.0)) for part, name in sites.effects.names
               if (part, name) in values.index}  # fmt: skip
        made.append({
            "outcome": one.outcome, "sites": len(sites.blocks), "of_means": own.get("var(Intercept)", np.nan),
            "of_differences": own.get("var(arm)", np.nan), "unit": one.fit.unit,
        })  # fmt: skip
    if not made:
        return None
    return Table(
        "between_sites", "How far sites differ", fits.names.labelled(pd.DataFrame(made)),
        {"Outcome": "{outcome_label}", "Sites": "{sites}", "SD of site means": "{of_means}",
         "SD of the difference between arms": "{of_differences}", "Unit": "{unit}"},
        keys=(c.OUTCOME,), decimals="decimals",
        notes=("Standard deviations from site to site, people of a site alike in all the model knows: of the mean, and "
               "of the difference between the arms. A few sites show them roughly. 0: sites differ no more than people "
               "of one site do; it does not show that they are alike.",),
    )  # fmt: skip
