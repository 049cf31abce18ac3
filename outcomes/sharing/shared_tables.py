"""The tables of a study as they may leave the house: new codes, days for dates, no identifier and no free text.

What is kept of each sheet is a list, so that nothing goes out that nobody thought of. A column of the study's own is
kept where study.toml names it (a covariate, a stratum, an event) or its name is `site` or `therapist`.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from outcomes.checks.people.identifiers import identifies, names_a_person
from outcomes.columns import NOT_APPLICABLE
from outcomes.library.diagnoses import families_of
from outcomes.onset import DAYS_PER_MONTH, ONSET_DAYS, with_onset_days
from outcomes.reading.cells import dates, plain
from outcomes.sharing.renewed_codes import new_codes, renewed
from outcomes.sheets import MEASUREMENTS, SHEETS
from outcomes.study import Study

PLACES = ("site", "centre", "center", "hospital", "clinic", "ward", "therapist", "physiotherapist", "assessor")
# Ids that name no person and no thing of the house; every other id is drawn anew.
_OPEN_IDS = ("visit", "instrument", "scale", "item", "arm", "session", "digit", "joint", "movement", "stiffness")
DAYS = {"date": "day", "end_date": "end_day", "resolved": "resolved_day"}  # date column -> its name as days
_DEATH = re.compile(r"\b(?:died|death|dead|deceased|fatal)", re.IGNORECASE)
# Grades as trials write them (terms of ICH E2B and common practice); another wording is free text and becomes "other".
GRADES = {
    "severity": ("mild", "moderate", "severe", "life-threatening", "fatal", "1", "2", "3", "4", "5", "grade 1",
                 "grade 2", "grade 3", "grade 4", "grade 5"),
    "related": ("related", "unrelated", "not related", "unlikely", "possible", "possibly", "probable", "probably",
                "definite", "definitely", "certain", "yes", "no", "none", "unknown", "not assessable"),
    "outcome": ("recovered", "resolved", "recovering", "resolving", "not recovered", "not resolved", "ongoing",
                "recovered with sequelae", "resolved with sequelae", "fatal", "died", "death", "unknown"),
    "source": ("log", "device", "therapist", "diary", "app", "clinic", "home", "participant"),
}  # fmt: skip
for _grades in ("related_device", "related_procedure"):
    GRADES[_grades] = GRADES["related"]
_FREE = ("diagnosis", "onset", "reason", "term", *GRADES)  # columns of text that are kept, recoded
OTHER = "other"
_LONGEST_WORD = 40  # characters of a category; longer ones are sentences
SHOWN_DIAGNOSIS = 2  # people who must share a diagnosis as typed for it to stay as typed


@dataclass
class Shared:
    """Tables by name, the codes that were renewed (old -> new, by kind), texts that were recoded, and what was done."""

    tables: dict[str, pd.DataFrame]
    codes: dict[str, dict[str, str]]
    texts: dict[str, str] = field(default_factory=dict)
    done: list[str] = field(default_factory=list)
    own: dict[str, tuple[str, ...]] = field(default_factory=dict)  # table -> columns of the study's own that are kept


def shared_tables(study: Study, seed: str, named: Iterable[str]) -> Shared:
    """Every table of a study as it is shared.

    named: words of study.toml that may name columns of the study's own.
    """
    words = set(named)
    people = study.participants["participant"]
    shared = Shared({}, {"participant": new_codes(seed, "participant", people)})
    raters = {text for name in ("visits", *MEASUREMENTS, "second_ratings") for text in study.table(name)["rater"]}
    shared.codes["rater"] = new_codes(seed, "rater", raters)
    start = _day_zero(study, shared)
    for name, sheet in SHEETS.items():
        frame = study.table(name)
        if name == "items" and len(study.second_ratings):
            frame = pd.concat([frame, study.second_ratings], ignore_index=True)
        if frame.empty:
            continue
        if "participant" not in frame:  # of other trials, as they were published
            apart = ("row", "file", "header", "typed", "code")
            shared.tables[name] = frame[[column for column in frame if column not in apart]]
            continue
        frame = _known_people(frame, name, shared)
        made = _participants(study, frame, shared) if name == "participants" else _plain_columns(frame, name)
        made = made.assign(participant=renewed(frame["participant"], shared.codes["participant"]))
        if "rater" in made:
            made["rater"] = renewed(frame["rater"], shared.codes["rater"])
        for column in [column for column in DAYS if column in made and sheet.column(column)]:
            made[column] = (frame[column] - frame["participant"].map(start)).dt.days
            _told_undated(frame[column], made[column], name, shared)
        _ids(study, frame, made, name, seed, shared)
        made = made.rename(columns=DAYS)
        _words(frame, made, name, study, shared)
        _own_columns(study, frame, made, name, words, seed, start, shared)
        shared.tables[name] = _in_order(made, study, sheet.names, sheet.required)
    return shared


def _known_people(frame: pd.DataFrame, name: str, shared: Shared) -> pd.DataFrame:
    known = frame["participant"].isin([code for code in shared.codes["participant"] if code])
    if "participant" not in SHEETS[name].required:
        known |= frame["participant"] == ""
    if not known.all():
        shared.done.append(f"{name}: {int((~known).sum())} rows of nobody in the participants sheet are left out.")
    return frame[known].reset_index(drop=True)


def _day_zero(study: Study, shared: Shared) -> pd.Series:
    """Date of the baseline visit of each participant; without one, what the first dated visit and the plan make it."""
    planned = {visit.id: visit.day for visit in study.protocol.visits}
    visits = study.visits[study.visits["date"].notna() & study.visits["visit"].isin(planned)]
    if visits.empty:  # no date anywhere: there is none to turn into a day
        people = study.participants["participant"].to_numpy()
        return pd.Series(pd.NaT, index=people, dtype="datetime64[ns]")
    visits = visits.assign(planned=visits["visit"].map(planned)).sort_values("planned", kind="stable")
    first = visits.drop_duplicates("participant")
    baseline = first["visit"] == study.protocol.baseline.id
    away = (first["planned"] - study.protocol.baseline.day).round()
    start = (first["date"] - pd.to_timedelta(away.where(~baseline, 0.0), unit="D")).set_axis(first["participant"])
    if (~baseline).any():
        shared.done.append(
            f"{int((~baseline).sum())} participants have no dated baseline visit: their days are counted from the "
            "planned day of their first dated visit."
        )
    return start


def _ids(study: Study, frame: pd.DataFrame, made: pd.DataFrame, name: str, seed: str, shared: Shared) -> None:
    """Serial numbers and numbers of events, drawn anew: the same in every table that refers to them."""
    for column in SHEETS[name].columns:
        if column.kind != "id" or column.name in ("participant", "rater", *_OPEN_IDS) or column.name not in made:
            continue
        if column.name not in shared.codes:
            tables = [study.table(other) for other, sheet in SHEETS.items() if sheet.column(column.name)]
            texts = {text for table in tables if column.name in table for text in table[column.name].astype("str")}
            shared.codes[column.name] = new_codes(seed, column.name, texts)
        made[column.name] = renewed(frame[column.name].astype("str"), shared.codes[column.name])


def _told_undated(dates: pd.Series, days: pd.Series, name: str, shared: Shared) -> None:
    lost = int((dates.notna() & days.isna()).sum())
    if lost:
        shared.done.append(f"{name}: {lost} dates of people without any dated visit are left out.")


def _plain_columns(frame: pd.DataFrame, name: str) -> pd.DataFrame:
    """The sheet's own columns; a measured value is its number, or the word for why there is none."""
    sheet = SHEETS[name]
    kept = [column for column in sheet.columns if column.name in frame]
    kept = [c for c in kept if c.kind != "text" or c.name in (*_FREE, *sheet.required)]
    made = frame[[column.name for column in kept]].copy()
    if sheet.measure:
        number, code = frame[sheet.measure], frame["code"].astype("str")
        said = code.where(code != NOT_APPLICABLE, _typed_not_applicable(frame))
        made[sheet.measure] = number.astype(object).where(number.notna(), said)
    return made


def _typed_not_applicable(frame: pd.DataFrame) -> pd.Series:
    """A word of the instrument that drops its item is kept as typed: the catalogue knows it, it is no free text."""
    return frame["typed"].astype("str").where(frame["code"] == NOT_APPLICABLE, "")


def _participants(study: Study, frame: pd.DataFrame, shared: Shared) -> pd.DataFrame:
    kept = ["participant", *(["arm"] if "arm" in frame and len(study.protocol.arms) else []), "age", "sex",
            "affected_side", "dominant_side"]  # fmt: skip
    made = frame[kept].copy()
    made["diagnosis"] = _diagnoses(frame["diagnosis"], shared)
    months = with_onset_days(study)
    days = pd.Series(months[ONSET_DAYS].to_numpy(), index=months["participant"]).groupby(level=0).first()
    made["onset"] = frame["participant"].map(days) / DAYS_PER_MONTH
    if dates(frame["onset"])["value"].notna().any():
        shared.done.append("participants: dates of onset became months from onset to the baseline visit.")
    return made


def _diagnoses(typed: pd.Series, shared: Shared) -> pd.Series:
    """As typed where several people share it and it is a short category; else its family, else "other"."""
    counts = typed.map(typed.value_counts())
    short = typed.map(lambda text: _category(text) and not any(sign.isdigit() for sign in text))
    stays = (typed == "") | ((counts >= SHOWN_DIAGNOSIS) & short)
    if not stays.all():
        shared.done.append(
            f"participants: {int((~stays).sum())} diagnoses that fewer than {SHOWN_DIAGNOSIS} people share, or that "
            f'are sentences, became the family of diagnoses they belong to, or "{OTHER}".'
        )
    shared.texts |= {text: _family(text) for text in typed[~stays].unique()}
    return typed.where(stays, typed.map(_family)).astype("str")


def _family(diagnosis: str) -> str:
    families = sorted(families_of(diagnosis), key=len)
    return families[-1] if families else OTHER


def _category(text: str) -> bool:
    return len(text) <= _LONGEST_WORD and not identifies(text)


def _words(frame: pd.DataFrame, made: pd.DataFrame, name: str, study: Study, shared: Shared) -> None:
    """Free text of visits, sessions, adverse events and costs as codes; words that an event of the plan looks for stay,
    and so do what was bought, and its currency, where they are short and lead to nobody."""
    planned = {
        (event.table, event.column): {value.casefold() for value in event.values} for event in study.protocol.events
    }
    for column, kind in (("reason", "reason"), ("term", "event"), ("item", "cost"), ("currency", "currency")):
        known = SHEETS[name].column(column)
        if column in made and known is not None and known.kind == "text":
            typed = frame[column].fillna("").astype("str")
            wanted = planned.get((name, column), set())
            free = [text for text in sorted(typed.unique()) if text and text.casefold() not in wanted]
            free = [text for text in free if name != "costs" or not _category(text)]
            deaths = {text: "died" for text in free if kind == "reason" and _DEATH.search(text)}
            rest = [text for text in free if text not in deaths]
            codes = {text: f"{kind} {number}" for number, text in enumerate(rest, 1)} | deaths
            shared.texts |= codes
            made[column] = typed.map(lambda text, codes=codes: codes.get(text, text)).astype("str")
            if codes:
                shared.done.append(f"{name}: {len(codes)} texts of {column} became codes ({kind} 1, 2, ...).")
    for column, grades in GRADES.items():
        if column in made:
            typed = frame[column].fillna("").astype("str")
            wanted = planned.get((name, column), set())
            known = typed.map(lambda text, also=(*grades, *wanted): text == "" or plain(text) in map(plain, also))
            made[column] = typed.where(known, OTHER).astype("str")
            if not known.all():
                shared.texts |= dict.fromkeys(typed[~known].unique(), OTHER)
                shared.done.append(
                    f'{name}: {int((~known).sum())} cells of {column} in other words than grades became "{OTHER}".'
                )


def _own_columns(
    study: Study,
    frame: pd.DataFrame,
    made: pd.DataFrame,
    name: str,
    words: set[str],
    seed: str,
    start: pd.Series,
    shared: Shared,
) -> None:
    sheet = SHEETS[name]
    apart = (*sheet.names, "row", "file", "header", "typed", "code")
    own = [str(column) for column in frame.columns if column not in apart]
    kept = [column for column in own if column in words or plain(column) in PLACES]
    gone = [column for column in own if column not in kept or names_a_person(column)]
    kept = [column for column in kept if column not in gone]
    for column in kept:
        values = frame[column]
        if pd.api.types.is_numeric_dtype(values):
            made[column] = values
            continue
        texts = values.fillna("").astype("str")
        read = dates(texts)
        if read["value"].notna().any() and (read["how"] != "spreadsheet number").any():
            made[column] = (read["value"] - frame["participant"].map(start)).dt.days
            shared.done.append(f"{name}: dates of {column} became days from baseline.")
        elif plain(column) in PLACES or not texts.map(_category).all():
            kind = plain(column) if plain(column) in PLACES else "level"
            codes = shared.codes.setdefault(column, new_codes(seed, kind, texts))
            made[column] = renewed(texts, codes)
        else:
            made[column] = texts
    shared.own[name] = tuple(kept)
    if gone:
        shared.done.append(f"{name}: columns left out, which study.toml does not name: {', '.join(gone)}.")


def _in_order(made: pd.DataFrame, study: Study, names: tuple[str, ...], needed: tuple[str, ...]) -> pd.DataFrame:
    """Rows by new code, then visit, then what stands in them: nothing is left of the order they were typed in."""
    visits = {visit.id: place for place, visit in enumerate(sorted(study.protocol.visits, key=lambda each: each.day))}
    keys = pd.DataFrame({"participant": made["participant"]})
    if "visit" in made:
        keys["visit"] = made["visit"].map(visits).fillna(len(visits))
    for column in made.columns:
        if column not in keys and column not in ("value", "degrees"):
            numeric = pd.api.types.is_numeric_dtype(made[column])
            keys[column] = made[column].fillna(np.inf) if numeric else made[column].fillna("").astype("str")
    order = keys.sort_values(list(keys.columns), kind="stable").index
    made = made.loc[order].reset_index(drop=True)
    renamed = [DAYS.get(column, column) for column in names]
    first = [column for column in renamed if column in made]
    made = made[[*first, *(column for column in made if column not in first)]]
    blank = {column: (made[column].isna() | (made[column].astype("str") == "")).all() for column in made}
    return made[[column for column in made if column in (*needed, "visit", "arm") or not blank[column]]]
