"""What [[series_outcomes]] of a study give, recording by recording and pair of hands by pair of hands.

Recordings of one length and rate are measured together; repetitions become one score in
`outcomes.scoring.series_scores`.
"""

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from outcomes.movement.force_above import forces_above
from outcomes.movement.force_hold import force_holds
from outcomes.movement.passive import resistances
from outcomes.movement.ranges import motion_ranges
from outcomes.movement.recordings import Floats, Measures
from outcomes.movement.series_files import KEYS, Recordings
from outcomes.movement.smoothness import smoothness_of_angles
from outcomes.movement.speed import velocities
from outcomes.movement.time_stamps import EvenSeries, shared_grid
from outcomes.movement.together import pairs_together
from outcomes.protocol.series_tables import FOLLOWERS, OF_TORQUE, OF_TWO_HANDS, SeriesFolder, SeriesOutcome
from outcomes.protocol.trial import Protocol

VALUES = (
    "outcome",
    "participant",
    "visit",
    "side",
    "motion",
    "repetition",
    "value",
    "std_error",
    "lag_change",
    "lag_change_std_error",
    "unit",
    "reason",
    "notes",
    "file",
)
CHANGES = ("lag_change", "lag_change_std_error")
_FORCE = {
    "force-peak": "peak", "force-plateau": "plateau", "time-to-90": "time_to_90", "rate-of-rise": "rate_of_rise",
    "impulse": "impulse", "steadiness": "steadiness", "steadiness-detrended": "steadiness_detrended",
}  # fmt: skip
_RANGE = {"range": "range", "highest": "highest", "lowest": "lowest"}
_ABOVE = {"time-above": "seconds", "excursions-above": "excursions"}
_OPPOSITE = {"left": "right", "right": "left"}


def series_values(recordings: Recordings, protocol: Protocol, participants: pd.DataFrame) -> pd.DataFrame:
    """One row per outcome and recording (or pair of hands): columns `VALUES`; NaN with its reason where refused.

    lag_change, of two hands: seconds by which the lag grows over the recording, with its standard error.

    participants: frame with participant and affected_side, which says which hand "affected" and "other" are.
    """
    affected = dict(zip(participants["participant"], participants["affected_side"], strict=False))
    about = recordings.about.reset_index(drop=True)
    sides = [
        _side(hand, affected.get(person, "")) for hand, person in zip(about["hand"], about["participant"], strict=True)
    ]
    about = about.assign(side=pd.Series(sides, index=about.index, dtype="str"), place=np.arange(len(about)))
    parts = []
    for outcome in protocol.series_outcomes:
        rows = about[
            about["quantity"].isin([outcome.quantity, *(["torque"] if outcome.measure in OF_TORQUE else [])])
            & (about["digit"] == outcome.digit)
            & (about["joint"] == outcome.joint)
            & about["motion"].isin(outcome.motion)
        ]
        take = _of_two if outcome.measure in OF_TWO_HANDS else _of_one
        take = _with_torque if outcome.measure in OF_TORQUE else take
        parts.append(take(outcome, rows, recordings.values, protocol.series, affected))
    frame = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=list(VALUES))
    return frame[list(VALUES)]


def _side(hand: str, affected: str) -> str:
    """left, right, both or "" of a recording."""
    if hand in ("affected", "other"):
        own = affected if affected in _OPPOSITE else ""
        return own if hand == "affected" else _OPPOSITE.get(own, "")
    return hand if hand in ("left", "right", "both") else ""


def _of_one(
    outcome: SeriesOutcome,
    rows: pd.DataFrame,
    values: tuple[Floats, ...],
    series: SeriesFolder,
    affected: Mapping[str, str],
) -> pd.DataFrame:
    rows = _of_its_hand(outcome, rows, affected)
    cut = [
        _window(values[place], rate, outcome.window_s) for place, rate in zip(rows["place"], rows["rate"], strict=True)
    ]
    return _measured(outcome, rows, [cut], series)


def _of_its_hand(outcome: SeriesOutcome, rows: pd.DataFrame, affected: Mapping[str, str]) -> pd.DataFrame:
    if outcome.hand in ("left", "right"):
        return rows[rows["side"] == outcome.hand]
    if outcome.hand in ("affected", "other"):
        wanted = rows["participant"].map(lambda person: _side(outcome.hand, affected.get(person, "")))
        return rows[rows["side"] == wanted]
    return rows


def _with_torque(
    outcome: SeriesOutcome,
    rows: pd.DataFrame,
    values: tuple[Floats, ...],
    series: SeriesFolder,
    affected: Mapping[str, str],
) -> pd.DataFrame:
    """Angle and torque of one recording side by side; an angle without its torque stays as a refused one."""
    rows = _of_its_hand(outcome, rows, affected)
    torque = rows[rows["quantity"] == "torque"].drop_duplicates(list(KEYS))
    about = [*KEYS, "place", "rate", "start", "reason"]
    both = rows[rows["quantity"] == "degrees"].merge(torque[about], on=list(KEYS), how="left", suffixes=("", "_second"))
    lonely = both["place_second"].isna()
    unlike = ~lonely & ((both["rate"] != both["rate_second"]) | (both["start"] != both["start_second"]))
    reason = both["reason"].where(both["reason"] != "", both["reason_second"].fillna(""))
    reason = reason.where(~lonely | (reason != ""), "no torque beside the angle")
    both["reason"] = reason.where(~unlike | (reason != ""), "angle and torque were not sampled at the same times")
    cut = [
        [
            _window(values[int(place)], rate, outcome.window_s) if not why else np.empty(0)
            for place, rate, why in zip(both[name], both["rate"], both["reason"], strict=True)
        ]
        for name in ("place", "place_second")
    ]
    return _measured(outcome, both, cut, series)


def _of_two(
    outcome: SeriesOutcome,
    rows: pd.DataFrame,
    values: tuple[Floats, ...],
    series: SeriesFolder,
    affected: Mapping[str, str],
) -> pd.DataFrame:
    pairing = [key for key in KEYS if key not in ("hand", "role")]
    if outcome.leader == "leader":
        leads, follows = rows["role"] == "leader", rows["role"] == "follower"
    else:
        own = rows["participant"].map(
            lambda person: (
                outcome.leader if outcome.leader in _OPPOSITE else _side(outcome.leader, affected.get(person, ""))
            )
        )
        leads = (rows["side"] == own) & (own != "")
        follows = (rows["side"] == own.map(_OPPOSITE)) & (own != "")
    first = rows[leads].drop_duplicates(pairing)
    second = rows[follows].drop_duplicates(pairing)
    both = first.merge(second, on=pairing, how="outer", suffixes=("", "_second"))
    both = both.assign(side="both")
    alone = both["place"].isna() | both["place_second"].isna()
    lonely = (
        f"no recording of the {FOLLOWERS[outcome.leader]} hand beside the {outcome.leader} one, or the other way round"
    )
    reason = both["reason"].fillna("").where(both["reason"].fillna("") != "", both["reason_second"].fillna(""))
    both["reason"] = reason.where(~alone, lonely)
    both["file"] = both["file"].fillna(both["file_second"])
    leaders, followers, reasons = [], [], []
    for row in both.to_dict("records"):
        if row["reason"]:
            leaders.append(np.empty(0))
            followers.append(np.empty(0))
            reasons.append(row["reason"])
            continue
        hands = [
            EvenSeries(values[int(row[f"place{end}"])][:, None], row[f"start{end}"], row[f"rate{end}"], 0, 0.0, "", ())
            for end in ("", "_second")
        ]
        x, y, why = shared_grid(*hands)
        leaders.append(_window(x[:, 0], row["rate"], outcome.window_s))
        followers.append(_window(y[:, 0], row["rate"], outcome.window_s))
        reasons.append(why)
    both["reason"] = pd.Series(reasons, index=both.index, dtype="str")
    return _measured(outcome, both, [leaders, followers], series)


def _window(series: Floats, rate: float, window: tuple[float, float] | None) -> Floats:
    if window is None or not len(series):
        return series
    return series[round(window[0] * rate) : round(window[1] * rate)]


def _measured(
    outcome: SeriesOutcome, rows: pd.DataFrame, hands: list[list[Floats]], series: SeriesFolder
) -> pd.DataFrame:
    """The measure of every row, those of one length and rate together."""
    count = len(rows)
    value, error, change, change_error = (np.full(count, np.nan) for _ in range(4))
    reasons, notes = rows["reason"].to_numpy(dtype=object).copy(), np.full(count, "", dtype=object)
    lengths = np.array([len(one) for one in hands[0]], dtype=np.int64)
    if len(hands) == 2:
        uneven = lengths != np.array([len(one) for one in hands[1]], dtype=np.int64)
        two = "angle and torque" if outcome.measure in OF_TORQUE else "the two hands"
        reasons[uneven & (reasons == "")] = f"{two} differ in length"
    reasons[(lengths == 0) & (reasons == "")] = "no sample in the window"
    rates = rows["rate"].to_numpy(dtype=float)
    usable = np.flatnonzero(reasons == "")
    for length, rate in dict.fromkeys(zip(lengths[usable].tolist(), rates[usable].tolist(), strict=True)):
        group = usable[(lengths[usable] == length) & (rates[usable] == rate)]
        found, column = _take(outcome, [np.stack([one[row] for row in group.tolist()]) for one in hands], rate, series)
        value[group] = found.columns[column] * (100 if outcome.unit == "%" else 1)
        reasons[group] = found.reason(column)
        if column == "lag_s":
            error[group] = found.columns["lag_std_error"]
        if outcome.measure in OF_TWO_HANDS and "lag_change" in found.columns:
            change[group], change_error[group] = (found.columns[one] for one in CHANGES)
        notes[group] = "; ".join(found.notes)
    if outcome.measure == "lag-size":
        value = np.abs(value)
    if outcome.measure in ("lag", "lag-size") and not series.one_clock:
        given = reasons == ""
        value[given], error[given] = np.nan, np.nan
        reasons[given] = "the two hands were recorded by two clocks: no lag"
    frame = rows[["participant", "visit", "side", "motion", "repetition", "file"]].reset_index(drop=True)
    return frame.assign(
        outcome=outcome.id, value=value, std_error=error, lag_change=change, lag_change_std_error=change_error,
        unit=outcome.unit, reason=pd.Series(reasons, dtype="str"),
        notes=pd.Series(notes, dtype="str"),
    )  # fmt: skip


def _take(outcome: SeriesOutcome, hands: list[Floats], rate: float, series: SeriesFolder) -> tuple[Measures, str]:
    """The measures of recordings of one length, and the column that is meant."""
    options: dict[str, Any] = dict(outcome.options)
    cutoff, measure = outcome.cutoff_hz, outcome.measure
    if cutoff is not None and cutoff >= rate / 2:
        nothing = np.full(len(hands[0]), np.nan)
        why = np.full(
            len(hands[0]), f"a cut-off of {cutoff:g} Hz at {rate:g} samples a second: above half of it", dtype=object
        )
        return Measures({measure: nothing}, why), measure
    takers: dict[str, tuple[Callable[..., Measures], dict[str, Any]]] = {
        **dict.fromkeys(_RANGE, (motion_ranges, {"limits": series.angle_limits})),
        **dict.fromkeys(("peak-velocity", "movement-time"), (velocities, {})),
        **dict.fromkeys(("spectral-arc-length", "log-dimensionless-jerk"), (smoothness_of_angles, {"kind": measure})),
        **dict.fromkeys(_FORCE, (force_holds, {"limits": series.force_limits, "unit": series.force_unit})),
        **dict.fromkeys(_ABOVE, (forces_above, {})),
        **dict.fromkeys(OF_TORQUE, (resistances, {})),
        **dict.fromkeys(OF_TWO_HANDS, (pairs_together, {"limits": series.angle_limits})),
    }
    if "lag_window_s" in options:
        options["window"] = options.pop("lag_window_s")
    call, own = takers[measure]
    column = {**_RANGE, **_FORCE, **_ABOVE, "lag": "lag_s", "lag-size": "lag_s"}.get(measure, measure)
    if measure in OF_TWO_HANDS:
        column = column.replace("-", "_")
    return call(*hands, rate, cutoff=cutoff, **own, **options), column
