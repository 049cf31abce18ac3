"""The same measurement more than once: duplicates, double entry, two raters; compared item by item."""

from collections.abc import Iterator

import numpy as np
import pandas as pd

from outcomes.checks.grouping import group_codes, repeats
from outcomes.checks.register import place, reports
from outcomes.findings import flag, texts
from outcomes.study import Study

_OF_A_SET = ("velocity", "repetition")
KEYS = {
    "items": ["participant", "visit", "instrument", "side", "condition", "item"],
    "totals": ["participant", "visit", "instrument", "scale", "side", "condition"],
    "trials": ["participant", "visit", "instrument", "side", "condition", "trial"],
    # Repetitions, velocities, and a device on or off: each of them is a motion of its own.
    "angles": ["participant", "visit", "side", "digit", "joint", "movement", "mode", "condition", *_OF_A_SET],
}


_COMPARED = ["first", "second", "difference", "first_rater", "second_rater", "first_row", "second_row"]


@reports("duplicate row", "entered twice differently", "two raters")
def repeated(study: Study) -> Iterator[pd.DataFrame]:
    """Whatever is there twice is scored as neither: which one is meant is not ours to choose."""
    for table, keys in KEYS.items():
        frame = study.table(table)
        somebody = frame["participant"] != ""
        if not somebody.all():  # a large table is not copied for nothing
            frame = frame[somebody]
        if table == "trials":
            frame = frame[frame["trial"].notna()]
        rows = frame[repeats(frame, keys)]
        if rows.empty:
            continue
        if table == "angles":  # a number that is missing is equal to one that is missing
            frame, rows = (part.fillna(dict.fromkeys(_OF_A_SET, -1.0)) for part in (frame, rows))
        first = frame.drop_duplicates(keys).set_index(keys)
        at = first.reindex(pd.MultiIndex.from_frame(rows[keys])).set_axis(rows.index)
        measure = "degrees" if table == "angles" else "value"
        same = (rows["typed"] == at["typed"]) | (rows[measure] == at[measure])
        other_rater = rows["rater"] != at["rater"]
        told = [name for name in keys[2:] if name not in _OF_A_SET]
        what = rows[told].astype("str").agg(lambda parts: " ".join(part for part in parts if part), axis=1)
        typed = what + ": " + rows["typed"].replace("", "blank")
        allowed = "once; row " + texts(at["row"]) + " has " + at["typed"].replace("", "blank")
        for rule, part in (
            ("two raters", other_rater),
            ("duplicate row", ~other_rater & same),
            ("entered twice differently", ~other_rater & ~same),
        ):
            bad = rows[part]
            yield flag(rule, bad, **place(study, table, measure, bad), found=typed[part], allowed=allowed[part])


@reports("raters disagree")
def disagreements(study: Study) -> Iterator[pd.DataFrame]:
    compared = compare_ratings(study)
    if compared.empty:
        return
    rows = compared[(compared["first"] != compared["second"]) & compared["first"].notna() & compared["second"].notna()]
    rows = rows.rename(columns={"second_row": "row"})
    found = rows["instrument"] + " item " + rows["item"] + ": " + texts(rows["second"])
    yield flag("raters disagree", rows, **place(study, "items", "value"), found=found,
               allowed=texts(rows["first"]) + " by rater " + rows["first_rater"])  # fmt: skip


def compare_ratings(study: Study) -> pd.DataFrame:
    """Items that were rated or entered more than once, item by item.

    Returns one row per pair: participant, visit, instrument, side, condition, item, first, second, difference
    (second minus first), first_rater, second_rater, first_row, second_row. The first is the scored rating, or the
    earlier row of the file.
    """
    keys = KEYS["items"]
    every = pd.concat([study.items, study.second_ratings], ignore_index=True)
    every = every.assign(value=every["value"].astype(float), group=group_codes(every, keys))
    several = np.bincount(every["group"], minlength=1)[every["group"]] > 1
    every = every[several]
    if every.empty:
        return pd.DataFrame(columns=[*keys, *_COMPARED])
    nth = every.groupby("group", sort=False).cumcount()
    parts = ["value", "rater", "row"]
    first = (
        every[nth == 0]
        .set_index(keys)[parts]
        .rename(columns={"value": "first", "rater": "first_rater", "row": "first_row"})
    )
    later = every[nth > 0].set_index(keys)[parts].rename(
        columns={"value": "second", "rater": "second_rater", "row": "second_row"}
    )  # fmt: skip
    pairs = later.join(first).reset_index()
    pairs["difference"] = pairs["second"] - pairs["first"]
    return pairs[[*keys, *_COMPARED]]
