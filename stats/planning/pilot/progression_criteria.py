"""Progression criteria: may the definitive trial go on? Counts, intervals and zones of the protocol's own criteria.

Nothing here brings a threshold: `go` and `stop` come from the protocol, set before the data. Zones are guides for the
people who decide; no overall verdict is formed.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import pandas as pd
from scipy.stats import chi2

from outcomes.study import Study
from stats.errors import PlanError
from stats.planning.pilot.progression_counts import count_criteria, number_of
from stats.proportions.one_proportion import proportion_limits
from stats.result import Result

MEASURES = ("recruitment", "retention", "adherence", "completeness", "safety", "other")
KEYS = {
    "id": "name of the criterion",
    "label": "what is printed",
    "measure": ", ".join(MEASURES),
    "go": "share from which on the trial goes on as planned",
    "stop": "share on the other side of which it does not go on",
    "better": "higher (default) or lower (default for safety)",
    "source": "who set the criterion, where and when",
    "target": "recruitment: planned number of participants",
    "approached": "recruitment: number of people asked",
    "outcome": "retention, completeness: outcome that must be there (default: the primary one)",
    "visit": "retention: visit that must be reached (default: the last planned one)",
    "at_least": "adherence: share of the prescribed minutes from which a participant counts as adherent",
    "arm": "adherence, safety: only this arm",
    "serious": "safety: only serious events",
    "related": "safety: only these grades of relation",
}


@dataclass(frozen=True)
class Criterion:
    """One criterion with its count. `rate`: the count may exceed the target, so the interval is Poisson's."""

    id: str
    label: str
    measure: str
    count: int
    of: float
    go: float
    stop: float
    better: str
    source: str
    rate: bool

    @property
    def share(self) -> float:
        return self.count / self.of

    def interval(self, level: float, method: str) -> tuple[float, float]:
        """Interval of the share: exact Poisson for a count against a target, otherwise that of a proportion."""
        if not self.rate:
            return proportion_limits(self.count, self.of, method, level)
        tail = (1 - level) / 2
        low = float(chi2.ppf(tail, 2 * self.count)) / 2 if self.count else 0.0
        return low / self.of, float(chi2.isf(tail, 2 * self.count + 2)) / 2 / self.of

    def zone(self, share: float) -> str:
        """go at or beyond `go`, stop beyond `stop` on the bad side, amend between."""
        sign = 1 if self.better == "higher" else -1
        if sign * share >= sign * self.go - 1e-12:
            return "go"
        return "stop" if sign * share < sign * self.stop - 1e-12 else "amend"

    def zones(self, low: float, high: float) -> tuple[str, ...]:
        """Zones the interval touches, from the worse end."""
        order = ("stop", "amend", "go")
        ends = sorted(order.index(self.zone(share)) for share in (low, high))
        return order[ends[0] : ends[1] + 1]


@dataclass(frozen=True)
class Progression(Result):
    """Every criterion of the protocol with its count, interval and zone."""

    criteria: tuple[Criterion, ...]
    method: str
    unit: str = "share"
    notes: tuple[str, ...] = ()

    @property
    def n_participants(self) -> int:
        return len(self.criteria)

    @property
    def n_rows(self) -> int:
        return len(self.criteria)

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """One row per criterion: count of, share and percent, interval, zone, and the zones its interval spans."""
        rows = []
        for each in self.criteria:
            low, high = each.interval(level, self.method)
            spanned = each.zones(low, high)
            warning = f"the interval spans {' and '.join(spanned)}" if len(spanned) > 1 else ""
            rows.append(
                {
                    "criterion": each.label,
                    "measure": each.measure,
                    "count": each.count,
                    "of": each.of,
                    "share": each.share,
                    "percent": 100 * each.share,
                    "conf_low": low,
                    "conf_high": high,
                    "go": each.go,
                    "stop": each.stop,
                    "better": each.better,
                    "zone": each.zone(each.share),
                    "spans": ", ".join(spanned),
                    "warning": warning,
                    "source": each.source,
                }
            )
        return pd.DataFrame(rows)

    def sentence(self, level: float = 0.95) -> str:
        """One clause per criterion; a warning where the interval does not settle the zone."""
        clauses = []
        for row in self.frame(level).itertuples():
            clauses.append(
                f"{row.criterion} {row.count}/{row.of:g} ({row.percent:.0f} %, {level * 100:g} % interval "
                f"{100 * row.conf_low:.0f} to {100 * row.conf_high:.0f} %): {row.zone}"
                + (f" ({row.warning})" if row.warning else "")
            )
        return f"Progression criteria set before the data: {'; '.join(clauses)}."


def progression(
    criteria: Study | Iterable[Mapping[str, object]],
    counts: Mapping[str, tuple[int, float]] | None = None,
    *,
    scores: pd.DataFrame | None = None,
    method: str = "wilson",
) -> Progression:
    """Hold the protocol's progression criteria against what was counted.

    criteria: a study (its protocol's criteria; whatever `counts` does not give is counted from its tables and
    `scores`), or the criteria themselves, each a mapping with the keys of `KEYS`. counts: criterion id to
    (count, denominator). scores: frame of `outcomes.score`, of a study. method: interval of `proportion_interval`.

    Returns: a `Progression`. Raises PlanError for an unknown key, a missing threshold or a missing count.
    Shares are from 0 to 1. Source: the criteria are the protocol's own; the interval's is in `proportion_interval`.

    >>> kept = {"id": "kept", "measure": "retention", "go": 0.8, "stop": 0.6, "source": "protocol 1.2"}
    >>> progression([kept], {"kept": (20, 24)}).frame()[["zone", "spans"]].iloc[0].tolist()
    ['go', 'amend, go']
    """
    given = dict(counts or {})
    notes: tuple[str, ...] = ()
    if isinstance(criteria, Study):
        read = [_checked(each) for each in criteria.protocol.criteria]
        counted, notes = count_criteria(criteria, [each for each in read if each["id"] not in given], scores)
        given = counted | given
    else:
        read = [_checked(each) for each in criteria]
    if not read:
        raise PlanError("The protocol names no progression criteria. Add [[criteria]] to study.toml.")
    without = [str(each["id"]) for each in read if each["id"] not in given]
    if without:
        raise PlanError(f"No count for {', '.join(without)}: pass counts={{id: (count, denominator)}}.")
    made = tuple(_criterion(each, *given[str(each["id"])]) for each in read)
    unsourced = [each.label for each in made if not each.source]
    if unsourced:
        notes += (f"No source for {', '.join(unsourced)}: say where the criterion was set, before the data.",)
    notes += ("At go or better the zone is go, worse than stop it is stop, between it is amend.",)
    return Progression(made, method, notes=notes)


def _checked(criterion: Mapping[str, object]) -> dict[str, object]:
    unknown = [key for key in criterion if key not in KEYS]
    name = criterion.get("id", criterion.get("label", "without id"))
    if unknown:
        raise PlanError(f"Criterion {name}: unknown key {', '.join(unknown)}. Allowed are {', '.join(KEYS)}.")
    for key in ("id", "measure", "go", "stop"):
        if key not in criterion:
            raise PlanError(f"Criterion {name}: `{key}` is missing ({KEYS[key]}).")
    if criterion["measure"] not in MEASURES:
        raise PlanError(f"Criterion {name}: measure {criterion['measure']!r}, allowed are {', '.join(MEASURES)}.")
    return dict(criterion)


def _criterion(read: Mapping[str, object], count: int, of: float) -> Criterion:
    name, measure = str(read["id"]), str(read["measure"])
    better = str(read.get("better", "lower" if measure == "safety" else "higher"))
    go, stop = number_of(read, "go"), number_of(read, "stop")
    if better not in ("higher", "lower"):
        raise PlanError(f"Criterion {name}: better {better!r}, allowed are higher and lower.")
    if (stop > go) if better == "higher" else (stop < go):
        raise PlanError(f"Criterion {name}: go {go} and stop {stop} are the wrong way round for better = {better}.")
    rate = measure == "recruitment" and "target" in read
    if of <= 0 or count < 0 or (count > of and not rate):
        raise PlanError(f"Criterion {name}: {count} of {of} is not a share.")
    return Criterion(
        name, str(read.get("label", name)), measure, int(count), of, go, stop, better, str(read.get("source", "")), rate
    )
