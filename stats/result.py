"""What every result has in common: full precision, units, n, and a note for each choice made."""

from abc import ABC, abstractmethod
from html import escape

import pandas as pd

ESTIMATE_COLUMNS = (
    "term",
    "estimate",
    "std_error",
    "df",
    "statistic",
    "p_value",
    "conf_low",
    "conf_high",
    "unit",
)


class Result(ABC):
    """Base of the frozen result records.

    Subclasses are frozen dataclasses with `unit`, `n_participants` and `notes`. The interval level is asked of the
    result, never kept in it, so one fit serves 90 % and 95 %.
    `frame` and `sentence` raise FitError for a level outside 0 to 1.
    """

    notes: tuple[str, ...]

    @abstractmethod
    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """The numbers, unrounded, one row per estimate."""

    @abstractmethod
    def sentence(self, level: float = 0.95) -> str:
        """One sentence: estimate, interval, unit, n, method. No verdict."""

    def __getitem__(self, column: str):
        """A column of `frame()`; the bare value where the frame has one row."""
        values = self.frame()[column]
        return values.iloc[0] if len(values) == 1 else values

    def _repr_html_(self) -> str:
        frame = self.frame().to_html(index=False, border=0)
        notes = "".join(f"<li>{escape(note)}</li>" for note in self.notes)
        return f"{frame}<ul>{notes}</ul>"
