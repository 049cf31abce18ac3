"""Checks of recordings of movement and force: clocks, gaps, sensors at their end, units and signs mixed up."""

from collections.abc import Iterator

import numpy as np
import pandas as pd

from outcomes.checks.register import reports
from outcomes.findings import flag, texts
from outcomes.movement.recordings import LARGEST_ANGLE, LOWEST_RATE
from outcomes.movement.series_files import series_files
from outcomes.movement.time_stamps import UNEVEN
from outcomes.protocol.series_tables import OF_DERIVATIVES, OF_TWO_HANDS
from outcomes.study import Study

_FILE = "study.toml"
_SMALLEST_IN_DEGREES = 7.0  # a joint that never moves further over the whole study is in radians (2 pi is 6.3)
_JOINT_LOW, _JOINT_HIGH = -45.0, 135.0  # of a joint of a finger
_FINGERS = ("thumb", "index", "middle", "ring", "little")
_HIGH_SHARE = 0.05
_MANY_DROPPED = 0.01  # share of samples above which a recording has a line of its own
_SAMPLES_APART = 2.0  # samples by which stamps and a stated rate may differ over a recording
_LAG_GROWS_S, _ERRORS = 0.025, 4.0  # how far a lag may grow over a recording, and how many of its errors (judgement)
_A_FEW = 3  # recordings that have a line each
_RADIAN = 180 / np.pi
_KGF_IN_N = 9.80665
_WITHIN = 2.0  # how far the others may be from this many times a recording and still look like its unit (judgement)
_CLEARLY = 10.0  # degrees from 0 that the middle of a record must lie for its sign to be read


@reports("recordings without an outcome", "outcome without recordings", "hand of a recording unknown")
def declared(study: Study) -> Iterator[pd.DataFrame]:
    taken = study.protocol.series_outcomes
    if not taken:
        files = series_files(study.folder)
        if files:
            yield flag("recordings without an outcome", file=_FILE, column="series_outcomes",
                       found=f"{len(files)} files", allowed="a [[series_outcomes]] table for each measure")  # fmt: skip
        return
    about = study.series
    there = sorted({_channel(row) for row in about[["quantity", "digit", "joint", "motion"]].itertuples(index=False)})
    for outcome in taken:
        if not (study.series_values["outcome"] == outcome.id).any():
            wanted = _channel((outcome.quantity, outcome.digit, outcome.joint, " or ".join(outcome.motion)))
            yield flag("outcome without recordings", file=_FILE, column="series_outcomes",
                       found=f"{outcome.id}: {wanted}", allowed="; ".join(there) or "no recording at all")  # fmt: skip
    of_hands = any(outcome.measure in OF_TWO_HANDS for outcome in taken)
    unknown = about[~about["hand"].isin(("left", "right", "both", "affected", "other", ""))]
    blank = about[(about["hand"] == "") & (of_hands & (about["role"] == ""))]
    for rows in (unknown, blank):
        yield flag("hand of a recording unknown", rows, found=rows["hand"].where(rows["hand"] != "", "blank"),
                   allowed="left, right, both, affected, other")  # fmt: skip


@reports("recording of nobody", "recording of no visit")
def owners(study: Study) -> Iterator[pd.DataFrame]:
    about, visits = study.series, [visit.id for visit in study.protocol.visits]
    if about.empty:
        return
    rows = about[~about["participant"].isin(study.participants["participant"])]
    yield flag("recording of nobody", rows, column="participant", found=rows["participant"],
               allowed="a participant of the sheet participants")  # fmt: skip
    rows = about[~about["visit"].isin(visits)]
    yield flag("recording of no visit", rows, column="visit", found=rows["visit"], allowed=", ".join(visits))


@reports("recording refused", "samples dropped", "clock uneven", "time not in seconds")
def clocks(study: Study) -> Iterator[pd.DataFrame]:
    about = study.series
    if about.empty:
        return
    wrong_unit = about["reason"].str.contains("milliseconds")
    rows = about[(about["reason"] != "") & ~wrong_unit]
    yield flag("recording refused", rows, column="time", found=rows["reason"])
    rows = about[wrong_unit]
    yield flag("time not in seconds", rows, column="time", found=rows["reason"], allowed='seconds, or time_unit = "ms"')
    kept = about[about["reason"] == ""]
    share = kept["dropped"] / (kept["samples"] + kept["dropped"])
    rows = kept[share > _MANY_DROPPED]
    text = texts(rows["dropped"]) + " samples, " + _shorts(100 * share[rows.index]) + " %, longest gap "
    yield flag("samples dropped", rows, column="time", found=text + _shorts(rows["longest_gap_s"]) + " s")
    # Single samples lost here and there are one line a file.
    for file, part in kept[(share > 0) & (share <= _MANY_DROPPED)].groupby("file", sort=False):
        most, gap = _short(100 * share[part.index].max()), _short(part["longest_gap_s"].max())
        number = f"{len(part)} of {int((about['file'] == file).sum())}"
        found = f"in {number} recordings, up to {most} % of one, gaps up to {gap} s"
        yield flag("samples dropped", file=str(file), column="time", found=found)
    rows = kept[kept["uneven"] > UNEVEN]
    yield flag("clock uneven", rows, column="time", found=_shorts(100 * rows["uneven"]) + " %", allowed="up to 5 %")


@reports("stamps against the stated rate", "clocks of two hands run apart")
def drifting_clocks(study: Study) -> Iterator[pd.DataFrame]:
    """Time stamps that do not fit the stated rate, and lags that grow from the start of a recording to its end."""
    about = study.series
    if about.empty:
        return
    stated = study.protocol.series.rate
    if stated:
        rows = about[about["against_rate"].abs() * stated > _SAMPLES_APART]
        span = (rows["samples"].astype(float) + rows["dropped"].astype(float) - 1) / stated
        found = _shorts(100 * rows["against_rate"] / span) + " % (" + _shorts(rows["against_rate"]) + " s)"
        yield from _many(
            "stamps against the stated rate", rows, about, found, 100 * rows["against_rate"] / span, "%",
            f"time stamps of {stated:g} samples a second",
        )  # fmt: skip
    values = study.series_values
    pairs = values[values["lag_change"].notna()] if "lag_change" in values else values[:0]
    pairs = pairs.drop_duplicates(["participant", "visit", "motion", "repetition", "file", "lag_change"])
    change, error = (pairs[name].astype(float) for name in ("lag_change", "lag_change_std_error"))
    rows = pairs[(change.abs() > _LAG_GROWS_S) & (change.abs() > _ERRORS * error)]
    yield from _many(
        "clocks of two hands run apart", rows, pairs, _shorts(rows["lag_change"].astype(float)) + " s",
        rows["lag_change"].astype(float), "s", f"up to {_LAG_GROWS_S:g} s from the start of a recording to its end",
    )  # fmt: skip


def _many(
    rule: str, rows: pd.DataFrame, of: pd.DataFrame, found: pd.Series, amount: pd.Series, unit: str, allowed: str
) -> Iterator[pd.DataFrame]:
    """A line for each recording, or one for a file where most of its recordings have the same."""
    for file, part in rows.groupby("file", sort=False):
        total = int((of["file"] == file).sum())
        if len(part) > _A_FEW and 2 * len(part) > total:
            text = f"in {len(part)} of {total}, by {_short(float(amount[part.index].median()))} {unit} (median)"
            yield flag(rule, file=str(file), column="time", found=text, allowed=allowed)
        else:
            yield flag(rule, part, column="time", found=found[part.index], allowed=allowed)


@reports("sensor at its end", "recording without a change", "power near half the rate", "rate too low for a derivative")
def sensors(study: Study) -> Iterator[pd.DataFrame]:
    if study.series.empty:
        return
    about = study.series[study.series["reason"] == ""]
    rows = about[about["highest"] == about["lowest"]]
    same = _shorts(rows["lowest"]) + " in all " + texts(rows["samples"].astype("int64")) + " samples"
    yield flag("recording without a change", rows, column=rows["quantity"], found=same)
    rows = about[about["at_end"]]
    ends = _shorts(rows["lowest"]) + " to " + _shorts(rows["highest"])
    yield flag("sensor at its end", rows, column=rows["quantity"], found=ends)
    rows = about[about["high_share"] > _HIGH_SHARE]
    yield flag("power near half the rate", rows, column=rows["quantity"],
               found=_shorts(100 * rows["high_share"]) + " % of the power", allowed="up to 5 %")  # fmt: skip
    asked = [outcome for outcome in study.protocol.series_outcomes if outcome.measure in OF_DERIVATIVES]
    for outcome in asked:
        rows = about[(about["quantity"] == outcome.quantity) & (about["rate"] < LOWEST_RATE)]
        rows = rows[(rows["digit"] == outcome.digit) & (rows["joint"] == outcome.joint)]
        yield flag("rate too low for a derivative", rows, column="time", found=_shorts(rows["rate"]) + " Hz",
                   allowed=f"50 Hz or more for {outcome.id}")  # fmt: skip


@reports("recording looks like another unit")
def units(study: Study) -> Iterator[pd.DataFrame]:
    """Single recordings, or a whole participant's, in another unit than those they are measured beside."""
    if study.series.empty:
        return
    about = study.series[study.series["reason"] == ""]
    angles = about[about["quantity"] == "degrees"]
    rows, usual = _apart(angles, angles["highest"] - angles["lowest"], _RADIAN, _SMALLEST_IN_DEGREES)
    yield flag("recording looks like another unit", rows, column="degrees",
               found="a range of " + _shorts(rows["highest"] - rows["lowest"]),
               allowed="about " + _shorts(usual) + ", as beside it; in radians it is that")  # fmt: skip
    forces = about[about["quantity"] == "force"]
    for factor, said in ((_KGF_IN_N, "in kgf"), (1 / _KGF_IN_N, "in N")):
        rows, usual = _apart(forces, forces["highest"], factor, 0.0, others=False)
        yield flag("recording looks like another unit", rows, column="force",
                   found="up to " + _shorts(rows["highest"]),
                   allowed="about " + _shorts(usual) + f", as beside it; {said} it is that")  # fmt: skip


def _apart(
    rows: pd.DataFrame, size: pd.Series, factor: float, least: float, others: bool = True
) -> tuple[pd.DataFrame, pd.Series]:
    """Recordings that are about `factor` times too small beside the others of the same person and channel, or, with
    `others`, whose person is beside everybody else; and the size beside them."""
    if rows.empty:
        return rows, size
    channel = ["digit", "joint", "motion"]
    keys = [rows[name] for name in ("participant", "hand", *channel)]
    own = size.groupby(keys).transform("median")
    usual = own.where((own >= least) & (size.groupby(keys).transform("size") > 2))
    if others:
        everybody = own.groupby([rows[name] for name in channel]).transform("median")
        usual = usual.where(usual.notna(), everybody.where(everybody >= least))
    ratio = usual / size.where(size > 0)
    found = (ratio > factor / _WITHIN) & (ratio < factor * _WITHIN)
    return rows[found], usual[found]


@reports("angles look like radians", "angle of a recording out of range", "sign of an angle turned")
def angles(study: Study) -> Iterator[pd.DataFrame]:
    if study.series.empty:
        return
    about = study.series[(study.series["quantity"] == "degrees") & (study.series["reason"] == "")]
    if about.empty:
        return
    widest = float((about["highest"] - about["lowest"]).max())
    if widest < _SMALLEST_IN_DEGREES and about[["lowest", "highest"]].abs().max(axis=None) < _SMALLEST_IN_DEGREES:
        yield flag("angles look like radians", file="series", column="degrees",
                   found=f"no range above {_short(widest)}", allowed='degrees, or angle_unit = "radians"')  # fmt: skip
        return
    finger = about["digit"].isin(_FINGERS)
    low, high = np.where(finger, _JOINT_LOW, -LARGEST_ANGLE), np.where(finger, _JOINT_HIGH, LARGEST_ANGLE)
    rows = about[(about["lowest"] < low) | (about["highest"] > high)]
    allowed = np.where(finger, "-45 to 135 degrees of a finger", "-200 to 200 degrees")
    yield flag("angle of a recording out of range", rows, column="degrees",
               found=_shorts(rows["lowest"]) + " to " + _shorts(rows["highest"]),
               allowed=pd.Series(allowed, index=about.index)[rows.index])  # fmt: skip
    middle = (about["usual_low"] + about["usual_high"]) / 2
    sign = np.sign(middle.where(middle.abs() > _CLEARLY, 0.0))
    usual = sign.groupby([about["digit"], about["joint"]]).transform("sum")
    count = sign.abs().groupby([about["digit"], about["joint"]]).transform("sum")
    rows = about[(sign * np.sign(usual) < 0) & (usual.abs() >= count / 3)]
    yield flag("sign of an angle turned", rows, column="degrees", found="middle at " + _shorts(middle[rows.index]),
               allowed="the sign of most recordings of that joint")  # fmt: skip


def _channel(row) -> str:
    return " ".join(str(part) for part in row if part)


def _shorts(numbers: pd.Series) -> pd.Series:
    return numbers.map(_short).astype("str")


def _short(number: float) -> str:
    """Three significant digits: findings are for reading."""
    return f"{number:.3g}"
