"""Question 9: how do the hands move and hold over time, how good are the recordings, how repeatable are the
measures?"""

from collections.abc import Mapping

import pandas as pd

from notebooks.sections.change import from_the_start
from notebooks.sections.recordings.drawn_recordings import recording_figures
from notebooks.sections.recordings.recorded_movement import NONE, Movement
from notebooks.sections.recordings.repeats import repeatability_table, sessions_table
from notebooks.show.exhibits import Exhibits, Prose, gather
from notebooks.show.movement_words import QUANTITIES, measure_words, motion_words, place_words
from notebooks.show.names import unit_words
from notebooks.show.numbers import number
from notebooks.show.tables import Table
from outcomes import columns as c
from outcomes.protocol.series_tables import SeriesOutcome
from stats.change.change_fit import ChangeFit
from stats.errors import FitError

__all__ = [
    "NONE", "Movement", "by_visit_table", "definitions_table", "in_words", "motions_table", "recording_figures",
    "recordings_table",
    "repeatability_table", "sessions_table",
]  # fmt: skip


def recordings_table(movement: Movement) -> Exhibits | Table:
    """What was recorded, how, and what cannot be used."""
    about = movement.study.series
    if not movement.taken:
        return gather((), (NONE,))
    keys = ["quantity", "digit", "joint", "motion"]
    lost = about["dropped"].astype(float) / (about["samples"].astype(float) + about["dropped"].astype(float))
    groups = about.assign(lost=lost, refused=about["reason"] != "").groupby(keys, sort=False)
    frame = groups.agg(
        people=("participant", "nunique"), recordings=("participant", "size"), rate=("rate", "median"),
        refused=("refused", "sum"), lost=("lost", "mean"), longest=("longest_gap_s", "max"),
    ).reset_index()  # fmt: skip
    frame["lost_percent"] = 100 * frame["lost"]
    frame["place"] = [place_words(one.digit, one.joint) for one in frame.itertuples()]
    frame["what"] = [QUANTITIES.get(one, one) for one in frame["quantity"]]
    frame["moved"] = [motion_words(one) for one in frame["motion"]]
    return Table(
        "recordings",
        "Recordings",
        frame,
        {"What": "{what}", "Where": "{place}", "Motion": "{moved}", "Participants": "{people}",
         "Recordings": "{recordings}", "Samples a second": "{rate}", "Samples lost, %": "{lost_percent}",
         "Longest gap, s": "{longest}", "Not usable": "{refused}"},
        keys=(*keys,),
        decimals=2,
        notes=(
            f"Gaps up to {movement.study.protocol.series.longest_gap_s:g} s are filled by a shape-preserving cubic; a "
            "recording with a longer one is not measured. Every reason is among the findings of the checks.",
        ),
    )  # fmt: skip


def definitions_table(movement: Movement) -> Exhibits | Table:
    """How each measure is defined, with every choice, and how many repetitions it was taken of."""
    if not movement.taken:
        return gather((), (NONE,))
    values, rows = movement.study.series_values, []
    for one in movement.taken:
        own = values[values["outcome"] == one.id]
        said = own.loc[own["notes"] != "", "notes"]
        refused = own.loc[own["reason"] != "", "reason"].value_counts().head(3)
        rows.append({
            "outcome": one.id, "measure": one.measure, "said": measure_words(one.measure), "unit": one.unit,
            "unit_said": unit_words(one.unit), "better": one.better, "repeated": one.repeated,
            "given": int(own["value"].notna().sum()), "asked": len(own), "how": said.iloc[0] if len(said) else "",
            "why": "; ".join(f"{reason} ({count})" for reason, count in refused.items()),
        })  # fmt: skip
    frame = movement.names.labelled(pd.DataFrame(rows))
    return Table(
        "movement_measures",
        "Measures taken of the recordings",
        frame,
        {"Outcome": "{outcome_label}", "Measure": "{said}", "Unit": "{unit_said}", "Better": "{better}",
         "Repetitions measured": "{given} of {asked}", "One score is": "{repeated}", "How": "{how}",
         "Not measured": "{why}"},
        keys=("outcome",),
        notes=("Cut-offs, windows and thresholds are part of the definition: compare only what was measured alike.",),
    )  # fmt: skip


def by_visit_table(movement: Movement) -> Exhibits | Table:
    """Mean of each measure at each visit by the model of change, hands apart and conditions apart."""
    parts, refused = [], []
    for one in movement.taken:
        try:
            fit = movement.analysis.fit(one.id)
            parts.append(_means(movement, one, fit))
        except FitError as error:
            refused.append(f"{movement.names.outcome(one.id)}: {error}")
    if not parts:
        return gather((), refused or (NONE,))
    frame = movement.names.labelled(pd.concat(parts, ignore_index=True))
    table = Table(
        "movement_by_visit",
        "Measures of movement and force by visit",
        frame,
        {"Outcome": "{outcome_label}", "Arm": "{arm_label}", "Visit": "{visit_label}",
         "Mean (interval)": "{estimate} {interval}", "Unit": "{unit_said}"},
        keys=("outcome", c.ARM, c.VISIT),
        group="Outcome",
        decimals="decimals",
        notes=(
            "Means of the mixed model of change (of the affected hand without a device where hands and conditions "
            f"differ), {movement.study.protocol.level:.0%} intervals over participants, not over samples or "
            "repetitions. Where the first visit enters as what changes are counted from, it has no interval, a mean is "
            "that of people with the average first score, and its interval leaves out how far people's first scores "
            "lie apart.",
        ),
    )  # fmt: skip
    return gather((table,), refused)


def _means(movement: Movement, one: SeriesOutcome, fit: ChangeFit) -> pd.DataFrame:
    """Means of an outcome from the first visit on, in words as well."""
    made = from_the_start(fit, fit.means().frame(movement.study.protocol.level), movement.study.protocol)
    made = made.sort_values([c.ARM, "day"], key=lambda column: column if column.name == "day" else column.astype(str))
    return _with_words(movement, one, made.assign(unit=one.unit))


def _with_words(movement: Movement, one: SeriesOutcome, frame: pd.DataFrame) -> pd.DataFrame:
    """The interval in brackets, blank where there is none, and the unit as it is said."""
    digits = movement.names.decimals(one.id)
    told = [
        "" if pd.isna(low) else f"({number(low, digits)} to {number(high, digits)})"
        for low, high in zip(frame["conf_low"], frame["conf_high"], strict=True)
    ]
    return frame.assign(outcome=one.id, interval=told, unit_said=unit_words(one.unit))


def motions_table(movement: Movement) -> Exhibits | Table:
    """Passive, active and assisted motion and force beside each other, visit by visit."""
    if not movement.taken:
        return gather((), (NONE,))
    level, parts, refused = movement.study.protocol.level, [], []
    for one in movement.taken:
        both = movement.both_conditions(one)
        try:
            if both is not None:
                frame = both.means().frame(level)
                motion = frame[c.CONDITION].map({"assisted": "with the device", "unassisted": "active"})
                parts.append(_with_words(movement, one, frame).assign(motion=motion))
            elif one.motion == ("passive",):
                frame = _means(movement, one, movement.analysis.fit(one.id))
                parts.append(frame.assign(motion="passive"))
        except FitError as error:
            refused.append(f"{movement.names.outcome(one.id)}: {error}")
    if not parts:
        nothing = "No passive and no assisted motion was recorded." if movement.taken else NONE
        return gather((), refused or (nothing,))
    frame = movement.names.labelled(pd.concat(parts, ignore_index=True))
    table = Table(
        "movement_motions",
        "Passive, active and with the device",
        frame[["outcome", "outcome_label", c.ARM, "arm_label", c.VISIT, "visit_label", "motion", "estimate", "conf_low",
               "conf_high", "interval", "unit", "unit_said", "decimals"]],
        {"Outcome": "{outcome_label}", "Arm": "{arm_label}", "Visit": "{visit_label}", "Motion": "{motion}",
         "Mean (interval)": "{estimate} {interval}", "Unit": "{unit_said}"},
        keys=("outcome", c.ARM, c.VISIT, "motion"),
        group="Outcome",
        decimals="decimals",
        notes=(
            f"Affected hand, {level:.0%} intervals over participants. Active and with the device: one model of both; "
            "passive: the model of change. Passive motion is what the joint allows, active what the person moves, with "
            "the device what both do together: three things, never pooled.",
        ),
    )  # fmt: skip
    return gather((table,), refused)


def in_words(movement: Movement) -> Exhibits | Prose:
    """The change of each measure from the first visit to the last, in words."""
    said, first = [], movement.names.visit(movement.study.protocol.baseline.id)
    for one in movement.taken:
        try:
            fit = movement.analysis.fit(one.id)
            last = fit.changes().frame(movement.study.protocol.level)
            start = _means(movement, one, fit).drop_duplicates(c.ARM).set_index(c.ARM)["estimate"]
        except FitError:
            continue
        visit = movement.names.visits(last[c.VISIT].dropna().astype(str))[-1] if c.VISIT in last and len(last) else ""
        digits, unit = movement.names.decimals(one.id), _unit(one)
        for row in last[last[c.VISIT] == visit].to_dict("records") if visit else []:
            arm = (
                f" in {movement.names.arm(str(row[c.ARM]))}" if row.get(c.ARM) and movement.study.protocol.arms else ""
            )
            began = f"{number(start[row[c.ARM]], digits)}{unit}" if row[c.ARM] in start.index else "not known"
            said.append(
                f"{movement.names.outcome(one.id)}{arm}: {began} at {first}, changed by "
                f"{_signed(row['estimate'], digits)}{_more(one)} to {movement.names.visit(visit)} "
                f"({movement.study.protocol.level:.0%} interval {_signed(row['conf_low'], digits)} to "
                f"{_signed(row['conf_high'], digits)}); {one.better} is better. {_meaning(one)}".strip()
            )
    if not said:
        return gather((), (NONE,))
    said += _with_device(movement)
    said.append("These are means of groups. Nothing here is advice about one participant's hand or training.")
    return Prose("movement in words", tuple(said))


def _with_device(movement: Movement) -> list[str]:
    """What the device adds while it is worn, at the last visit with both."""
    said, level = [], movement.study.protocol.level
    for one in movement.taken:
        both = movement.both_conditions(one)
        if both is None:
            continue
        frame = both.effects().frame(level)
        digits = movement.names.decimals(one.id)
        for arm, rows in frame.groupby(c.ARM, sort=False):
            row = rows.iloc[-1]
            where = f" in {movement.names.arm(str(arm))}" if arm and movement.study.protocol.arms else ""
            size = _better(row["estimate"], digits, _more(one))
            said.append(
                f"{movement.names.outcome(one.id)}{where}: {size} with the device than without it at "
                f"{movement.names.visit(str(row[c.VISIT]))} ({level:.0%} interval {_reach(row, digits)}). It is what "
                "the device does while it is worn, and no recovery."
            )
    return said


def _reach(row: Mapping, digits: int) -> str:
    """The interval of an advantage: without a direction where both limits have that of the estimate."""
    ends = sorted((row["conf_low"], row["conf_high"]), key=abs)
    if ends[0] * ends[1] > 0:
        return f"{number(abs(ends[0]), digits)} to {number(abs(ends[1]), digits)}"
    return f"{_better(row['conf_low'], digits, '')} to {_better(row['conf_high'], digits, '')}"


def _more(one: SeriesOutcome) -> str:
    """The unit of a difference: of percents, points of them."""
    return " percentage points" if one.unit == "%" else _unit(one)


def _better(value: float, digits: int, unit: str) -> str:
    """An advantage in words: its size and which way it goes."""
    return f"{abs(value):.{digits}f}{unit} {'better' if value > 0 else 'worse'}"


def _unit(one: SeriesOutcome) -> str:
    """The unit with a blank before it; nothing where a number has none."""
    return "" if one.unit in ("", "ratio", "coefficient", "arc length", "log jerk") else f" {one.unit}"


def _signed(value: float, digits: int) -> str:
    return f"{value:+.{digits}f}".replace("-", "\N{MINUS SIGN}")


def _meaning(one: SeriesOutcome) -> str:
    """What a measure means at the bedside, where its name does not say it."""
    return {
        "lag": "Above 0 the following hand is late.",
        "gain": "1 is a movement as large as that of the leading hand.",
        "error-before": "This is what the two hands are apart at any moment, delay included.",
        "error-after": "This is what the two hands are apart once the delay is taken out.",
        "concordance": "1 is full agreement of the two hands at every moment.",
        "spectral-arc-length": "Nearer 0 is smoother; differences below 0.01 are of the method.",
        "log-dimensionless-jerk": "Nearer 0 is smoother; compare equal durations only.",
        "steadiness": "A share of the force held; less is steadier.",
        "steadiness-detrended": "A share of the force held, slow sinking left out; less is steadier.",
        "resistance-slope": "Resistance of a joint while it is moved; without muscle recordings it is no spasticity.",
        "resistance-damping": "Resistance that grows with speed; without muscle recordings it is no spasticity.",
    }.get(one.measure, "")
