"""A cohort as a clinic would keep it: one workbook, one row per person, visits across, codes and remarks.

For trying the import: nothing in it is a study folder's own way of writing. Everything is invented.
"""

from pathlib import Path

import openpyxl
import pandas as pd

from outcomes.scoring.score import score
from synthetic_cohort.cohort import Cohort

# Heading and hand of the columns that repeat for every visit, by outcome.
_COLUMNS = {
    ("fma_ue.motor", "affected"): "FMA-UE",
    ("arat.total", "affected"): "ARAT",
    ("bbt.blocks", "affected"): "Box & Blocks aff",
    ("bbt.blocks", "other"): "Box & Blocks unaff",
    ("grip.force", "affected"): "Grip aff (kg)",
}


def write_clinic_workbook(cohort: Cohort, path: str | Path, *, visits: int = 3) -> Path:
    """Writes the first, the middle and the last of the planned visits (or the first few) into one wide sheet.

    path: a file ending in .xlsx. visits: how many visits stand in the workbook.
    """
    study = cohort.study
    planned = sorted(study.protocol.visits, key=lambda visit: visit.day)
    chosen = [planned[round(k * (len(planned) - 1) / max(visits - 1, 1))] for k in range(visits)]
    words = ["pre", *[f"wk {visit.day / 7:g}" for visit in chosen[1:]]]
    codes = {arm.id: number for number, arm in enumerate(study.protocol.arms, 1)}
    book = openpyxl.Workbook()
    data = book.active
    data.title = "Outcomes"
    table = _table(study, chosen, words, codes)
    data.append(list(table.columns))
    for row in table.itertuples(index=False):
        data.append(list(row))
    data.append([])
    means = [round(float(pd.to_numeric(table[name], errors="coerce").mean()), 1) for name in table.columns[5:]]
    data.append(["Mean", None, None, None, None, *means])
    key = book.create_sheet("Codes")
    key.append(["Variable", "Code", "Meaning"])
    for arm in study.protocol.arms:
        key.append(["Group", codes[arm.id], arm.label])
    book.save(path)
    return Path(path)


def _table(study, chosen, words, codes) -> pd.DataFrame:
    """One row a person: who they are, then every measure at every visit."""
    people = study.participants
    table = pd.DataFrame({"Patient ID": people["participant"], "Group": people["arm"].map(codes),
                          "Sex": people["sex"].str[:1], "Age": people["age"].map(lambda age: int(age)),
                          "Affected side": people["affected_side"].str[:1].str.upper()})  # fmt: skip
    scores = score(study)
    scores = scores[scores["condition"].isin(["", "unassisted"])]
    for (outcome, hand), heading in _COLUMNS.items():
        own = scores[(scores["outcome"] == outcome) & scores["hand"].isin([hand, ""])]
        for visit, word in zip(chosen, words, strict=True):
            at = own[own["visit"] == visit.id].drop_duplicates("participant").set_index("participant")
            table[f"{heading} {word}"] = [_cell(at, person, outcome) for person in people["participant"]]
    return table


def _cell(at: pd.DataFrame, person: str, outcome: str) -> object:
    """The number as a therapist writes it, the word where there is none, blank where nothing was taken."""
    if person not in at.index:
        return None
    value = at.loc[person, "value"]
    if pd.isna(value):
        return None
    return round(float(value), 1) if outcome == "grip.force" else round(float(value))
