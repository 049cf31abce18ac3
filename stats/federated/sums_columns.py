"""The columns of a model of change as combinations of the columns that sites send."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from outcomes.protocol.trial import ModelChoice, Protocol
from stats.change.model_rows import COMMON, DAYS, ChangeRows
from stats.change.site_rules import EACH
from stats.federated.outcome_sums import Column, OutcomeSums
from stats.mixed.model.moments import Moments

SAME = 1e-12  # share of a sum of squares that is rounding


@dataclass(frozen=True)
class MergedRows(ChangeRows):
    """Rows that are not here: counts of what the rules of models ask."""

    without: int = field(default=0)
    alike: bool = field(default=False)

    @property
    def n_participants(self) -> int:
        """Participants with a value."""
        return self.everyone

    @property
    def one_baseline(self) -> bool:
        """Whether everybody with a later value who has a baseline has the same one."""
        return self.alike

    def later_without_baseline(self) -> tuple[str, ...]:
        """One word for each participant with a later value but no baseline."""
        return ("not named",) * self.without


def rows_at(sums: OutcomeSums, visit: str, arm: str | None = None) -> float:
    """Rows at a visit (of an arm)."""
    total = 0.0
    for k, column in enumerate(sums.columns):
        if column[0] == "cell" and column[2] == visit and arm in (None, column[1]):
            total += float(np.einsum("pjj->", sums.moments.A[..., k, k]))
    return total


def one_baseline(sums: OutcomeSums) -> bool:
    """Whether the baselines that stand beside later values are all the same: their column is a multiple of ones."""
    kinds = np.array([column[0] for column in sums.columns])
    baseline = (kinds == "baseline").astype(float)
    if not baseline.any():
        return False
    known = (kinds == "cell").astype(float) - (kinds == "no baseline")
    A = np.einsum("pjjab->ab", sums.moments.A)
    squares, both, rows = baseline @ A @ baseline, baseline @ A @ known, known @ A @ known
    return bool(rows > 0 and squares * rows - both**2 <= SAME * squares * rows)


@dataclass
class ModelColumns:
    """The columns of a choice as combinations of the columns of the sums."""

    sums: OutcomeSums
    rows: MergedRows
    choice: ModelChoice

    def __post_init__(self) -> None:
        self.place = {column: k for k, column in enumerate(self.sums.columns)}
        self.size = len(self.place)
        self.names: tuple[str, ...] = ()

    def unit(self, *columns: Column) -> np.ndarray:
        """Sum of some columns (q,)."""
        out = np.zeros(self.size)
        for column in columns:
            if column in self.place:
                out[self.place[column]] += 1.0
        return out

    @property
    def modelled(self) -> list[str]:
        """Visits whose values are responses and which somebody attended."""
        return [v for v in self.rows.visits if any(c[0] == "cell" and c[2] == v for c in self.place)]

    def basis(self) -> tuple[np.ndarray, tuple[str, ...], pd.DataFrame]:
        """Columns of the means and the baseline (q, m), their names, and cells as `ChangeRows.design` gives them."""
        arms = self.rows.arms or ("",)
        cells = pd.DataFrame([(a, v, self.rows.days[v]) for a in arms for v in self.modelled],
                             columns=["arm", "visit", "day"])  # fmt: skip
        if self.choice.time == "visit":
            vectors, names, cells = self._means(cells)
        else:
            vectors, names = self._lines(arms)
        extra, more = self._baseline()
        return np.column_stack([*vectors, *extra]), (*names, *more), cells

    def _means(self, cells: pd.DataFrame) -> tuple[list[np.ndarray], list[str], pd.DataFrame]:
        several, first = len(self.rows.arms) > 1, self.rows.visits[0]
        there = [rows_at(self.sums, c.visit, c.arm if several else None) > 0 for c in cells.itertuples()]
        cells = cells[there].reset_index(drop=True)
        if several and self.choice.baseline == "constrained":
            at_first = cells["visit"] == first
            cells = pd.concat([cells[at_first].head(1).assign(arm=COMMON), cells[~at_first]], ignore_index=True)
        vectors, names = [], []
        for cell in cells.itertuples():
            own = self.rows.arms if cell.arm == COMMON else (cell.arm,)
            vectors.append(self.unit(*[("cell", arm, cell.visit) for arm in own]))
            names.append(f"cell[{cell.visit}, {cell.arm}]" if several else f"cell[{cell.visit}]")
        return vectors, names, cells

    def _lines(self, arms: tuple[str, ...]) -> tuple[list[np.ndarray], list[str]]:
        """Intercept and time, and knots, of everybody and beyond the reference."""
        days, unit = self.rows.days, DAYS[self.choice.time_unit]
        at = {v: days[v] / unit for v in self.modelled}
        shapes = {"Intercept": dict.fromkeys(at, 1.0), "time": at}
        if self.choice.time == "piecewise":
            shapes |= {f"np.maximum(time - {float(k)!r}, 0)": {v: max(t - k, 0.0) for v, t in at.items()}
                       for k in self.choice.knots}  # fmt: skip
        vectors, names = [], []
        for own in (None, *arms[1:]):
            for name, shape in shapes.items():
                if own is not None and name == "Intercept" and self.choice.baseline == "constrained":
                    continue
                arms_here = arms if own is None else (own,)
                vectors.append(sum(value * self.unit(*[("cell", arm, v) for arm in arms_here])
                                   for v, value in shape.items()))  # fmt: skip
                beyond = f"arm[T.{own}]"
                names.append(name if own is None else beyond if name == "Intercept" else f"{name}:{beyond}")
        # A sum of arrays begins at the number 0, which the type checker keeps as a possibility.
        return vectors, names  # type: ignore[return-value]

    def _baseline(self) -> tuple[list[np.ndarray], list[str]]:
        """The baseline as covariate about its mean, set to it where missing; and where it is missing."""
        if self.choice.baseline != "covariate":
            return [], []
        mean, arms = self.rows.baseline_mean, self.rows.arms or ("",)
        own = {}
        for visit in self.modelled:
            cells = self.unit(*[("cell", arm, visit) for arm in arms])
            own[visit] = self.unit(("baseline", visit)) - mean * (cells - self.unit(("no baseline", visit)))
        slopes = self._slope_per_visit(own)
        vectors = [] if self.rows.one_baseline else list(own.values()) if slopes else [sum(own.values())]
        names = [f"visit[{v}]:baseline" for v in own] if slopes else ["baseline"]
        names = names if vectors else []
        gaps = self.unit(*[("no baseline", visit) for visit in self.modelled])
        if self.choice.missing_baseline == "mean-and-indicator" and self._square(gaps) > 0:
            vectors.append(gaps)
            names.append("no_baseline")
        # A sum of arrays begins at the number 0, which the type checker keeps as a possibility.
        return vectors, names  # type: ignore[return-value]

    def _slope_per_visit(self, own: Mapping[str, np.ndarray]) -> bool:
        """As `ChangeRows._slope_per_visit`: people enough at every later visit, and baselines that differ."""
        if self.choice.time != "visit" or len(own) < 2:
            return False
        enough = max(len(self.rows.arms), 1) + 3
        return all(rows_at(self.sums, v) >= enough and self._square(vector) > 1e-9 for v, vector in own.items())

    def _square(self, vector: np.ndarray) -> float:
        """Sum of squares of a column over the rows."""
        return float(vector @ np.einsum("pjjab->ab", self.sums.moments.A) @ vector)

    def categories(self, design: Protocol) -> tuple[list[np.ndarray], list[str], list[str], tuple[str, ...]]:
        """Covariates and strata: columns, names, notes and names of the strata's columns."""
        vectors: list[np.ndarray] = []
        names: list[str] = []
        for column in self.sums.columns:
            if column[0] == "number":
                vectors.append(self.unit(column))
                names.append(column[1])
                self.names = (*self.names, column[1])
        for name in dict.fromkeys(c[1] for c in self.sums.columns if c[0] == "level"):
            levels = [c for c in self.sums.columns if c[0] == "level" and c[1] == name and self._square(self.unit(c))]
            vectors += [self.unit(c) for c in levels[1:]]
            names += [f"{name}[T.{c[2]}]" for c in levels[1:]]
            self.names = (*self.names, name)
        strata = [n for n in design.randomisation.strata if any(c[:2] == ("stratum", n) for c in self.sums.columns)]
        wide = {n: self.sums.levels[n] for n in strata if len(self.sums.levels[n]) > 1}
        size = sum(len(levels) - 1 for levels in wide.values())
        if not wide:
            return vectors, names, [], ()
        named = ", ".join(strata)
        if size * EACH > self.sums.people:
            return vectors, names, [f"Strata of the randomisation ({named}) ask for {size} coefficients, {EACH} people "
                                    f"each; there are {self.sums.people}: they are not in the model."], ()  # fmt: skip
        adjusted = []
        for k, name in enumerate(design.randomisation.strata):
            levels = [c for c in self.sums.columns if c[:2] == ("stratum", name) and self._square(self.unit(c))]
            if name in wide and len(levels) > 1:
                vectors += [self.unit(c) for c in levels[1:]]
                names += [f"stratum_{k + 1}[T.{c[2]}]" for c in levels[1:]]
                adjusted.append(f"stratum_{k + 1}")
        self.names = (*self.names, *adjusted)
        return vectors, names, [f"Arms were dealt within strata ({named}): fixed effects of each."], tuple(adjusted)

    def stand_in(self, moments: Moments, terms: tuple[str, ...]) -> pd.DataFrame:
        """A frame whose means of numbers and counts of levels are those of the rows, for weights of means."""
        rows = float(moments.n_rows)
        total = np.einsum("pjjab->ab", self.sums.moments.A)
        ones = self.unit(*[c for c in self.place if c[0] == "cell"])
        columns = {}
        for name in self.names:
            levels = [t for t in terms if t.startswith(f"{name}[T.")]
            if levels:
                columns[name] = np.arange(1000) % (len(levels) + 1)
            else:
                columns[name] = np.full(1000, float(self.unit(("number", name)) @ total @ ones) / rows)
        return pd.DataFrame(columns)

    def offset(self, cells: pd.DataFrame) -> np.ndarray | None:
        """As `ChangeRows.offset`."""
        if self.choice.baseline == "covariate":
            return np.full(len(cells), self.rows.baseline_mean)
        if self.choice.baseline != "change":
            return None
        if len(self.rows.arms) < 2:
            return np.full(len(cells), self.rows.baseline_mean)
        return np.array([total / n for n, total in (self.sums.baseline[arm] for arm in cells["arm"])])
