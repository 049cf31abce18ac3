"""Assisted and unassisted in one model: the effect of a condition inside each visit, and its change over the visits.

Every row counts, also of visits where one of the two conditions was measured; `compare_within_visit` takes complete
pairs alone, one visit at a time. With complete pairs the mean effect is the paired t test of people's mean differences,
and at a single visit the paired t test itself.

Which covariance is written down, never chosen by a p value (see `stats.mixed.covariance.structure.paired`):
- a single visit: a variance per condition and their covariance; else one variance for both.
- three or more visits and at least MANY participants beyond the arms: a line over time per participant, for the level
  and for the effect of the condition ("paired-lines").
- otherwise a level and an effect per participant ("paired"), then the two without a correlation. Where effects change
  differently from person to person, p values of their change are then too small.
Each later one is tried only where the one before has no proven maximum.

Rejection of a true null at nominal 5 % by Kenward-Roger (tests/simulation/conditions.csv: 4 visits, 15 % of values
missing, 2,000 trials a cell, Monte-Carlo error 0.5 points): lines with 9 people or more, mean effect 4.6-5.7 %, change
from the first to the last visit 4.9-6.8 %, all changes 5.0-6.3 %; a level and an effect with 6 people, 2.5-4.9 % for
the mean effect and 5.1-6.1 % for changes, but 8-9 % for the change where effects develop differently in each person.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from outcomes import columns as c
from outcomes.protocol.trial import Protocol
from stats.change.person_changes import better_sign
from stats.errors import FitError
from stats.mixed.fit import MixedFit, fit_mixed
from stats.mixed.fitting.kenward_roger import KENWARD_ROGER
from stats.mixed.inference.fit_estimates import Estimates, JointTest
from stats.result import Result
from stats.selection import Selected, Selection, rows, selection_of, visits_in_order

MANY = 8  # with fewer, lines often have no maximum: tests/simulation/conditions.csv


@dataclass(frozen=True)
class ConditionFit(Result):
    """A model of two conditions over the visits. Positive effects: the first condition is better.

    cells: arm, visit, day of every visit with both conditions in an arm; effects (rows, q) the weights of first minus
    second there, sign turned so that positive is better. rows: the values analysed.
    """

    outcome: str
    first: str
    second: str
    fit: MixedFit
    covariance: str
    notes: tuple[str, ...]
    rows: pd.DataFrame = field(repr=False)
    cells: pd.DataFrame = field(repr=False)
    weights: np.ndarray = field(repr=False)

    @property
    def n_participants(self) -> int:
        """Participants in the model."""
        return self.fit.n_participants

    @property
    def unit(self) -> str:
        """Unit of the outcome."""
        return self.fit.unit

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """The effects at each visit: `effects().frame(level)`."""
        return self.effects().frame(level)

    def sentence(self, level: float = 0.95) -> str:
        """The effects at each visit in words."""
        return f"{self.outcome}. {self.effects().sentence(level)}"

    def effects(self, df: str = KENWARD_ROGER) -> Estimates:
        """First minus second at each visit with both: keys arm, visit, day."""
        return self._estimates(self.weights, self.cells, df)

    def means(self, df: str = KENWARD_ROGER) -> Estimates:
        """Mean of each condition at each visit in each arm, as measured: keys arm, visit, day, condition."""
        order = list(self.rows["cell"].cat.categories)
        keys = self.rows.drop_duplicates("cell").set_index("cell").loc[order]
        keys = keys[[c.ARM, c.VISIT, c.DAY, c.CONDITION]].reset_index(drop=True)
        made = self.fit.estimates(np.eye(len(order)), order, df=df, keys=keys)
        return replace(made, notes=(*self.notes, *(note for note in made.notes if note not in self.notes)))

    def changes(self, df: str = KENWARD_ROGER) -> Estimates:
        """The effect at each later visit minus that at the arm's first visit with both: keys arm, since, visit, day.

        Raises FitError where no arm has two visits with both conditions.
        """
        keys, L = self._changes()
        if not len(keys):
            raise FitError(f"{self.outcome}: no arm has two visits with both conditions, so no change of the effect.")
        return self._estimates(L, keys, df)

    def mean_effect(self, df: str = KENWARD_ROGER) -> Estimates:
        """The mean of the effects over the visits with both, each visit weighing the same: keys arm."""
        arms = list(dict.fromkeys(self.cells["arm"]))
        L = np.array([self.weights[(self.cells["arm"] == arm).to_numpy()].mean(axis=0) for arm in arms])
        return self._estimates(L, pd.DataFrame({"arm": arms}), df)

    def joint(self, df: str = KENWARD_ROGER) -> JointTest:
        """Does the effect change over the visits, in any arm?

        Raises FitError where no arm has two visits with both conditions.
        """
        keys, L = self._changes()
        if not len(keys):
            raise FitError(f"{self.outcome}: no arm has two visits with both conditions, so no change of the effect.")
        return replace(self.fit.test(L, df=df, label="condition x time"), notes=self.notes)

    def _changes(self) -> tuple[pd.DataFrame, np.ndarray]:
        keys, L = [], []
        for _, of_arm in self.cells.groupby("arm", sort=False):
            first = of_arm.index[0]
            for k in of_arm.index[1:]:
                keys.append({**self.cells.loc[k], "since": self.cells["visit"][first]})
                L.append(self.weights[k] - self.weights[first])
        return pd.DataFrame(keys, columns=["arm", "since", "visit", "day"]), np.array(L)

    def _estimates(self, L: np.ndarray, keys: pd.DataFrame, df: str) -> Estimates:
        named = [[str(key[name]) for name in ("arm", "visit") if key.get(name, "") != ""] for _, key in keys.iterrows()]
        labels = [", ".join([f"{self.first} - {self.second}", *parts]) for parts in named]
        made = self.fit.estimates(L, labels, df=df, keys=keys)
        return replace(made, notes=(*self.notes, *(note for note in made.notes if note not in self.notes)))


def fit_conditions(
    scores: pd.DataFrame,
    outcome: Selected,
    *,
    design: Protocol | None = None,
    first: str = "assisted",
    second: str = "unassisted",
) -> ConditionFit:
    """Model both conditions of one outcome over the visits: a mean per arm, visit and condition.

    scores: frame of `outcomes.score`, conditions in its column `condition`. outcome: its name or a `Selection` (hand,
    people; its condition plays no part). first, second: the conditions, compared first minus second. design: the
    protocol; its arms come in its order, the reference first. Raises FitError where a condition was never measured, no
    visit has both in any arm, or no model can be fitted.
    Source: paired t test where every pair is complete; the rules for the covariance are our own, with their error rates
    in tests/simulation/conditions.csv. Means are in the outcome's own unit.
    """
    selection = selection_of(outcome)
    frame, sign, visits = _rows(scores, selection, first, second)
    outcome = selection.named()
    arms = _arms(frame, design)
    seen = frame.groupby([c.ARM, c.VISIT], observed=True)[c.CONDITION].nunique()
    cells = pd.DataFrame(
        [
            {"arm": arm, "visit": visit, "day": frame.loc[frame[c.VISIT] == visit, c.DAY].iloc[0]}
            for arm in arms
            for visit in visits
            if seen.get((arm, visit), 0) == 2
        ]
    )
    if cells.empty:
        raise FitError(f"{outcome}: no visit has both {first} and {second} in any arm. Compare them between visits.")
    notes = _counts(frame, first, second)
    unit = str(frame["unit"].iloc[0]) if "unit" in frame else ""
    errors: list[str] = []
    for covariance, why in _steps(frame, len(arms), seen):
        try:
            fit = fit_mixed(
                frame, "value ~ 0 + cell", participant=c.PARTICIPANT, visit="slot", covariance=covariance, unit=unit
            )
        except FitError as error:
            errors.append(f"Not possible with {covariance}: {error}")
            continue
        weights = np.zeros((len(cells), len(fit.terms)))
        order = list(frame["cell"].cat.categories)
        for k, cell in cells.iterrows():
            weights[k, order.index(_cell(cell["visit"], first, cell["arm"]))] = sign
            weights[k, order.index(_cell(cell["visit"], second, cell["arm"]))] = -sign
        told = tuple(dict.fromkeys([*notes, *errors, why, *fit.notes]))
        return ConditionFit(outcome, first, second, replace(fit, notes=told), covariance, told, frame, cells, weights)
    raise FitError(
        f"{outcome}: no model of both conditions can be fitted. {errors[-1]} "
        "compare_within_visit gives the plain paired comparison."
    )


def _rows(scores: pd.DataFrame, selection: Selection, first: str, second: str) -> tuple[pd.DataFrame, int, list[str]]:
    """Rows with a value of both conditions, the sign of better, and visits in order."""
    parts = [rows(scores, replace(selection, condition=name)).assign(condition=name) for name in (first, second)]
    outcome = selection.named()
    sign = better_sign(parts[0]["better"].iloc[0]) if "better" in parts[0] else 1
    frame = pd.concat(parts, ignore_index=True)
    frame = frame[frame[c.VALUE].notna()]
    missing = [name for name in (first, second) if not (frame[c.CONDITION] == name).any()]
    if missing:
        raise FitError(f"{outcome} has no value {' or '.join(missing)}: there is nothing to compare within a visit.")
    visits = visits_in_order(frame)
    days = frame.drop_duplicates(c.VISIT).set_index(c.VISIT)[c.DAY]
    if days.duplicated().any():
        same = ", ".join(map(str, days.index[days.duplicated(keep=False)]))
        raise FitError(f"Visits {same} have the same planned day. Give each visit its own day in the protocol.")
    arm = frame[c.ARM].astype(str) if c.ARM in frame else pd.Series("", index=frame.index)
    label = {visit: repr(float(day)) for visit, day in days.items()}
    slots = [f"{label[v]}, {name}" for v in visits for name in (first, second)]
    slot = [f"{label[v]}, {name}" for v, name in zip(frame[c.VISIT], frame[c.CONDITION], strict=True)]
    cell = [_cell(*key) for key in zip(frame[c.VISIT], frame[c.CONDITION], arm, strict=True)]
    frame = frame.assign(arm=arm, slot=pd.Categorical(slot, [s for s in slots if s in set(slot)]))
    return frame.assign(cell=pd.Categorical(cell, sorted(set(cell)))), sign, visits


def _cell(visit: object, condition: object, arm: object) -> str:
    return f"{visit}, {condition}, {arm}"


def _arms(frame: pd.DataFrame, design: Protocol | None) -> list[str]:
    found = sorted(frame[c.ARM].unique())
    if design is None:
        return found
    order = [arm.id for arm in sorted(design.arms, key=lambda arm: not arm.reference)]
    return [arm for arm in order if arm in found] + [arm for arm in found if arm not in order]


def _counts(frame: pd.DataFrame, first: str, second: str) -> list[str]:
    """How many people and visits had both conditions, and what had one."""
    per_visit = frame.groupby([c.PARTICIPANT, c.VISIT], observed=True)[c.CONDITION].nunique()
    both = per_visit[per_visit == 2]
    people = both.index.get_level_values(0).nunique()
    notes = [
        f"{frame[c.PARTICIPANT].nunique()} participants, {people} with both {first} and {second} at a visit; "
        f"{len(both)} pairs and {int((per_visit == 1).sum())} single values."
    ]
    if people < 3:
        notes.append("Fewer than three participants with both conditions at a visit: intervals say little.")
    return notes


def _steps(frame: pd.DataFrame, arms: int, seen: pd.Series) -> Iterator[tuple[str, str]]:
    """Covariances in the order they are tried, each with its reason."""
    people = frame[c.PARTICIPANT].nunique()
    visits = frame[c.VISIT].nunique()
    both = seen[seen == 2].index.get_level_values(1).nunique()
    if visits == 1:
        yield "unstructured", "One visit: a variance for each condition, and their covariance."
        yield "compound-symmetry", "Stepped down to one variance for both conditions."
        return
    free = people - arms
    if both >= 3 and free >= MANY:
        yield (
            "paired-lines",
            f"{both} visits with both conditions and {people} participants in {arms} arm(s): each participant has a "
            "line over time for the level and for the effect of the condition.",
        )
    doubt = " Where effects change differently from person to person, p values of their change are too small."
    why = "Each participant has a level and an effect of the condition."
    yield "paired", why + doubt * (both >= 3)
    yield "paired-uncorrelated", "Stepped down to level and effect without a correlation." + doubt * (both >= 3)
