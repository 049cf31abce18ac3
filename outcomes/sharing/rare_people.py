"""Rare combinations of age, sex, diagnosis and site: who could be recognised, and a rule that makes them coarser.

A combination is rare where fewer than `fewest` people of the study share it. The list is for whoever decides what may
be shared; it never goes into the shared folder, where it would point at these people. Counting people of the sample is
common practice; how many there are in the town or in the whole population is not known here.
"""

from dataclasses import dataclass

import pandas as pd

FEWEST = 3  # people who share a combination; common practice, no source: data providers ask for 3 to 11
BANDS = (5, 10, 20)  # years
OTHER = "other"
QUASI = ("age", "sex", "diagnosis")


@dataclass(frozen=True)
class RarePeople:
    """People whose combination is rare: new codes, their combinations, and by which columns it was judged."""

    people: pd.DataFrame  # participant and the columns of the combination, with `shared_by`
    columns: tuple[str, ...]
    fewest: int

    @property
    def sentence(self) -> str:
        """How many are rare, in words."""
        total = self.people.attrs.get("of", 0)
        return (
            f"{len(self.people)} of {total} participants have a combination of {', '.join(self.columns)} that fewer "
            f"than {self.fewest} share."
        )


def rare_people(participants: pd.DataFrame, places: tuple[str, ...] = (), fewest: int = FEWEST) -> RarePeople:
    """Participants with a rare combination. places: columns of sites and the like, judged as well."""
    columns = tuple(name for name in (*QUASI, *places) if name in participants)
    keys = participants[list(columns)].astype(object).fillna("").astype("str")
    shared_by = keys.groupby(list(columns))[columns[0]].transform("size") if columns else len(participants)
    rows = participants.assign(shared_by=shared_by)[["participant", *columns, "shared_by"]]
    rows = rows[rows["shared_by"] < fewest].reset_index(drop=True)
    rows.attrs["of"] = len(participants)
    return RarePeople(rows, columns, fewest)


def coarsened(
    participants: pd.DataFrame, places: tuple[str, ...] = (), fewest: int = FEWEST
) -> tuple[pd.DataFrame, list[str]]:
    """Participants whose combinations are coarser, and the steps taken; steps stop as soon as nothing is rare.

    The rule, in this order: ages become the middle of bands of 5, then 10, then 20 years, for everybody; then, for
    those who are still rare, the diagnosis becomes "other", the site "other", the sex blank, the age blank.
    """
    frame = participants.copy()
    steps: list[str] = []
    age = participants.get("age")

    def rare() -> pd.Series:
        return frame["participant"].isin(rare_people(frame, places, fewest).people["participant"])

    for band in BANDS if age is not None else ():
        if not rare().any():
            return frame, steps
        frame["age"] = (age // band) * band + band / 2
        steps = [f"Ages became the middle of bands of {band} years, for everybody."]
    blanks = (("diagnosis", OTHER), *((place, OTHER) for place in places), ("sex", ""), ("age", float("nan")))
    for column, instead in blanks:
        if column not in frame or not (who := rare()).any():
            continue
        frame[column] = frame[column].mask(who, instead)
        what = "blank" if instead != OTHER else f'"{OTHER}"'
        steps.append(f"{column} became {what} for {int(who.sum())} people whose combination was rare still.")
    left = int(rare().sum())
    if left:
        steps.append(f"{left} people are rare still: fewer than {fewest} are alike even so.")
    return frame, steps
