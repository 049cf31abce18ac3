"""Exact tests for small groups, where a test must be printed at all: 2x2 tables."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import (
    barnard_exact,
    binom,
    binomtest,
    boschloo_exact,
    chi2,
    chi2_contingency,
    fisher_exact,
    hypergeom,
)

from stats.errors import FitError
from stats.proportions.two_proportions import check_counts
from stats.result import Result

ALTERNATIVES = ("two-sided", "less", "greater")


@dataclass(frozen=True)
class ExactTest(Result):
    """A test statistic and its p value."""

    method: str
    statistic: float
    p_value: float
    alternative: str
    n_participants: int
    n_rows: int
    unit: str = ""
    notes: tuple[str, ...] = ()

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """One row: term, statistic, p_value, alternative, n."""
        row = {"term": self.method, "statistic": self.statistic, "p_value": self.p_value}
        return pd.DataFrame([row | {"alternative": self.alternative, "n": self.n_participants}])

    def sentence(self, level: float = 0.95) -> str:
        """Test, statistic, p value and n; no verdict."""
        shown = f"statistic {self.statistic:.3g}, p = {self.p_value:.3g}"
        return f"{self.method}: {shown} ({self.alternative}; n = {self.n_participants})."


def exact_test(x1: int, n1: int, x2: int, n2: int, test: str = "boschloo", alternative: str = "two-sided") -> ExactTest:
    """Exact test of x1/n1 against x2/n2.

    test: `boschloo` (ours: uniformly more powerful than Fisher), `barnard` (pooled z), `fisher` (conditional,
    conservative), `fisher-mid-p`, `chi-square` (not exact; for comparison). alternative: of the first against the
    second. Returns `ExactTest`. Raises FitError for an empty group or an unknown test.
    Source: Boschloo 1970; Mehta & Senchaudhuri 2003; Lydersen, Fagerland & Laake 2009 (Stat Med 28:1159-1175).

    >>> round(float(exact_test(11, 20, 3, 20).p_value), 4)
    0.0084
    """
    check_counts(x1, n1, x2, n2)
    _known("Alternative", alternative, ALTERNATIVES)
    table = np.array([[x1, x2], [n1 - x1, n2 - x2]])
    if test == "boschloo":
        found = boschloo_exact(table, alternative=alternative)
        statistic, p = found.statistic, found.pvalue
    elif test == "barnard":
        found = barnard_exact(table, alternative=alternative, pooled=True)
        statistic, p = found.statistic, found.pvalue
    elif test == "fisher":
        statistic, p = fisher_exact(table, alternative=alternative)
    elif test == "fisher-mid-p":
        statistic, p = float(x1), _fisher_mid_p(x1, n1, x2, n2, alternative)
    elif test == "chi-square":
        _known("Alternative of the chi-square test", alternative, ("two-sided",))
        if 0 in table.sum(axis=1):
            raise FitError(
                "Chi-square test: nobody (or everybody) responded in both groups, so there is nothing to test."
            )
        statistic, p, _, _ = chi2_contingency(table, correction=False)
    else:
        raise FitError(f"Test {test!r}: allowed boschloo, barnard, fisher, fisher-mid-p, chi-square.")
    notes = ("Everyone or no one has the property: the test cannot say anything.",) if 0 in table.sum(axis=1) else ()
    p = 1.0 if notes and np.isnan(p) else float(p)
    return ExactTest(f"{test} test", float(statistic), min(1.0, p), alternative, n1 + n2, n1 + n2, notes=notes)


def mcnemar_test(b: int, c: int, test: str = "mid-p") -> ExactTest:
    """Test of the two kinds of discordant pairs: b (first only) against c (second only).

    test: `mid-p` (ours: Fagerland 2013), `exact` (binomial), `chi-square`, `chi-square-continuity`.
    Source: McNemar 1947; Fagerland, Lydersen & Laake 2013 (BMC Med Res Methodol 13:91).
    Raises FitError for counts below 0 or an unknown test. b, c: numbers of pairs.

    >>> round(float(mcnemar_test(8, 2).p_value), 4)
    0.0654
    """
    _known("Test", test, ("mid-p", "exact", "chi-square", "chi-square-continuity"))
    if min(b, c) < 0:
        raise FitError(f"Discordant pairs {b} and {c}: allowed 0 or more.")
    n = b + c
    if n == 0:
        return ExactTest(f"McNemar {test} test", 0.0, 1.0, "two-sided", 0, 0, notes=("No discordant pair.",))
    if test.startswith("chi"):
        gap = max(0.0, abs(b - c) - (1 if test.endswith("continuity") else 0))
        statistic = gap**2 / n
        return ExactTest(f"McNemar {test} test", statistic, float(chi2.sf(statistic, 1)), "two-sided", n, n)
    p = float(binomtest(b, n).pvalue)
    if test == "mid-p":
        p = min(1.0, 2 * float(binom.cdf(min(b, c), n, 0.5)) - float(binom.pmf(min(b, c), n, 0.5)))
    return ExactTest(f"McNemar {test} test", float(min(b, c)), p, "two-sided", n, n)


def _fisher_mid_p(x1: int, n1: int, x2: int, n2: int, alternative: str) -> float:
    law = hypergeom(n1 + n2, x1 + x2, n1)
    point = float(law.pmf(x1))
    if alternative == "less":
        return float(law.cdf(x1)) - point / 2
    if alternative == "greater":
        return float(law.sf(x1)) + point / 2
    support = law.pmf(np.arange(max(0, x1 + x2 - n2), min(n1, x1 + x2) + 1))
    return float(support[support <= point * (1 + 1e-9)].sum()) - point / 2


def _known(what: str, found: str, allowed: tuple[str, ...]) -> None:
    if found not in allowed:
        raise FitError(f"{what} {found!r}: allowed {', '.join(allowed)}.")
