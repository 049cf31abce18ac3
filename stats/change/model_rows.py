"""The rows of one outcome that a model of change uses, and the coding of arms, visits and baseline."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from outcomes.protocol.trial import ModelChoice, Protocol
from stats.errors import FitError
from stats.selection import Selection, rows

COMMON = "all arms"
DAYS = {"day": 1.0, "week": 7.0, "month": 30.4375}


@dataclass(frozen=True)
class ChangeRows:
    """Scores of one outcome with a value: participant, arm, visit (ordered), day, value, covariates.

    arms: reference first; empty in a single-arm study. `everyone` is the number of participants in the scores.
    """

    outcome: str
    frame: pd.DataFrame
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

    @property
    def baseline(self) -> str:
        """The first visit."""
        return self.visits[0]

    @property
    def n_participants(self) -> int:
        """Participants with a value."""
        return self.frame["participant"].nunique()

    def with_baseline(self) -> int:
        """Participants with a value at the first visit."""
        return int((self.frame["visit"] == self.baseline).sum())

    def with_later(self) -> int:
        """Participants with a value at a later visit."""
        return self.frame.loc[self.frame["visit"] != self.baseline, "participant"].nunique()

    def later_without_baseline(self) -> int:
        """Participants with a later value but none at the first visit."""
        later = set(self.frame.loc[self.frame["visit"] != self.baseline, "participant"])
        return len(later - set(self.frame.loc[self.frame["visit"] == self.baseline, "participant"]))

    def design(self, choice: ModelChoice) -> tuple[pd.DataFrame, str, pd.DataFrame]:
        """Frame, formula and cells (arm, visit, day) for a choice with nothing left to decide."""
        frame = self.frame.assign(
            time=self.frame["day"] / DAYS[choice.time_unit], baseline_visit=self.baseline,
        )  # fmt: skip
        extra = "".join(f" + {name}" for name in self.covariates)
        if choice.baseline == "covariate":
            first = frame.loc[frame["visit"] == self.baseline].set_index("participant")["value"]
            frame = frame[frame["visit"] != self.baseline]
            centred = frame["participant"].map(first) - self.baseline_mean
            frame = frame.assign(baseline=centred, visit=frame["visit"].cat.remove_unused_categories())
            extra = f" + baseline{extra}"
        arms = self.arms or ("",)
        if choice.time == "visit":
            frame = frame.assign(cell=self._cell(frame, choice))
            cells = self._observed_cells(frame)
            return frame, f"value ~ 0 + cell{extra}", cells
        if len(self.arms) < 2:
            formula = f"value ~ {self._time(choice)}{extra}"
        elif choice.baseline == "constrained":
            formula = f"value ~ {self._time(choice)} + {self._time(choice)}:arm{extra}"
        else:
            formula = f"value ~ {self._time(choice)} * arm{extra}"
        days = {visit: day for visit, day in self.days.items() if visit in set(frame["visit"])}
        cells = pd.DataFrame([{"arm": arm, "visit": v, "day": d} for arm in arms for v, d in days.items()])
        return frame, formula, cells

    def _time(self, choice: ModelChoice) -> str:
        if choice.time == "linear":
            return "time"
        knots = [f"np.maximum(time - {knot!r}, 0)" for knot in choice.knots]
        return f"({' + '.join(['time', *knots])})" if knots else "time"

    def _cell(self, frame: pd.DataFrame, choice: ModelChoice) -> pd.Series:
        """One category per arm and visit; the first visit is common to the arms where the baseline is constrained."""
        visit, arm = frame["visit"].astype(str), frame["arm"].astype(str)
        if len(self.arms) < 2:
            names, order = visit, [str(v) for v in self.visits]
        else:
            names = visit + ", " + arm
            order = [f"{v}, {a}" for a in self.arms for v in self.visits]
            if choice.baseline == "constrained":
                names = names.where(visit != self.baseline, f"{self.baseline}, {COMMON}")
                order = [f"{self.baseline}, {COMMON}", *order]
        present = set(names)
        return pd.Series(pd.Categorical(names, categories=[n for n in order if n in present]), index=frame.index)

    def _observed_cells(self, frame: pd.DataFrame) -> pd.DataFrame:
        rows = []
        for name in frame["cell"].cat.categories:
            visit, arm = name.rsplit(", ", 1) if len(self.arms) > 1 else (name, self.arms[0] if self.arms else "")
            rows.append({"arm": arm, "visit": visit, "day": self.days[visit]})
        return pd.DataFrame(rows)

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
            values |= {f"np.maximum(time - {knot!r}, 0)": max(at - knot, 0.0) for knot in choice.knots}
            for k, term in enumerate(terms):
                parts = term.split(":")
                arm_part = [p for p in parts if p.startswith("arm[")]
                own = all(p == f"arm[T.{cell.arm}]" for p in arm_part)
                rest = [p for p in parts if not p.startswith("arm[")]
                if own and all(p in values for p in rest):
                    L[row, k] = float(np.prod([values[p] for p in rest]))
        return L


def model_rows(
    scores: pd.DataFrame,
    selection: Selection,
    design: Protocol | None,
    choice: ModelChoice,
    participants: pd.DataFrame | None,
) -> ChangeRows:
    """The rows with a value, in visit order; notes say how many there are and what is missing."""
    mine, outcome = rows(scores, selection), selection.named()
    frame = mine[mine["value"].notna()]
    if frame.empty:
        raise FitError(f"{outcome} has no value at any visit: there is nothing to model.")
    if frame["value"].nunique() == 1 and len(frame) > 1:
        raise FitError(
            f"{outcome} has no variation left: every value is {frame['value'].iloc[0]}. "
            "Check the column, or say so in words."
        )
    order = mine.groupby("visit")["day"].first().sort_values()
    visits = [str(v) for v in order.index if v in set(frame["visit"])]
    notes = []
    unseen = [str(v) for v in order.index if str(v) not in visits]
    if unseen:
        notes.append(f"No value at {', '.join(unseen)}: not part of the model.")
    arms, reference, arm_notes = _arms(mine, frame, design)
    notes += arm_notes
    if len(visits) < 2:
        raise FitError(f"{outcome} has values at one visit only ({visits[0]}): change needs two. Describe it instead.")
    columns = ["participant", "arm", "visit", "day", "value"]
    frame = frame[columns].assign(
        visit=pd.Categorical(frame["visit"].astype(str), categories=visits, ordered=False),
        arm=pd.Categorical(frame["arm"].astype(str), categories=arms or ("",)),
    )
    frame = _with_covariates(frame, choice, participants)
    everyone = mine["participant"].nunique()
    people = frame["participant"].nunique()
    notes.insert(0, f"{people} of {everyone} participants and {len(frame)} of {len(mine)} scores have a value.")
    first = frame.loc[frame["visit"] == visits[0]]
    later = set(frame.loc[frame["visit"] != visits[0], "participant"])
    used = first[first["participant"].isin(later)]["value"]
    return ChangeRows(
        outcome=outcome, frame=frame.reset_index(drop=True), arms=arms, reference=reference, visits=tuple(visits),
        days={v: float(order[v]) for v in visits}, unit=str(mine["unit"].iloc[0]), better=str(mine["better"].iloc[0]),
        everyone=everyone, covariates=tuple(choice.covariates), notes=tuple(notes),
        randomised=design is not None and design.design == "parallel" and len(arms) > 1,
        baseline_mean=float(used.mean()) if len(used) else 0.0,
    )  # fmt: skip


def _arms(mine: pd.DataFrame, frame: pd.DataFrame, design: Protocol | None) -> tuple[tuple[str, ...], str, list[str]]:
    found = [arm for arm in dict.fromkeys(sorted(frame["arm"].astype(str))) if arm != ""]
    if len(found) < 1 or (design is not None and design.design == "single-arm"):
        return (), "", []
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
    counts = frame.groupby("arm")["participant"].nunique()
    small = [f"{arm} ({int(counts.get(arm, 0))})" for arm in found if counts.get(arm, 0) < 3]
    if small and len(found) > 1:
        notes.append(f"Fewer than three participants with values in {', '.join(small)}: intervals say little.")
    return tuple(found), found[0], notes


def _with_covariates(frame: pd.DataFrame, choice: ModelChoice, participants: pd.DataFrame | None) -> pd.DataFrame:
    if not choice.covariates:
        return frame
    if participants is None:
        raise FitError(f"Covariates {', '.join(choice.covariates)} need the participants table: give participants=.")
    missing = [name for name in choice.covariates if name not in participants.columns]
    if missing:
        raise FitError(
            f"Covariates not in the participants table: {', '.join(missing)}. "
            f"Columns there: {', '.join(participants.columns)}."
        )
    table = participants.drop_duplicates("participant").set_index("participant")
    return frame.assign(**{name: frame["participant"].map(table[name]) for name in choice.covariates})
