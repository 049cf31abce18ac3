"""Checks of one administration as a whole: items missing, gates, skip rules, the same answer throughout."""

from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd

from outcomes.checks.form_grids import KEYS, Grid
from outcomes.checks.register import file_of, place, reports_on_forms, reports_on_scores
from outcomes.columns import NOT_A_NUMBER
from outcomes.findings import as_text, flag, texts
from outcomes.study import Study

# Below so many answers the same answer throughout is ordinary; fewer suffice where some items are worded the other way
# round. Common practice, no source.
_FEWEST_FOR_STRAIGHT_LINE, _FEWEST_WITH_REVERSED = 8, 5


@reports_on_forms("against the gate", "against the skip rule", "same answer throughout")
def whole_administrations(study: Study, forms: Sequence[Grid]) -> Iterator[pd.DataFrame]:
    for grid in forms:
        yield from gates(study, grid)
        yield from skip_rules(study, grid)
        yield from straight_line(study, grid)


def gates(study: Study, grid: Grid) -> Iterator[pd.DataFrame]:
    """An item that only counts when others open it was scored while they do not."""
    for gate in grid.instrument.gates:
        opening = grid.values[list(gate.items)].sum(axis=1, skipna=False)
        own = grid.values[gate.item]
        wrong = (opening < gate.at_least) & own.notna() & (own != gate.otherwise)
        if not wrong.any():
            continue
        rows = _rows_of_item(study, grid.first[wrong], gate.item)
        yield flag(
            "against the gate",
            rows,
            **place(study, "items", "value", rows),
            found=f"{grid.instrument.id} item {gate.item}: " + rows["typed"],
            allowed=f"{as_text(gate.otherwise)} while {', '.join(gate.items)} together are below "
            f"{as_text(gate.at_least)}",
        )


def skip_rules(study: Study, grid: Grid) -> Iterator[pd.DataFrame]:
    """The first item is the hardest and the second the easiest of its scale; the others must not contradict them."""
    for scale in grid.instrument.scales:
        if scale.kind != "skip-rule":
            continue
        part = grid.values[list(scale.items)].to_numpy()
        items = [item for name in scale.items if (item := grid.instrument.item(name))]
        highest, lowest = np.array([item.high for item in items]), np.array([item.low for item in items])
        hardest, easiest, rest = part[:, 0], part[:, 1], part[:, 2:]
        passed = (hardest == highest[0]) & (part[:, 1:] < highest[1:]).any(axis=1)
        failed = (hardest < highest[0]) & (easiest == lowest[1])
        failed &= (rest > lowest[2:]).any(axis=1) | (hardest > lowest[0])
        for wrong, text in (
            (passed, f"{scale.items[0]} (hardest) at its highest, another item below it"),
            (failed, f"{scale.items[1]} (easiest) at its lowest, another item above it"),
        ):
            if wrong.any():
                found = f"{grid.instrument.id}.{scale.id}: {text}"
                yield flag("against the skip rule", grid.first[wrong], **place(study, "items", "item"), found=found)


def straight_line(study: Study, grid: Grid) -> Iterator[pd.DataFrame]:
    """Questionnaires only: an examiner's scale may well be full marks throughout.

    All answers at the best or at the worst end are ordinary, unless some items are worded the other way round.
    """
    scale = grid.instrument.main_scale
    items = [item for name in scale.items if (item := grid.instrument.item(name))]
    graded = all(item.levels for item in items) and all(item.unable is None for item in items)
    fewest = _FEWEST_WITH_REVERSED if scale.rule.get("reversed") else _FEWEST_FOR_STRAIGHT_LINE
    if grid.instrument.sided or not graded or len(items) < fewest:
        return
    part = grid.values[list(scale.items)].to_numpy()
    same = (part == part[:, :1]).all(axis=1)
    if not scale.rule.get("reversed"):
        same &= (part[:, 0] != items[0].high) & (part[:, 0] != items[0].low)
    if same.any():
        answers = pd.Series(part[same, 0], index=grid.first.index[same])
        found = f"{grid.instrument.id}: all {len(items)} answers are " + texts(answers)
        yield flag("same answer throughout", grid.first[same], **place(study, "items", "value"), found=found)


@reports_on_scores("incomplete")
def incomplete(study: Study, scores: pd.DataFrame) -> Iterator[pd.DataFrame]:
    """Scores that could not be given although something was recorded, with the reason scoring gave."""
    wanted = scores[scores["value"].isna() & scores["outcome"].isin(study.protocol.outcomes)]
    # A total that was typed has no items to complete, and its blank or word was reported when it was read.
    wanted = wanted[~wanted["reason"].isin([f"total {code}" for code in (*NOT_A_NUMBER, "not recorded")])]
    for name, rows in wanted.groupby("instrument", sort=False):
        yield flag("incomplete", rows, file=file_of(study, str(name)), found=rows["outcome"] + ": " + rows["reason"])


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
