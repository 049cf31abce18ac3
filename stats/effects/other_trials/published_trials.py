"""Effects of published trials from whatever their tables print, one estimate a trial, every step named.

What is preferred, in this order, and said in `converted`: for a mean difference the difference as the paper reports it
(with its standard error, interval, t, F or p), then the difference of changes where the SD of change is known or a
correlation is given, then the difference at the end, then the difference of the arms' means or changes over the t, F or
p of the comparison. For d, g and the control SD: the values at the end, and where they
are not printed the t, F or p of the comparison with both n.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from math import isfinite, isnan, nan, sqrt
from statistics import median

import pandas as pd

from stats.effects.other_trials.arm_summary import ArmSummary, arm_summary
from stats.effects.other_trials.published_rows import Trial, trials_of
from stats.effects.other_trials.trial_effect import BETWEEN, INSIDE, NAMES, RAW, effect_of
from stats.errors import FitError
from stats.estimates import Estimate, check_level
from stats.result import Result


@dataclass(frozen=True)
class PublishedTrial:
    """One trial: its effect at each correlation of the grid, how it was converted, and what the paper prints."""

    trial: Trial
    size: Estimate
    band: tuple[tuple[float, Estimate], ...]  # (correlation, effect); empty where no correlation had to be assumed
    r: float
    r_from: str
    converted: tuple[str, ...]
    flags: tuple[str, ...]


@dataclass(frozen=True)
class PublishedEffects(Result):
    """Effects of published trials on one scale; positive is better for the treated arm."""

    kind: str
    trials: tuple[PublishedTrial, ...]
    grid: tuple[float, ...]
    unit: str
    n_participants: int
    notes: tuple[str, ...]

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """One row a trial: study, outcome, kind, estimate, std_error, df, conf_low, conf_high, and how it was had.

        band_low and band_high: the lowest and highest limits over the correlations assumed (equal to the limits where
        none had to be). converted: the steps; flags: what to doubt. correlation and correlation_from: the one used.
        """
        level = check_level(level)
        rows = []
        for one in self.trials:
            low, high = one.size.limits(level)
            ends = [size.limits(level) for _, size in one.band] or [(low, high)]
            extra = dict(one.size.extra)
            arms = one.trial
            rows.append(
                {
                    "study": arms.source, "outcome": arms.outcome, "kind": self.kind, "estimate": one.size.estimate,
                    "std_error": one.size.std_error, "df": one.size.df, "conf_low": low, "conf_high": high,
                    "band_low": min(end[0] for end in ends), "band_high": max(end[1] for end in ends),
                    "unit": self.unit, "n": arms.n_treated + arms.n_control, "n_treated": arms.n_treated,
                    "n_control": arms.n_control, "standardiser": extra.get("standardiser", ""),
                    "standardiser_value": extra.get("standardiser_value", nan), "correlation": one.r,
                    "correlation_from": one.r_from, "converted": "; ".join(one.converted) or "as printed",
                    "flags": "; ".join(one.flags), "doi": arms.doi,
                }
            )  # fmt: skip
        return pd.DataFrame(rows)

    def bands(self, level: float = 0.95) -> pd.DataFrame:
        """One row a trial and correlation of the grid: study, correlation, estimate, std_error, conf_low, conf_high.

        Raises FitError for a level outside 0 to 1.
        """
        level = check_level(level)
        rows = []
        for one in self.trials:
            for r, size in one.band or tuple((r, one.size) for r in self.grid):
                low, high = size.limits(level)
                made = {"study": one.trial.source, "correlation": r, "assumed": bool(one.band)}
                rows.append(made | {"estimate": size.estimate, "std_error": size.std_error, "conf_low": low,
                                    "conf_high": high})  # fmt: skip
        return pd.DataFrame(rows, columns=["study", "correlation", "assumed", "estimate", "std_error", "conf_low",
                                           "conf_high"])  # fmt: skip

    def sentence(self, level: float = 0.95) -> str:
        """Every trial with its interval; what was assumed; nothing pooled."""
        frame = self.frame(level)
        parts = [
            f"{row.study} {row.estimate:.2f} ({row.conf_low:.2f} to {row.conf_high:.2f}; n = {row.n})"
            if row.std_error == row.std_error
            else f"{row.study} {row.estimate:.2f} (no interval: neither r nor the SD of change is printed; n = {row.n})"
            for row in frame.itertuples()
        ]
        unit = f" in {self.unit}" if self.unit else ""
        assumed = sum(bool(one.band) for one in self.trials)
        held = (
            f" In {assumed} of {len(self.trials)} the correlation of baseline and end is assumed, "
            + (f"{min(self.grid):g} to {max(self.grid):g}" if len(self.grid) > 1 else f"{self.grid[0]:g}")
            + "."
            if assumed
            else ""
        )
        converted = sum(bool(one.converted) for one in self.trials)
        worked = f" Worked out from other printed numbers in {converted} of {len(self.trials)}." if converted else ""
        return (
            f"Published {NAMES[self.kind]}{unit}, {level:.0%} interval: {', '.join(parts)}.{held}{worked} Each trial "
            "stands for itself; other populations, doses and times since onset may differ."
        )

    def spreads(self) -> pd.DataFrame:
        """What a plan takes from the papers: study, sd (at the end, within arms), df, r, n and where r is from."""
        rows = []
        for one in self.trials:
            arms = [arm for arm in one.trial.arms if isfinite(arm.sd)]
            df = sum(arm.n - 1 for arm in arms)
            sd = sqrt(sum((arm.n - 1) * arm.sd**2 for arm in arms) / df) if arms else nan
            known = [arm for arm in one.trial.arms if isfinite(arm.r)]
            r = sum((arm.n - 1) * arm.r for arm in known) / sum(arm.n - 1 for arm in known) if known else nan
            rows.append({"study": one.trial.source, "sd": sd, "df": df, "r": r, "n": sum(arm.n for arm in known),
                         "doi": one.trial.doi})  # fmt: skip
        return pd.DataFrame(rows, columns=["study", "sd", "df", "r", "n", "doi"])


def published_effects(
    frame: pd.DataFrame,
    *,
    kind: str = "g",
    correlation: float | Iterable[float] | None = None,
    outcome: str | None = None,
    better: str = "higher",
    control: str | None = None,
) -> PublishedEffects:
    """The effect of every trial of a `published` sheet: one row a trial, with how it was converted.

    frame: columns of the sheet (`outcomes.sheets.SHEETS["published"]`), one row an arm: source, arm, n and what the
    paper prints of mean, sd, se, low, high, median, q1, q3, minimum, maximum (at the end; the same names with
    _baseline, and with _change where it prints changes, the mean change as `change`), r; or one row a trial with
    difference, se_difference, low_difference, high_difference, t, f or p (of a lone arm: of its change). Or one row a
    trial with n1, mean1, sd1, n2, mean2, sd2 (the treated arm first).
    kind: two arms `g` (ours: small-sample correction), `d`, `control-sd`, `pre-post-control`, `change-sd`,
    `mean-difference` (in the outcome's own unit); one arm `change`, `baseline-sd`, `srm`, `d_av`, `g_av`, ...
    correlation: of baseline and end, assumed where a paper gives neither it nor the SD of change: one number, or a grid
    of them. With a grid the row stands at its median and `band_low`, `band_high` hold all of it. Without it such a
    trial has no interval, or its values at the end are compared; both are said.
    outcome: only its rows. better: "higher" or "lower" is better where the sheet does not say; "lower" turns signs.
    control: name of the control arm where its name does not say it.
    Raises FitError for what cannot be: n below 2, negative SDs, limits the wrong way round, a mean outside its
    interval, p outside 0 to 1, |r| of 1 or more, an SD that is a standard error, mixed units, no control arm.
    Source: the Cochrane Handbook's ways to SDs and changes; Wan 2014; Morris 2008; see `arm_summary`.

    >>> table = pd.DataFrame({"source": ["A"] * 2, "arm": ["device", "control"], "n": [20, 20], "mean": [9.0, 6.0],
    ...                       "sd": [4.0, 4.0]})
    >>> print(published_effects(table, kind="d")["estimate"])
    0.75
    """
    if kind not in (*BETWEEN, *INSIDE):
        raise FitError(f"Kind {kind!r}: allowed for two arms {', '.join(BETWEEN)}; for one {', '.join(INSIDE)}.")
    grid = _grid(correlation)
    trials = trials_of(frame, outcome=outcome, better=better, control=control, summary=arm_summary)
    made = [_one(trial, kind, grid) for trial in trials]
    unit = "SD"
    if kind in (RAW, "change"):
        units = list(dict.fromkeys(trial.unit for trial in trials if trial.unit))
        if len(units) > 1:
            raise FitError(
                f"The trials are in {', '.join(units)}: a {NAMES[kind]} needs one unit. Convert them, or take a "
                "standardised kind such as g."
            )
        unit = units[0] if units else ""
    return PublishedEffects(
        kind=kind, trials=tuple(made), grid=grid, unit=unit,
        n_participants=sum(trial.n_treated + trial.n_control for trial in trials),
        notes=_notes(made, kind, grid, trials),
    )  # fmt: skip


def _grid(correlation: float | Iterable[float] | None) -> tuple[float, ...]:
    if correlation is None:
        return ()
    values = tuple(map(float, correlation)) if isinstance(correlation, Iterable) else (float(correlation),)
    wrong = [r for r in values if not -1 < r < 1]
    if wrong or not values:
        raise FitError(f"Correlation {', '.join(map(str, wrong)) or 'grid without a value'}: allowed between -1 and 1.")
    return tuple(sorted(values))


def _notes(made: list[PublishedTrial], kind: str, grid: tuple[float, ...], trials: list[Trial]) -> tuple[str, ...]:
    notes = [f"Positive is better for the treated arm; {NAMES[kind]}."]
    turned = [trial.source for trial in trials if trial.sign < 0]
    if turned:
        notes.append(f"Lower is better, the sign was turned: {', '.join(turned)}.")
    notes += [f"{one.trial.source}: {'; '.join(one.converted)}." for one in made if one.converted]
    notes += [f"{one.trial.source}: caution, {'; '.join(one.flags)}." for one in made if one.flags]
    assumed = [one.trial.source for one in made if one.band]
    if assumed:
        notes.append(f"Correlation of baseline and end assumed ({', '.join(map(str, grid))}): {', '.join(assumed)}.")
    return tuple(notes)


def _one(trial: Trial, kind: str, grid: tuple[float, ...]) -> PublishedTrial:
    """The effect of one trial, at every correlation of the grid where one has to be assumed."""
    if kind not in INSIDE and not trial.n_control:
        raise FitError(f"{trial.source} has no control arm: {kind} compares two. For one arm take change or srm.")
    doubts = list(dict.fromkeys(flag for arm in trial.arms for flag in arm.flags)) + _other_way_round(trial)
    if not (grid and _uses_change(kind, trial) and any(_needs_r(arm) for arm in trial.arms)):
        size, how, flags = effect_of(trial, kind)
        known = [arm for arm in trial.arms if isfinite(arm.r)]
        r = sum((arm.n - 1) * arm.r for arm in known) / sum(arm.n - 1 for arm in known) if known else nan
        told = "published" if isfinite(r) else ""
        return PublishedTrial(trial, size, (), r, told, tuple(how), (*doubts, *flags))
    middle = float(median(grid))
    sizes = {r: effect_of(trial.assuming(r), kind) for r in sorted({*grid, middle})}
    size, how, flags = sizes[middle]
    band = tuple((r, one) for r, (one, _, _) in sizes.items())
    return PublishedTrial(trial, size, band, middle, "assumed", tuple(how), (*doubts, *flags))


def _other_way_round(trial: Trial) -> list[str]:
    """A printed difference against the difference of the arms' own means (or changes)."""
    one, two, printed = trial.treated, trial.control, trial.reported
    if one is None or two is None or printed is None:
        return []
    told = [one.mean - two.mean, one.change - two.change]
    own = [gap for gap in told if isfinite(gap)]
    if own and all(gap * printed.difference < 0 for gap in own):
        return ["the printed difference and the arms' own numbers have opposite signs: is it control less treated?"]
    return []


def _needs_r(arm: ArmSummary) -> bool:
    return isnan(arm.sd_change) and isfinite(arm.sd) and isfinite(arm.sd_baseline)


def _uses_change(kind: str, trial: Trial) -> bool:
    reported = kind == RAW and trial.reported is not None
    return not reported and kind not in ("g", "d", "control-sd")
