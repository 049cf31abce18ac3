"""The effect of one published trial by its kind: which of its numbers are taken, the steps, and what to doubt."""

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from math import isfinite, isnan, nan, sqrt

from scipy.stats import t as student

from stats.effects.one_effect import LABELS, as_estimate, pre_post_control_size
from stats.effects.other_trials.arm_summary import ArmSummary
from stats.effects.other_trials.published_rows import Trial
from stats.effects.standardised import PAIRED, TWO_GROUPS, Pieces, corrected, scaled_limits
from stats.errors import FitError
from stats.estimates import Estimate
from stats.summaries import Paired, TwoGroups

RAW = "mean-difference"
CHANGE_SD = "change-sd"
BETWEEN = (RAW, "g", "d", "control-sd", "pre-post-control", CHANGE_SD)
INSIDE = ("change", *(kind for kind in PAIRED))
OF_CHANGE = ("srm", "d_z", "g_z")  # divided by the SD of change: no SD of values is needed
LARGE = 3.0  # in SDs; an effect beyond is likelier a standard error typed as an SD: judgement, no published bound
NAMES = LABELS | {RAW: "mean difference", CHANGE_SD: "difference of changes / SD of change", "change": "mean change"}


def effect_of(trial: Trial, kind: str) -> tuple[Estimate, list[str], list[str]]:
    """The effect, the conversions it rests on, and doubts."""
    made, how, flags = (_inside if kind in INSIDE else _between)(trial, kind)
    if trial.sign < 0:
        made = replace(made, estimate=-made.estimate, limits=partial(_turned, made.limits))
    if kind not in (RAW, "change") and abs(made.estimate) > LARGE:
        flags = [*flags, f"an effect of more than {LARGE:g} SD: is the SD a standard error?"]
    return replace(made, term=NAMES[kind], n_participants=trial.n_treated + trial.n_control, notes=()), how, flags


def _turned(limits: Callable[[float], tuple[float, float]], level: float) -> tuple[float, float]:
    low, high = limits(level)
    return -high, -low


def _steps(*arms: ArmSummary | None) -> list[str]:
    return list(dict.fromkeys(f"{arm.name}: {step}" for arm in arms if arm for step in arm.how))


def _between(trial: Trial, kind: str) -> tuple[Estimate, list[str], list[str]]:
    one, two = trial.treated, trial.control
    r = trial.reported
    if kind == RAW and r is not None and isfinite(r.difference) and isfinite(r.std_error):
        return _raw(r.difference, r.std_error, r.df), [r.how], list(r.flags)
    if one is None or two is None:
        if kind in ("g", "d") and trial.reported is not None:
            return _from_statistic(trial, kind)
        if kind == RAW:
            raise _no_error(trial)
        raise FitError(f"{trial.source}: {NAMES[kind]} needs the numbers of both arms, or t, F or p.")
    if kind == RAW:
        return _raw_difference(trial, one, two)
    if kind in TWO_GROUPS:
        summary = TwoGroups(one.mean, one.sd, one.n, two.mean, two.sd, two.n)
        if not all(map(isfinite, (one.mean, two.mean, one.sd, two.sd))):
            if kind != "control-sd" and trial.reported is not None:
                return _from_statistic(trial, kind)
            if isfinite(one.change) and isfinite(two.change) and all(isfinite(a.sd) for a in (one, two)):
                summary = TwoGroups(one.change, one.sd, one.n, two.change, two.sd, two.n)
                flags = ["the difference of changes over the SD of the values"]
                return as_estimate("", TWO_GROUPS[kind](summary), 0), _steps(one, two), flags
            raise FitError(f"{trial.source}: {NAMES[kind]} needs mean and SD at the end of both arms, or t, F or p.")
        steps = [step for step in _steps(one, two) if "change" not in step and "baseline" not in step]
        return as_estimate("", TWO_GROUPS[kind](summary), 0), steps, []
    for arm in (one, two):
        if isnan(arm.change):
            raise FitError(f"{trial.source}, {arm.name}: {NAMES[kind]} needs the change, or means at both times.")
    if kind == CHANGE_SD:
        if isnan(one.sd_change) or isnan(two.sd_change):
            if r is not None and r.of_changes:
                return _from_statistic(trial, "g")
            raise FitError(f"{trial.source}: the SD of change is not printed, nor r; give correlation=.")
        changes = TwoGroups(one.change, one.sd_change, one.n, two.change, two.sd_change, two.n)
        pieces = replace(TWO_GROUPS["g"](changes), standardiser_name="pooled SD of change")
        return as_estimate("", pieces, 0), _steps(one, two), []
    made = pre_post_control_size(_paired(one, trial.source), _paired(two, trial.source))
    if isfinite(made.std_error):
        return made, _steps(one, two), []
    known = all(isfinite(arm.sd_change) for arm in (one, two))
    why = "the printed SDs leave no spread of change" if known else "neither r nor the SD of change is printed"
    return made, _steps(one, two), [f"no interval: {why}"]


def _paired(arm: ArmSummary, source: str) -> Paired:
    if isnan(arm.sd_baseline):
        raise FitError(f"{source}, {arm.name}: found no SD at baseline, which this kind divides by.")
    start = arm.mean_baseline if isfinite(arm.mean_baseline) else 0.0  # only the change counts
    r = arm.r
    if isnan(r) and isfinite(arm.sd_change):  # no SD at the end: taken as the one at baseline, for the error only
        r = max(-1.0, 1 - arm.sd_change**2 / (2 * arm.sd_baseline**2))
    return Paired(start + arm.change, arm.sd, start, arm.sd_baseline, arm.n, r, arm.sd_change)


def _raw_difference(trial: Trial, one: ArmSummary, two: ArmSummary) -> tuple[Estimate, list[str], list[str]]:
    steps = _steps(one, two)
    if all(isfinite(value) for arm in (one, two) for value in (arm.change, arm.sd_change)):
        return _welch(one.change, one.sd_change, one.n, two.change, two.sd_change, two.n), [*steps, "of changes"], []
    if all(isfinite(value) for arm in (one, two) for value in (arm.mean, arm.sd)):
        at_start = isfinite(one.mean_baseline) and isfinite(two.mean_baseline)
        flags = ["values at the end compared, baselines not used: give correlation= for changes"] if at_start else []
        made = _welch(one.mean, one.sd, one.n, two.mean, two.sd, two.n)
        kept = [step for step in steps if "change" not in step]
        return made, [*kept, "of values at the end"], flags
    r = trial.reported
    if r is not None and isfinite(r.std_error):
        what = "changes" if r.of_changes else "means at the end"
        return _raw(r.plain, r.std_error, r.df), [*steps, r.how, f"difference of the arms' {what}"], list(r.flags)
    raise _no_error(trial)


def _no_error(trial: Trial) -> FitError:
    """Why a difference in the outcome's unit has no standard error."""
    found = trial.reported
    if found is not None and isfinite(found.plain) and (found.t == 0 or isnan(found.t)):
        return FitError(
            f"{trial.source}: a difference of {found.plain} and {found.how}: no standard error can be worked out. Give "
            "the difference with more decimals, its standard error or its interval."
        )
    return FitError(f"{trial.source}: no SD of both arms, at the end or of change, and no difference with its error.")


def _welch(m1: float, s1: float, n1: int, m2: float, s2: float, n2: int) -> Estimate:
    a, b = s1**2 / n1, s2**2 / n2
    if not a + b > 0:
        raise FitError("Both SDs are 0: a difference without any spread has no interval.")
    return _raw(m1 - m2, sqrt(a + b), (a + b) ** 2 / (a**2 / (n1 - 1) + b**2 / (n2 - 1)))


def _raw(difference: float, error: float, df: float) -> Estimate:
    def limits(level: float) -> tuple[float, float]:
        reach = float(student.ppf((1 + level) / 2, df)) * error
        return difference - reach, difference + reach

    return Estimate(term="", estimate=difference, limits=limits, method="t", std_error=error, df=df)


def _from_statistic(trial: Trial, kind: str) -> tuple[Estimate, list[str], list[str]]:
    """d = t sqrt(1/n1 + 1/n2): of a t test of two groups; of an adjusted test it is too large.

    Where the arms print changes alone, t is of the changes and so is the SD it stands for.
    """
    found = trial.reported
    assert found is not None
    if isnan(found.t):
        raise FitError(
            f"{trial.source}: a difference of 0 and F or p: neither a direction nor a size can be worked out. Give the "
            "difference with more decimals, its standard error or its interval."
        )
    n1, n2 = trial.n_treated, trial.n_control
    root, df = sqrt(1 / n1 + 1 / n2), n1 + n2 - 2
    estimate = found.t * root
    error = sqrt(root**2 + estimate**2 / (2 * (n1 + n2)))
    spread = found.plain / estimate if estimate and isfinite(found.plain) else nan
    name = "pooled SD of change" if found.of_changes else "pooled SD"
    pieces = Pieces(estimate, error, df, partial(scaled_limits, found.t, df, root), spread, name)
    flags = ["from a test statistic: right for a plain t test of two groups, too large for an adjusted one"]
    flags += ["the statistic is of changes: over the SD of change, not of values"] if found.of_changes else []
    flags += found.flags
    return as_estimate("", corrected(pieces) if kind == "g" else pieces, 0), [found.how, f"{kind} from t"], flags


def _inside(trial: Trial, kind: str) -> tuple[Estimate, list[str], list[str]]:
    arm = trial.treated
    if arm is None or isnan(arm.change):
        raise FitError(f"{trial.source}: {NAMES[kind]} needs the change of the arm, or its means at both times.")
    flags = ["change inside one arm: it holds natural recovery and regression to the mean"]
    if kind == "change":
        if isnan(arm.sd_change):
            nothing = Estimate(term="", estimate=arm.change, limits=lambda level: (nan, nan), method="t")
            return nothing, _steps(arm), [*flags, "no interval: neither r nor the SD of change is printed"]
        return _raw(arm.change, arm.sd_change / sqrt(arm.n), arm.n - 1), _steps(arm), flags
    if kind in OF_CHANGE and isfinite(arm.sd_change):
        only = Paired(arm.change, nan, 0.0, nan, arm.n, nan, arm.sd_change)
        return as_estimate("", PAIRED[kind](only), 0), _steps(arm), flags
    pieces = PAIRED[kind](_paired(arm, trial.source))
    return as_estimate("", pieces, 0), _steps(arm), flags
