"""From the first to the last repetition of a set, inside people: what repeating a passive motion does."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import nan, sqrt

import pandas as pd

from stats.errors import FitError
from stats.estimates import check_level
from stats.responders.true_change import t_limits
from stats.result import Result


@dataclass(frozen=True)
class SetChange:
    """Mean first, last and change of one kind of set; `kept` is everything it is never pooled over."""

    kept: tuple[tuple[str, object], ...]
    n: int
    first: float
    last: float
    change: float
    sd: float


@dataclass(frozen=True)
class FirstToLast(Result):
    """Change from the first to the last repetition, one row per kind of set."""

    rows: tuple[SetChange, ...]
    quantity: str
    unit: str
    n_participants: int
    notes: tuple[str, ...]

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """Columns: what is never pooled (visit, condition, velocity, ...), n, first, last, estimate and limits."""
        level = check_level(level)
        made = []
        for row in self.rows:
            error = row.sd / sqrt(row.n) if row.n > 1 else nan
            low, high = t_limits(row.change, error, row.n - 1, level) if row.n > 1 else (nan, nan)
            made.append(
                dict(row.kept)
                | {"n": row.n, "first": row.first, "last": row.last, "estimate": row.change, "std_error": error,
                   "df": row.n - 1, "conf_low": low, "conf_high": high, "unit": self.unit}
            )  # fmt: skip
        return pd.DataFrame(made)

    def sentence(self, level: float = 0.95) -> str:
        """Mean change of every kind of set with its interval."""
        parts = []
        for row in self.frame(level).to_dict("records"):
            kept = " ".join(str(row[name]) for name, _ in self.rows[0].kept if str(row[name]) not in ("", "nan"))
            interval = f"{row['conf_low']:.3g} to {row['conf_high']:.3g}" if row["n"] > 1 else "no interval"
            parts.append(f"{kept} {row['estimate']:.3g} {self.unit} ({interval}; n = {row['n']})")
        return f"{self.quantity}, last minus first repetition: {'; '.join(parts)}; {level:.0%} intervals."


def change_over_sets(
    sets: pd.DataFrame, quantity: str, *, unit: str, kept: Sequence[str], participant: str = "participant"
) -> FirstToLast:
    """Mean change from the first to the last repetition, over people, for every kind of set apart.

    sets: one row per set with participant, the columns `kept`, and `<quantity>_first` and `<quantity>_last`. Of several
    sets of one person and kind the mean is taken first, so that every person counts once. kept: columns of what is
    never pooled: visit, joint, condition of the device, velocity. Intervals: t over people (poor below about five).
    Returns `FirstToLast`. Raises FitError where no set has both values.
    Changes are in `unit`. Source: the t interval of a mean.
    """
    first, last = f"{quantity}_first", f"{quantity}_last"
    known = sets[sets[first].notna() & sets[last].notna()]
    if known.empty:
        raise FitError(f"No set has a first and a last {quantity}: nothing to compare.")
    filled = known.assign(**{name: known[name].fillna("") for name in kept})
    people = filled.groupby([*kept, participant], sort=False)[[first, last]].mean()
    rows = []
    for key, own in people.groupby(level=list(kept), sort=False):
        change = own[last] - own[first]
        names = key if isinstance(key, tuple) else (key,)
        rows.append(
            SetChange(
                kept=tuple(zip(kept, names, strict=True)),
                n=len(own),
                first=float(own[first].mean()),
                last=float(own[last].mean()),
                change=float(change.mean()),
                sd=float(change.std(ddof=1)) if len(own) > 1 else nan,
            )
        )
    left = len(sets) - len(known)
    notes = ["Last minus first repetition of a set; every person counts once in a row."]
    if left:
        notes.append(f"{left} of {len(sets)} sets without a first and a last value left out.")
    return FirstToLast(tuple(rows), quantity, unit, int(filled[participant].nunique()), tuple(notes))
