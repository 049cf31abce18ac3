"""Questionnaires whose answers were typed turned round: one form, or one part of all forms, against the rest of it.

Some forms print their best answer first in one section and last in the next; a library without their wording can only
ask that every answer be entered turned the same way, and look whether it was.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.checks.form_grids import Grid
from outcomes.checks.register import place, reports_on_forms
from outcomes.findings import flag, texts
from outcomes.library.instrument import Instrument, Scale
from outcomes.study import Study

# Common practice, no source, all of these.
_WORST, _BEST = 0.25, 0.75  # of a scale's range: beyond them an answer is at one end
_FEWEST_OTHERS = 2  # sections that must stand at the other end
_FEWEST_PEOPLE = 8
_BY_CHANCE = 0.001  # how rarely a part of no relation to the rest may be called turned round


@reports_on_forms("answers against each other", "part against the rest")
def turned_round(study: Study, forms: Sequence[Grid]) -> Iterator[pd.DataFrame]:
    for grid in forms:
        if not _questionnaire(grid.instrument):
            continue
        yield from _forms(study, grid)
        yield from _parts(study, grid)


def _questionnaire(instrument: Instrument) -> bool:
    """Whether people answer it: what an examiner finds of one side may well run against the other side."""
    return all(item.levels and item.unable is None for item in instrument.items)


def _forms(study: Study, grid: Grid) -> Iterator[pd.DataFrame]:
    """A section at its worst end while all others that belong with it are at their best, or the other way round."""
    names = grid.instrument.agreeing
    if len(names) <= _FEWEST_OTHERS:
        return
    level = np.stack([_level(grid, scale) for name in names if (scale := grid.instrument.scale(name))], axis=1)
    for place_of, name in enumerate(names):
        own, others = level[:, place_of], np.delete(level, place_of, axis=1)
        known = ~np.isnan(others)
        high, low = np.where(known, others, 1.0).min(axis=1), np.where(known, others, 0.0).max(axis=1)
        against = ((own <= _WORST) & (high >= _BEST)) | ((own >= _BEST) & (low <= _WORST))
        against &= known.sum(axis=1) >= _FEWEST_OTHERS
        if not against.any():
            continue
        rows = grid.first[against]
        rest = np.where(own <= _WORST, high, low)[against]
        found = f"{grid.instrument.id}: {name} " + texts(_percent(own[against], rows))
        towards = pd.Series(np.where(own <= _WORST, " or more", " or less")[against], index=rows.index)
        allowed = f"near {', '.join(one for one in names if one != name)}: " + texts(_percent(rest, rows)) + towards
        yield flag("answers against each other", rows, **place(study, "items", "value"), found=found, allowed=allowed)


def _percent(level: NDArray[np.float64], rows: pd.DataFrame) -> pd.Series:
    return pd.Series(np.round(100 * level), index=rows.index)


def _level(grid: Grid, scale: Scale) -> NDArray[np.float64]:
    """Where each form stands on a scale, from 0 (worst) to 1 (best); NaN where less than half was answered."""
    values = grid.values[list(scale.items)].to_numpy()
    items = [item for name in scale.items if (item := grid.instrument.item(name))]
    low, high = np.array([item.low for item in items]), np.array([item.high for item in items])
    turned = np.isin(scale.items, scale.rule.get("reversed", ()))
    part = (values - low) / (high - low)
    part = np.where(turned, 1 - part, part)
    known = ~np.isnan(part)
    count = known.sum(axis=1)
    mean = np.where(known, part, 0.0).sum(axis=1) / np.maximum(count, 1)
    mean = np.where(2 * count > len(items), mean, np.nan)
    return 1 - mean if scale.better == "lower" else mean


def _parts(study: Study, grid: Grid) -> Iterator[pd.DataFrame]:
    """A section, or an item of its scale, that over all people goes down where the rest goes up."""
    instrument = grid.instrument
    for whole in instrument.scales:
        sections = [scale for name in whole.rule.get("scales", ()) if (scale := instrument.scale(name))]
        # Only where a published total turns some of them: of two hands, one section may well run against the other.
        if len(sections) > _FEWEST_OTHERS and instrument.agreeing:
            yield from _against_the_rest(study, grid, [scale.id for scale in sections],
                                         np.stack([_level(grid, scale) for scale in sections], axis=1))  # fmt: skip
    for scale in _smallest(instrument):
        items = [item for name in scale.items if (item := instrument.item(name))]
        alone = [_level(grid, replace(scale, items=(item.id,))) for item in items]
        yield from _against_the_rest(study, grid, [item.id for item in items], np.stack(alone, axis=1))


def _smallest(instrument: Instrument) -> list[Scale]:
    """Sums and means of several items that hold no smaller one: a total of two hands is left to its hands."""
    own = [one for one in instrument.scales if one.kind in ("sum", "mean") and len(one.items) > _FEWEST_OTHERS]
    return [one for one in own if not any(set(other.items) < set(one.items) for other in own)]


def _against_the_rest(
    study: Study, grid: Grid, names: Sequence[str], level: NDArray[np.float64]
) -> Iterator[pd.DataFrame]:
    # Every person once: visits of one person are no further evidence.
    people = pd.DataFrame(level).groupby(grid.first["participant"].to_numpy()).mean().to_numpy()
    for place_of, name in enumerate(names):
        others = np.delete(people, place_of, axis=1)
        known = ~np.isnan(people[:, place_of]) & (~np.isnan(others)).any(axis=1)
        if known.sum() < _FEWEST_PEOPLE:
            continue
        own, rest = people[known, place_of], np.nanmean(others[known], axis=1)
        together = _correlation(own, rest)
        if np.isfinite(together) and together < 0 and _chance(together, len(own)) < _BY_CHANCE:
            found = f"{grid.instrument.id}: {name}, correlation \u2212{-together:.2f} over {len(own)} people"
            yield flag("part against the rest", **place(study, "items", "item"), found=found,
                       allowed="the same direction as the rest of the form")  # fmt: skip


def _correlation(first: NDArray[np.float64], second: NDArray[np.float64]) -> float:
    if np.ptp(first) == 0 or np.ptp(second) == 0:
        return float("nan")
    return float(np.corrcoef(first, second)[0, 1])


def _chance(correlation: float, people: int) -> float:
    """How often a correlation so low comes of nothing, by Student's t law."""
    from scipy.special import stdtr  # a tenth of a check to load, and seldom asked

    if correlation <= -1:
        return 0.0
    statistic = correlation * np.sqrt((people - 2) / (1 - correlation**2))
    return float(stdtr(people - 2, statistic))
