"""Question 9: how do the hands move and hold over time, how good are the recordings, how repeatable are the
measures?"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from notebooks.analysis import Analysis
from notebooks.figures.one_recording import both_hands, overlaid_repetitions
from notebooks.show.exhibits import Exhibits, Prose, gather
from notebooks.show.names import Names
from notebooks.show.tables import Table
from outcomes import Study
from outcomes import columns as c
from outcomes.movement.series_files import Recordings, read_recordings
from outcomes.movement.time_stamps import EvenSeries, shared_grid
from outcomes.movement.together import pairs_together
from outcomes.protocol.series_tables import OF_TWO_HANDS, SeriesOutcome
from stats.errors import FitError
from stats.measurement.error_of_measurement import measurement_error
from stats.measurement.reliability import intraclass_correlation

NONE = "This study takes no measure of recordings over time."


@dataclass(frozen=True)
class Movement:
    """The recordings of a study and the measures taken of them."""

    analysis: Analysis

    @property
    def study(self) -> Study:
        """The study."""
        return self.analysis.study

    @property
    def names(self) -> Names:
        """Labels of the study."""
        return Names(self.study.protocol)

    @property
    def taken(self) -> tuple[SeriesOutcome, ...]:
        """Outcomes taken of recordings that have any."""
        there = set(self.study.series_values["outcome"]) if len(self.study.series_values) else set()
        return tuple(one for one in self.study.protocol.series_outcomes if one.id in there)


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
    frame["place"] = (frame["digit"] + " " + frame["joint"]).str.strip()
    return Table(
        "recordings",
        "Recordings",
        frame,
        {"What": "{quantity}", "Where": "{place}", "Motion": "{motion}", "Participants": "{people}",
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
            "outcome": one.id, "measure": one.measure, "unit": one.unit, "better": one.better, "repeated": one.repeated,
            "given": int(own["value"].notna().sum()), "asked": len(own), "how": said.iloc[0] if len(said) else "",
            "why": "; ".join(f"{reason} ({count})" for reason, count in refused.items()),
        })  # fmt: skip
    frame = movement.names.labelled(pd.DataFrame(rows))
    return Table(
        "movement_measures",
        "Measures taken of the recordings",
        frame,
        {"Outcome": "{outcome_label}", "Measure": "{measure}", "Unit": "{unit}", "Better": "{better}",
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
            parts.append(fit.means().frame(movement.study.protocol.level).assign(outcome=one.id))
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
         "Mean (interval)": "{estimate} ({conf_low} to {conf_high})", "Unit": "{unit}"},
        keys=("outcome", c.ARM, c.VISIT),
        group="Outcome",
        decimals="decimals",
        notes=(
            "Means of the model of change (of the affected hand without a device where hands and conditions differ), "
            f"{movement.study.protocol.level:.0%} intervals over participants, not over samples or repetitions.",
        ),
    )  # fmt: skip
    return gather((table,), refused)


def in_words(movement: Movement) -> Exhibits | Prose:
    """The change of each measure from the first visit to the last, in words."""
    said = []
    for one in movement.taken:
        try:
            fit = movement.analysis.fit(one.id)
            last = fit.changes().frame(movement.study.protocol.level)
        except FitError:
            continue
        visit = movement.names.visits(last[c.VISIT].dropna().astype(str))[-1] if c.VISIT in last and len(last) else ""
        digits, unit = movement.names.decimals(one.id), f" {one.unit}" if one.unit else ""
        for row in last[last[c.VISIT] == visit].to_dict("records") if visit else []:
            arm = (
                f" in {movement.names.arm(str(row[c.ARM]))}" if row.get(c.ARM) and movement.study.protocol.arms else ""
            )
            said.append(
                f"{movement.names.outcome(one.id)}{arm}: changed by {_signed(row['estimate'], digits)}{unit} from "
                f"{movement.names.visit(movement.study.protocol.baseline.id)} to {movement.names.visit(visit)} "
                f"({movement.study.protocol.level:.0%} interval {_signed(row['conf_low'], digits)} to "
                f"{_signed(row['conf_high'], digits)}); {one.better} is better. {_meaning(one)}".strip()
            )
    if not said:
        return gather((), (NONE,))
    said.append("These are means of groups. Nothing here is advice about one participant's hand or training.")
    return Prose("movement in words", tuple(said))


def repeatability_table(movement: Movement) -> Exhibits | Table:
    """How far repetitions of one session lie apart, at the first visit: error, detectable change, correlation."""
    values, rows, refused = movement.study.series_values, [], []
    first = movement.study.protocol.baseline.id
    for one in movement.taken:
        own = values[(values["outcome"] == one.id) & (values[c.VISIT] == first) & (values["motion"] != "assisted")]
        own = own[own["value"].notna()]
        label = movement.names.outcome(one.id)
        if one.hand == "each" and one.measure not in OF_TWO_HANDS:
            affected = movement.study.participants.set_index(c.PARTICIPANT)["affected_side"]
            own = own[own[c.SIDE] == own[c.PARTICIPANT].map(affected)]
        try:
            error = measurement_error(
                own, target=c.PARTICIPANT, rater="repetition", value="value", kind="one-way", incomplete="drop"
            ).frame(movement.study.protocol.level)
            same = intraclass_correlation(
                own, target=c.PARTICIPANT, rater="repetition", value="value", incomplete="drop"
            )
        except FitError as reason:
            refused.append(f"{label}: {reason}")
            continue
        icc = same.frame(movement.study.protocol.level).set_index("mcgraw_wong")
        rows.append({
            "outcome": one.id, "unit": one.unit, "n": same.n_participants, "k": same.squares.k,
            "error": error["estimate"].iloc[0], "error_low": error["conf_low"].iloc[0],
            "error_high": error["conf_high"].iloc[0], "detectable": error["estimate"].iloc[2],
            "single": icc["estimate"].iloc[0], "single_low": icc["conf_low"].iloc[0],
            "single_high": icc["conf_high"].iloc[0], "mean": icc["estimate"].iloc[3],
        })  # fmt: skip
    if not rows:
        return gather((), refused or (NONE,))
    table = Table(
        "movement_repeatability",
        "Repetitions of one session",
        movement.names.labelled(pd.DataFrame(rows)),
        {"Outcome": "{outcome_label}", "n": "{n}", "Repetitions": "{k}",
         "Error of one repetition (interval)": "{error} ({error_low} to {error_high}) {unit}",
         "Detectable change, 95 %": "{detectable} {unit}", "ICC(1,1)": "{single} ({single_low} to {single_high})",
         "ICC(1,k)": "{mean}"},
        keys=("outcome",),
        decimals="decimals",
        notes=(
            f"At {movement.names.visit(first)}, unassisted, participants with every repetition; one-way analysis of "
            "variance (Bland & Altman 1996, BMJ 313:744). A trend over repetitions (warming up) counts as error.",
            "This is the error inside a session. It leaves out putting the sensors on again, and is no detectable "
            "change between visits.",
        ),
    )  # fmt: skip
    return gather((table,), refused)


def recording_figures(movement: Movement) -> Exhibits:
    """Both hands of one recording with their lag, and the repetitions of one participant on top of each other."""
    if not movement.taken:
        return gather((), (NONE,))
    about = movement.study.series
    usable = about[about["reason"] == ""]
    if usable.empty:
        return gather((), ("No recording can be used.",))
    person = movement.names.people(usable[c.PARTICIPANT])[0]
    recordings = read_recordings(movement.study.folder, movement.study.protocol, [], only={c.PARTICIPANT: person})
    made: list[go.Figure | None] = []
    seen: set[tuple[str, ...]] = set()
    for one in movement.taken:
        place = (one.quantity, one.digit, one.joint, *one.motion, str(one.measure in OF_TWO_HANDS))
        if place not in seen:
            seen.add(place)
            draw = _hands if one.measure in OF_TWO_HANDS else _repetitions
            made.append(draw(movement, one, recordings, person))
    return gather(made)


def _of_outcome(movement: Movement, one: SeriesOutcome, recordings: Recordings) -> pd.DataFrame:
    """The usable recordings of an outcome at the first visit that has any, with their place among the recordings."""
    about = recordings.about.assign(place=np.arange(len(recordings.about)))
    rows = about[
        (about["quantity"] == one.quantity) & (about["digit"] == one.digit) & (about["joint"] == one.joint)
        & (about["motion"] == one.motion[0]) & (about["reason"] == "")
    ]  # fmt: skip
    visits = movement.names.visits(rows[c.VISIT])
    return rows[rows[c.VISIT] == visits[0]] if visits else rows


def _hands(movement: Movement, one: SeriesOutcome, recordings: Recordings, person: str) -> go.Figure | None:
    rows = _of_outcome(movement, one, recordings)
    people = movement.study.participants.set_index(c.PARTICIPANT)
    affected = str(people.loc[person, "affected_side"])
    other = {"left": "right", "right": "left"}.get(affected, "")
    leads = {"affected": affected, "other": other}.get(one.leader, one.leader)
    column = "role" if one.leader == "leader" else "hand"
    follows = {"left": "right", "right": "left", "leader": "follower"}.get(leads, "")
    for repetition in dict.fromkeys(rows["repetition"]):
        own = rows[rows["repetition"] == repetition].set_index(column)
        if leads not in own.index or follows not in own.index:
            continue
        hands = [
            EvenSeries(recordings.values[int(own.loc[hand, "place"])][:, None], own.loc[hand, "start"],
                       own.loc[hand, "rate"], 0, 0.0, "", ())
            for hand in (leads, follows)
        ]  # fmt: skip
        first, second, why = shared_grid(*hands)
        if why:
            continue
        rate = float(hands[0].rate)
        lag = float(pairs_together(first.T, second.T, rate).columns["lag_s"][0])
        visit = str(own[c.VISIT].iloc[0])
        words = {affected: "affected hand", other: "other hand"}
        return both_hands(
            first[:, 0], second[:, 0], rate, names=(words.get(leads, leads), words.get(follows, follows)),
            about=f"{person}, {movement.names.visit(visit)}, repetition {repetition}", lag_s=lag, unit="degrees",
            name=f"one_recording/{one.joint or one.digit or 'hands'}",
        )  # fmt: skip
    return None


def _repetitions(movement: Movement, one: SeriesOutcome, recordings: Recordings, person: str) -> go.Figure | None:
    rows = _of_outcome(movement, one, recordings)
    affected = str(movement.study.participants.set_index(c.PARTICIPANT).loc[person, "affected_side"])
    mine = rows[rows["hand"].isin((affected, "affected"))]
    rows = mine if len(mine) else rows
    if rows.empty:
        return None
    rows = rows[rows["hand"] == rows["hand"].iloc[0]]
    parts = []
    for row in rows.to_dict("records"):
        samples = recordings.values[row["place"]]
        seconds = np.arange(len(samples)) / row["rate"]
        parts.append(pd.DataFrame({"repetition": row["repetition"], "time": seconds, "value": samples}))
    where = " ".join(filter(None, (one.digit, one.joint))) or one.quantity
    visit = movement.names.visit(str(rows[c.VISIT].iloc[0]))
    unit = movement.study.protocol.series.force_unit if one.quantity == "force" else one.quantity
    return overlaid_repetitions(
        pd.concat(parts, ignore_index=True), about=f"{person}, {where}, {one.motion[0]}, {visit}", unit=unit,
        name=f"overlaid_repetitions/{where.replace(' ', '_')}_{one.motion[0]}",
    )  # fmt: skip


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
    }.get(one.measure, "")
