"""People who reach an absolute level of force, angle or time that the protocol declares, with and without a device."""

from dataclasses import dataclass, replace
from math import nan
from typing import Unpack

import pandas as pd

from outcomes import columns as c
from outcomes.dynamometry.force import NEWTONS, convert_force
from stats.change.person_changes import enrolled_arms
from stats.errors import FitError
from stats.estimates import check_level
from stats.proportions.exact_tests import mcnemar_test
from stats.proportions.one_proportion import proportion_limits
from stats.proportions.paired_proportions import paired_risk_difference
from stats.result import Result
from stats.selection import Narrowed, Selected, rows, selection_of, visits_in_order

PLAIN = "unassisted"
COUNT, PAIRED = "reached", "difference inside people"
COLUMNS = (
    *("what", "arm", "visit", "condition", "reached", "measured", "enrolled", "estimate", "conf_low", "conf_high"),
    *("p_value", "both", "first_only", "second_only", "neither"),
)


@dataclass(frozen=True)
class Reached:
    """One count: `reached` of `measured` people; `enrolled` counts those without a value as well."""

    arm: str
    visit: str
    condition: str
    reached: int
    measured: int
    enrolled: int


@dataclass(frozen=True)
class ReachedPairs:
    """People measured both ways at one visit (or at two visits one way), by which of the two reached the level."""

    arm: str
    visit: str
    first: str
    second: str
    both: int
    first_only: int
    second_only: int
    neither: int

    @property
    def n(self) -> int:
        """Complete pairs."""
        return self.both + self.first_only + self.second_only + self.neither


@dataclass(frozen=True)
class LevelReached(Result):
    """How many people reach a level at each visit and condition, and the difference inside people."""

    counts: tuple[Reached, ...]
    pairs: tuple[ReachedPairs, ...]
    outcome: str
    level_value: float  # in `unit`
    unit: str
    better: str
    n_participants: int
    notes: tuple[str, ...]

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """Counts, then differences inside people.

        Columns: what ("reached" or "difference inside people"), arm, visit, condition (of a difference "assisted -
        unassisted" or "later - first" in words), reached, measured, enrolled, estimate (a share, or a difference of
        shares), conf_low, conf_high, p_value (exact McNemar, of a difference), both, first_only, second_only, neither.
        """
        level = check_level(level)
        made = []
        for one in self.counts:
            low, high = (
                proportion_limits(one.reached, one.measured, "clopper-pearson", level) if one.measured else (nan, nan)
            )
            share = one.reached / one.measured if one.measured else nan
            made.append(
                {"what": COUNT, "arm": one.arm, "visit": one.visit, "condition": one.condition, "reached": one.reached,
                 "measured": one.measured, "enrolled": one.enrolled, "estimate": share, "conf_low": low,
                 "conf_high": high, "p_value": nan}
            )  # fmt: skip
        for pair in self.pairs:
            if not pair.n:
                continue
            table = (pair.both, pair.first_only, pair.second_only, pair.neither)
            found = paired_risk_difference(*table, level=level)
            made.append(
                {"what": PAIRED, "arm": pair.arm, "visit": pair.visit, "condition": f"{pair.first} - {pair.second}",
                 "reached": pair.both + pair.first_only, "measured": pair.n, "enrolled": pair.n,
                 "estimate": found.estimate, "conf_low": found.conf_low, "conf_high": found.conf_high,
                 "p_value": mcnemar_test(pair.first_only, pair.second_only, "exact").p_value, "both": pair.both,
                 "first_only": pair.first_only, "second_only": pair.second_only, "neither": pair.neither}
            )  # fmt: skip
        return pd.DataFrame(made, columns=list(COLUMNS))

    def sentence(self, level: float = 0.95) -> str:
        """How many reached the level at each visit and condition, with exact intervals."""
        parts = []
        for row in self.frame(level).to_dict("records"):
            arm = f"{row['arm']}, " if row["arm"] else ""
            interval = f"{row['conf_low']:.0%} to {row['conf_high']:.0%}"
            if row["what"] == COUNT:
                told = f"{row['reached']} of {row['measured']} ({interval})" if row["measured"] else "nobody measured"
                parts.append(f"{arm}{row['visit']} {row['condition']} {told}")
            else:
                told = f"{100 * row['estimate']:.0f} percentage points ({interval}; {row['measured']} pairs)"
                parts.append(f"{arm}{row['visit']} {row['condition']} {told}")
        sign = "at least" if self.better == "higher" else "at most"
        return (
            f"{self.outcome}, people with {sign} {self.level_value:.4g} {self.unit}: {'; '.join(parts)}; {level:.0%}."
        )


def count_reaching(
    scores: pd.DataFrame,
    outcome: Selected,
    *,
    value: float,
    unit: str = "",
    participants: pd.DataFrame | None = None,
    **named: Unpack[Narrowed],
) -> LevelReached:
    """People at or beyond an absolute level of an outcome, visit by visit, in every condition it was measured in.

    scores: frame of `outcomes.score`. participants: a row for everyone enrolled. value, unit: the level and its unit,
    which may be another unit of force than the outcome's; better is at or above it where higher scores are better, else
    at or below. Where an outcome was measured assisted (or with the device worn without power) the difference from
    unassisted (or, without such scores, from unpowered) inside people is given for each visit, from complete pairs; and
    for each condition the difference of each later visit from the first one. Conditions are never pooled. There is no
    default: the level and its reason are the study's own.
    Returns `LevelReached`: counts with Clopper-Pearson intervals; differences with Newcombe's paired interval
    (Stat Med 1998;17:2635) and the exact McNemar p value. Raises FitError for another unit or an unknown outcome,
    InstrumentError for a force level in a unit that is no force.
    """
    selection = selection_of(outcome, **named)
    there = scores[scores[c.OUTCOME] == selection.named()]
    if there.empty:
        raise FitError(f"Outcome {selection.outcome!r} is not among the scores; take one that is.")
    conditions = [name for name in (PLAIN, "unpowered", "assisted") if (there[c.CONDITION] == name).any()]
    own_unit, better = str(there["unit"].iloc[0]), str(there["better"].iloc[0])
    if unit and unit != own_unit and not {unit, own_unit} <= set(NEWTONS):
        raise FitError(f"A level in {unit} of {selection.outcome}, which is in {own_unit}: allowed {own_unit}.")
    bound = convert_force(value, unit, own_unit) if unit and unit != own_unit else float(value)
    arms = enrolled_arms(scores, participants)
    tables: dict[str, pd.DataFrame] = {}
    visits: list[str] = []
    for name in conditions:
        own = rows(scores, replace(selection, condition=name))
        wide = own.pivot(index=c.PARTICIPANT, columns=c.VISIT, values=c.VALUE).reindex(arms.index)
        # A conversion of a whole number of kgf must not fail by the last binary digit.
        margin = 1e-9 * max(abs(bound), 1.0)
        met = (wide >= bound - margin) if better == "higher" else (wide <= bound + margin)
        tables[name] = met.where(wide.notna())
        visits = visits_in_order(own) if len(visits) < len(wide.columns) else visits
    counts, pairs = [], []
    for arm in sorted(arms.unique()):
        people = arms.index[arms == arm]
        for visit in visits:
            for name in conditions:
                own = _at(tables[name], people, visit)
                counts.append(Reached(str(arm), visit, name, int(own.sum()), len(own), len(people)))
        for visit in visits:
            # Without the device, or where nobody was measured so, with its power off.
            plain = conditions[0]
            for name in (name for name in conditions[1:] if plain != "assisted"):
                one, two = _at(tables[name], people, visit), _at(tables[plain], people, visit)
                pairs.append(_pairs(str(arm), visit, name, plain, one, two))
        for name in conditions:
            first = _at(tables[name], people, visits[0])
            for visit in visits[1:]:
                label = f"{name}, {visit}"
                later = _at(tables[name], people, visit)
                pairs.append(_pairs(str(arm), visit, label, f"{name}, {visits[0]}", later, first))
    side = "at or above" if better == "higher" else "at or below"
    notes = [f"People with a value {side} the level, of those measured."]
    if unit and unit != own_unit:
        notes.append(f"The level is {value:.10g} {unit}; exact constants.")
    return LevelReached(
        counts=tuple(counts),
        pairs=tuple(pairs),
        outcome=selection.named(),
        level_value=float(bound),
        unit=own_unit,
        better=better,
        n_participants=len(arms),
        notes=tuple(notes),
    )


def _at(met: pd.DataFrame, people: pd.Index, visit: str) -> pd.Series:
    """Whether each person measured at a visit reached the level."""
    if visit not in met:
        return pd.Series(dtype=bool)
    return met.loc[people, visit].dropna().astype(bool)


def _pairs(arm: str, visit: str, first: str, second: str, one: pd.Series, two: pd.Series) -> ReachedPairs:
    both = one.index.intersection(two.index)
    a, b = one.loc[both].to_numpy(dtype=bool), two.loc[both].to_numpy(dtype=bool)
    return ReachedPairs(
        arm, visit, first, second, int((a & b).sum()), int((a & ~b).sum()), int((~a & b).sum()), int((~a & ~b).sum())
    )
