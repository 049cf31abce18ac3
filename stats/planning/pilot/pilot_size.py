"""How big the pilot itself should be: precision of what it must estimate, not power.

A pilot asks whether a trial can be done and how spread its outcome is. Each function answers one such question; the
published rules of thumb are listed by name, with what they were derived for.
"""

from dataclasses import dataclass
from math import log, sqrt

import pandas as pd
from scipy.stats import chi2, norm

from stats.errors import PlanError
from stats.planning.closed_form.power import round_up
from stats.proportions.one_proportion import proportion_limits
from stats.result import Result


@dataclass(frozen=True)
class PilotSize(Result):
    """A size of the pilot and the question it answers."""

    question: str
    n: int  # whole number; `counts` says of what
    n_exact: float
    counts: str  # "participants", "participants per arm"
    source: str
    unit: str = "participants"
    notes: tuple[str, ...] = ()

    @property
    def n_participants(self) -> int:
        return self.n

    @property
    def n_rows(self) -> int:
        return self.n

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """One row: the question, the size as a whole number and exact, what is counted, the source."""
        return pd.DataFrame(
            {
                "question": [self.question],
                "n": [self.n],
                "n_exact": [self.n_exact],
                "counts": [self.counts],
                "source": [self.source],
            }
        )

    def sentence(self, level: float = 0.95) -> str:
        """Size, question and source."""
        return f"{self.n} {self.counts} are needed {self.question} ({self.source})."


def pilot_for_problem(prevalence: float, confidence: float = 0.95) -> PilotSize:
    """Participants needed to meet a problem of this prevalence at least once: ln(1 - confidence) / ln(1 - prevalence).

    prevalence, confidence: from 0 to 1. Raises PlanError outside it. Source: the binomial law.

    >>> pilot_for_problem(0.05).n
    59
    """
    _inside("prevalence", prevalence)
    _inside("confidence", confidence)
    exact = log(1 - confidence) / log(1 - prevalence)
    return PilotSize(
        question=f"to see a problem that {prevalence} of people meet at least once with probability {confidence}",
        n=round_up(exact),
        n_exact=exact,
        counts="participants",
        source="Viechtbauer et al. 2015, J Clin Epidemiol 68:1375-1379",
    )


def pilot_for_proportion(expected: float, half_width: float, level: float = 0.95, method: str = "wilson") -> PilotSize:
    """Participants for a proportion (retention, adherence, responders) to a wanted half width of its interval.

    method="wald": z² p (1 - p) / half_width². Otherwise an interval of `proportion_interval`: the smallest n at which
    the interval around the expected proportion is that narrow (the count n p need not be whole for "wilson").
    Raises PlanError for a share outside 0 to 1, FitError for an unknown method. Source: Wald's formula; else as
    `proportion_interval`.
    """
    _inside("expected", expected)
    _inside("half_width", half_width)
    start = norm.isf((1 - level) / 2) ** 2 * expected * (1 - expected) / half_width**2
    exact = float(start)
    if method != "wald":
        n = 2
        while _half_width(expected, n, method, level) > half_width:
            n += 1
        exact = float(n)
    return PilotSize(
        question=f"to estimate a share near {expected} to within {half_width} either way at level {level}",
        n=round_up(exact),
        n_exact=exact,
        counts="participants",
        source=f"{method} interval; Wald form n = z² p q / w² gives {float(start)}",
    )


def pilot_for_sd(relative_excess: float, confidence: float = 0.8, arms: int = 2) -> PilotSize:
    """Participants so that the one-sided upper limit of the sd exceeds it by at most this share.

    Smallest n per arm with sqrt(df / chi2_{1 - confidence, df}) - 1 <= relative_excess, df = arms (n - 1).
    Raises PlanError for a share outside 0 to 1. Source: Browne 1995, the limit of `sd_upper_limit`.

    >>> pilot_for_sd(0.25).n
    7
    """
    _inside("relative_excess", relative_excess)
    n = 2
    while sqrt(arms * (n - 1) / chi2.isf(confidence, arms * (n - 1))) - 1 > relative_excess:
        n += 1
    return PilotSize(
        question=(
            f"({arms} arms) so that the one-sided upper limit ({confidence}) of the standard deviation lies at most a "
            f"share of {relative_excess} above it"
        ),
        n=n,
        n_exact=float(n),
        counts="participants per arm",
        source="Browne 1995, Stat Med 14:1933-1940",
    )


def pilot_for_exclusion(difference: float, sd: float, confidence: float = 0.8) -> PilotSize:
    """Participants per arm so that a one-sided interval leaves out the important difference if none is seen.

    n = 2 (z_confidence sd / difference)². The pilot then tells whether going on is futile; it shows no efficacy.
    Source: Cocks K, Torgerson DJ (2013) J Clin Epidemiol 66:197-201.
    """
    exact = float(2 * (norm.ppf(confidence) * sd / difference) ** 2)
    return PilotSize(
        question=(
            f"so that a one-sided {confidence} interval around no observed difference leaves out the one that matters"
        ),
        n=round_up(exact),
        n_exact=exact,
        counts="participants per arm",
        source="Cocks and Torgerson 2013, J Clin Epidemiol 66:197-201",
    )


def pilot_share(power: float, confidence: float = 0.8, alpha: float = 0.05) -> float:
    """Size of that pilot as a share of the main trial: z_confidence² / (z_{1 - alpha/2} + z_power)².

    Source: Cocks & Torgerson 2013 (J Clin Epidemiol 66:197-201).
    """
    return float(norm.ppf(confidence) ** 2 / (norm.isf(alpha / 2) + norm.ppf(power)) ** 2)


def pilot_for_progression(
    stop: float, go: float, power: float = 0.9, alpha: float = 0.05, continuity: bool = True
) -> PilotSize:
    """Participants for one traffic-light criterion: reject "at or below stop" with `power` where the truth is `go`.

    n = [z_{1-alpha} sqrt(p0 q0) + z_power sqrt(p1 q1)]² / (p1 - p0)², with continuity
    n/4 (1 + sqrt(1 + 2 / (n (p1 - p0))))². One-sided alpha.
    Source: Lewis M, Bromley K, Sutton CJ, et al. (2021) Pilot Feasibility Stud 7:40.
    stop, go: shares from 0 to 1. Raises PlanError outside it, or for stop at or above go.
    """
    _inside("stop", stop)
    _inside("go", go)
    if not stop < go:
        raise PlanError(f"stop {stop} and go {go}: stop must lie below go.")
    exact = ((norm.isf(alpha) * sqrt(stop * (1 - stop)) + norm.ppf(power) * sqrt(go * (1 - go))) / (go - stop)) ** 2
    if continuity:
        exact = exact / 4 * (1 + sqrt(1 + 2 / (exact * (go - stop)))) ** 2
    return PilotSize(
        question=(
            f"to tell a true share of {go} from {stop} or less with power {power} at one-sided alpha {alpha}, "
            f"{'with' if continuity else 'without'} continuity correction"
        ),
        n=round_up(float(exact)),
        n_exact=float(exact),
        counts="participants",
        source="Lewis et al. 2021, Pilot Feasibility Stud 7:40",
    )


def progression_cutoff(stop: float, n: int, alpha: float = 0.05) -> float:
    """Observed share above which "at or below stop" is rejected: p0 + z_{1-alpha} sqrt(p0 q0 / n).

    Source: Lewis et al. (2021), table 5.
    """
    return float(stop + norm.isf(alpha) * sqrt(stop * (1 - stop) / n))


def rules_of_thumb(standardised_difference: float | None = None) -> pd.DataFrame:
    """Published rules by name: rule n counts derived_for source.

    standardised_difference: target difference over sd of the main trial; the stepped rule needs it and is left out
    without it. All were made to estimate a spread or a share, none to test an effect.
    Source: in the column of that name.
    """
    rows = [
        ("Julious", 12, "per arm", "mean and variance of a continuous outcome", "Julious 2005, Pharm Stat 4:287-291"),
        ("Teare, continuous", 35, "per arm", "pooled standard deviation", "Teare et al. 2014, Trials 15:264"),
        ("Teare, binary", 60, "per arm", "event rate in each arm", "Teare et al. 2014, Trials 15:264"),
    ]
    if standardised_difference is not None:
        stepped = next(n for least, n in STEPPED if standardised_difference >= least)
        rows.append(
            (
                "Whitehead, stepped",
                stepped,
                "per arm",
                "least pilot and main trial together, 90 % power, two-sided 5 %",
                "Whitehead et al. 2016, Stat Methods Med Res 25:1057-1073",
            )
        )
    return pd.DataFrame(rows, columns=["rule", "n", "counts", "derived_for", "source"])


# The abstract names 75, 25, 15 and 10 for at most 0.1, 0.2, 0.5 and 0.8. Between those points the source gives no
# number; the larger pilot of the two neighbours is taken.
STEPPED = ((0.8, 10), (0.5, 15), (0.2, 25), (0.0, 75))


def _half_width(expected: float, n: int, method: str, level: float) -> float:
    low, high = proportion_limits(n * expected, n, method, level)
    return (high - low) / 2


def _inside(name: str, value: float) -> None:
    if not 0 < value < 1:
        raise PlanError(f"{name} = {value}: allowed are values between 0 and 1.")
