"""Rows of a `published` table -> trials: which arm is the control, what the paper reports of the comparison."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from math import isfinite, isinf, isnan, nan, sqrt

import pandas as pd
from scipy.stats import t as student

from outcomes.sheets import SHEETS
from outcomes.words import CONTROL_ARMS
from stats.effects.other_trials.arm_summary import ArmSummary
from stats.effects.other_trials.printed_comparison import COMPARED, STATISTICS, Reported, printed_comparison
from stats.errors import FitError

SHEET = SHEETS["published"]
NUMBERS = tuple(column.name for column in SHEET.columns if column.kind == "number")
WIDE = ("n1", "n2")


@dataclass(frozen=True)
class Trial:
    """A published trial: its arms, or only the comparison."""

    source: str
    outcome: str
    treated: ArmSummary | None
    control: ArmSummary | None
    n_treated: int
    n_control: int
    reported: Reported | None
    sign: float
    unit: str
    doi: str

    @property
    def arms(self) -> tuple[ArmSummary, ...]:
        """The arms with numbers of their own."""
        return tuple(arm for arm in (self.treated, self.control) if arm is not None)

    def assuming(self, r: float) -> "Trial":
        """The trial with the correlation assumed where it is not printed."""
        one, two = (arm and arm.with_correlation(r) for arm in (self.treated, self.control))
        return replace(self, treated=one, control=two)


def trials_of(
    frame: pd.DataFrame,
    *,
    outcome: str | None,
    better: str,
    control: str | None,
    summary: Callable[[Mapping[str, float], str, str], ArmSummary],
) -> list[Trial]:
    """The trials of the table in its order. Raises FitError where a trial cannot be told."""
    if better not in ("higher", "lower"):
        raise FitError(f"better={better!r}: allowed 'higher' or 'lower'.")
    rows = _arms_in_rows(_named(frame))
    if outcome is not None:
        rows = rows[(rows["outcome"] == outcome) | (rows["outcome"] == "")]
    if rows.empty:
        raise FitError(f"No published trial{f' of {outcome}' if outcome else ''} in the table: found 0 rows.")
    blank = rows["source"] == ""
    if blank.any():
        raise FitError(f"{int(blank.sum())} row(s) without a source; allowed the short name of a paper in every row.")
    made = []
    for (source, of), own in rows.groupby(["source", "outcome"], sort=False):
        made.append(_trial(str(source), str(of), own, better, control, summary))
    return made


def _named(frame: pd.DataFrame) -> pd.DataFrame:
    """Our columns by their names or synonyms, numbers as numbers, texts without blanks around them."""
    known = {name: column.name for column in SHEET.columns for name in (column.name, *column.synonyms)}
    known |= {name.replace(" ", "_"): ours for name, ours in list(known.items())}
    named = frame.rename(columns={name: known.get(str(name).strip().lower(), name) for name in frame.columns})
    twice = named.columns[named.columns.duplicated()]
    if len(twice):
        raise FitError(f"Two columns are read as {twice[0]!r}; allowed one. Take one of them out.")
    if "source" not in named:
        raise FitError(f"The table has no column source; found {', '.join(map(str, frame.columns))}.")
    return named


def _arms_in_rows(frame: pd.DataFrame) -> pd.DataFrame:
    """One row an arm; `n1 mean1 sd1 n2 mean2 sd2` of one row become two."""
    frame = frame.reset_index(drop=True)
    if set(WIDE) <= set(frame.columns):
        pair = {name: name[:-1] for name in frame.columns if str(name)[-1:] in "12" and str(name)[:-1] in NUMBERS}
        parts = []
        for ending, arm in (("1", "treated"), ("2", "control")):
            own = frame.drop(columns=[name for name in pair if not str(name).endswith(ending)])
            parts.append(own.rename(columns=pair).assign(arm=arm))
        once = [name for name in (*COMPARED, *STATISTICS) if name in frame]
        parts[1][once] = nan  # of the trial, not of the arm: said once
        frame = pd.concat(parts).sort_index(kind="stable")
    made = pd.DataFrame(index=range(len(frame)))
    for column in SHEET.columns:
        typed = frame[column.name].to_list() if column.name in frame else [None] * len(frame)
        if column.kind == "number":
            numbers = pd.to_numeric(pd.Series(typed, dtype="object"), errors="coerce")
            lost = [value for value, read in zip(typed, numbers, strict=True) if read != read and _filled(value)]
            if lost:
                bound = " Of a bound such as 'p < 0.001' no effect can be worked out." if column.name == "p" else ""
                raise FitError(f"Column {column.name}: found {lost[0]!r}; allowed a number or an empty cell.{bound}")
            if any(map(isinf, numbers)):
                raise FitError(f"Column {column.name}: found an infinite number; allowed a number or an empty cell.")
            made[column.name] = numbers.astype(float)
        else:
            made[column.name] = [str(value).strip() if _filled(value) else "" for value in typed]
    return made


def _filled(value: object) -> bool:
    return value is not None and value == value and str(value).strip() != ""


def _trial(
    source: str, outcome: str, rows: pd.DataFrame, better: str, control: str | None,
    summary: Callable[[Mapping[str, float], str, str], ArmSummary],
) -> Trial:  # fmt: skip
    records = rows.to_dict("records")
    arms = [record for record in records if record["arm"] or isfinite(record["n"])]
    if len(arms) > 2:
        raise FitError(
            f"{source}{f', {outcome}' if outcome else ''}: {len(arms)} arms; allowed a treated and a control arm. Join "
            "arms, or give each comparison a source of its own and split the control's n."
        )
    is_control = [_is_control(str(record["arm"]), control) for record in arms]
    if len(arms) == 2 and sum(is_control) != 1:
        names = ", ".join(repr(record["arm"]) for record in arms)
        raise FitError(f"{source}: arms {names}; which one is the control? Write control in its row, or name control=.")
    made = {
        flag: summary(record, source, str(record["arm"]) or "arm") if _has_numbers(record) else None
        for record, flag in zip(arms, is_control, strict=True)
    }
    counted = [int(record["n"]) if isfinite(record["n"]) else 0 for record in arms]
    sizes = dict(zip(is_control, counted, strict=True))
    if len(arms) == 1 and is_control[0]:
        raise FitError(f"{source}: only the control arm has a row; allowed both arms, or the treated one alone.")
    words = {record["better"] for record in records if record["better"]} or {better}
    if len(words) > 1 or not words <= {"higher", "lower"}:
        raise FitError(f"{source}: better {', '.join(sorted(words))}; allowed 'higher' or 'lower', the same per trial.")
    units = list(dict.fromkeys(record["unit"] for record in records if record["unit"]))
    if len(units) > 1:
        raise FitError(f"{source}: units {', '.join(units)}; allowed one for a trial.")
    treated, second = made.get(False), made.get(True)
    lone = len(arms) == 1 and not any(isfinite(record[name]) for record in records for name in COMPARED)
    if lone and treated is not None:
        treated = _of_one_arm(treated, arms[0])
    doi = next((record["doi"] for record in records if record["doi"]), "")
    trial = Trial(
        source, outcome, treated, second, sizes.get(False, 0), sizes.get(True, 0), None,
        -1.0 if words == {"lower"} else 1.0, units[0] if units else "", doi,
    )  # fmt: skip
    if lone:
        return trial
    found = printed_comparison(source, treated, second, (trial.n_treated, trial.n_control), records)
    return replace(trial, reported=found)


def _of_one_arm(arm: ArmSummary, record: Mapping) -> ArmSummary:
    """A lone arm's t (or two-sided p, or F) is that of its change: SD of change = |change| sqrt(n) / |t|."""
    t, f, p = record["t"], record["f"], record["p"]
    if isfinite(arm.sd_change) or isnan(arm.change) or all(map(isnan, (t, f, p))):
        return arm
    if isfinite(p) and not 0 < p <= 1:
        raise FitError(f"{arm.source}: p = {p}; allowed above 0 and at most 1. Of 'p < 0.001' no SD can be worked out.")
    df = arm.n - 1
    said = "t" if isfinite(t) else "F" if isfinite(f) else f"the two-sided p, {df} df"
    size = abs(t) if isfinite(t) else sqrt(f) if isfinite(f) else float(student.isf(p / 2, df))
    if not size > 0 or not arm.change:
        raise FitError(f"{arm.source}: a change of {arm.change} with t = {size} tells no SD of change.")
    spread = abs(arm.change) * sqrt(arm.n) / size
    return replace(arm, sd_change=spread, how=(*arm.how, f"SD of change from {said} of the change"))


def _is_control(arm: str, control: str | None) -> bool:
    plain = " ".join(arm.lower().replace("_", " ").split())
    return plain == control.lower() if control is not None else plain in CONTROL_ARMS


SIDES = ("", "_baseline", "_change")


def _has_numbers(record: Mapping) -> bool:
    told = [f"{name}{side}" for name in ("mean", "median", "low", "high") for side in SIDES] + ["change"]
    return any(isfinite(record[name]) for name in told if name in record)
