"""Error of a measurement and the smallest change beyond it."""

from dataclasses import dataclass
from math import isnan, nan, sqrt

import pandas as pd
from scipy.stats import chi2, norm

from outcomes.library.instrument import Threshold
from stats.errors import FitError
from stats.estimates import check_level
from stats.measurement.two_way import mean_squares, rating_table
from stats.result import Result

KINDS = ("agreement", "consistency", "one-way")


@dataclass(frozen=True)
class MeasurementError(Result):
    """Standard error of measurement and detectable change at 90 % and 95 %. `df` carries the interval (chi-square)."""

    error: float
    kind: str
    df: float
    unit: str
    n_participants: int
    n_rows: int
    notes: tuple[str, ...]

    def detectable_change(self, share: float = 0.95) -> float:
        """z sqrt(2) times the error: a change of one person this large exceeds error with that confidence.

        Raises FitError for a level outside 0 to 1.
        """
        return float(norm.ppf((1 + check_level(share)) / 2)) * sqrt(2) * self.error

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """Rows measurement error, MDC90, MDC95 with estimate, df, conf_low, conf_high, unit, kind."""
        level = check_level(level)
        low, high = nan, nan
        if not isnan(self.df):
            low, high = (sqrt(self.df / float(chi2.ppf(tail, self.df))) for tail in ((1 + level) / 2, (1 - level) / 2))
        sizes = {"measurement error": self.error}
        sizes |= {f"MDC{percent}": self.detectable_change(percent / 100) for percent in (90, 95)}
        rows = [
            {
                "term": term,
                "estimate": size,
                "df": self.df,
                "conf_low": size * low,
                "conf_high": size * high,
                "unit": self.unit,
                "kind": self.kind,
            }
            for term, size in sizes.items()
        ]
        return pd.DataFrame(rows)

    def sentence(self, level: float = 0.95) -> str:
        """Error, MDC90 and MDC95 with intervals."""
        level = check_level(level)
        unit = f" {self.unit}" if self.unit else ""
        parts = [f"{r.term} {r.estimate:.2f}{unit} ({r.conf_low:.2f} to {r.conf_high:.2f})"
                 for r in self.frame(level).itertuples()]  # fmt: skip
        return f"{', '.join(parts)}; {level:.0%} intervals, {self.kind}; n = {self.n_participants}."

    def threshold(self, outcome: str, population: str, share: float = 0.95) -> Threshold:
        """The study's own detectable change as a threshold, to be counted beside the published ones."""
        percent = int(share * 100 + 0.5)
        return Threshold(
            key=f"own.{outcome}.mdc{percent}",
            scale=outcome.partition(".")[2],
            value=self.detectable_change(share),
            unit=self.unit,
            quantity=f"MDC{percent}",
            better="higher",
            population=population,
            phase="this study",
            method=f"own data, {self.kind}",
            n=str(self.n_participants),
            source="this study",
        )


def measurement_error(
    frame: pd.DataFrame | None = None,
    *,
    target: str = "participant",
    rater: str = "rater",
    value: str = "value",
    kind: str = "agreement",
    incomplete: str = "refuse",
    sd: float | None = None,
    reliability: float | None = None,
    n: int | None = None,
    unit: str = "",
) -> MeasurementError:
    """Standard error of measurement from repeated ratings, or from a published SD and reliability.

    frame: one row per rating with target, rater (or occasion) and value. kind: "agreement" sqrt(rater variance +
    residual) for raters or occasions that could be exchanged, "consistency" sqrt(residual), "one-way"
    sqrt(within-target mean square). Without frame: sd and reliability give sd sqrt(1 - reliability).
    incomplete: "refuse" or "drop" targets without every rating.
    Intervals: chi-square on the mean square's df; for "agreement" with Satterthwaite's df of the sum.
    Source: Weir 2005 (J Strength Cond Res 19:231-240); de Vet 2006 (J Clin Epidemiol 59:1033-1039).
    In the unit of the values. Raises FitError for an unknown kind, fewer than two complete targets or raters, two
    values of one target and rater, targets not rated by everyone, or a reliability outside 0 to 1.

    >>> measurement_error(sd=8.0, reliability=0.95, n=30).frame()["estimate"].round(2).tolist()  # SEM, MDC90, MDC95
    [1.79, 4.16, 4.96]
    """
    if kind not in KINDS:
        raise FitError(f"kind {kind!r}: allowed {', '.join(KINDS)}.")
    if frame is None:
        if sd is None or reliability is None:
            raise FitError("Measurement error needs a frame of ratings, or sd= and reliability=.")
        if sd < 0 or not 0 <= reliability <= 1:
            raise FitError(f"sd {sd}, reliability {reliability}: allowed 0 or more, and 0 to 1.")
        note = "From SD and reliability: it holds for people as spread out as these; no interval."
        return MeasurementError(sd * sqrt(1 - reliability), "SD and reliability", nan, unit, n or 0,
                                n or 0, (note,))  # fmt: skip
    table, notes = rating_table(frame, target, rater, value, incomplete)
    s = mean_squares(table)
    residual_df = (s.n - 1) * (s.k - 1)
    if kind == "consistency":
        variance, df = s.error, float(residual_df)
    elif kind == "one-way":
        variance, df = s.within, float(s.n * (s.k - 1))
    else:
        variance, df = _agreement_variance(s.raters, s.error, s.n, s.k, residual_df)
    if variance == 0:
        notes += (
            "Every repeat gave the same value: no error was seen, which says more of the sample than of the measure.",
        )
        df = nan
    return MeasurementError(sqrt(variance), kind, df, unit, s.n, s.n * s.k, notes)


def _agreement_variance(raters: float, error: float, n: int, k: int, residual_df: int) -> tuple[float, float]:
    if raters <= error:  # rater variance estimated as 0
        return error, float(residual_df)
    parts = (raters / n, error * (n - 1) / n)
    variance = sum(parts)
    return variance, variance**2 / (parts[0] ** 2 / (k - 1) + parts[1] ** 2 / residual_df)
