"""How far the answer hangs on choices, on single people and on what is missing: from the other choices of the plan."""

from dataclasses import dataclass

import pandas as pd

from notebooks.analysis import Analysis
from notebooks.first_page.main_result import MainResult
from stats.change.person_changes import better_sign
from stats.choices.choice_grid import WITHOUT_ONE
from stats.choices.choice_runs import CHANGE, DIFFERENCE, EFFECT
from stats.errors import FitError

LEAVING_OUT = "leaving one out"
NO_CHOICE = "for comparison only"  # extremes that nobody would choose


@dataclass(frozen=True)
class Strip:
    """The answers of one kind of choice."""

    choice: str
    answers: tuple[float, ...]


@dataclass(frozen=True)
class HowSure:
    """Improvement by the plan, and under every other choice; of one person left out, the furthest from it.

    influential: code of the person without whom the answer moves most, and the answer without them. furthest: the
    choice (not a person) whose answer is furthest from the plan's. refused: choices that could not be run.
    """

    by_plan: float
    strips: tuple[Strip, ...]
    influential: tuple[str, float] | None
    furthest: tuple[str, str, float] | None
    without: dict[str, float]  # code of a person -> the answer without them
    refused: int

    @property
    def answers(self) -> list[float]:
        """All answers but the plan's."""
        return [value for strip in self.strips for value in strip.answers]


def how_sure(analysis: Analysis, result: MainResult) -> HowSure | str:
    """The answers under other choices for the first comparison; a reason where there are none."""
    if result.kind == "pooled":
        return "Not shown while the study is blinded: other choices are compared by arm."
    try:
        found = analysis.choices()
    except FitError as error:
        return str(error)
    frame = found.frame(analysis.study.protocol.level)
    frame = frame[frame["quantity"].isin([DIFFERENCE, CHANGE, EFFECT])]
    frame = frame[frame["comparison"] == frame["comparison"].iloc[0]] if len(frame) else frame
    frame = frame[~frame["option"].str.contains(NO_CHOICE, regex=False)]
    known, refused = frame[frame["estimate"].notna()], int(frame["estimate"].isna().sum())
    plan = known[known["is_protocol"]]
    others = known[~known["is_protocol"]]
    if plan.empty or others.empty:
        return "No other choice could be run on these data."
    sign = better_sign(found.better)
    by_plan = sign * float(plan["estimate"].iloc[0])
    values = sign * others["estimate"].astype(float)
    single = others["option"].str.startswith(WITHOUT_ONE)
    kinds = others["choice"].where(~single, LEAVING_OUT)
    strips = tuple(Strip(str(kind), tuple(own)) for kind, own in values.groupby(kinds, sort=False))
    return HowSure(by_plan, strips, _influential(others[single], values, by_plan),
                   _furthest(others[~single], values, by_plan), _without(others[single], values), refused)  # fmt: skip


def _without(rows: pd.DataFrame, values: pd.Series) -> dict[str, float]:
    return {str(rows.loc[at, "option"]).removeprefix(WITHOUT_ONE): float(values[at]) for at in rows.index}


def _influential(rows: pd.DataFrame, values: pd.Series, by_plan: float) -> tuple[str, float] | None:
    if rows.empty:
        return None
    at = (values[rows.index] - by_plan).abs().idxmax()
    return str(rows.loc[at, "option"]).removeprefix(WITHOUT_ONE), float(values[at])


def _furthest(rows: pd.DataFrame, values: pd.Series, by_plan: float) -> tuple[str, str, float] | None:
    if rows.empty:
        return None
    at = (values[rows.index] - by_plan).abs().idxmax()
    return str(rows.loc[at, "choice"]), str(rows.loc[at, "option"]), float(values[at])
