"""One estimate with an interval that can be asked for at any level."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import pandas as pd

from stats.errors import FitError
from stats.result import ESTIMATE_COLUMNS, Result

NAN = float("nan")


def check_level(level: float) -> float:
    """The confidence level, refused outside 0 to 1 (95 is the usual slip for 0.95)."""
    if not 0 < level < 1:
        raise FitError(f"Confidence level {level}: allowed above 0 and below 1. Write 0.95 for 95 %.")
    return level


@dataclass(frozen=True)
class Estimate(Result):
    """An estimate, its interval and how both were made.

    limits: function from level to (low, high). extra: further columns of the frame, e.g. the standardiser.
    """

    term: str
    estimate: float
    limits: Callable[[float], tuple[float, float]] = field(repr=False, compare=False)
    method: str
    unit: str = ""
    std_error: float = NAN
    df: float = NAN
    statistic: float = NAN
    p_value: float = NAN
    n_participants: int = 0
    n_rows: int = 0
    notes: tuple[str, ...] = ()
    extra: tuple[tuple[str, object], ...] = ()

    interval: tuple[float, float] | None = field(default=None, repr=False, compare=False)

    @property
    def conf_low(self) -> float:
        """Lower limit: at 95 %, or at the level named when the estimate was asked for."""
        return (self.interval or self.limits(0.95))[0]

    @property
    def conf_high(self) -> float:
        """Upper limit, as `conf_low`."""
        return (self.interval or self.limits(0.95))[1]

    def at(self, level: float) -> "Estimate":
        """The same estimate with `conf_low` and `conf_high` at another level; `frame` and `sentence` ask for theirs."""
        return replace(self, interval=self.limits(check_level(level)))

    def __getitem__(self, column: str):
        """A column of `frame()`; the limits are `conf_low` and `conf_high`."""
        return getattr(self, column) if column in ("conf_low", "conf_high") else super().__getitem__(column)

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """One row: `term estimate std_error df statistic p_value conf_low conf_high unit method` and what is extra."""
        low, high = self.limits(check_level(level))
        row = (
            self.term,
            self.estimate,
            self.std_error,
            self.df,
            self.statistic,
            self.p_value,
            low,
            high,
            self.unit,
        )
        columns = dict(zip(ESTIMATE_COLUMNS, row, strict=True)) | {"method": self.method} | dict(self.extra)
        return pd.DataFrame([columns])

    def sentence(self, level: float = 0.95) -> str:
        """Estimate, interval, unit, n and method in one sentence."""
        low, high = self.limits(check_level(level))
        unit = f" {self.unit}" if self.unit else ""
        people = f"; n = {self.n_participants}" if self.n_participants else ""
        interval = f"{level:.0%} interval {low:.3g} to {high:.3g}"
        return f"{self.term}: {self.estimate:.3g}{unit} ({interval}; {self.method}{people})."
