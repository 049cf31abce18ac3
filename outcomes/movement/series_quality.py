"""What each recording of a study looks like before any measure: its ends, a flat top, power near half the sampling
rate."""

import numpy as np
import pandas as pd

from outcomes.movement.recordings import in_pieces
from outcomes.movement.series_files import Recordings
from outcomes.movement.signal import flat_top, high_share
from outcomes.protocol.series_tables import SeriesFolder

QUALITY = ("lowest", "highest", "usual_low", "usual_high", "at_end", "high_share")


def with_quality(recordings: Recordings, series: SeriesFolder) -> pd.DataFrame:
    """The recordings' `about` with columns `QUALITY`: lowest and highest sample, their 5 and 95 % points, whether the
    sensor
    was at its end, and the share of power above 0.8 of half the sampling rate. NaN and False where a recording is
    refused."""
    about = recordings.about.reset_index(drop=True)
    numbers = {name: np.full(len(about), np.nan) for name in QUALITY if name != "at_end"}
    at_end = np.zeros(len(about), dtype=bool)
    lengths = np.array([len(one) for one in recordings.values], dtype=np.int64)
    kinds = pd.MultiIndex.from_arrays([lengths, about["rate"].fillna(0), about["quantity"]])
    groups, distinct = pd.factorize(kinds)
    for number, (length, rate, quantity) in enumerate(distinct):
        if not length:
            continue
        limits = {"degrees": series.angle_limits, "force": series.force_limits}.get(quantity)
        members = np.flatnonzero(groups == number)
        for piece in in_pieces(len(members), int(length)):
            rows = members[piece]
            values = np.stack([recordings.values[row] for row in rows.tolist()])
            numbers["lowest"][rows], numbers["highest"][rows] = values.min(axis=1), values.max(axis=1)
            numbers["usual_low"][rows], numbers["usual_high"][rows] = np.percentile(values, (5, 95), axis=1)
            at_end[rows] = flat_top(values, bottom=quantity == "degrees", limits=limits)
            numbers["high_share"][rows] = high_share(values, rate)
    return about.assign(**numbers, at_end=at_end)
