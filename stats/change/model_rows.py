"""The rows of one outcome that a model of change uses, and the coding of arms, visits and baseline."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TypeAlias

import numpy as np
import pandas as pd
from pandas.api.extensions import ExtensionArray

from outcomes.protocol.trial import ModelChoice, Protocol
from stats.change.site_rules import SITE, Above, above_participants
from stats.change.term_columns import covariate_columns
from stats.change.visit_days import DAYS, days_of_scores, visits_by_day
from stats.errors import FitError
from stats.selection import Selection, positions

COMMON = "all arms"
Column: TypeAlias = np.ndarray | ExtensionArray


@dataclass(frozen=True)
class ChangeRows:
    """Scores of one outcome with a value, as columns: participant, arm, visit (ordered), day, value, covariates.

    person, slot: integer codes of participant and visit (into `visits`), one per row. arms: reference first; empty in a
    single-arm study. `everyone` is the number of participants in the scores.
    covariates: their names among the columns, which a formula takes as names only (`stats.change.term_columns`).
    """

    outcome: str
    columns: Mapping[str, Column]
    person: np.ndarray
    slot: np.ndarray
    arms: tuple[str, ...]
    reference: str
    visits: tuple[str, ...]
    days: Mapping[str, float]
    unit: str
    better: str
    everyone: int
    covariates: tuple[str, ...]
    notes: tuple[str, ...]
    randomised: bool
    baseline_mean: float = field(default=0.0)
    above: Above = field(default_factory=lambda: Above({}))

    @property
    def baseline(self) -> str:
        """The first visit."""
        return self.visits[0]

    @property
    def n_participants(self) -> int:
        """Participants with a value."""
        return len(np.unique(self.person))

    @property
    def one_baseline(self) -> bool:
        """Whether everybody with a later value who has a baseline has the same one (all at the lower end, say)."""
        if "value" not in self.columns:  # rows of a plan, of nobody
            return False
        first = np.flatnonzero((self.slot == 0) & np.isin(self.person, self.person[self.slot > 0]))
        return len(np.unique(np.asarray(self.columns["value"], dtype=float)[first])) == 1

    def later_without_baseline(self) -> tuple[str, ...]:
        """Participants with a later value but none at the first visit."""
        rows = np.flatnonzero((self.slot > 0) & ~np.isin(self.person, self.person[self.slot == 0]))
        if not len(rows):
            return ()
        return tuple(sorted({str(name) for name in np.asarray(self.columns["participant"].take(rows))}))

    def entry(self) -> pd.DataFrame:
        """Everybody's value at the first visit: participant, arm, value."""
        first = np.flatnonzero(self.slot == 0)
        return pd.DataFrame({name: self.columns[name].take(first) for name in ("participant", "arm", "value")})

    def design(self, choice: ModelChoice) -> tuple[pd.DataFrame, str, pd.DataFrame]:
        """Frame, formula and cells (arm, visit, day) for a choice with nothing left to decide."""
        slot, columns = self.slot, dict(self.columns)
        extra = "".join(f" + {name}" for name in self.covariates)
        if choice.baseline in ("covariate", "change"):
            columns, slot, terms = self._later(choice)
            extra = terms + extra
        columns["time"] = np.asarray(columns["day"]) / DAYS[choice.time_unit]
        if choice.time == "visit":
            # The arms are categories by construction, which a mapping of columns does not say.
            columns["cell"], cells = self._cells(np.asarray(columns["arm"].codes), slot, choice)  # type: ignore[union-attr]
            return pd.DataFrame(columns), f"value ~ 0 + cell{extra}", cells
        if len(self.arms) < 2:
            formula = f"value ~ {self._time(choice)}{extra}"
        elif choice.baseline == "constrained":
            formula = f"value ~ {self._time(choice)} + {self._time(choice)}:arm{extra}"
        else:
            formula = f"value ~ {self._time(choice)} * arm{extra}"
        days = [(visit, self.days[visit]) for k, visit in enumerate(self.visits) if (slot == k).any()]
        cells = pd.DataFrame([{"arm": arm, "visit": v, "day": d} for arm in self.arms or ("",) for v, d in days])
        return pd.DataFrame(columns), formula, cells

    def _later(self, choice: ModelChoice) -> tuple[dict[str, Column], np.ndarray, str]:
        """The rows after baseline, with it as a covariate or taken off: columns, visits, terms it adds to a formula."""
        value = np.asarray(self.columns["value"], dtype=float)
        first = np.full(self.person.max() + 1, np.nan)
        first[self.person[self.slot == 0]] = value[self.slot == 0]
        own = first[self.person]
        off = choice.baseline == "change"
        kept = (self.slot > 0) & ~(np.isnan(own) if off or choice.missing_baseline == "leave-out" else False)
        later = np.flatnonzero(kept)
        if not len(later):
            raise FitError(f"{self.outcome}: nobody has a value at {self.baseline} and at a later visit.")
        slot, own = self.slot[later], own[later]
        columns = {name: column.take(later) for name, column in self.columns.items() if name != "visit"}
        columns["visit"] = coded(slot, self.visits)
        if off:
            return columns | {"value": value[later] - own}, slot, ""
        centred = np.where(np.isnan(own), 0.0, own - self.baseline_mean)
        terms = (
            "" if self.one_baseline
            else " + visit:baseline" if choice.time == "visit" and self._slope_per_visit(slot, centred)
            else " + baseline"
        )  # fmt: skip
        if choice.missing_baseline == "mean-and-indicator" and np.isnan(own).any():
            terms += " + no_baseline"
        return columns | {"baseline": centred, "no_baseline": np.isnan(own).astype(float)}, slot, terms

    def _slope_per_visit(self, slot: np.ndarray, baseline: np.ndarray) -> bool:
        """Whether there are two or more later visits and each has people enough for a baseline slope of its own."""
        of_visit = [baseline[slot == k] for k in np.unique(slot)]
        enough = max(len(self.arms), 1) + 3
        return len(of_visit) > 1 and all(len(own) >= enough and len(np.unique(own)) > 1 for own in of_visit)

    def offset(self, choice: ModelChoice, cells: pd.DataFrame) -> np.ndarray | None:
        """Mean baseline that goes with each cell: of everybody (covariate), or of the arm (change); else None."""
        if choice.baseline == "covariate":
            return np.full(len(cells), self.baseline_mean)
        if choice.baseline != "change":
            return None
        first = np.flatnonzero((self.slot == 0) & np.isin(self.person, self.person[self.slot > 0]))
        value = np.asarray(self.columns["value"], dtype=float)[first]
        if len(self.arms) < 2:
            return np.full(len(cells), value.mean())
        arm = np.asarray(self.columns["arm"].take(first).astype(str))
        return np.array([value[arm == name].mean() for name in cells["arm"].astype(str)])

    def _time(self, choice: ModelChoice) -> str:
        if choice.time == "linear":
            return "time"
        knots = [f"np.maximum(time - {float(knot)!r}, 0)" for knot in choice.knots]
        return f"({' + '.join(['time', *knots])})" if knots else "time"

    def _cells(self, arm: np.ndarray, slot: np.ndarray, choice: ModelChoice) -> tuple[pd.Categorical, pd.DataFrame]:
        """The cell of every row, and what is known of each cell that occurs: arm, visit, day.

        A cell is an arm at a visit, the reference first; the first visit is one cell of all arms where the baseline is
        constrained.
        """
        several, visits = len(self.arms) > 1, self.visits
        code = np.where(arm < 0, -1, arm * len(visits) + slot) if several else slot  # -1: an arm not in the protocol
        if several and choice.baseline == "constrained":
            code = np.where(slot == 0, 0, code)
        known = (code >= 0) if several else np.full(len(code), True)
        present = np.unique(code[known])
        at = [visits[k % len(visits)] for k in present]
        own = [self.arms[k // len(visits)] if self.arms else "" for k in present]
        if several and choice.baseline == "constrained" and present[0] == 0:
            own[0] = COMMON
        names = [f"{visit}, {name}" for visit, name in zip(at, own, strict=True)] if several else at
        cells = pd.DataFrame({"arm": own, "visit": at, "day": [self.days[visit] for visit in at]})
        return pd.Categorical.from_codes(np.where(known, np.searchsorted(present, code), -1), categories=names), cells

    def weights(
        self, choice: ModelChoice, cells: pd.DataFrame, terms: tuple[str, ...], frame: pd.DataFrame
    ) -> np.ndarray:
        """Coefficient weights (cells, q) of the means; covariates at their mean, the baseline covariate at its own."""
        L = np.zeros((len(cells), len(terms)))
        for name in self.covariates:
            for k, term in enumerate(terms):
                if term == name:
                    L[:, k] = frame[name].mean()
                elif term.startswith(f"{name}[T."):
                    L[:, k] = 1.0 / frame[name].nunique()
        if choice.time == "visit":
            L[np.arange(len(cells)), np.arange(len(cells))] = 1.0
            return L
        for row, cell in enumerate(cells.itertuples()):
            at = cell.day / DAYS[choice.time_unit]
            values = {"Intercept": 1.0, "time": at, "1": 1.0}
            values |= {f"np.maximum(time - {float(knot)!r}, 0)": max(at - knot, 0.0) for knot in choice.knots}
            own = f"arm[T.{cell.arm}]"  # ids of arms may hold any mark, so names of terms are made, never taken apart
            values |= {f"{name}:{own}": value for name, value in values.items()} | {own: 1.0}
            values |= {f"{own}:{name}": value for name, value in values.items()}
            L[row] = np.where([term in values for term in terms], [values.get(term, 0.0) for term in terms], L[row])
        return L


def model_rows(
    scores: pd.DataFrame,
    selection: Selection,
    design: Protocol | None,
    choice: ModelChoice,
    participants: pd.DataFrame | None,
) -> ChangeRows:
    """The rows with a value, in visit order; notes say how many there are and what is missing."""
    at, outcome = positions(scores, selection), selection.named()
    value = scores["value"].to_numpy(dtype=float)[at]
    there = np.flatnonzero(~np.isnan(value))
    if not len(there):
        raise FitError(f"{outcome} has no value at any visit: there is nothing to model.")
    found = value[there]
    if len(found) > 1 and found.min() == found.max():
        raise FitError(
            f"{outcome} has no variation left: every value is {found[0]}. Check the column, or say so in words."
        )
    slot, days, day_notes = visits_by_day(scores, at, design)
    seen = np.bincount(slot[there], minlength=len(days)) > 0
    visits = tuple(visit for visit, has in zip(days, seen, strict=True) if has)
    slot = (np.cumsum(seen) - 1)[slot[there]]
    notes = list(day_notes)
    if not seen.all():
        unseen = ", ".join(visit for visit, has in zip(days, seen, strict=True) if not has)
        notes.append(f"No value at {unseen}: not part of the model.")
    taken = at[there]
    person, people = pd.factorize(scores["participant"].array.take(at))
    everyone, person = len(people), person[there]
    code, names = pd.factorize(scores["arm"].array.take(taken) if "arm" in scores else np.full(len(there), "", object))
    _arm_known(names, code, people[person], design, outcome)
    arms, arm_notes = _arms([str(name) for name in names], code, person, design)
    notes += arm_notes
    if len(visits) < 2:
        raise FitError(f"{outcome} has values at one visit only ({visits[0]}): change needs two. Describe it instead.")
    own_day, without_date, day_notes = days_of_scores(scores, taken, choice, outcome, differ=bool(day_notes))
    notes += day_notes
    place = {name: k for k, name in enumerate(arms)} or dict.fromkeys(map(str, names), 0)  # one arm goes without a name
    columns: dict[str, Column] = {
        "participant": scores["participant"].array.take(taken),
        "arm": pd.Categorical.from_codes(
            np.array([place.get(str(name), -1) for name in names])[code], categories=arms or ("",)
        ),
        "visit": pd.Categorical.from_codes(slot, categories=visits),
        "day": own_day,
        "planned_day": without_date,
        "value": found,
    }
    covariates = _covariates(columns["participant"], choice, participants)
    strata = () if design is None or not design.randomised else design.randomisation.strata
    above = above_participants(columns["participant"], columns["arm"], choice, strata, participants)
    people_of_rows = pd.Series(columns["participant"])
    covariates |= {name: people_of_rows.map(values).array for name, values in above.fixed.items()}
    if above.site is not None:
        columns[SITE] = people_of_rows.map(above.site).array
    columns |= covariates
    notes.insert(
        0, f"{len(np.unique(person))} of {everyone} participants and {len(there)} of {len(at)} scores have a value."
    )
    if design is not None and design.design == "parallel" and design.randomisation.randomised is None and len(arms) > 1:
        notes.append("study.toml does not say whether the arms were randomised: they are compared as randomised.")
    used = found[(slot == 0) & np.isin(person, person[slot > 0])]
    return ChangeRows(
        outcome=outcome, columns=columns, person=person, slot=slot, arms=arms, reference=arms[0] if arms else "",
        visits=visits, days={visit: days[visit] for visit in visits},
        unit=str(scores["unit"].iloc[at[0]]) if "unit" in scores else "",
        better=str(scores["better"].iloc[at[0]]) if "better" in scores else "higher",
        everyone=everyone, covariates=tuple(covariates), notes=tuple(notes),
        randomised=design is not None and design.randomised and len(arms) > 1,
        baseline_mean=float(used.mean()) if len(used) else 0.0, above=above,
    )  # fmt: skip


def _arm_known(
    names: np.ndarray, code: np.ndarray, participant: np.ndarray, design: Protocol | None, outcome: str
) -> None:
    """FitError where people with a score have no arm and others have one: they are nobody to leave out unsaid."""
    unknown = np.array([*(name == "" for name in names), True])[code]  # code -1, missing, is the last
    if (design is not None and design.design == "single-arm") or unknown.all() or not unknown.any():
        return
    told = list(dict.fromkeys(map(str, participant[unknown])))
    raise FitError(
        f"{outcome}: participants {', '.join(told[:5])}{', ...' if len(told) > 5 else ''} have scores and no arm. "
        "Write the arm they were given into the table of participants, or take out those who never had one."
    )


def _arms(
    names: list[str], code: np.ndarray, person: np.ndarray, design: Protocol | None
) -> tuple[tuple[str, ...], list[str]]:
    """Arms with values, the reference first, and notes. names, code: the arm of each row; person: its participant."""
    found = [arm for arm in sorted(names) if arm != ""]
    if len(found) < 1 or (design is not None and design.design == "single-arm"):
        return (), []
    notes = []
    if design is not None and design.arms:
        order = sorted((arm for arm in design.arms if arm.id in found), key=lambda arm: not arm.reference)
        absent = [arm.id for arm in design.arms if arm.id not in found]
        if absent:
            notes.append(f"No value in arm {', '.join(absent)}.")
        found = [arm.id for arm in order]
        if not any(arm.reference for arm in order) and len(found) > 1:
            notes.append(f"No reference arm has values; {found[0]} takes its place.")
    elif len(found) > 1:
        notes.append(f"No protocol given: {found[0]}, first by name, is the reference arm.")
    counts = {arm: len(np.unique(person[code == names.index(arm)])) for arm in found}
    small = [f"{arm} ({counts[arm]})" for arm in found if counts[arm] < 3]
    if small and len(found) > 1:
        notes.append(f"Fewer than three participants with values in {', '.join(small)}: intervals say little.")
    return tuple(found), notes


def coded(slot: np.ndarray, visits: tuple[str, ...]) -> pd.Categorical:
    """Visits by their codes; categories are those that occur."""
    present = np.unique(slot)
    return pd.Categorical.from_codes(np.searchsorted(present, slot), categories=[visits[k] for k in present])


def _covariates(person: Column, choice: ModelChoice, participants: pd.DataFrame | None) -> dict[str, Column]:
    if not choice.covariates:
        return {}
    if participants is None:
        raise FitError(f"Covariates {', '.join(choice.covariates)} need the participants table: give participants=.")
    table = participants.drop_duplicates("participant").set_index("participant", drop=False)
    table = table[table.index.isin(person)]
    people = pd.Series(person)
    columns = covariate_columns(table, choice.covariates)
    return {name: people.map(pd.Series(values, index=table.index)).array for name, values in columns.items()}
