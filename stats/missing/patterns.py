"""What is missing: at which visits, in which arm, for which reason, when people leave, and what goes with leaving.

Nothing here tests an assumption: whether the missing values would have been like the seen ones is not in the data.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from outcomes import columns as c
from stats.errors import FitError
from stats.missing.assumptions import WORDS
from stats.missing.normal_draws import last_seen
from stats.missing.visit_table import VisitTable, visit_table
from stats.result import Result

ASSUMPTIONS = {
    "mixed model (likelihood)": "Missing at random: given the arm and the values seen, who is missing does not depend "
    "on the values that were missed.",
    "people with all values": "Missing completely at random: who is missing depends on nothing that bears on the "
    "outcome but what is in the model.",
    "estimating equations": "Missing completely at random.",
    "everyone enrolled, the missing as not improved": "Nobody whose value is missing improved.",
} | {f"imputation, {name}": words[0].upper() + words[1:] + "." for name, words in WORDS.items()}


@dataclass(frozen=True)
class MissingVisits(Result):
    """Missing values of one outcome.

    by_visit: arm visit enrolled seen missing share and a column per reason; shapes: arm pattern people (o is seen);
    staying: arm visit staying (share of the arm with a value at that visit or a later one); leaving: variable,
    mean_stayed mean_left difference_sd n_stayed n_left.
    """

    by_visit: pd.DataFrame = field(repr=False)
    shapes: pd.DataFrame = field(repr=False)
    staying: pd.DataFrame = field(repr=False)
    leaving: pd.DataFrame = field(repr=False)
    outcome: str
    unit: str
    n_participants: int
    notes: tuple[str, ...]

    @property
    def n_rows(self) -> int:
        """Values there should be."""
        return int(self.by_visit["enrolled"].sum())

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """The table by arm and visit."""
        return self.by_visit

    def assumptions(self) -> pd.DataFrame:
        """What each analysis assumes of the missing values, in words: analysis, assumes."""
        return pd.DataFrame({"analysis": list(ASSUMPTIONS), "assumes": list(ASSUMPTIONS.values())})

    def sentence(self, level: float = 0.95) -> str:
        """How much is missing, at the last visit by arm, and why."""
        missing, last = int(self.by_visit["missing"].sum()), self.by_visit["visit"].iloc[-1]
        ends = self.by_visit[self.by_visit["visit"] == last]
        arms = "; ".join(
            f"{row.missing} of {row.enrolled}{f' in {row.arm}' if row.arm else ''}" for row in ends.itertuples()
        )
        told = [name for name in self.by_visit if name not in FIXED]
        counts = [(name, int(self.by_visit[name].sum())) for name in told]
        why = ", ".join(f"{name} {count}" for name, count in counts if count)
        return (
            f"{self.outcome}: {missing} of {self.n_rows} values are missing ({missing / max(self.n_rows, 1):.0%}); at "
            f"{last} {arms}{f'. Reasons: {why}' if why else ''}. The data cannot say what the missing values were."
        )


FIXED = ("arm", "visit", "enrolled", "seen", "missing", "share")


def describe_missing(
    scores: pd.DataFrame | VisitTable,
    outcome: str | None = None,
    *,
    attendance: pd.DataFrame | None = None,
    covariates: pd.DataFrame | None = None,
    **where,
) -> MissingVisits:
    """Describe missing values of one outcome by arm, visit and reason.

    scores: as for `impute`. attendance: the study's visits table (participant, visit, status, reason), for reasons; a
    value that is missing at a visit that was attended counts as "attended, no value". covariates: participants table
    whose numeric columns are compared between people who stayed to the last visit and those who left; the first value
    of the outcome is compared always; where: keywords of `visit_table`. Differences are in SDs of all: with a dozen
    people an SD of 0.4 is chance alone.

    Returns `MissingVisits`. Raises FitError for an unknown outcome.
    Source: counts and standardised differences, common practice; no test is made of why values are missing.
    """
    table = scores if isinstance(scores, VisitTable) else visit_table(scores, outcome, **where)
    reasons = _reasons(table, attendance)
    missing, reached, J = np.isnan(table.values), last_seen(table.values), len(table.visits)
    by_visit, staying, shapes = [], [], []
    for arm in table.arms:
        own = table.arm == arm
        for j, visit in enumerate(table.visits):
            gone = own & missing[:, j]
            row = {"arm": arm, "visit": visit, "enrolled": int(own.sum()), "seen": int((own & ~missing[:, j]).sum()),
                   "missing": int(gone.sum()), "share": float(gone.sum() / own.sum())}  # fmt: skip
            by_visit.append(
                row | {name: int((gone & (reasons[:, j] == name)).sum()) for name in _names(reasons, missing)}
            )
            staying.append({"arm": arm, "visit": visit, "staying": float((reached[own] > j).mean())})
        drawn = pd.Series(["".join("." if gap else "o" for gap in row) for row in missing[own]])
        shapes += [
            {"arm": arm, "pattern": shape, "people": int(count)} for shape, count in drawn.value_counts().items()
        ]
    leaving = _leaving(table, reached == J, covariates)
    gaps = int((missing & (np.arange(J) < reached[:, None])).sum())
    notes = (*table.notes, f"{gaps} gaps before the last value of a person; {int((reached < J).sum())} people left "
             f"before {table.visits[-1]}, {int((reached == 0).sum())} have no value at all.")  # fmt: skip
    return MissingVisits(pd.DataFrame(by_visit), pd.DataFrame(shapes), pd.DataFrame(staying), leaving, table.outcome,
                         table.unit, len(table.participants), notes)  # fmt: skip


def _reasons(table: VisitTable, attendance: pd.DataFrame | None) -> np.ndarray:
    """Why each value is missing (n, J), "" where it is there."""
    found = np.where(np.isnan(table.values), "no reason given", "").astype(object)
    if attendance is None or attendance.empty:
        return found
    known: Mapping = {
        (row[c.PARTICIPANT], row[c.VISIT]): row
        for row in attendance.drop_duplicates([c.PARTICIPANT, c.VISIT]).to_dict("records")
    }
    for i, j in zip(*np.nonzero(found != ""), strict=True):
        row = known.get((table.participants[i], table.visits[j]))
        if row is None:
            continue
        status, reason = str(row.get("status") or ""), str(row.get("reason") or "")
        found[i, j] = reason or ("attended, no value" if status == "attended" else status) or "no reason given"
    return found


def _names(reasons: np.ndarray, missing: np.ndarray) -> list[str]:
    return sorted(set(reasons[missing].tolist()))


def _leaving(table: VisitTable, stayed: np.ndarray, covariates: pd.DataFrame | None) -> pd.DataFrame:
    columns = {f"{table.outcome} at {table.visits[0]}": table.values[:, 0]}
    if covariates is not None:
        if c.PARTICIPANT not in covariates:
            raise FitError(f"covariates lack the column {c.PARTICIPANT!r}: pass the participants table.")
        own = covariates.drop_duplicates(c.PARTICIPANT).set_index(c.PARTICIPANT).reindex(list(table.participants))
        for name in own.columns:
            if pd.api.types.is_numeric_dtype(own[name].dtype) and name != "row" and own[name].nunique() > 1:
                columns[str(name)] = own[name].to_numpy(dtype=float)
    for arm in table.arms[1:]:
        columns[f"in {arm}"] = (table.arm == arm).astype(float)
    rows = []
    for name, values in columns.items():
        there = ~np.isnan(values)
        first, second = values[there & stayed], values[there & ~stayed]
        spread = float(np.std(values[there], ddof=1)) if there.sum() > 1 else np.nan
        means = [float(part.mean()) if len(part) else np.nan for part in (first, second)]
        gap = (means[1] - means[0]) / spread if spread and spread > 0 else np.nan
        rows.append({"variable": name, "mean_stayed": means[0], "mean_left": means[1], "difference_sd": gap,
                     "n_stayed": len(first), "n_left": len(second)})  # fmt: skip
    return pd.DataFrame(rows)
