"""Time from onset to baseline: typed as months at entry, or from the date of onset to that of the baseline visit."""

import pandas as pd

from outcomes.reading.cells import dates, numbers
from outcomes.study import Study

DAYS_PER_MONTH = 30.4375  # 365.25 / 12
ONSET_DAYS = "onset_days"
_MOST_MONTHS = 1200  # a hundred years: 2024 typed as onset is a year, and no number of months (ours)


def with_onset_days(study: Study) -> pd.DataFrame:
    """The participants of a study with `onset_days`: days from onset to the baseline visit, NaN where not known.

    A date of onset is compared with the date of the participant's baseline visit; months at entry are taken as typed.
    """
    people = study.participants
    if ONSET_DAYS in people or "onset" not in people:
        return people
    visits = study.visits[study.visits["visit"] == study.protocol.baseline.id]
    baseline = visits.drop_duplicates("participant").set_index("participant")["date"]
    at_entry = baseline.reindex(people["participant"].to_numpy()).set_axis(people.index)
    since = (pd.to_datetime(at_entry) - dates(people["onset"])["value"]).dt.days.astype(float)
    return people.assign(**{ONSET_DAYS: onset_days(people).where(lambda days: days.notna(), since)})


def onset_days(participants: pd.DataFrame) -> pd.Series:
    """Days from onset to baseline of each row: `onset_days` where it is there, else `onset` typed as months."""
    if ONSET_DAYS in participants:
        return pd.to_numeric(participants[ONSET_DAYS], errors="coerce")
    if "onset" not in participants:
        return pd.Series(float("nan"), index=participants.index)
    typed = participants["onset"]
    if pd.api.types.is_numeric_dtype(typed):
        months = typed.astype(float)
    else:
        text = typed.fillna("").astype("str")
        months = numbers(text)["value"].where(dates(text)["value"].isna())
    return months.where((months >= 0) & (months < _MOST_MONTHS)) * DAYS_PER_MONTH
