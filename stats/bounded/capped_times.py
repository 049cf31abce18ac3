"""Timed tasks with a cap: everyone counts, those who could not finish as "longer than the cap"."""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from statsmodels.duration.hazard_regression import PHReg
from statsmodels.duration.survfunc import survdiff

from stats.bounded.random_intercept.families import CensoredNormal
from stats.bounded.random_intercept.maximum import maximise
from stats.bounded.random_intercept.quadrature import Integral
from stats.bounded.time_to_finish import median_time, pseudo_values, restricted_mean, still_at_it
from stats.errors import FitError
from stats.estimates import check_level
from stats.mixed.inference.fit_estimates import Estimates
from stats.result import Result

CAUTION = (
    "The restricted mean counts time up to the cap for those who did not finish; it says nothing of how long "
    "they would have needed."
)


@dataclass(frozen=True)
class CappedTimes(Result):
    """Times of each arm up to `until`, and every comparison with the reference arm (arm - reference; negative: faster).

    estimates: rows "restricted mean", its difference (Greenwood, normal law; pseudo-values, t), log time ratio
    (censored lognormal) and log hazard ratio of finishing (Cox, Efron's ties; positive: faster), keys quantity and arm.
    """

    estimates: Estimates = field(repr=False)
    arms: tuple[str, ...]
    reference: str
    until: float
    cap: float
    data: pd.DataFrame = field(repr=False)
    log_rank: tuple[float, float]
    unit: str
    n_participants: int
    n_rows: int
    notes: tuple[str, ...]

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """Columns quantity, arm, then term estimate std_error df statistic p_value conf_low conf_high unit."""
        return self.estimates.frame(check_level(level))

    def difference(self, method: str = "pseudo-values") -> Estimates:
        """Difference of restricted means, by "pseudo-values" (t, Welch's df) or "greenwood" (normal law).

        Raises FitError for another method.
        """
        names = {"pseudo-values": "difference (pseudo-values)", "greenwood": "difference"}
        if method not in names:
            raise FitError(f"Method {method!r}: allowed {', '.join(names)}.")
        assert self.estimates.keys is not None
        rows = np.flatnonzero(self.estimates.keys["quantity"] == names[method])
        return self.estimates.select(rows.tolist())

    def finished(self) -> pd.DataFrame:
        """How many finished, and the median time with its 95 % interval: arm n finished median conf_low conf_high."""
        rows = []
        for arm in self.arms:
            own = self.data[self.data["arm"] == arm]
            middle, low, high = median_time(own["time"].to_numpy(), own["done"].to_numpy(), 0.95)
            finished = int(own["done"].sum())
            rows.append({"arm": arm, "n": len(own), "finished": finished, "median": middle, "conf_low": low,
                         "conf_high": high})  # fmt: skip
        return pd.DataFrame(rows)

    def curve(self) -> pd.DataFrame:
        """Share still at it over time: arm, then the columns of `still_at_it`."""
        parts = []
        for arm in self.arms:
            own = self.data[self.data["arm"] == arm]
            parts.append(still_at_it(own["time"].to_numpy(), own["done"].to_numpy()).assign(arm=arm))
        return pd.concat(parts, ignore_index=True)

    def rates(self) -> pd.DataFrame:
        """Tasks per minute (60 / time), 0 for those who could not finish: arm mean sd n."""
        rate = np.where(self.data["done"], 60 / self.data["time"], 0.0)
        table = pd.DataFrame({"arm": self.data["arm"], "rate": rate}).groupby("arm", sort=False)["rate"]
        return table.agg(mean="mean", sd="std", n="size").reindex(list(self.arms)).rename_axis("arm").reset_index()

    def sentence(self, level: float = 0.95) -> str:
        """Restricted means, their difference, how many finished."""
        table = self.frame(level)
        means = table[table["quantity"] == "restricted mean"]
        parts = [f"{row.arm} {row.estimate:.1f}" for row in means.itertuples()]
        gaps = [
            f"{row.arm} - {self.reference} {row.estimate:.1f} {self.unit} "
            f"({level:.0%} interval {row.conf_low:.1f} to {row.conf_high:.1f})"
            for row in table[table["quantity"] == "difference (pseudo-values)"].itertuples()
        ]
        counts = ", ".join(f"{one.finished} of {one.n} in {one.arm}" for one in self.finished().itertuples())
        return (
            f"Mean time up to {self.until:g} {self.unit}: {', '.join(parts)}; {'; '.join(gaps)}. Finished: {counts}. "
            f"{CAUTION}"
        )


def capped_time(
    frame: pd.DataFrame, *, time: str, done: str, cap: float, arm: str | None = None, until: float | None = None,
    reference: str | None = None, unit: str = "s",
) -> CappedTimes:  # fmt: skip
    """Compare times to finish a task between arms, keeping those who could not finish.

    frame: one row per participant. time: column, above 0; done: column, 1 or True where finished. Unfinished without a
    time counts as stopped at the cap; a time above the cap counts as unfinished at the cap. until: where the mean is
    taken up to (the cap). reference: the arm that is taken off; the first level, or the first in order.
    Greenwood's standard error is too small for 10 and 15 people per arm (8.1 and 7.2 % false rejections against 4.4 and
    4.8 % by pseudo-values, 1,000 trials each, tests/simulation/bounded_nulls.csv); the pseudo-values with t on Welch's
    df are the ones the sentence gives. With repeated visits: `fit_censored` of the log time with high=log(cap).

    Returns `CappedTimes`. Raises FitError for times of 0 or less, no times at all, or an unknown reference arm.
    Source: Greenwood 1926; Cox 1972 with Efron's ties, by statsmodels; pseudo-values of Andersen, Hansen & Klein 2004
    (Lifetime Data Anal 10:335-350); all from memory.
    """
    until = float(cap if until is None else until)
    if not 0 < until <= cap:
        raise FitError(f"until={until}: allowed above 0 and up to the cap of {cap}.")
    data, notes = _timed(frame, time, done, cap, arm)
    arms = _arms(frame, data, arm)
    base = arms[0] if reference is None else str(reference)
    if base not in arms:
        raise FitError(f"Reference arm {base!r}: allowed {', '.join(arms)}.")
    estimates = _comparisons(data, arms, base, until, cap, unit, notes)
    chi: tuple[float, float] = (np.nan, np.nan)
    if len(arms) > 1:
        found = survdiff(data["time"].to_numpy(), data["done"].to_numpy(int), data["arm"].to_numpy())
        chi = (float(found[0]), float(found[1]))
    return CappedTimes(estimates, arms, base, until, float(cap), data, chi, unit, len(data), len(data), estimates.notes)


def _timed(
    frame: pd.DataFrame, time: str, done: str, cap: float, arm: str | None
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    absent = [name for name in (time, done, *([arm] if arm else [])) if name not in frame]
    if absent:
        raise FitError(
            f"Columns {', '.join(absent)} are not in the table; there are {', '.join(map(str, frame.columns))}."
        )
    values = pd.to_numeric(frame[time], errors="coerce").astype(float)
    ended = pd.to_numeric(frame[done], errors="coerce").astype(float)
    if not ended.dropna().isin((0, 1)).all():
        raise FitError(f"Column {done!r}: allowed 1 or True (finished) and 0 or False (could not).")
    notes: list[str] = []
    empty = values.isna() & (ended == 0)
    if empty.any():
        notes.append(f"{int(empty.sum())} unfinished without a time: counted as stopped at the cap of {cap:g}.")
    values = values.mask(empty, cap)
    late = (values > cap) | ((values == cap) & (ended == 0))
    over = (values > cap) & (ended == 1)
    if over.any():
        notes.append(f"{int(over.sum())} finished after the cap of {cap:g}: counted as unfinished at the cap.")
    ended = ended.mask(over, 0)
    values = values.mask(late, cap)
    there = values.notna() & ended.notna()
    if arm:
        there &= frame[arm].notna()
    if not there.all():
        notes.append(f"{int((~there).sum())} rows without time, ending or arm were left out.")
    if (values[there] <= 0).any():
        raise FitError(f"Column {time!r}: {int((values[there] <= 0).sum())} times of 0 or less, allowed above 0.")
    labels = frame[arm].astype(str) if arm else pd.Series("all", index=frame.index)
    data = pd.DataFrame({"arm": labels, "time": values, "done": ended == 1})[there].reset_index(drop=True)
    if data.empty:
        raise FitError("Nobody has a time: nothing to compare.")
    return data, tuple(notes)


def _arms(frame: pd.DataFrame, data: pd.DataFrame, arm: str | None) -> tuple[str, ...]:
    there = set(data["arm"])
    if arm and isinstance(frame[arm].dtype, pd.CategoricalDtype):
        return tuple(str(one) for one in frame[arm].cat.categories if str(one) in there)
    return tuple(sorted(there))


def _comparisons(
    data: pd.DataFrame, arms: tuple[str, ...], base: str, until: float, cap: float, unit: str, notes: tuple[str, ...]
) -> Estimates:
    split = {arm: data[data["arm"] == arm] for arm in arms}
    rows: list[tuple[str, str, float, float, float]] = []
    means, pseudo = {}, {}
    for arm, own in split.items():
        values, ended = own["time"].to_numpy(), own["done"].to_numpy()
        if values.max() < until and not ended[values == values.max()].all():
            notes += (f"{arm}: nobody was followed to {until:g}; the last share is taken to hold until then.",)
        means[arm] = restricted_mean(values, ended, until)
        pseudo[arm] = pseudo_values(values, ended, until)
        rows.append(("restricted mean", arm, *means[arm], np.inf))
    for arm in arms:
        if arm == base:
            continue
        gap = means[arm][0] - means[base][0]
        rows.append(("difference", arm, gap, float(np.hypot(means[arm][1], means[base][1])), np.inf))
        parts = [(pseudo[one].var(ddof=1) / len(pseudo[one]), len(pseudo[one])) for one in (arm, base)
                 if len(pseudo[one]) > 1]  # fmt: skip
        if len(parts) == 2 and sum(v for v, _ in parts) > 0:
            total = sum(v for v, _ in parts)
            df = total**2 / sum(v**2 / (n - 1) for v, n in parts)
            rows.append(("difference (pseudo-values)", arm, float(pseudo[arm].mean() - pseudo[base].mean()),
                         float(np.sqrt(total)), float(df)))  # fmt: skip
        else:
            notes += (f"{arm} - {base}: too few people, or nobody differs: no interval by pseudo-values.",)
        two = pd.concat([split[base], split[arm]])
        for quantity, made in (
            ("log time ratio (lognormal)", _lognormal),
            ("log hazard ratio of finishing (Cox)", _cox),
        ):
            found = made(two, arm)
            if isinstance(found, str):
                notes += (f"{arm} - {base}, {quantity}: {found}",)
            else:
                rows.append((quantity, arm, *found))
    keys = pd.DataFrame({"quantity": [r[0] for r in rows], "arm": [r[1] for r in rows]})
    return Estimates(
        tuple(f"{r[0]}, {r[1]}" for r in rows), np.array([r[2] for r in rows]), np.array([r[3] for r in rows]),
        np.array([r[4] for r in rows]), "normal", unit, len(data), len(data), (*notes, CAUTION), keys,
    )  # fmt: skip


def _lognormal(data: pd.DataFrame, arm: str) -> tuple[float, float, float] | str:
    """Censored lognormal: difference of mean log times, t on people - 2."""
    y = np.log(data["time"].to_numpy())
    done = data["done"].to_numpy()
    if done.sum() < 3 or len(set(data["arm"][done])) < 2:
        return "too few finished in one arm for a lognormal model."
    X = np.column_stack([np.ones(len(y)), data["arm"] == arm, np.zeros(len(y))])
    extra = np.zeros_like(X)
    extra[:, -1] = 1
    zero = np.zeros(len(y))
    integral = Integral(CensoredNormal(y, np.where(done, 0.0, 1.0)), (X, extra), (zero, zero), np.arange(len(y)), 0)
    try:
        found = maximise(integral, np.array([y.mean(), 0.0, np.log(y.std() + 1e-9)]), "Censored lognormal")
    except FitError as error:
        return str(error)
    return float(found.parameters[1]), float(np.sqrt(found.covariance[1, 1])), float(len(y) - 2)


def _cox(data: pd.DataFrame, arm: str) -> tuple[float, float, float] | str:
    done = data["done"].to_numpy()
    if len(set(data["arm"][done])) < 2:
        return "nobody finished in one arm, so the hazard ratio has no estimate."
    indicator = (data["arm"] == arm).to_numpy(float)[:, None]
    found = PHReg(data["time"].to_numpy(), indicator, status=done.astype(int), ties="efron").fit(disp=0)
    return float(found.params[0]), float(found.bse[0]), np.inf
