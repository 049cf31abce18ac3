"""Direct identifiers that the checks find, masked before anything is shown: no notebook, table or record has them.

Found by header and by what a cell holds (`outcomes.checks.people.identifiers`). What the patterns do not know stays.
"""

import re
from dataclasses import replace

import pandas as pd

from outcomes.blinding.telling_texts import columns_in_use, hidden_in
from outcomes.checks.people.identifiers import identifies, names_a_person, old_dates
from outcomes.findings import Findings
from outcomes.sheets import SHEETS
from outcomes.study import Study

MASKED = "[masked]"
NO_COPY = """Direct identifiers were found in the study's files, so no copy of them is kept here; record.json holds
their hashes. Take the identifiers out of the study, or say [privacy] identifiers = true in study.toml, and a new report
holds a copy of the data. 'outcomes rerun' needs the study folder: outcomes rerun DIR --study FOLDER.
"""
_APART = ("row", "file", "header", "code")


class _Texts:
    """What `hidden_in` asks of words: prose that could lead to one person is masked as a whole."""

    def prose(self, text: str) -> str:
        return MASKED if identifies(text) else text

    def name(self, text: str) -> str:
        return text


def masked_identifiers(study: Study) -> Study:
    """The study without identifiers; `identifiers` of the result says what was masked. The study itself where none is.

    Columns whose header names a person go; cells that hold an address, a number or a name are masked as a whole;
    participants whose code is one get a number.
    """
    told: list[str] = []
    used = columns_in_use(study.protocol)
    first = study.visits["date"].min()
    tables: dict[str, pd.DataFrame] = {}
    secrets: set[str] = set()
    for name in (*SHEETS, "second_ratings"):
        frame = study.table(name)
        known = SHEETS["items" if name == "second_ratings" else name].names
        for column in list(frame.columns):
            if column in _APART or not pd.api.types.is_string_dtype(frame[column]) or frame.empty:
                continue
            own = column not in (*known, "typed")
            if own and names_a_person(str(column)) and column not in used:
                secrets |= {text for text in frame[column].unique() if len(text) > 2}
                frame = frame.drop(columns=column)
                told.append(f"Masked: the column {column} of {name}.")
                continue
            if column == "participant":
                continue
            telling = {text for text in frame[column].unique() if identifies(text)}
            if own:
                telling |= set(old_dates(frame[column], first))
            if telling:
                secrets |= telling
                frame = frame.assign(**{column: frame[column].mask(frame[column].isin(telling), MASKED).astype("str")})
                told.append(f"Masked: {len(telling)} texts in the column {column} of {name}.")
        tables[name] = frame
    codes = sorted({code for code in study.participants["participant"] if identifies(code)})
    renamed = {code: f"masked {number:02}" for number, code in enumerate(codes, 1)}
    if renamed:
        told.append(f"Masked: the codes of {len(renamed)} participants.")
        tables |= {name: _renamed(frame, renamed) for name, frame in tables.items()}
    texts: dict[str, str] = {**dict.fromkeys(secrets, MASKED), **renamed}
    protocol = replace(hidden_in(study.protocol, _Texts(), ""), title=study.protocol.title)
    if not told and protocol == study.protocol:
        return study
    return replace(
        study,
        **tables,
        series=_renamed(study.series, renamed),
        series_values=_renamed(study.series_values, renamed),
        protocol=protocol,
        findings=without_texts(study.findings, texts),
        identifiers=tuple(told) or ("Masked: texts of study.toml.",),
        masked_texts=texts,
    )


def _renamed(frame: pd.DataFrame, codes: dict[str, str]) -> pd.DataFrame:
    if not codes or frame.empty or "participant" not in frame:
        return frame
    return frame.assign(participant=frame["participant"].map(lambda code: codes.get(code, code)).astype("str"))


def without_texts(findings: Findings, texts: dict[str, str]) -> Findings:
    """Findings in which the texts are masked."""
    if not texts:
        return findings
    pattern = re.compile("|".join(re.escape(text) for text in sorted(texts, key=len, reverse=True)))
    frame = findings.frame()
    for column in ("found", "allowed", "advice", "participant"):
        frame[column] = frame[column].map(lambda text: pattern.sub(lambda match: texts[match[0]], text)).astype("str")
    return Findings([frame])
