"""Checks of change from visit to visit: jumps, ceilings, raters who changed."""

from collections.abc import Iterator

import numpy as np
import pandas as pd

from outcomes.checks.grouping import group_codes, looked_up
from outcomes.checks.register import file_of, place, reports, reports_on_scores
from outcomes.checks.scores.measurements import total_range
from outcomes.checks.visits.calendar import planned_days
from outcomes.findings import as_text, flag, texts
from outcomes.study import Study

# Common practice, no source: sizes of change that are likelier a typing error than a person's change.
_SHARE_OF_RANGE = 0.5  # of a bounded scale, between two neighbouring visits
_RATIO = 3.0  # of a measured value without an upper limit
_FEW_POINTS = 10.0  # a single rating of 0 to 10 moves by half its range without an error
_FENCE = 3.0  # interquartile ranges beyond the upper quartile: Tukey's "far out" (Exploratory Data Analysis, 1977)
_ENOUGH_FOR_A_FENCE = 20  # changes or values; common practice, no source
_WORDS = ("participant", "outcome", "visit", "better")


@reports_on_scores("jump between visits")
def jumps(study: Study, scores: pd.DataFrame) -> Iterator[pd.DataFrame]:
    """Only outcomes of the study: on a part of a scale with a few points, half its range is ordinary noise.

    Early after an injury many a person climbs half a scale in two weeks. So a jump must also be far out among the
    study's own changes from that visit, where there are enough, and no other outcome of the person may have moved the
    same way: a typing error sits in one form.
    """
    keys = ["participant", "outcome", "side", "condition"]
    known = np.flatnonzero(scores["value"].notna() & scores["outcome"].isin(study.protocol.outcomes))
    row = group_codes(scores, keys)[known]  # as numbers: texts take long to sort, and to copy
    order = np.lexsort((scores["day"].to_numpy(dtype=float)[known], row))
    known, row = known[order], row[order]
    frame = pd.DataFrame({name: scores[name].astype("category").array.take(known) for name in _WORDS})
    frame["value"] = scores["value"].to_numpy()[known]
    first = np.append(True, row[1:] != row[:-1])[: len(row)]
    before = pd.DataFrame({name: frame[name].shift().mask(first) for name in ("value", "visit")})
    ranges = {outcome: total_range(study, *outcome.split(".")) for outcome in frame["outcome"].unique()}
    span = looked_up(frame["outcome"], {name: high - low for name, (low, high) in ranges.items()}, "float64")
    bounded = np.isfinite(span)
    change = (frame["value"] - before["value"]).abs()
    smaller = frame["value"].where(frame["value"] < before["value"], before["value"])
    larger = frame["value"].where(frame["value"] >= before["value"], before["value"])
    # A force of 0.5 and then of 2 kgf is three times as much and yet the resolution of the dial.
    spread = frame.groupby("outcome", sort=False, observed=True)["value"].transform("std")
    times = (smaller > 0) & (larger > _RATIO * smaller) & (change > spread)
    wrong = (bounded & (span > _FEW_POINTS) & (change >= _SHARE_OF_RANGE * span)) | (~bounded & times)
    if wrong.any():
        wrong &= _far_out(change, frame["outcome"], before["visit"])
    if not wrong.any():
        return
    wrong &= ~_moved_elsewhere(frame, before, spread, wrong)
    at = np.flatnonzero(wrong)
    rows = scores.take(known[at]).set_axis(at).sort_values([*keys, "day"], kind="stable")
    earlier = before.loc[rows.index]
    if rows.empty:
        return
    found = rows["outcome"] + " " + texts(earlier["value"]) + " at " + earlier["visit"].astype("str")
    files = {name: file_of(study, name) for name in rows["instrument"].unique()}
    yield flag(
        "jump between visits",
        rows.assign(file=looked_up(rows["instrument"], files, "str")),
        found=found + ", then " + texts(rows["value"]),
        allowed=bounded[rows.index].map({
            True: f"less than {_SHARE_OF_RANGE:.0%} of the range",
            False: f"less than {as_text(_RATIO)} times as much",
        }),
    )  # fmt: skip


def _far_out(change: pd.Series, outcome: pd.Series, visit: pd.Series) -> np.ndarray:
    """Whether a change is far out among the study's changes from the same visit; True where these are few."""
    known = np.flatnonzero(change.notna())
    group = group_codes(pd.DataFrame({"outcome": outcome, "visit": visit}).take(known), ["outcome", "visit"])
    groups = change.take(known).groupby(group)  # numbered in the order of their numbers: a table to look up in
    quarters = groups.quantile([0.25, 0.75]).to_numpy().reshape(-1, 2).T[:, group]
    far = np.zeros(len(change), dtype=bool)
    limit = quarters[1] + _FENCE * (quarters[1] - quarters[0])
    far[known] = (np.bincount(group)[group] < _ENOUGH_FOR_A_FENCE) | (change.to_numpy()[known] > limit)
    return far


def _moved_elsewhere(frame: pd.DataFrame, before: pd.DataFrame, spread: pd.Series, asked: pd.Series) -> np.ndarray:
    """Whether another outcome of the person moved the same way between the same two visits, at least half as far.

    Distances in standard deviations of each outcome; only where enough values stand behind these. asked: rows whose
    answer is needed: the others of their people are looked at too, nobody else's. Texts of `frame` are categories.
    """
    outcome, person = frame["outcome"].cat.codes.to_numpy(), frame["participant"].cat.codes.to_numpy()
    enough = np.bincount(outcome)[outcome] >= _ENOUGH_FOR_A_FENCE
    looked_at = np.zeros(person.max(initial=-1) + 1, dtype=bool)
    looked_at[person[asked.to_numpy()]] = True
    own = np.flatnonzero(looked_at[person])
    all_rows, frame, before, spread = len(frame), frame.take(own), before.take(own), spread.take(own)
    frame, before = frame.astype(dict.fromkeys(_WORDS, "str")), before.astype({"visit": "str"})
    moved = (frame["value"] - before["value"]) / spread * np.where(frame["better"] == "lower", -1.0, 1.0)
    moved = moved.where(enough[own])
    table = pd.DataFrame({"person": frame["participant"], "outcome": frame["outcome"], "now": frame["visit"],
                          "then": before["visit"], "way": np.sign(moved), "far": moved.abs()})  # fmt: skip
    places = ["person", "then", "now", "way"]
    furthest = table.groupby([*places, "outcome"])["far"].max().sort_values(ascending=False).groupby(places)
    two = table.merge(furthest.nth(0).rename("first").reset_index(places), on=places, how="left")
    two = two.merge(furthest.nth(1).rename("second").reset_index(places), on=places, how="left")
    other = two["second"].where(two["far"] >= two["first"], two["first"])
    elsewhere = np.zeros(all_rows, dtype=bool)
    elsewhere[own] = other >= two["far"] / 2
    return elsewhere


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
        if frame["rater"].nunique() < 2:  # a blank, or one rater throughout
            continue
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
