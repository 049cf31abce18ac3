"""Values of one outcome as people x visits, with arms: what every method for missing visits starts from."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from outcomes import columns as c
from stats.change.person_changes import enrolled_arms
from stats.errors import FitError
from stats.selection import Selection, visits_in_order
from stats.selection import rows as selected_rows


@dataclass(frozen=True)
class VisitTable:
    """values (n, J) with NaN where missing; participants (n,), arm (n,) names; auxiliaries (n, a) complete or not."""

    participants: tuple
    arm: np.ndarray
    arms: tuple[str, ...]
    visits: tuple
    values: np.ndarray = field(repr=False)
    auxiliaries: np.ndarray = field(repr=False)
    auxiliary_names: tuple[str, ...]
    better: str
    unit: str
    outcome: str
    notes: tuple[str, ...]

    @property
    def group(self) -> np.ndarray:
        """Code of each person's arm (n,)."""
        return np.array([self.arms.index(one) for one in self.arm])

    def at(self, visit: object) -> int:
        """Position of a visit; FitError where unknown."""
        if visit not in self.visits:
            raise FitError(f"Visit {visit!r}: allowed {', '.join(map(str, self.visits))}.")
        return self.visits.index(visit)

    def check_arm(self, arm: str | None) -> str:
        """The reference arm: the one named, else the first; FitError for one that is not there."""
        if arm is not None:
            if str(arm) not in self.arms:
                raise FitError(f"Arm {arm!r}: allowed {', '.join(self.arms)}.")
            return str(arm)
        return self.arms[0]


def visit_table(
    frame: pd.DataFrame, outcome: str | None = None, *, participant: str = c.PARTICIPANT, visit: str = c.VISIT,
    value: str = c.VALUE, arm: str = c.ARM, visits: Sequence | None = None, participants: pd.DataFrame | None = None,
    auxiliaries: Sequence[str] = (), hand: str | Sequence[str] = "affected", condition: str = "unassisted",
) -> VisitTable:  # fmt: skip
    """People x visits from the frame of `outcomes.score` (with outcome=) or from any long frame with these columns.

    frame: one row per participant and visit; participant, visit, value, arm: names of its columns.
    participants: everyone enrolled, one row a person with arm, for people without any value; also holds the
    auxiliaries. auxiliaries: names of numeric columns, one value a person. visits: a sequence in order; by day or by
    value where not named. hand: one or a sequence, condition: one, of a frame of scores. Values keep their unit. Raises
    FitError for columns that are not there, two values of one person and visit, one visit alone, somebody in two arms,
    or auxiliaries that are words.
    Source: nothing is computed; the values are put in order.
    """
    notes: tuple[str, ...] = ()
    scored = outcome is not None and c.OUTCOME in frame.columns
    if scored:
        assert outcome is not None
        rows = selected_rows(
            frame, Selection(outcome, hand=hand if isinstance(hand, str) else tuple(hand), condition=condition)
        )
        order = list(visits) if visits else visits_in_order(rows[rows[c.VALUE].notna()])
        arms = enrolled_arms(frame, participants)
        participant, visit, value = c.PARTICIPANT, c.VISIT, c.VALUE
    else:
        absent = [name for name in (participant, visit, value) if name not in frame]
        if absent:
            raise FitError(
                f"The table lacks the columns {', '.join(absent)}; there are {', '.join(map(str, frame.columns))}."
            )
        rows = frame
        order = list(visits) if visits else _ordered(rows[visit])
        named = frame.assign(
            **{c.PARTICIPANT: frame[participant], c.ARM: frame[arm].astype(str) if arm in frame else ""}
        )
        arms = enrolled_arms(named, participants)
    rows = rows[rows[visit].isin(order)]
    if rows.duplicated([participant, visit]).any():
        raise FitError("A participant has two values at one visit where one is allowed. Choose one hand and condition.")
    wide = rows.pivot(index=participant, columns=visit, values=value).reindex(index=arms.index, columns=order)
    if len(order) < 2:
        raise FitError(f"{outcome or value}: {len(order)} visit(s) with values, allowed 2 or more.")
    unarmed = arms == ""
    if unarmed.any() and not unarmed.all():
        notes += (f"{int(unarmed.sum())} people without an arm were left out.",)
        arms = arms[~unarmed]
        wide = wide.loc[arms.index]
    values = wide.to_numpy(dtype=float)
    extra = _auxiliaries(frame, participants, participant, auxiliaries, arms.index)
    column = frame.get(arm)
    ordered = column.cat.categories if column is not None and isinstance(column.dtype, pd.CategoricalDtype) else None
    there = set(arms)
    names = tuple(str(a) for a in ordered if str(a) in there) if ordered is not None else tuple(sorted(there))
    first = rows.iloc[0]
    return VisitTable(
        tuple(arms.index), arms.to_numpy(dtype=object), names, tuple(order), values, extra, tuple(auxiliaries),
        str(first.get("better", "higher")), str(first.get("unit", "")), outcome or value, notes,
    )  # fmt: skip


def refuse_flat(table: VisitTable) -> None:
    """FitError where everybody seen at a visit has one value: there is no spread to draw what is missing from."""
    for visit, column in zip(table.visits, table.values.T, strict=True):
        seen = column[~np.isnan(column)]
        if len(seen) > 1 and seen.min() == seen.max():
            raise FitError(
                f"Everybody has {seen[0]:g} at {visit}: there is no spread to impute from. Leave it out (visits=)."
            )


def _ordered(column: pd.Series) -> list:
    if isinstance(column.dtype, pd.CategoricalDtype):
        used = set(column.dropna())
        return [one for one in column.cat.categories if one in used]
    return sorted(column.dropna().unique().tolist())


def _auxiliaries(
    frame: pd.DataFrame, participants: pd.DataFrame | None, participant: str, names: Sequence[str], people: pd.Index
) -> np.ndarray:
    columns = []
    for name in names:
        source = participants if participants is not None and name in participants else frame
        if name not in source:
            raise FitError(f"Auxiliary {name!r}: no such column among the participants or the scores.")
        key = c.PARTICIPANT if source is participants else participant
        own = source.drop_duplicates(key).set_index(key)[name].reindex(people)
        if not pd.api.types.is_numeric_dtype(own.dtype):
            raise FitError(f"Auxiliary {name!r} holds words: allowed numbers.")
        columns.append(own.to_numpy(dtype=float))
    return np.stack(columns, axis=1) if columns else np.empty((len(people), 0))
