"""The difference that matters: which one it is, where its number comes from, where it stands on the axis."""

from math import nan

import numpy as np

from notebooks.analysis import Analysis
from outcomes import columns as c
from outcomes import threshold
from outcomes.library.instrument import Threshold
from outcomes.library.registry import references
from outcomes.protocol.outcome_lists import OWN, PERCENT
from outcomes.protocol.trial import Protocol
from stats.errors import PlanError
from stats.planning.inputs import Given, known_value


def important_difference(
    analysis: Analysis, target: str | None, *, standardised: bool, axis: str = ""
) -> tuple[Given, str, float]:
    """The difference, its source in words, and its place on the axis (in SDs at baseline where `standardised`).

    axis: unit of the axis, "" where the papers name none; NaN is the place where it is another unit.

    target: key of a published threshold or label of the study's own; else the first important change that study.toml
    names of the primary outcome. Raises PlanError where there is none, or where it is a share of baseline.
    """
    listed = thresholds_of(analysis.study.protocol, target)
    found = listed[0] if target else next((one for one in listed if not one.strict), None)
    if found is None:
        raise PlanError(
            "study.toml names no important change of the primary outcome, published (MCID) or the study's own, and "
            "none is chosen."
        )
    if found.unit == PERCENT:
        raise PlanError(f"{found.key} is a share of each person's baseline; a difference of means needs a number.")
    if found.quantity == OWN:
        words = f"{OWN}: {found.source}"
    else:
        cited = references().get(found.source, {}).get("citation", found.source)
        words = f"{found.quantity}; {found.population}; {found.method}; {cited}"
    given = known_value(abs(found.value), words, found.unit)
    if not standardised and axis not in ("", found.unit):
        return given, words, nan
    return given, words, given.value / (_baseline_sd(analysis) if standardised else 1.0)


def thresholds_of(protocol: Protocol, target: str | None) -> list[Threshold]:
    """The one that is asked for, by its key or by the label study.toml gives it; else those of the primary outcome."""
    chosen = protocol.chosen_thresholds(protocol.primary)
    own = {one.key: one for one in chosen if isinstance(one, Threshold)}
    if target:
        return [own[target] if target in own else threshold(target)]
    return [one if isinstance(one, Threshold) else threshold(one) for one in chosen]


def _baseline_sd(analysis: Analysis) -> float:
    known = analysis.changes(analysis.study.protocol.primary)
    known = known[known["before"].notna()]
    inside = known["before"] - known.groupby(c.ARM)["before"].transform("mean")
    return float(np.sqrt((inside**2).sum() / (len(known) - known[c.ARM].nunique())))
