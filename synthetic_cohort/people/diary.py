"""Practice sessions and adverse events: the sheets that come from the weeks between the visits."""

import numpy as np
import pandas as pd
from numpy.random import Generator
from numpy.typing import NDArray

from synthetic_cohort.design import CohortDesign
from synthetic_cohort.filled_sheets import Frame, dates, texts
from synthetic_cohort.people.ability import Ability
from synthetic_cohort.people.attendance import WITHDRAWN


def last_days(design: CohortDesign, status: NDArray[np.int8]) -> NDArray[np.int64]:
    """Day in the study on which each person's record ends: the last visit, or the one before leaving."""
    planned = np.array([visit.day - design.visits[0].day for visit in design.visits]).astype(np.int64)
    stayed = (status != WITHDRAWN).sum(axis=1)
    return planned[stayed - 1]


def sessions_sheet(
    design: CohortDesign,
    ability: Ability,
    frame: Frame,
    order: NDArray[np.int64],
    status: NDArray[np.int8],
    rng: Generator,
) -> pd.DataFrame:
    """Prescribed sessions in the treatment windows of the arms that practise; zero minutes where one was skipped."""
    plan = design.sessions
    last = last_days(design, status)
    adherence = ability.people["adherence"][0]
    arms = {arm.id: arm for arm in design.arms}
    people, days = [], []
    for person in order:
        arm = arms[str(frame.arm[person])]
        if arm.id not in plan.arms:
            continue
        day = np.concatenate([session_days(first, end, plan.per_week) for first, end in arm.windows])
        days.append(day[day <= last[person]])
        people.append(np.full(len(days[-1]), person))
    if not people:
        return pd.DataFrame()
    person, day = np.concatenate(people), np.concatenate(days)
    share = np.where(rng.random(len(day)) < adherence[person], rng.uniform(0.75, 1.05, len(day)), 0.0)
    minutes = np.round(plan.minutes * share)
    repetitions = np.round(minutes * plan.repetitions_per_minute * rng.uniform(0.8, 1.2, len(day)) / 5) * 5
    return pd.DataFrame(
        {
            "participant": frame.codes[person],
            "session": texts(np.concatenate([np.arange(1, len(part) + 1) for part in days])),
            "date": dates(frame.days[person, 0] + day),
            "minutes_prescribed": texts(np.full(len(day), plan.minutes)),
            "minutes_performed": texts(minutes),
            "repetitions": texts(repetitions),
            "source": np.full(len(day), plan.source),
        }
    )


def session_days(first: float, end: float, per_week: int) -> NDArray[np.int64]:
    """Days of practice: the same `per_week` days of each week, from the day after the window opens."""
    days = np.arange(int(first) + 1, int(end) + 1)
    return days[(days - int(first) - 1) % 7 < per_week]


def events_sheet(
    design: CohortDesign, frame: Frame, order: NDArray[np.int64], status: NDArray[np.int8], rng: Generator
) -> pd.DataFrame:
    """Adverse events at their rates per person and 28 days, up to the end of each person's record."""
    last = last_days(design, status)
    rows = []
    for person in order:
        for event in design.events:
            if event.arms and frame.arm[person] not in event.arms:
                continue
            count = rng.poisson(event.rate * max(last[person], 1) / 28)
            for day in sorted(rng.integers(1, max(last[person], 2), size=count)):
                rows.append(
                    {
                        "participant": frame.codes[person],
                        "date": str(dates(frame.days[person, :1] + day)[0]),
                        "term": event.term,
                        "severity": event.severity,
                        "serious": "yes" if event.serious else "no",
                        "related": event.related,
                        "device_deficiency": "yes" if event.device_deficiency else "no",
                        "outcome": "recovered",
                    }
                )
    return pd.DataFrame(rows)
