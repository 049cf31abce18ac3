"""Checks of joint angles: known joint, range, and passive against active motion."""

from collections.abc import Iterator

import pandas as pd

from outcomes.checks.grouping import group_codes, looked_up
from outcomes.checks.register import place, reports
from outcomes.findings import as_text, flag, texts
from outcomes.library.instrument import Item
from outcomes.library.known import find_instrument
from outcomes.scoring.angles import angle_item
from outcomes.study import Study

_ERROR = 5.0  # degrees; passive motion this much below active is more than the error of one rater's goniometry
_WORDS = ["digit", "joint", "movement", "mode"]


def with_items(angles: pd.DataFrame) -> pd.DataFrame:
    """The angles with the `instrument` and `item` each is scored under; blank where it is none."""
    codes = group_codes(angles, _WORDS)
    first = angles.iloc[pd.Series(codes).drop_duplicates().index][_WORDS]
    meant = [angle_item(*words) or ("", "") for words in first.itertuples(index=False, name=None)]
    named = pd.DataFrame(meant, columns=["instrument", "item"], dtype="str")
    return angles.assign(**{name: named[name].take(codes).to_numpy() for name in named})


@reports("unknown joint", "angle out of range")
def joints(study: Study) -> Iterator[pd.DataFrame]:
    if study.angles.empty:
        return
    frame = with_items(study.angles)
    rows = frame[(frame["instrument"] == "") & frame["mode"].isin(("active", "passive", "assisted"))]
    found = rows[_WORDS[:3]].apply(lambda words: words.str.strip()).agg(" ".join, axis=1) if len(rows) else ""
    yield flag("unknown joint", rows, **place(study, "angles", "joint"), found=found,
               allowed="a digit with mcp, pip, dip or ip, or a joint of the arm")  # fmt: skip
    known = frame[frame["instrument"] != ""]
    meant = known["instrument"] + " " + known["item"]
    items = {key: _item(*key.split()) for key in meant.unique()}
    # A deficit below 0 has its own rule; an extension may be written as a negative angle.
    lowest = {key: -item.high if key.endswith("deficit") else item.low for key, item in items.items()}
    highest = {key: item.high for key, item in items.items()}
    low, high = looked_up(meant, lowest, "float64"), looked_up(meant, highest, "float64")
    bad = known[(known["degrees"] > high) | (known["degrees"] < low)]
    allowed = {key: f"{as_text(item.low)} to {as_text(item.high)}" for key, item in items.items()}
    yield flag("angle out of range", bad, **place(study, "angles", "degrees", bad), found=bad["typed"],
               allowed=looked_up(meant[bad.index], allowed, "str"))  # fmt: skip


def _item(instrument: str, item: str) -> Item:
    found = find_instrument(instrument)
    known = found.item(item) if found else None
    if known is None:
        raise KeyError(f"{instrument} has no item {item}, although an angle is scored under it")
    return known


@reports("negative extension deficit")
def deficits(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.angles
    rows = frame[frame["movement"].str.contains("deficit", case=False) & (frame["degrees"] < 0)]
    yield flag("negative extension deficit", rows, **place(study, "angles", "degrees", rows), found=rows["typed"],
               allowed="0 or more; hyperextension has no deficit")  # fmt: skip


@reports("passive below active")
def passive_below_active(study: Study) -> Iterator[pd.DataFrame]:
    keys = ["participant", "visit", "side", "digit", "joint", "movement"]
    frame = study.angles[study.angles["degrees"].notna()].drop_duplicates([*keys, "mode"])
    active = frame[frame["mode"] == "active"].set_index(keys)["degrees"]
    passive = frame[frame["mode"] == "passive"].copy()
    if passive.empty or active.empty:
        return
    own = pd.Series(pd.MultiIndex.from_frame(passive[keys]).map(active), index=passive.index, dtype=float)
    deficit = passive["movement"].str.contains("deficit", case=False)
    short = (own - passive["degrees"]).where(~deficit, passive["degrees"] - own)
    rows = passive[short > _ERROR]
    if rows.empty:
        return
    yield flag(
        "passive below active",
        rows,
        **place(study, "angles", "degrees", rows),
        found="passive " + texts(rows["degrees"]) + ", active " + texts(own[rows.index]),
        allowed=f"passive motion no more than {as_text(_ERROR)} degrees less",
    )
