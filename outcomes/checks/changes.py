"""Checks of change from visit to visit: jumps, ceilings, raters who changed."""

from collections.abc import Iterator

import numpy as np
import pandas as pd

from outcomes.checks.calendar import planned_days
from outcomes.checks.measurements import total_range
from outcomes.checks.register import file_of, looked_up, place, reports, reports_on_scores
from outcomes.findings import as_text, flag, texts
from outcomes.study import Study

# Common practice, no source: sizes of change that are likelier a typing error than a person's change.
_SHARE_OF_RANGE = 0.5  # of a bounded scale, between two neighbouring visits
_RATIO = 3.0  # of a measured value without an upper limit


@reports_on_scores("jump between visits")
def jumps(study: Study, scores: pd.DataFrame) -> Iterator[pd.DataFrame]:
    """Only outcomes of the study: on a part of a scale with a few points, half its range is ordinary noise."""
    keys = ["participant", "outcome", "side", "condition"]
    known = scores[scores["value"].notna() & scores["outcome"].isin(study.protocol.outcomes)]
    frame = known.sort_values([*keys, "day"], kind="stable")
    before = frame.groupby(keys, sort=False)[["value", "visit"]].shift()
    ranges = {outcome: total_range(study, *outcome.split(".")) for outcome in frame["outcome"].unique()}
    span = looked_up(frame["outcome"], {name: high - low for name, (low, high) in ranges.items()}, "float64")
    bounded = np.isfinite(span)
    change = (frame["value"] - before["value"]).abs()
    smaller = frame["value"].where(frame["value"] < before["value"], before["value"])
    larger = frame["value"].where(frame["value"] >= before["value"], before["value"])
    # A force of 0.5 and then of 2 kgf is three times as much and yet the resolution of the dial.
    beyond_spread = change > frame.groupby("outcome", sort=False)["value"].transform("std")
    times = (smaller > 0) & (larger > _RATIO * smaller) & beyond_spread
    wrong = (bounded & (change >= _SHARE_OF_RANGE * span)) | (~bounded & times)
    rows, earlier = frame[wrong], before[wrong]
    if rows.empty:
        return
    found = rows["outcome"] + " " + texts(earlier["value"]) + " at " + earlier["visit"].astype("str")
    files = {name: file_of(study, name) for name in rows["instrument"].unique()}
    yield flag(
        "jump between visits",
        rows.assign(file=looked_up(rows["instrument"], files, "str")),
        found=found + ", then " + texts(rows["value"]),
        allowed=bounded[wrong].map({
            True: f"less than {_SHARE_OF_RANGE:.0%} of the range",
            False: f"less than {as_text(_RATIO)} times as much",
        }),
    )  # fmt: skip


@reports_on_scores("best score at baseline")
def at_ceiling(study: Study, scores: pd.DataFrame) -> Iterator[pd.DataFrame]:
    """Who starts at the best possible score cannot improve, and no threshold can be reached."""
    frame = scores[(scores["outcome"] == study.protocol.primary) & (scores["visit"] == study.protocol.baseline.id)]
    if frame.empty:
        return
    low, high = total_range(study, *study.protocol.primary.split("."))
    best = looked_up(frame["better"], {"higher": high, "lower": low}, "float64")
    rows = frame[(frame["value"] == best) & (frame["hand"] != "other")]
    found = rows["outcome"] + " " + texts(rows["value"])
    yield flag("best score at baseline", rows, file=study.files["participants"], found=found)


@reports("rater changed")
def raters(study: Study) -> Iterator[pd.DataFrame]:
    """One finding per participant, instrument and visit at which another rater than at the first visit rated."""
    for table in ("visits", "items", "totals", "trials", "angles"):
        frame = study.table(table)
        frame = frame[frame["rater"] != ""]
        if frame["rater"].nunique() < 2:
            continue
        keys = [name for name in ("participant", "instrument") if name in frame]
        once = frame.drop_duplicates([*keys, "visit", "rater"]).assign(day=planned_days(study, frame["visit"]))
        once = once.sort_values("day", kind="stable")
        first = once.groupby(keys, sort=False)["rater"].transform("first")
        rows = once[once["rater"] != first]
        yield flag("rater changed", rows, **place(study, table, "rater"), found=rows["rater"],
                   allowed="as at the first visit: " + first[rows.index])  # fmt: skip
