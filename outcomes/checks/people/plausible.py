"""Checks of what a data manager looks at twice: people entered twice, forms copied, words mistyped, ages and onsets.

All of them are doubts, never proofs: each rule says why it doubts, and a study may switch it off with a reason.
"""

import difflib
from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd

from outcomes.checks.form_grids import Grid
from outcomes.checks.register import place, reports, reports_on_forms
from outcomes.findings import as_text, flag, texts
from outcomes.onset import DAYS_PER_MONTH, with_onset_days
from outcomes.study import Study

# Common practice, no source, all of these.
_ADULT = 18  # years
_ENOUGH_ITEMS = 8  # answers that a copied form must share
_RARELY = 0.02  # of the forms of an instrument; where more are equal, equal forms say nothing
_OFTEN, _RARE = 3, 1  # how often the right and the mistyped word stand in a column
_ALIKE = 0.8  # likeness of a mistyped word
_WORDY = {"adverse_events": ("severity", "related", "outcome"), "sessions": ("source",), "participants": ("diagnosis",)}


@reports("age of a child")
def age_of_a_child(study: Study) -> Iterator[pd.DataFrame]:
    frame = study.participants
    rows = frame[(frame["age"] >= 0) & (frame["age"] < _ADULT)]
    yield flag("age of a child", rows, **place(study, "participants", "age"), found=rows["age"],
               allowed=f"{_ADULT} or more in a study of adults")  # fmt: skip


@reports("one person twice")
def one_person_twice(study: Study) -> Iterator[pd.DataFrame]:
    """The same age, sex, sides, diagnosis and onset under two codes."""
    names = ["age", "sex", "affected_side", "dominant_side", "diagnosis", "onset"]
    frame = study.participants.drop_duplicates("participant")
    told = frame[(frame["onset"] != "") & (frame["diagnosis"] != "") & frame["age"].notna()]
    # Months of onset are coarse: only a date, or a part of a month, tells people apart.
    told = told[told["onset"].str.contains(r"[-/]|[.,]\d", regex=True)]
    rows = told[told.duplicated(names)]
    if rows.empty:
        return
    first = told.drop_duplicates(names).set_index(names)["participant"]
    twin = [first[tuple(row)] for row in rows[names].itertuples(index=False, name=None)]
    yield flag("one person twice", rows, **place(study, "participants", "participant"),
               found=rows["participant"] + " and " + pd.Series(twin, index=rows.index))  # fmt: skip


@reports("onset against the protocol")
def onset_against_protocol(study: Study) -> Iterator[pd.DataFrame]:
    """Time since onset outside what study.toml admits under [eligibility]."""
    bounds = study.protocol.eligibility.get("onset_months")
    if bounds is None:
        return
    frame = with_onset_days(study)
    months = frame["onset_days"] / DAYS_PER_MONTH
    rows = frame[(months < bounds[0] - 0.05) | (months > bounds[1] + 0.05)]
    found = texts(months[rows.index].map(lambda value: float(f"{value:.3g}"))) + " months"
    yield flag("onset against the protocol", rows, **place(study, "participants", "onset"), found=found,
               allowed=f"{as_text(float(bounds[0]))} to {as_text(float(bounds[1]))} months")  # fmt: skip


@reports("age against the protocol")
def age_against_protocol(study: Study) -> Iterator[pd.DataFrame]:
    bounds = study.protocol.eligibility.get("age")
    if bounds is None:
        return
    frame = study.participants
    rows = frame[(frame["age"] < bounds[0]) | (frame["age"] > bounds[1])]
    yield flag("age against the protocol", rows, **place(study, "participants", "age"), found=rows["age"],
               allowed=f"{as_text(float(bounds[0]))} to {as_text(float(bounds[1]))}")  # fmt: skip


@reports_on_forms("form copied")
def copied_forms(study: Study, forms: Sequence[Grid]) -> Iterator[pd.DataFrame]:
    """A whole form with the very answers of the visit before, or of another person, where answers vary within it."""
    order = {visit.id: visit.day for visit in study.protocol.visits}
    for grid in forms:
        values = grid.values.to_numpy()
        # How many answers a form holds that differ; blanks are none.
        kinds = (np.diff(np.sort(values, axis=1), axis=1) > 0).sum(axis=1) + 1
        enough = ((~np.isnan(values)).sum(axis=1) >= _ENOUGH_ITEMS) & (kinds > 2)
        if enough.sum() < 2:
            continue
        values, first = values[enough], grid.first[enough]
        written = np.array([row.tobytes() for row in np.where(np.isnan(values), -1.0, values) + 0.0], dtype=object)
        table = first.assign(answers=pd.factorize(written)[0], day=first["visit"].map(order))
        table = table.sort_values("day", kind="stable")
        table = table[table["answers"].duplicated(keep=False)]
        # In steady people, or on a short scale, equal forms are ordinary; a copy is one that hardly ever happens here.
        repeated = table["answers"].duplicated().sum()
        if repeated > max(1, _RARELY * len(values)):
            continue
        for _, group in table.groupby("answers", sort=False):
            earlier, later = group.iloc[0], group.iloc[1:]
            where = f"{earlier['participant']} at {earlier['visit']}"
            yield flag("form copied", later, **place(study, "items", "value"),
                       found=f"{grid.instrument.id} with all answers of {where}")  # fmt: skip


@reports("word perhaps mistyped")
def mistyped(study: Study) -> Iterator[pd.DataFrame]:
    """A word that stands once beside one that is nearly the same and stands often."""
    for table, columns in _WORDY.items():
        frame = study.table(table)
        for column in columns:
            if column not in frame or frame.empty:
                continue
            count = frame[column].str.strip().str.casefold().value_counts()
            count = count[count.index != ""]
            often = count.index[count >= _OFTEN].tolist()
            meant = {
                word: near[0]
                for word in count.index[count <= _RARE]
                if not any(letter.isdigit() for letter in word)
                and (near := difflib.get_close_matches(word, often, 1, _ALIKE))
                and len(word.split()) == len(near[0].split())
                and not _another_word(word, near[0])
            }
            rows = frame[frame[column].str.strip().str.casefold().isin(list(meant))]
            known = rows[column].str.strip().str.casefold().map(meant)
            yield flag("word perhaps mistyped", rows, **place(study, table, column), found=rows[column],
                       allowed=known if len(rows) else "")  # fmt: skip


def _another_word(word: str, other: str) -> bool:
    """Whether two like words are two words of the trade: complete and incomplete, left and right, ischaemic and not."""
    longer, shorter = sorted((word, other), key=len, reverse=True)
    return longer.endswith(shorter) or longer.replace("in", "", 1) == shorter or longer.replace("un", "", 1) == shorter


@reports_on_forms("reflexes against movement", "faster than a hand")
def against_the_body(study: Study, forms: Sequence[Grid]) -> Iterator[pd.DataFrame]:
    """Answers that a body can hardly give together, as the instrument's file says."""
    for grid in forms:
        for rule in grid.instrument.contradictions:
            low, high = rule["lowest"], rule["highest"]
            items = {item.id: item for item in grid.instrument.items}
            down = np.logical_and.reduce([grid.values[name] == items[name].low for name in low])
            up = np.logical_and.reduce([grid.values[name] == items[name].high for name in high])
            if not (down & up).any():
                continue
            yield flag("reflexes against movement", grid.first[down & up], **place(study, "items", "value"),
                       found=f"{grid.instrument.id}: {rule['says']}")  # fmt: skip
        for item in grid.instrument.items:
            if item.quickest is not None:
                fast = grid.values[item.id] < item.quickest
                if not fast.any():
                    continue
                rows = grid.first[fast]
                found = f"{grid.instrument.id} item {item.id}: " + texts(grid.values.loc[fast, item.id])
                yield flag("faster than a hand", rows, **place(study, "items", "value"), found=found,
                           allowed=f"{as_text(item.quickest)} or more")  # fmt: skip
