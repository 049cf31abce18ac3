"""Checks of joint angles: range, and passive against active motion."""

from collections.abc import Iterator

import pandas as pd

from outcomes.checks.register import place, reports
from outcomes.findings import as_text, flag, texts
from outcomes.study import Study

_LARGEST = 180.0  # degrees, for any joint: beyond it no joint goes
_ERROR = 5.0  # degrees; passive motion this much below active is more than the error of one rater's goniometry


@reports("angle out of range")
def out_of_range(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.angles
    rows = frame[frame["degrees"].abs() > _LARGEST]
    allowed = f"-{as_text(_LARGEST)} to {as_text(_LARGEST)}"
    yield flag(
        "angle out of range", rows, **place(study, "angles", "degrees", rows), found=rows["typed"], allowed=allowed
    )


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
    yield flag(
        "passive below active",
        rows,
        **place(study, "angles", "degrees", rows),
        found="passive " + texts(rows["degrees"]) + ", active " + texts(own[rows.index]),
        allowed=f"passive motion no more than {as_text(_ERROR)} degrees less",
    )
