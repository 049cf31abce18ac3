"""Two independent proportions: difference, ratio, odds ratio. First minus (or over) second."""

from functools import partial
from math import exp, log, sqrt

from scipy.stats import norm
from statsmodels.stats.proportion import confint_proportions_2indep

from stats.errors import FitError
from stats.estimates import Estimate
from stats.proportions.score_difference import DIFFERENCE_METHODS

Limits = tuple[float, float]


def risk_difference(x1: int, n1: int, x2: int, n2: int, method: str = "newcombe", level: float = 0.95) -> Estimate:
    """x1/n1 - x2/n2 with its interval.

    Candidates: `newcombe` (ours: closed form, close to nominal at small n), `miettinen-nurminen` and `mee` (score
    intervals, with and without N/(N-1)), `wald` (for comparison only: at 0/n or n/n it claims certainty).
    x1, x2: counts; n1, n2: people, 1 or more. level: 0 to 1.
    Returns an `Estimate`; std_error is Wald's. Raises FitError for an empty group or a count outside 0 to n.
    Source: Newcombe 1998 (Stat Med 17:873-890); Miettinen & Nurminen 1985 (Stat Med 4:213-226); Mee 1984.
    The score interval for a difference of statsmodels 0.15 has a slip in its cubic and is not used.

    >>> bool(abs(risk_difference(56, 70, 48, 80, "miettinen-nurminen").conf_low - 0.0528) < 1e-4)
    True
    """
    if method not in DIFFERENCE_METHODS:
        raise FitError(f"Interval method {method!r} for a difference: allowed {', '.join(DIFFERENCE_METHODS)}.")
    check_counts(x1, n1, x2, n2)
    p1, p2 = x1 / n1, x2 / n2
    limits, name = DIFFERENCE_METHODS[method]
    notes = []
    if method == "wald":
        notes.append("The Wald interval is too narrow in small groups; it is here to compare with older reports.")
    return Estimate(
        term="risk difference",
        estimate=p1 - p2,
        limits=partial(limits, x1, n1, x2, n2),
        method=name,
        std_error=sqrt(p1 * (1 - p1) / n1 + p2 * (1 - p2) / n2),
        n_participants=n1 + n2,
        n_rows=n1 + n2,
        notes=tuple(notes),
    ).at(level)


def risk_ratio(x1: int, n1: int, x2: int, n2: int, method: str = "log", level: float = 0.95) -> Estimate:
    """(x1/n1) / (x2/n2). method: `log` (normal interval of the logarithm) or `score` (Koopman, through statsmodels).

    A zero cell: 1/2 is added to each cell for the `log` method, and a note says so. std_error is that of the logarithm
    (extra column `log_estimate`). Arguments as `risk_difference`. Raises
    FitError for an empty group, a count outside 0 to n or an unknown method. Source: Katz 1978; Koopman 1984.

    >>> round(risk_ratio(11, 20, 7, 20).estimate, 3)
    1.571
    """
    check_counts(x1, n1, x2, n2)
    _known(method, ("log", "score"))
    a, m1, c, m2, notes = _without_zero(x1, n1, x2, n2)
    error = sqrt(1 / a - 1 / m1 + 1 / c - 1 / m2)
    return _ratio("risk ratio", log(a / m1) - log(c / m2), error, "ratio", (x1, n1, x2, n2), method, level, notes)


def odds_ratio(x1: int, n1: int, x2: int, n2: int, method: str = "log", level: float = 0.95) -> Estimate:
    """Odds of the first over odds of the second. Methods and zero cells as `risk_ratio`. Raises FitError as it does.
    Source: Woolf 1955.

    >>> round(odds_ratio(11, 20, 7, 20).estimate, 3)  # 11 x 13 / (9 x 7)
    2.27
    """
    check_counts(x1, n1, x2, n2)
    _known(method, ("log", "score"))
    a, m1, c, m2, notes = _without_zero(x1, n1, x2, n2)
    b, d = m1 - a, m2 - c
    error = sqrt(1 / a + 1 / b + 1 / c + 1 / d)
    return _ratio("odds ratio", log(a / b) - log(c / d), error, "odds-ratio", (x1, n1, x2, n2), method, level, notes)


def check_counts(x1: int, n1: int, x2: int, n2: int) -> None:
    """Refuse an empty group and a count outside it."""
    for name, x, n in (("first", x1, n1), ("second", x2, n2)):
        if n < 1:
            raise FitError(f"The {name} group has {n} people, allowed 1 or more: nothing to compare. Leave it out.")
        if not 0 <= x <= n:
            raise FitError(f"The {name} group counts {x} of {n}: allowed 0 to {n}.")


def _known(method: str, allowed: tuple[str, ...]) -> None:
    if method not in allowed:
        raise FitError(f"Interval method {method!r} for a ratio: allowed {', '.join(allowed)}.")


def _without_zero(x1: int, n1: int, x2: int, n2: int) -> tuple[float, float, float, float, tuple[str, ...]]:
    if 0 in (x1, x2, n1 - x1, n2 - x2):
        note = "A cell is 0: 1/2 was added to each of the four cells, so the estimate is that of the changed table."
        return x1 + 0.5, n1 + 1.0, x2 + 0.5, n2 + 1.0, (note,)
    return x1, n1, x2, n2, ()


def _ratio(
    term: str,
    log_estimate: float,
    error: float,
    compare: str,
    counts: tuple[int, int, int, int],
    method: str,
    level: float,
    notes: tuple[str, ...],
) -> Estimate:
    by_log = partial(_log_limits, log_estimate, error)
    return Estimate(
        term=term,
        estimate=exp(log_estimate),
        limits=by_log if method == "log" else partial(_score_limits, counts, compare),
        method="normal interval of the logarithm" if method == "log" else "score",
        std_error=error,
        n_participants=counts[1] + counts[3],
        n_rows=counts[1] + counts[3],
        notes=(*notes, "std_error is that of the logarithm."),
        extra=(("log_estimate", log_estimate),),
    ).at(level)


def _log_limits(log_estimate: float, error: float, level: float) -> Limits:
    z = float(norm.ppf((1 + level) / 2))
    return exp(log_estimate - z * error), exp(log_estimate + z * error)


def _score_limits(counts: tuple[int, int, int, int], compare: str, level: float) -> Limits:
    low, high = confint_proportions_2indep(*counts, method="score", compare=compare, alpha=1 - level)
    return float(low), float(high)
