"""Error rates of stop-go criteria: how often a count of n people says go, amend or stop, by the true share."""

from collections.abc import Iterable
from dataclasses import dataclass
from math import ceil

import numpy as np
import pandas as pd
from scipy.stats import binom

from stats.errors import PlanError
from stats.result import Result


@dataclass(frozen=True)
class StopGo(Result):
    """The chances of each zone for a criterion counted in n people, by the true share."""

    n: int
    go: float
    stop: float
    truths: tuple[float, ...]
    unit: str = "probability"
    n_participants: int = 0
    notes: tuple[str, ...] = ()

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """A row each true share: truth, go, amend, stop (probabilities, exact binomial); no intervals."""
        least, most = (ceil(cut * self.n - 1e-9) for cut in (self.go, self.stop))
        truths = np.array(self.truths)
        go = binom.sf(least - 1, self.n, truths)
        stopped = binom.cdf(most - 1, self.n, truths)
        return pd.DataFrame({"truth": truths, "go": go, "amend": 1 - go - stopped, "stop": stopped})

    def sentence(self, level: float = 0.95) -> str:
        """Both errors: going on at the stop limit, stopping at the go limit."""
        rows = StopGo(self.n, self.go, self.stop, (self.stop, self.go)).frame()
        return (
            f"Counted in {self.n} people (go from {self.go:.0%}, stop below {self.stop:.0%}): a trial whose true share "
            f"is {self.stop:.0%} goes on with probability {rows['go'].iloc[0]:.0%}; one whose true share is "
            f"{self.go:.0%} is stopped with probability {rows['stop'].iloc[1]:.0%} and goes on unamended with "
            f"{rows['go'].iloc[1]:.0%}."
        )


def stop_go_rates(n: int, go: float, stop: float, truths: Iterable[float] | None = None) -> StopGo:
    """Error rates of a progression criterion where more is better: go from `go`, stop below `stop`, amend between.

    n: people counted. truths: a sequence of true shares to look at; from 0.05 to 0.95 where not named. Raises
    PlanError for shares outside 0 to 1 or stop above go. Source: the binomial law, exact.
    """
    if not (n >= 1 and 0 <= stop <= go <= 1):
        raise PlanError(f"n {n}, stop {stop}, go {go}: allowed n of 1 or more and stop at or below go, both 0 to 1.")
    wanted = tuple(truths) if truths is not None else tuple(k / 20 for k in range(1, 20))
    if any(not 0 <= share <= 1 for share in wanted):
        raise PlanError("True shares: allowed 0 to 1.")
    return StopGo(int(n), float(go), float(stop), wanted, n_participants=int(n))
