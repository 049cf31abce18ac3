"""Number needed to treat, with its interval written through infinity where the difference can be zero."""

from dataclasses import dataclass
from math import inf

import pandas as pd

from stats.errors import FitError
from stats.estimates import Estimate, check_level
from stats.proportions.two_proportions import risk_difference
from stats.result import Result


@dataclass(frozen=True)
class NumberNeeded(Result):
    """1 / risk difference. Positive: needed to treat for one to benefit; negative: for one to be harmed.

    Where the interval of the difference holds 0, the interval runs from `conf_high` (benefit) up to infinity and from
    infinity down to `conf_low` (harm, negative): then `through_infinity` is True. Report the difference first.
    """

    difference: Estimate
    unit: str
    n_participants: int
    n_rows: int
    notes: tuple[str, ...]

    @property
    def estimate(self) -> float:
        """1 / difference; infinite where there is none."""
        return _inverse(self.difference.estimate)

    @property
    def conf_low(self) -> float:
        """Lower limit as in `frame`, from the limits the difference has."""
        return _ends(self.difference.conf_low, self.difference.conf_high)[0]

    @property
    def conf_high(self) -> float:
        """Upper limit as in `frame`, from the limits the difference has."""
        return _ends(self.difference.conf_low, self.difference.conf_high)[1]

    def __getitem__(self, column: str):
        """A column of `frame()`; the limits are `conf_low` and `conf_high`."""
        return getattr(self, column) if column in ("conf_low", "conf_high") else super().__getitem__(column)

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """One row: estimate, conf_low, conf_high, through_infinity, and what they come from: risk_difference,
        difference_low, difference_high, method.
        """
        low, high = self.difference.limits(check_level(level))
        through, ends = low <= 0 <= high, _ends(low, high)
        return pd.DataFrame(
            [
                {
                    "term": "number needed to treat",
                    "estimate": self.estimate,
                    "conf_low": ends[0],
                    "conf_high": ends[1],
                    "through_infinity": through,
                    "risk_difference": self.difference.estimate,
                    "difference_low": low,
                    "difference_high": high,
                    "unit": self.unit,
                    "method": self.difference.method,
                }
            ]
        )

    def sentence(self, level: float = 0.95) -> str:
        """Number needed with its interval; benefit (NNTB) and harm (NNTH) named."""
        level = check_level(level)
        row = self.frame(level).iloc[0]

        def written(number: float) -> str:
            size = "∞" if abs(number) == inf else f"{abs(number):.1f}"
            return f"{'NNTB' if number > 0 else 'NNTH'} {size}"

        if row["through_infinity"]:
            interval = f"{written(row['conf_high'])} to ∞ to {written(row['conf_low'])}"
        else:
            interval = f"{written(row['conf_low'])} to {written(row['conf_high'])}"
        return (
            f"{written(self.estimate)} ({level:.0%} interval {interval}); risk difference {row['risk_difference']:.0%} "
            f"({row['difference_low']:.0%} to {row['difference_high']:.0%}; {self.difference.method}; "
            f"n = {self.n_participants})."
        )


def number_needed_to_treat(
    x1: int, n1: int, x2: int, n2: int, method: str = "newcombe", level: float = 0.95, *, event: str = "good"
) -> NumberNeeded:
    """People to treat for one more good outcome, x1 of n1 treated against x2 of n2 in the reference.

    event: "good" (a response) or "bad" (then fewer is benefit). method: interval of the risk difference.
    Returns `NumberNeeded`; the risk difference is the primary result (Newcombe 1999). Source: Altman 1998
    (BMJ 317:1309-1312); Bender 2001 (Control Clin Trials 22:102-110).
    Raises FitError for an empty group, a count outside 0 to n, an unknown event or method.

    >>> print(number_needed_to_treat(9, 10, 3, 10).sentence())
    NNTB 1.7 (95% interval NNTB 1.2 to NNTB 5.9); risk difference 60% (17% to 81%; Newcombe hybrid score; n = 20).
    """
    if event not in ("good", "bad"):
        raise FitError(f"event {event!r}: allowed 'good' (a response) or 'bad' (a harm).")
    counts = (x1, n1, x2, n2) if event == "good" else (x2, n2, x1, n1)
    return from_difference(risk_difference(*counts, method=method, level=level))


def from_difference(difference: Estimate) -> NumberNeeded:
    """The number needed from a risk difference made elsewhere; positive is benefit."""
    return NumberNeeded(
        difference=difference,
        unit="people",
        n_participants=difference.n_participants,
        n_rows=difference.n_rows,
        notes=(*difference.notes, "The risk difference is the primary result; the number needed only restates it."),
    )


def _ends(low: float, high: float) -> tuple[float, float]:
    """Limits of the number needed from those of the difference."""
    return (_inverse(low, -inf), _inverse(high)) if low <= 0 <= high else (_inverse(high), _inverse(low))


def _inverse(difference: float, at_zero: float = inf) -> float:
    return at_zero if difference == 0 else 1 / difference
