"""The day each participant was really seen, from the dates in `visits`."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.scoring.administrations import Keys, positions
from outcomes.study import Study


def own_days(study: Study) -> pd.DataFrame:
    """Dated rows of `visits`, each participant's visit once, with `study_day`.

    Days are counted from the participant's own baseline visit, which has its planned day; NaN where the baseline has no
    date. All columns of `visits` stay.
    """
    baseline = study.protocol.baseline
    frame = study.visits[study.visits["date"].notna()].drop_duplicates(["participant", "visit"]).copy()
    person, people = pd.factorize(frame["participant"])
    date, first = frame["date"].to_numpy().astype("datetime64[D]"), (frame["visit"] == baseline.id).to_numpy()
    start = np.full(len(people), np.datetime64("NaT"), dtype="datetime64[D]")
    start[person[first]] = date[first]
    return frame.assign(study_day=(date - start[person]) / np.timedelta64(1, "D") + baseline.day)


def day_by_visit(study: Study, keys: Keys) -> NDArray[np.float64]:
    """Own day (participants, visits) in the order of `keys`; NaN where it is not known."""
    days = np.full((len(keys.participants), len(keys.visits)), np.nan)
    dated = own_days(study)
    person, visit = positions(dated["participant"], keys.place), positions(dated["visit"], keys.visits)
    known = (person >= 0) & (visit >= 0)
    days[person[known], visit[known]] = dated["study_day"].to_numpy(dtype=float)[known]
    return days
