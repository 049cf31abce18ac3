"""Checks of side and hand: which hand was tested, whether that agrees with the participant and between visits."""

from collections.abc import Iterator

import numpy as np
import pandas as pd

from outcomes.checks.grouping import among, looked_up
from outcomes.checks.register import place, reports, reports_on_scores
from outcomes.checks.visits.calendar import planned_days
from outcomes.findings import flag
from outcomes.library.known import find_instrument, find_measure
from outcomes.scoring.analysed_hand import analysed_sides
from outcomes.sheets import MEASUREMENTS
from outcomes.study import Study


def _sided(study: Study, frame: pd.DataFrame) -> pd.Series:
    """1 for rows of a sided instrument, 0 for one without sides, missing where that is not known."""
    known: dict[str, bool | None] = {}
    for name in frame["instrument"].unique():
        instrument = find_instrument(str(name))
        declared = find_measure(study.protocol, str(name), "")
        known[name] = None if instrument is None or declared else instrument.sided
    return looked_up(frame["instrument"], known, "float64")


@reports("side without meaning", "both sides at once")
def meaning(study: Study) -> Iterator[pd.DataFrame]:
    for table in ("items", "totals", "trials"):
        frame = study.table(table)
        if frame.empty:
            continue
        sided = _sided(study, frame)
        rows = frame[sided.eq(0) & frame["side"].isin(("left", "right"))]
        yield flag("side without meaning", rows, **place(study, table, "side"), found=rows["side"], allowed="blank")
        rows = frame[sided.eq(1) & (frame["side"] == "both")]
        yield flag("both sides at once", rows, **place(study, table, "side"), found="both", allowed="left, right")


@reports("affected side missing")
def affected_side(study: Study) -> Iterator[pd.DataFrame]:
    """Without it no score can be said to be of the affected hand."""
    people = study.participants
    people = people[people["affected_side"] == ""]
    if people.empty:
        return
    tested = pd.Series(False, index=people.index)
    for table in ("items", "totals", "trials"):
        frame = study.table(table)
        if len(frame):
            one_handed = frame["side"].isin(("left", "right")) & _sided(study, frame).eq(1)
            tested |= among(people["participant"], frame.loc[one_handed, "participant"])
    rows = people[tested]
    yield flag(
        "affected side missing", rows, **place(study, "participants", "affected_side"), allowed="left, right, both"
    )


@reports_on_scores("two affected hands", "no hand to analyse")
def one_hand_each(study: Study, scores: pd.DataFrame) -> Iterator[pd.DataFrame]:
    """Of two affected hands one is analysed; the protocol says which."""
    people = study.participants.drop_duplicates("participant")
    people = people[people["affected_side"] == "both"]
    if people.empty:
        return
    wanted = scores[scores["outcome"].isin(study.protocol.outcomes) & scores["value"].notna()]
    sides = wanted[wanted["side"].isin(("left", "right"))].groupby("participant")["side"].nunique()
    people = people[looked_up(people["participant"], sides).fillna(0) > 0]
    if people.empty:
        return
    if study.protocol.both_hands is None:
        twice = people[looked_up(people["participant"], sides) > 1]
        if len(twice):
            yield flag("two affected hands", file="study.toml", column="both_hands",
                       found=f"{len(twice)} participants with two affected hands tested",
                       allowed="a table [both_hands] with analysed =")  # fmt: skip
        return
    without = people[looked_up(people["participant"], analysed_sides(scores, study)) == ""]
    rule = study.protocol.both_hands
    by = f" by {rule.by} at {study.protocol.baseline.id}" if rule.by else ""
    yield flag("no hand to analyse", without, file=study.files["participants"], column="affected_side",
               found=f"no {rule.analysed} hand{by}")  # fmt: skip


@reports("only the other hand", "tested hand changed")
def tested_hand(study: Study) -> Iterator[pd.DataFrame]:
    people = study.participants.drop_duplicates("participant").set_index("participant")["affected_side"]
    for table in MEASUREMENTS:
        frame = study.table(table)
        at = np.flatnonzero(frame["side"].isin(("left", "right")))
        tested = frame[["participant", "side"]].take(at)
        if tested.empty or (tested["side"] == looked_up(tested["participant"], people)).all():
            continue
        frame = frame.take(at)
        keys = ["participant", *(["instrument"] if "instrument" in frame else [])]
        once = frame.drop_duplicates([*keys, "visit", "side"]).assign(day=planned_days(study, frame["visit"]))
        once = once.sort_values("day", kind="stable")
        affected = looked_up(once["participant"], people)
        sides = once.groupby(keys, sort=False)["side"].transform("nunique")
        other = affected.isin(("left", "right")) & (once["side"] != affected) & (sides == 1)
        rows = once[other].drop_duplicates(keys)
        yield flag("only the other hand", rows, **place(study, table, "side"), found=rows["side"],
                   allowed="affected side " + affected[rows.index])  # fmt: skip
        # One hand at every visit, but not the same hand.
        per_visit = once.groupby([*keys, "visit"], sort=False)["side"].transform("nunique")
        first = once.groupby(keys, sort=False)["side"].transform("first")
        most = per_visit.groupby([once[key] for key in keys], sort=False).transform("max")
        rows = once[(most == 1) & (sides > 1) & (once["side"] != first)]
        yield flag("tested hand changed", rows, **place(study, table, "side"), found=rows["side"],
                   allowed="as at the first visit: " + first[rows.index])  # fmt: skip


@reports("assisted only")
def assisted_only(study: Study) -> Iterator[pd.DataFrame]:
    """A visit measured with the device but not without it cannot enter the main analysis."""
    for table in ("items", "totals", "trials"):
        frame = study.table(table)
        if not (frame["condition"] == "assisted").any():
            continue
        keys = ["participant", "visit", "instrument", "side"]
        without = set(frame.loc[frame["condition"] == "unassisted", keys].itertuples(index=False, name=None))
        once = frame[frame["condition"] == "assisted"].drop_duplicates(keys)
        alone = [key not in without for key in once[keys].itertuples(index=False, name=None)]
        rows = once[alone]
        yield flag("assisted only", rows, **place(study, table, "condition"), found=rows["instrument"])
