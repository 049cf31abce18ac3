"""Checks of participants and arms: who is in the study."""

import re
from collections.abc import Iterator

import pandas as pd

from outcomes.checks.grouping import among, looked_up
from outcomes.checks.register import hint, place, reports
from outcomes.findings import flag, texts
from outcomes.protocol.model_choice import column_of
from outcomes.reading.cells import dates, numbers
from outcomes.reading.typed_tables import DATE_RULES, flag_conversions
from outcomes.sheets import MEASUREMENTS
from outcomes.spreadsheet_cells import STARTS
from outcomes.study import Study

_WORN = ("wear_log", "skin_checks", "device_ratings", "motion_grades")
BY_PARTICIPANT = ("visits", *MEASUREMENTS, "second_ratings", "sessions", "adverse_events", *_WORN)
_OLDEST = 110  # years; common practice, no source: beyond it a typing error is likelier than the age


@reports("participant blank")
def participant_blank(study: Study) -> Iterator[pd.DataFrame]:
    for table in ("participants", *BY_PARTICIPANT):
        blank = study.table(table)["participant"] == ""
        if blank.any():
            yield flag("participant blank", study.table(table)[blank], **place(study, table, "participant"))


@reports("participant code like a formula")
def code_like_a_formula(study: Study) -> Iterator[pd.DataFrame]:
    """A spreadsheet program computes such a cell: P01 becomes another code, or something is run."""
    for table in ("participants", *BY_PARTICIPANT):
        frame = study.table(table)
        if frame.empty:
            continue
        rows = frame[frame["participant"].str.startswith(STARTS)]
        yield flag("participant code like a formula", rows, **place(study, table, "participant"),
                   found=rows["participant"], allowed="a code that begins with a letter or a digit")  # fmt: skip


@reports("duplicate participant")
def duplicate_participant(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.participants
    rows = frame[frame.duplicated("participant") & (frame["participant"] != "")]
    first = frame.drop_duplicates("participant").set_index("participant")["row"]
    yield flag(
        "duplicate participant",
        rows,
        **place(study, "participants", "participant"),
        found=rows["participant"],
        allowed="one row; the first is row " + texts(looked_up(rows["participant"], first)),
    )


@reports("participant codes alike")
def codes_alike(study: Study) -> Iterator[pd.DataFrame]:
    """P01 and p1 are two codes to a computer, and perhaps one person."""
    frame = study.participants
    frame = frame[(frame["participant"] != "") & ~frame.duplicated("participant")]
    folded = frame["participant"].map(lambda code: re.sub(r"(?<!\d)0+(?=\d)", "", re.sub(r"[\W_]", "", code.lower())))
    rows = frame[folded.duplicated()]
    first = frame.assign(folded=folded).drop_duplicates("folded").set_index("folded")["participant"]
    yield flag(
        "participant codes alike",
        rows,
        **place(study, "participants", "participant"),
        found=rows["participant"] + " and " + looked_up(folded[rows.index], first),
    )


@reports("unknown participant")
def unknown_participant(study: Study) -> Iterator[pd.DataFrame]:
    enrolled = study.participants["participant"]
    for table in (*BY_PARTICIPANT, "device_deficiencies"):
        frame = study.table(table)
        if frame.empty:
            continue
        rows = frame[~among(frame["participant"], enrolled) & (frame["participant"] != "")]
        if rows.empty:
            continue
        known = list(enrolled)
        hints = {name: hint(name, known) for name in rows["participant"].unique()}
        yield flag(
            "unknown participant",
            rows,
            **place(study, table, "participant"),
            found=rows["participant"],
            allowed=f"one of the {len(known)} codes of {study.files['participants']}",
            advice=rows["participant"].map(hints),
        )


@reports("unknown arm", "arm with too few participants")
def arms(study: Study) -> Iterator[pd.DataFrame]:
    planned, frame = [arm.id for arm in study.protocol.arms], study.participants
    if not planned:
        named = [name for name in frame["arm"].unique() if name]
        if len(named) > 1:  # one arm may have a name that study.toml does not give
            rows = frame[frame["arm"] != ""]
            yield flag("unknown arm", rows, **place(study, "participants", "arm"), found=rows["arm"],
                       allowed="one arm, as the design says, or an [[arms]] table for each")  # fmt: skip
        return
    unknown = ~frame["arm"].isin(planned)
    if len(planned) == 1:  # a single arm need not be written out
        unknown &= frame["arm"] != ""
    where = place(study, "participants", "arm")
    found = frame.loc[unknown, "arm"].replace("", "blank")
    yield flag("unknown arm", frame[unknown], **where, found=found, allowed=", ".join(planned))
    if len(planned) > 1:
        sizes = frame.groupby("arm")["participant"].nunique()
        for arm in planned:
            size = int(sizes.get(arm, 0))
            if size < 2:
                people = "participant" if size == 1 else "participants"
                yield flag(
                    "arm with too few participants", **where, found=f"{size} {people} in arm {arm}", allowed="2 or more"
                )


@reports("age implausible")
def age(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.participants
    rows = frame[(frame["age"] < 0) | (frame["age"] > _OLDEST)]
    yield flag(
        "age implausible", rows, **place(study, "participants", "age"), found=rows["age"], allowed=f"0 to {_OLDEST}"
    )


@reports("onset unreadable", *DATE_RULES.values())
def onset(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.participants
    date, months = dates(frame["onset"]), numbers(frame["onset"])
    unread = (frame["onset"] != "") & date["value"].isna() & months["value"].isna() & (months["code"] == "")
    rows = frame[unread | (months["value"] < 0)]
    where = place(study, "participants", "onset")
    dated = date.assign(how=date["how"].where(months["value"].isna(), "").replace("text", ""))
    yield from flag_conversions(frame, dated, frame["onset"], str(where["column"]), str(where["file"]))
    yield flag("onset unreadable", rows, **where, found=rows["onset"], allowed="year-month-day, or months as a number")


@reports("participant without measurements")
def never_measured(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.participants
    measured = pd.Series(False, index=frame.index)
    for table in (*(study.table(name) for name in MEASUREMENTS), study.series):
        measured |= among(frame["participant"], table["participant"])
    rows = frame[~measured & (frame["participant"] != "")]
    yield flag("participant without measurements", rows, **place(study, "participants", "participant"))


@reports("covariate missing")
def covariates(study: Study) -> Iterator[pd.DataFrame]:
    models = (study.protocol.model, *study.protocol.sensitivity)
    frame = study.participants
    named = [covariate for model in models for covariate in model.covariates]
    named += [model.site for model in models if model.site is not None]
    for name in dict.fromkeys(name if name in frame else column_of(name) for name in named):
        if name in frame and name not in ("row",):
            rows = frame[frame[name].isna() | (frame[name].astype("str") == "")]
            yield flag("covariate missing", rows, **place(study, "participants", name))
