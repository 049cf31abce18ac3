"""Which scores rest on a value that the checks want looked at: figures mark them wherever they draw them."""

import pandas as pd

from outcomes import Findings, Study
from outcomes import columns as c
from outcomes.findings import rules

TABLES = ("items", "totals", "trials")


def flagged_values(findings: Findings, study: Study) -> pd.DataFrame:
    """Values of the tables that a plausibility rule doubts: participant, visit, instrument, side, rule."""
    frame = findings.frame()
    doubt = frame["rule"].map(lambda rule: bool(rules()[rule].doubt)).astype(bool)  # of no finding: no kind
    doubted = frame[doubt & frame["row"].notna()]
    parts = []
    for name in TABLES:
        table = getattr(study, name)
        if doubted.empty or table.empty or not {"row", "file"} <= set(table):
            continue
        keyed = table.assign(row=table["row"].astype("Int64"))
        own = doubted[["file", "row", "rule"]].assign(row=doubted["row"].astype("Int64"))
        found = keyed.merge(own, on=["file", "row"])
        parts.append(found.assign(side=found.get(c.SIDE, ""))[[c.PARTICIPANT, c.VISIT, "instrument", c.SIDE, "rule"]])
    columns = [c.PARTICIPANT, c.VISIT, "instrument", c.SIDE, "rule"]
    return pd.concat(parts, ignore_index=True).drop_duplicates() if parts else pd.DataFrame(columns=columns)


def flagged_in(scores: pd.DataFrame, flags: pd.DataFrame) -> frozenset[tuple[str, str]]:
    """(participant, visit) of the scores that rest on a doubted value; the side counts where the value has one."""
    doubted = {tuple(map(str, row)) for row in flags[[c.PARTICIPANT, c.VISIT, "instrument", c.SIDE]].to_numpy()}
    found = []
    for person, visit, instrument, side in (
        scores[[c.PARTICIPANT, c.VISIT, "instrument", c.SIDE]].astype(str).to_numpy()
    ):
        if {(person, visit, instrument, side), (person, visit, instrument, "")} & doubted:
            found.append((person, visit))
    return frozenset(found)
