"""Checks of the sheets beside the trial: published numbers that cannot be, prices that do not add up.

None of them blocks the trial's own analysis: they are about an application.
"""

from collections.abc import Iterator

import pandas as pd

from outcomes.checks.register import hint, place, reports
from outcomes.findings import flag, texts
from outcomes.study import Study

_ABOVE_ZERO = ("se", "se_baseline", "se_change", "se_difference")
_NOT_NEGATIVE = ("sd", "sd_baseline", "sd_change", "f")
_PAIRS = (("low", "high"), ("low_baseline", "high_baseline"), ("low_change", "high_change"),
          ("low_difference", "high_difference"),
          *((f"{low}{when}", f"{high}{when}") for when in ("", "_baseline", "_change")
            for low, high in (("q1", "q3"), ("minimum", "maximum"))))  # fmt: skip


@reports("impossible published number")
def published_numbers(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.published
    if frame.empty:
        return
    n = frame["n"]
    yield _wrong(study, frame, "n", n.notna() & ((n < 2) | (n % 1 != 0)), "a whole number, 2 or more")
    for name in _ABOVE_ZERO:
        yield _wrong(study, frame, name, frame[name] <= 0, "above 0")
    for name in _NOT_NEGATIVE:
        yield _wrong(study, frame, name, frame[name] < 0, "0 or more")
    yield _wrong(study, frame, "r", frame["r"].abs() > 1, "-1 to 1")
    yield _wrong(study, frame, "p", (frame["p"] <= 0) | (frame["p"] > 1), "above 0 and at most 1")
    yield _wrong(study, frame, "level", (frame["level"] <= 0) | (frame["level"] >= 1), "above 0 and below 1")
    for low, high in _PAIRS:
        yield _wrong(study, frame, low, frame[low] > frame[high], f"no more than {high}")


@reports("published outcome unknown")
def published_outcomes(study: Study) -> Iterator[pd.DataFrame]:
    frame, known = study.published, list(study.protocol.outcomes)
    rows = frame[~frame["outcome"].isin(["", *known])]
    if len(rows):
        advice = [hint(name, known) for name in rows["outcome"]]
        yield flag("published outcome unknown", rows, **place(study, "published", "outcome"), found=rows["outcome"],
                   allowed=", ".join(known) + next((f". {one}" for one in advice if one), ""))  # fmt: skip


@reports("prices do not add up")
def prices_add_up(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.costs
    if frame.empty:
        return
    for name in ("currency", "price_year"):
        found = [text for text in texts(frame[name]).unique() if text]
        if len(found) != 1:
            yield flag("prices do not add up", **place(study, "costs", name), found=", ".join(found) or "blank",
                       allowed="one for the whole sheet")  # fmt: skip
    rows = frame[~(frame["price"] >= 0)]
    if len(rows):
        found = texts(rows["price"]).where(rows["price"].notna(), "blank")
        yield flag("prices do not add up", rows, **place(study, "costs", "price"), found=found, allowed="0 or more")


@reports("cost of nobody")
def costs_of_somebody(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.costs
    if frame.empty:
        return
    arms = [arm.id for arm in study.protocol.arms]
    people = list(study.participants["participant"])
    for name, known in (("arm", arms), ("participant", people)):
        rows = frame[~frame[name].isin(["", *known])]
        if len(rows):
            allowed = ", ".join(known) if name == "arm" else "a code of participants"
            yield flag("cost of nobody", rows, **place(study, "costs", name), found=rows[name], allowed=allowed)


def _wrong(study: Study, frame: pd.DataFrame, name: str, rows: pd.Series, allowed: str) -> pd.DataFrame:
    return flag("impossible published number", frame[rows], **place(study, "published", name),
                found=texts(frame.loc[rows, name]), allowed=allowed)  # fmt: skip
