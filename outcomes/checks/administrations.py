"""Checks of one administration as a whole: items missing, gates, skip rules, the same answer throughout."""

from collections.abc import Iterator

import numpy as np
import pandas as pd

from outcomes.checks.register import place, reports, reports_on_scores
from outcomes.findings import as_text, flag, texts
from outcomes.instrument import Instrument
from outcomes.known import find_instrument
from outcomes.study import Study

KEYS = ["participant", "visit", "instrument", "side", "condition"]
_FEWEST_FOR_STRAIGHT_LINE = 5  # below five answers the same answer throughout is ordinary; common practice, no source


def grids(study: Study) -> Iterator[tuple[Instrument, pd.DataFrame, pd.DataFrame]]:
    """For each instrument: administrations x items as numbers, and the first row of each administration."""
    for name, rows in study.items.groupby("instrument", sort=False):
        instrument = find_instrument(str(name))
        if instrument is None or len(instrument.items) < 2:
            continue
        known = rows[rows["item"].isin([item.id for item in instrument.items])].drop_duplicates([*KEYS, "item"])
        if known.empty:
            continue
        codes, _ = pd.factorize(pd.MultiIndex.from_frame(known[KEYS]))
        place_of = {item.id: number for number, item in enumerate(instrument.items)}
        values = np.full((codes.max() + 1, len(place_of)), np.nan)
        values[codes, known["item"].map(place_of).to_numpy()] = known["value"]
        first = known.iloc[np.unique(codes, return_index=True)[1]]
        yield instrument, pd.DataFrame(values, index=first.index, columns=list(place_of)), first


@reports("against the gate")
def gates(study: Study) -> Iterator[pd.DataFrame]:
    for instrument, grid, first in grids(study):
        for gate in instrument.gates:
            opening = grid[list(gate.items)].sum(axis=1, skipna=False)
            wrong = (opening < gate.at_least) & grid[gate.item].notna() & (grid[gate.item] != gate.otherwise)
            rows = _rows_of_item(study, first[wrong], gate.item)
            yield flag(
                "against the gate",
                rows,
                **place(study, "items", "value", rows),
                found=f"{instrument.id} item {gate.item}: " + rows["typed"],
                allowed=f"{as_text(gate.otherwise)} while {', '.join(gate.items)} together are below "
                f"{as_text(gate.at_least)}",
            )


@reports("against the skip rule")
def skip_rules(study: Study) -> Iterator[pd.DataFrame]:
    """The first item is the hardest and the second the easiest of its scale; the others must not contradict them."""
    for instrument, grid, first in grids(study):
        for scale in instrument.scales:
            if scale.kind != "gated":
                continue
            part = grid[list(scale.items)]
            highest = np.array([item.high for name in scale.items if (item := instrument.item(name))])
            lowest = np.array([item.low for name in scale.items if (item := instrument.item(name))])
            hardest, easiest, rest = part.iloc[:, 0], part.iloc[:, 1], part.iloc[:, 2:]
            passed = (hardest == highest[0]) & (part.iloc[:, 1:] < highest[1:]).any(axis=1)
            failed = (hardest < highest[0]) & (easiest == lowest[1])
            failed &= (rest > lowest[2:]).any(axis=1) | (hardest > lowest[0])
            for wrong, text in (
                (passed, f"{scale.items[0]} (hardest) at its highest, another item below it"),
                (failed, f"{scale.items[1]} (easiest) at its lowest, another item above it"),
            ):
                yield flag("against the skip rule", first[wrong], **place(study, "items", "item"),
                           found=f"{instrument.id}.{scale.id}: {text}")  # fmt: skip


@reports("same answer throughout")
def straight_lines(study: Study) -> Iterator[pd.DataFrame]:
    """Questionnaires only: an examiner's scale may well be full marks throughout.

    All answers at the best end are ordinary, unless some items are worded the other way round.
    """
    for instrument, grid, first in grids(study):
        scale = instrument.main_scale
        part = grid[[item for item in scale.items if item in grid]]
        items = [item for name in scale.items if (item := instrument.item(name))]
        graded = all(item.levels for item in items) and all(item.unable is None for item in items)
        if instrument.sided or not graded or len(items) < _FEWEST_FOR_STRAIGHT_LINE:
            continue
        same = part.notna().all(axis=1) & (part.nunique(axis=1) == 1)
        if not scale.rule.get("reversed"):
            best = items[0].high if items[0].better == "higher" else items[0].low
            same &= part.iloc[:, 0] != best
        found = f"{instrument.id}: all {len(items)} answers are " + texts(part.loc[same].iloc[:, 0])
        yield flag("same answer throughout", first[same], **place(study, "items", "value"), found=found)


@reports_on_scores("incomplete")
def incomplete(study: Study, scores: pd.DataFrame) -> Iterator[pd.DataFrame]:
    """Scores that could not be given although something was recorded, with the reason scoring gave."""
    wanted = scores[scores["value"].isna() & scores["outcome"].isin(study.protocol.outcomes)]
    for name, rows in wanted.groupby("instrument", sort=False):
        file = next((study.files[table] for table in ("items", "totals", "trials", "angles")
                     if table in study.files and "instrument" in study.table(table)
                     and name in set(study.table(table)["instrument"])), "")  # fmt: skip
        yield flag("incomplete", rows.drop(columns="value"), file=file, found=rows["outcome"] + ": " + rows["reason"])


@reports_on_scores("typed total differs")
def typed_totals(study: Study, scores: pd.DataFrame) -> Iterator[pd.DataFrame]:
    wrong = scores[scores["reason"].str.contains("typed total differs", regex=False)]
    found = wrong["outcome"] + ", from the items " + texts(wrong["value"])
    yield flag("typed total differs", wrong, file=study.files.get("totals", ""), column="value", found=found)


def _rows_of_item(study: Study, first: pd.DataFrame, item: str) -> pd.DataFrame:
    """The rows of one item in the administrations whose first rows are given."""
    frame = study.items[(study.items["item"] == item)]
    wanted = pd.MultiIndex.from_frame(first[KEYS])
    return frame[pd.MultiIndex.from_frame(frame[KEYS]).isin(wanted)]
