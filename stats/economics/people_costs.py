"""Cost per participant from a sheet of prices and what the trial's own sheets say each person used.

The arithmetic mean is what a payer needs; medians and logarithms answer another question (Thompson & Barber 2000, BMJ
320:1197-1200). Research-only costs stand apart: nobody pays them for care.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from math import isfinite, nan, sqrt

import numpy as np
import pandas as pd
from scipy.stats import t

from stats.economics.incremental import NetBenefit, correlation_of_differences, net_benefit
from stats.economics.unit_prices import device_per_participant
from stats.errors import FitError
from stats.estimates import Estimate, check_level
from stats.result import Result
from stats.summaries import Values, finite

COMPLETE = 0.6  # share of an arm with every cost known, below which no difference is given: judgement
FEWEST = 10  # people per arm below which costs and effects together are not compared: judgement


@dataclass(frozen=True)
class ArmCosts(Result):
    """Costs of every participant, by arm. people: participant, arm, cost (NaN where a use is unknown)."""

    people: pd.DataFrame
    parts: pd.DataFrame  # participant, arm, item, kind, cost
    per_trial: float
    research: float  # mean per participant, research only
    unit: str
    price_year: int
    n_participants: int
    notes: tuple[str, ...]

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """A row each arm: arm, n, complete, mean, sd, conf_low, conf_high, median, q1, q3, largest, unit."""
        level = check_level(level)
        rows = []
        for arm, own in self.people.groupby("arm", sort=False):
            known = own["cost"].dropna().to_numpy()
            row: dict[str, object] = {"arm": arm, "n": len(own), "complete": len(known), "unit": self.unit}
            mean = float(known.mean()) if len(known) else nan
            sd = float(known.std(ddof=1)) if len(known) > 1 else nan
            reach = float(t.ppf((1 + level) / 2, len(known) - 1)) * sd / sqrt(len(known)) if len(known) > 1 else nan
            q1, median, q3 = np.quantile(known, [0.25, 0.5, 0.75]) if len(known) else (nan, nan, nan)
            row |= {"mean": mean, "sd": sd, "conf_low": mean - reach, "conf_high": mean + reach, "median": median,
                    "q1": q1, "q3": q3, "largest": known.max() if len(known) else nan}  # fmt: skip
            rows.append(row)
        return pd.DataFrame(rows)

    def items(self) -> pd.DataFrame:
        """A row each arm and item: mean cost per participant."""
        made = self.parts.groupby(["arm", "item", "kind"], sort=False)["cost"].sum().reset_index()
        people = self.people.groupby("arm")["participant"].count()
        return made.assign(mean=made["cost"] / made["arm"].map(people)).drop(columns="cost")

    def difference(self, arm: str, reference: str) -> Estimate:
        """Mean cost of an arm less the reference's, Welch interval. FitError where costs are known in one arm only."""
        values = [self._known(name) for name in (arm, reference)]
        return cost_difference(*values, currency=self.unit)

    def of_trial(self, n_per_arm: int) -> float:
        """Cost of a trial with this many per arm in the arms there are: care, research, and what is paid once."""
        means = self.frame()["mean"]
        return float(n_per_arm * means.sum() + n_per_arm * len(means) * self.research + self.per_trial)

    def sentence(self, level: float = 0.95) -> str:
        """Mean and SD per arm, the year of the prices, what is left out."""
        parts = [
            f"{row.arm or 'participants'} {row.mean:,.0f} (SD {row.sd:,.0f}, n = {row.complete} of {row.n})"
            for row in self.frame(level).itertuples()
        ]
        return (
            f"Mean cost per participant, {self.unit} at prices of {self.price_year}: {'; '.join(parts)}. Research-only "
            f"costs ({self.research:,.0f} a participant) and costs of the whole trial ({self.per_trial:,.0f}) stand "
            "apart."
        )

    def _known(self, arm: str) -> np.ndarray:
        own = self.people[self.people["arm"] == arm]
        if own.empty:
            raise FitError(f"No costs of arm {arm!r}; there are {', '.join(map(str, self.people['arm'].unique()))}.")
        known = own["cost"].dropna().to_numpy()
        if len(known) < COMPLETE * len(own):
            raise FitError(
                f"Costs of arm {arm!r} are known for {len(known)} of {len(own)}: too few for a difference (allowed "
                f"{COMPLETE} of an arm or more)."
            )
        if not (self.parts["arm"] == arm).any():
            raise FitError(
                f"No price applies to arm {arm!r}: costs of one arm only are no comparison. Give its items, or a row "
                "with the price 0 where it gets nothing that costs."
            )
        return known


def arm_costs(
    costs: pd.DataFrame,
    participants: pd.DataFrame,
    *,
    sessions: pd.DataFrame | None = None,
    visits: pd.DataFrame | None = None,
    rate: float = 0.0,
) -> ArmCosts:
    """Cost of every participant from the `costs` sheet, and by arm.

    costs: columns of the sheet. A row without participant is planned use, a row with one is this person's. `per`
    session, minute and visit are counted in the sheets `sessions` (minutes_performed) and `visits` (attended). A device
    with life_years is spread over its years and over the participants who share it (`quantity`). rate: discount rate of
    devices (0.035 for 3.5 %). participants: columns participant and arm.
    sessions, visits: the sheets of the study, one row a session or visit.
    Raises FitError for mixed currencies or price years, negative prices, or use that no sheet counts.
    Costs are in the currency and price year of the sheet. Source: quantity times price, common practice; a device as in
    `device_per_participant`.
    """
    if costs.empty:
        raise FitError("The sheet costs is empty: found 0 rows, allowed a price or more.")
    currency, year = (_one(costs, name) for name in ("currency", "price_year"))
    bad = costs[~(costs["price"] >= 0)]
    if len(bad):
        raise FitError(f"{bad['item'].iloc[0]}: price {bad['price'].iloc[0]}; allowed 0 or more.")
    people = participants[["participant"]].assign(arm=participants.get("arm", ""))
    use = _used(people["participant"], sessions, visits)
    parts, notes, once, research = [], [], 0.0, 0.0
    for row in costs.itertuples():
        per, quantity = row.per or "participant", row.quantity if isfinite(row.quantity) else 1.0
        if per == "trial":
            once += quantity * row.price
            continue
        own = people[(row.arm in ("", None)) | (people["arm"] == row.arm)]
        own = own[own["participant"] == row.participant] if row.participant else own
        if own.empty:
            raise FitError(f"{row.item}: arm {row.arm!r}, participant {row.participant!r} fits nobody of the trial.")
        each = _each(row, per, quantity, own["participant"], use, rate)
        if row.kind == "research only":
            research += float(np.nansum(each)) / len(people)
            continue
        parts.append(own.assign(item=row.item, kind=row.kind or "other", cost=each))
        if row.kind == "device" and isfinite(row.life_years):
            notes.append(f"{row.item}: {quantity} participants share one a year, the largest assumption of its cost.")
    columns = ["participant", "arm", "item", "kind", "cost"]
    joined = pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)
    summed = joined.groupby("participant")["cost"].agg(["sum", "count", "size"])
    whole = summed["sum"].where(summed["count"] == summed["size"])  # one use unknown: the cost is unknown
    priced = people["participant"].isin(whole.index)
    people = people.assign(cost=people["participant"].map(whole).where(priced, 0.0).astype(float))
    missing = int(people["cost"].isna().sum())
    if missing:
        notes.append(f"{missing} participants have a use that was not recorded: their cost is not known.")
    if (costs["participant"] == "").any():
        notes.append("Planned use is the same for everybody in an arm: the spread of these costs is too small.")
    if not (costs["kind"] == "research only").any():
        notes.append("No row is marked as research only: look whether assessments of the trial are among the prices.")
    return ArmCosts(
        people=people, parts=joined, per_trial=once, research=research, unit=str(currency),
        price_year=int(float(str(year))), n_participants=len(people), notes=tuple(dict.fromkeys(notes)),
    )  # fmt: skip


def _each(row, per: str, quantity: float, people: pd.Series, use: dict[str, pd.Series], rate: float) -> np.ndarray:
    """The cost of one item for each of these people."""
    if isfinite(row.life_years):
        extra = {name: value for name in ("maintenance", "resale") if isfinite(value := getattr(row, name))}
        one = device_per_participant(
            row.price, years=row.life_years, participants_per_year=quantity, rate=rate, **extra
        )
        return np.full(len(people), one)
    if per in ("participant", "year"):
        return np.full(len(people), quantity * row.price)
    if per not in use:
        raise FitError(f"{row.item}: per {per}, but the study has no sheet that counts it. Give the quantity planned.")
    return people.map(use[per]).to_numpy(dtype=float) * quantity * row.price


def _used(people: pd.Series, sessions: pd.DataFrame | None, visits: pd.DataFrame | None) -> dict[str, pd.Series]:
    """Sessions, minutes and attended visits of every participant; no row is no use, an empty cell is unknown use."""
    counted = {}
    if sessions is not None and len(sessions):
        groups = sessions.groupby("participant")["minutes_performed"]
        counted["session"] = groups.size().reindex(people, fill_value=0).astype(float)
        minutes = groups.sum().where(groups.apply(lambda cells: cells.notna().all()))
        counted["minute"] = minutes.reindex(people).where(people.isin(minutes.index).to_numpy(), 0.0)
    if visits is not None and len(visits):
        seen = visits[~visits["status"].isin(["missed", "withdrawn"])]
        counted["visit"] = seen.groupby("participant").size().reindex(people, fill_value=0).astype(float)
    return counted


def _one(costs: pd.DataFrame, name: str) -> object:
    found = [value for value in costs[name].dropna().unique() if str(value).strip()]
    if len(found) != 1:
        told = ", ".join(map(str, found)) or "none"
        raise FitError(f"Sheet costs, {name}: found {told}; allowed one for the whole sheet. Convert, then add up.")
    return found[0]


def cost_difference(first: Values, second: Values, *, currency: str = "") -> Estimate:
    """Mean cost of the first arm less the second's, with Welch's interval: the arithmetic means, whatever the skew.

    first, second: a cost a person of each arm, in the currency. Raises FitError for fewer than two an arm. Source:
    Welch 1947; means and not medians, because a budget pays the mean (common practice).

    >>> round(cost_difference([310, 420, 280], [250, 300, 340], currency="EUR").estimate)
    40
    """
    a, b = finite(first), finite(second)
    if len(a) < 2 or len(b) < 2:
        raise FitError(f"{len(a)} and {len(b)} costs: allowed 2 or more an arm.")
    va, vb = a.var(ddof=1) / len(a), b.var(ddof=1) / len(b)
    estimate, error = float(a.mean() - b.mean()), float(np.sqrt(va + vb))
    df = float((va + vb) ** 2 / (va**2 / (len(a) - 1) + vb**2 / (len(b) - 1))) if error else nan
    return Estimate(
        term="difference in mean cost", estimate=estimate, limits=partial(_limits, estimate, error, df),
        method="Welch", unit=currency, std_error=error, df=df, n_participants=len(a) + len(b),
        n_rows=len(a) + len(b), notes=("Arithmetic means; costs are skewed and small samples tell little.",),
    )  # fmt: skip


def _limits(estimate: float, error: float, df: float, level: float) -> tuple[float, float]:
    reach = float(t.ppf((1 + level) / 2, df)) * error if error else 0.0
    return estimate - reach, estimate + reach


def cost_and_effect(
    cost1: Values, effect1: Values, cost0: Values, effect0: Values, *, willingness: float | Sequence[float],
    currency: str = "", effect_unit: str = "",
) -> NetBenefit:  # fmt: skip
    """Net benefit from costs and effects of the same people, treated (1) and control (0): with their correlation.

    cost1, effect1: a number a treated person; cost0, effect0: a number a control, in the currency and the unit of
    effect, effects positive where better. willingness: one number or a sequence, in the currency for one unit of
    effect. People without both are left out and counted. df: the smaller of Welch's two.
    Raises FitError for too few people with both, or a willingness below 0. Source: as `net_benefit`; the smaller df is
    our choice.
    """
    pairs = [
        np.column_stack([np.asarray(c, float), np.asarray(e, float)]) for c, e in ((cost1, effect1), (cost0, effect0))
    ]
    whole = [pair[np.isfinite(pair).all(axis=1)] for pair in pairs]
    if min(map(len, whole)) < FEWEST:
        raise FitError(
            f"{len(whole[0])} and {len(whole[1])} people with cost and effect: allowed {FEWEST} or more an arm. Show "
            "the costs alone."
        )
    cost = cost_difference(whole[0][:, 0], whole[1][:, 0], currency=currency)
    effect = cost_difference(whole[0][:, 1], whole[1][:, 1])
    inside = [np.cov(pair.T, ddof=1)[0, 1] for pair in whole]
    r = correlation_of_differences(inside[0], len(whole[0]), inside[1], len(whole[1]), cost.std_error, effect.std_error)
    made = net_benefit(
        cost_difference=cost, effect_difference=effect, willingness=willingness, correlation=r, currency=currency,
        effect_unit=effect_unit,
    )  # fmt: skip
    lost = sum(len(pair) for pair in pairs) - sum(len(pair) for pair in whole)
    notes = (*made.notes, f"{lost} people without cost or effect left out.") if lost else made.notes
    return NetBenefit(**{**made.__dict__, "notes": notes})
