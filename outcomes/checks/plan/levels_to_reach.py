"""Checks of [[levels]]: an outcome that exists, in a unit it can be compared in."""

from collections.abc import Iterator

import pandas as pd

from outcomes.checks.register import reports_on_scores
from outcomes.dynamometry.force import NEWTONS
from outcomes.findings import flag
from outcomes.study import Study


@reports_on_scores("level of an outcome without data", "level in another unit")
def levels(study: Study, scores: pd.DataFrame) -> Iterator[pd.DataFrame]:
    where = {"file": "study.toml", "column": "levels"}
    for level in study.protocol.levels:
        own = scores[scores["outcome"] == level.outcome]
        if own.empty:
            known = ", ".join(scores["outcome"].unique()[:12])
            yield flag("level of an outcome without data", **where, found=f"{level.id}: {level.outcome}", allowed=known)
            continue
        unit = str(own["unit"].iloc[0])
        if level.unit != unit and not {level.unit, unit} <= set(NEWTONS):
            yield flag("level in another unit", **where, found=f"{level.id}: {level.unit}", allowed=unit)
