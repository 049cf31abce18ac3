"""The record of a responder count."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import pandas as pd

from stats.errors import FitError
from stats.estimates import NAN, check_level
from stats.proportions.one_proportion import METHODS, proportion_limits
from stats.responders.criteria import Criterion
from stats.responders.imputed_counts import ImputedShare, share_over_imputations
from stats.result import Result

CLASSES = ("improved", "unchanged", "worsened", "cannot_reach", "missing")


@dataclass(frozen=True)
class ArmCount:
    """Counts of one arm at one threshold. The five classes add up to the enrolled."""

    arm: str
    threshold: str
    value: float
    unit: str
    quantity: str
    rule: str
    source: str
    citation: str
    improved: int
    unchanged: int
    worsened: int
    cannot_reach: int
    missing: int
    limited: int  # everyone whose baseline leaves no room, the worsened ones among them included
    imputed: ImputedShare | None = None

    @property
    def observed(self) -> int:
        """People with both values."""
        return self.improved + self.unchanged + self.worsened + self.cannot_reach

    @property
    def enrolled(self) -> int:
        """Everyone in the arm."""
        return self.observed + self.missing

    def denominators(self) -> list[tuple[str, int]]:
        """Each denominator with its n."""
        return [
            ("observed", self.observed),
            ("enrolled", self.enrolled),
            ("could reach", self.observed - self.limited),
        ]


@dataclass(frozen=True)
class ScaleEnds:
    """Lowest and highest value of a scale and its step; None where not known."""

    low: float | None = None
    high: float | None = None
    step: float | None = None


@dataclass(frozen=True)
class ResponderCounts(Result):
    """Responders by arm and threshold; `people` keeps who is in which class, `method` is the interval of the shares."""

    counts: tuple[ArmCount, ...]
    outcome: str
    from_visit: str
    to_visit: str
    unit: str
    n_participants: int
    n_rows: int
    notes: tuple[str, ...]
    people: pd.DataFrame = field(repr=False, compare=False)
    criteria: tuple[Criterion, ...] = field(repr=False, default=())
    ends: ScaleEnds = ScaleEnds()
    method: str = "wilson"

    def by(self, method: str) -> "ResponderCounts":
        """The same counts with another interval of the shares, as in `proportion_interval`.

        Raises FitError for an unknown method.
        """
        if method not in METHODS:
            raise FitError(f"Interval method {method!r} for a proportion: allowed {', '.join(METHODS)}.")
        return replace(self, method=method)

    def shares(self, level: float = 0.95) -> pd.DataFrame:
        """Long form: one row per arm, threshold and denominator with `count n estimate conf_low conf_high`."""
        return pd.DataFrame(self._share_rows(level))

    def _share_rows(self, level: float) -> list[dict]:
        level = check_level(level)
        rows = []
        for count in self.counts:
            own = {"arm": count.arm, "threshold": count.threshold, "value": count.value}
            for name, n in count.denominators():
                low, high = proportion_limits(count.improved, n, self.method, level) if n else (NAN, NAN)
                share = count.improved / n if n else NAN
                made = {"denominator": name, "count": float(count.improved), "n": n, "estimate": share}
                rows.append(own | made | {"conf_low": low, "conf_high": high})
            if count.imputed is not None:
                low, high = count.imputed.limits(level)
                share = count.imputed.share
                made = {"denominator": "imputed", "count": share * count.enrolled, "n": count.enrolled}
                rows.append(own | made | {"estimate": share, "conf_low": low, "conf_high": high})
        return rows

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """One row per arm, outcome and threshold (its value, unit, quantity, rule, source, citation), with the counts
        improved unchanged worsened cannot_reach missing enrolled, and limited where few had room.

        `estimate conf_low conf_high` are the share of the observed; `estimate_enrolled conf_low_enrolled
        conf_high_enrolled` count the missing as not improved; `estimate_could_reach conf_low_could_reach
        conf_high_could_reach` leave out people without room; `estimate_imputed ...` where imputations
        were given.
        """
        shares: dict[tuple[str, str], list[dict]] = {}
        for share in self._share_rows(level):
            shares.setdefault((share["arm"], share["threshold"]), []).append(share)
        rows = []
        for count in self.counts:
            row: dict[str, object] = {"arm": count.arm, "threshold": count.threshold, "outcome": self.outcome}
            row |= {"value": count.value, "unit": count.unit, "quantity": count.quantity, "rule": count.rule}
            row |= {name: getattr(count, name) for name in CLASSES}
            row |= {"enrolled": count.enrolled, "observed": count.observed, "limited": count.limited}
            for share in shares[count.arm, count.threshold]:
                name = str(share["denominator"]).replace(" ", "_")
                suffix = "" if name == "observed" else f"_{name}"
                row |= {f"{column}{suffix}": share[column] for column in ("estimate", "conf_low", "conf_high")}
            row |= {"method": METHODS[self.method][1], "source": count.source, "citation": count.citation}
            rows.append(row)
        return pd.DataFrame(rows)

    def sentence(self, level: float = 0.95) -> str:
        """Counts of each arm and threshold, with interval, denominator, missing people and source."""
        level = check_level(level)
        shown = self.shares(level)
        parts = []
        for count in self.counts:
            row = shown[
                (shown["arm"] == count.arm)
                & (shown["threshold"] == count.threshold)
                & (shown["denominator"] == "observed")
            ].iloc[0]
            arm = f"{count.arm}: " if count.arm else ""
            size = count.rule.replace(">=", "at least").replace(">", "more than").replace(".0 ", " ").removesuffix(".0")
            where = f"{size} {count.unit} ({count.quantity}, {count.source})"
            if count.observed == 0:
                parts.append(f"{arm}no one was observed at {where}, {count.missing} missing")
                continue
            text = (
                f"{arm}{count.improved} of {count.observed} observed improved by {where}: {row['estimate']:.0%}, "
                f"{level:.0%} interval {row['conf_low']:.0%} to {row['conf_high']:.0%}"
            )
            if count.missing:
                text += (
                    f"; {count.improved} of {count.enrolled} enrolled with the {count.missing} missing as not improved"
                )
            if count.cannot_reach:
                text += f"; {count.cannot_reach} could not reach it from their baseline"
            parts.append(text)
        cited = dict.fromkeys(f"{count.source}: {count.citation}" for count in self.counts if count.citation)
        sources = f" Sources: {'; '.join(cited)}." if cited else ""
        head = f"{self.outcome}, {self.from_visit} to {self.to_visit} ({METHODS[self.method][1]})"
        return f"{head}. {'. '.join(parts)}.{sources}"


def arm_counts(
    people: pd.DataFrame, arms: Sequence[str], rule: Criterion, imputed: Sequence[pd.DataFrame] = ()
) -> list[ArmCount]:
    """Counts per arm from tables with `arm`, `class` and `limited`; an arm without people gives zeros."""
    made = []
    classes, limited = people["class"].to_numpy(dtype=object), people["limited"].to_numpy(dtype=bool)
    for arm in arms:
        own = (people["arm"] == arm).to_numpy(dtype=bool)
        seen = Counter(classes[own])
        hits = [int(((one["arm"] == arm) & (one["class"] == "improved")).sum()) for one in imputed]
        made.append(
            ArmCount(
                arm=arm,
                threshold=rule.label,
                value=rule.value,
                unit=rule.unit,
                quantity=rule.quantity,
                rule=rule.rule,
                source=rule.source,
                citation=rule.citation,
                limited=int((limited & (classes != "missing"))[own].sum()),
                imputed=share_over_imputations(hits, int(own.sum())) if imputed else None,
                **{name: seen[name] for name in CLASSES},
            )
        )
    return made
