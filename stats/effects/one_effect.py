"""Effect sizes by name, each with its standardiser and an interval; from raw values or from published numbers."""

from collections.abc import Callable
from dataclasses import replace
from math import nan

import numpy as np

from stats.effects.bootstrap_limits import BootstrapLimits
from stats.effects.order_based import (
    dominance,
    paired_rank_biserial,
    paired_superiority,
    superiority,
    superiority_from_summary,
)
from stats.effects.pre_post_control import TwoChanges, pre_post_control
from stats.effects.standardised import PAIRED, TWO_GROUPS, Pieces
from stats.errors import FitError
from stats.estimates import Estimate, check_level
from stats.summaries import (
    Paired,
    TwoGroups,
    Values,
    finite,
    given_numbers,
    one_n,
    paired,
    paired_from_summary,
    pairs,
    two_groups,
)

LABELS = {
    "d": "d, pooled SD",
    "g": "g, pooled SD",
    "control-sd": "difference / control SD",
    "d_av": "d_av",
    "g_av": "g_av",
    "d_z": "d_z",
    "g_z": "g_z",
    "srm": "standardised response mean",
    "d_rm": "d_rm",
    "g_rm": "g_rm",
    "baseline-sd": "change / baseline SD",
    "pre-post-control": "difference of changes / pooled baseline SD",
    "superiority": "probability of superiority",
    "superiority-paired": "probability of superiority, pairs",
    "rank-biserial": "rank-biserial correlation",
    "rank-biserial-paired": "rank-biserial correlation, pairs",
}

RAW: dict[str, Callable[[Values, Values], Pieces]] = {
    "superiority": superiority,
    "rank-biserial": dominance,
    "rank-biserial-paired": paired_rank_biserial,
}
SUMMARY_TWO = TWO_GROUPS | {"superiority": superiority_from_summary}
SUMMARY_PAIRED = PAIRED | {"superiority-paired": paired_superiority}
PAIRED_KINDS = (*SUMMARY_PAIRED, "rank-biserial-paired")


def effect_size(
    kind: str,
    x: Values | None = None,
    y: Values | None = None,
    *,
    control: tuple[Values, Values] | None = None,
    mean1: float | None = None,
    sd1: float | None = None,
    n1: int | None = None,
    mean2: float | None = None,
    sd2: float | None = None,
    n2: int | None = None,
    r: float | None = None,
    sd_change: float | None = None,
    level: float = 0.95,
    interval: str = "default",
    rng: np.random.Generator | None = None,
    resamples: int = 2000,
) -> Estimate:
    """One effect size, first minus second: treatment minus control, later minus earlier.

    kind, two independent groups: `d`, `g` (pooled SD), `control-sd` (SD of y), `superiority`, `rank-biserial`.
    Two occasions of the same people: `d_z` and `srm` (SD of change), `d_rm`, `d_av` (mean of the two SDs),
    `baseline-sd` (SD of y, the earlier occasion), `superiority-paired`, `rank-biserial-paired`; `g_z`, `g_rm`, `g_av`
    carry the exact small-sample correction. Two groups measured twice: `pre-post-control`, with x, y the later and
    earlier values of the treated and, control: a pair of sequences (later, earlier); from published numbers see
    `pre_post_control_size`. x, y: values of the two groups, or of the same participants in the same order (incomplete
    pairs are left out and noted). Or mean1, sd1, n1, mean2, sd2, n2 from a publication; for two occasions n2 may be
    left out, and r (correlation) or sd_change is needed for the interval.
    interval: "default" (noncentral t; for the order-based kinds see `superiority`) or "bootstrap" (raw values only,
    BCa, needs rng=). There is no agreed interval for the indices of paired data; ours is the noncentral-t interval of
    the change scaled to the standardiser (see `effect_kinds`).
    Returns an `Estimate` with `estimate std_error conf_low conf_high standardiser standardiser_value`.
    Indices with different standardisers cannot be compared or pooled.
    Raises FitError for an unknown kind, fewer than two values, or a standardiser of 0.
    Source: Lakens 2013 (Front Psychol 4:863); Hedges 1981; Algina & Keselman 2003; Morris 2008.

    >>> print(effect_size("d_av", [9, 7, 8, 9], [7, 7, 6, 8])["standardiser"])
    mean of the SDs before and after
    """
    check_level(level)
    if kind not in LABELS:
        raise FitError(f"Effect size {kind!r}: allowed {', '.join(LABELS)}.")
    if interval not in ("default", "bootstrap"):
        raise FitError(f"Interval {interval!r}: allowed 'default' or 'bootstrap'.")
    if x is not None and y is not None:
        groups, left_out = _groups(kind, x, y, control)
        made, people = _from_groups(kind, groups), sum(len(group[0]) for group in groups)
        notes = made.notes + ((f"{left_out} missing or incomplete value(s) left out.",) if left_out else ())
        method = f"standardiser: {made.standardiser_name}"
        if interval == "bootstrap":
            boot = BootstrapLimits(groups, _statistic(kind, groups), rng, resamples)
            made = replace(made, limits=boot, std_error=boot.std_error, df=nan)
            method += f"; BCa bootstrap, {resamples} resamples"
            notes += (f"{boot.lost} of the resamples had no value.",) if boot.lost else ()
        return as_estimate(LABELS[kind], made, people, notes, method).at(level)
    if interval == "bootstrap":
        raise FitError("A bootstrap needs the raw values x and y, not published means and SDs.")
    if kind in SUMMARY_TWO:
        found = given_numbers(kind, mean1=mean1, sd1=sd1, n1=n1, mean2=mean2, sd2=sd2, n2=n2)
        groups_summary = TwoGroups(*found)  # type: ignore[arg-type]  # numbers of people are checked, not cast
        return as_estimate(LABELS[kind], SUMMARY_TWO[kind](groups_summary), groups_summary.n1 + groups_summary.n2).at(
            level
        )
    if kind in SUMMARY_PAIRED:
        n = one_n(n1, n2)
        first, spread1, second, spread2 = given_numbers(kind, mean1=mean1, sd1=sd1, mean2=mean2, sd2=sd2)
        made = SUMMARY_PAIRED[kind](paired_from_summary(first, spread1, second, spread2, n, r, sd_change))
        return as_estimate(LABELS[kind], made, n).at(level)
    raise FitError(
        f"Effect size {kind!r} needs the values x and y" + (" and control=." if kind.startswith("pre") else ".")
    )


def pre_post_control_size(treated: Paired, control: Paired, level: float = 0.95) -> Estimate:
    """`pre-post-control` from published numbers of both groups, treated and control (see `paired_from_summary`).

    The result is in SDs, pooled over the groups at baseline. Raises FitError where that SD is 0. Source: Morris 2008.
    """
    made = pre_post_control(TwoChanges(treated, control))
    return as_estimate(LABELS["pre-post-control"], made, treated.n + control.n).at(level)


def as_estimate(
    term: str,
    made: Pieces,
    people: int,
    notes: tuple[str, ...] | None = None,
    method: str | None = None,
) -> Estimate:
    """An `Estimate` with the standardiser beside it."""
    order = "superiority" in term or "rank" in term
    return Estimate(
        term=term,
        estimate=float(made.estimate),
        limits=made.limits,
        method=method or f"standardiser: {made.standardiser_name}",
        unit="" if order else "SD",
        std_error=float(made.std_error),
        df=made.df,
        n_participants=people,
        n_rows=people,
        notes=made.notes if notes is None else notes,
        extra=(("standardiser", made.standardiser_name), ("standardiser_value", float(made.standardiser))),
    )


Groups = list[tuple[np.ndarray, ...]]


def _groups(kind: str, x: Values, y: Values, control: tuple[Values, Values] | None) -> tuple[Groups, int]:
    """The people to resample: one group of pairs, two groups, or two groups of pairs; and the values left out."""
    if kind == "pre-post-control":
        if control is None:
            raise FitError("Effect size 'pre-post-control' needs control=(later, earlier) beside x and y.")
        groups: Groups = [pairs(x, y), pairs(*control)]
        return groups, len(x) + len(control[0]) - sum(len(group[0]) for group in groups)
    if kind in PAIRED_KINDS:
        kept = pairs(x, y)
        return [kept], len(x) - len(kept[0])
    groups = [(finite(x),), (finite(y),)]
    return groups, len(x) + len(y) - sum(len(group[0]) for group in groups)


def _from_groups(kind: str, groups: Groups) -> Pieces:
    if kind == "pre-post-control":
        return pre_post_control(TwoChanges(paired(*groups[0]), paired(*groups[1])))
    columns = [column for group in groups for column in group]
    if kind in RAW:
        return RAW[kind](*columns)
    return SUMMARY_PAIRED[kind](paired(*columns)) if kind in SUMMARY_PAIRED else SUMMARY_TWO[kind](two_groups(*columns))


def _statistic(kind: str, groups: Groups) -> Callable[..., float]:
    sizes = [len(group) for group in groups]

    def value(*columns: np.ndarray) -> float:
        parts, rest = [], list(columns)
        for size in sizes:
            parts.append(tuple(rest[:size]))
            rest = rest[size:]
        try:
            return _from_groups(kind, parts).estimate
        except FitError:
            return nan  # a resample without spread; BootstrapLimits counts them and refuses too many

    return value
