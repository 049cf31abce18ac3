"""A study as a blinded reader may see it: letters for arms, and nothing that one arm alone has."""

import re
from dataclasses import replace
from pathlib import Path

import pandas as pd

from outcomes.blinding.letters import arm_letters, ranked
from outcomes.blinding.telling_texts import columns_in_use, without_telling_texts, words_of_arms
from outcomes.device_sheets import DEVICE_TABLES
from outcomes.findings import Findings
from outcomes.lock.departures import PlanDeparture
from outcomes.protocol.trial import Arm, Period, Protocol
from outcomes.sheets import MEASUREMENTS, SHEETS, empty
from outcomes.study import Study

HIDDEN = "hidden while blinded"
NO_ARM = "no arm of study.toml"
ONE_SIDED = ("sessions", "adverse_events", "costs", *DEVICE_TABLES)  # what a participant got, whatever they hold
FREE_MEASURES = ("recruitment", "retention", "completeness", "other")  # criteria that no hidden sheet answers


def mask(study: Study, folder: Path) -> Study:
    """The study with letters for arms; `hidden` of the result says what was left out, in words.

    The first letter takes the place of the reference arm. Rows are left out of the tables, never changed in a file:
    sessions and adverse events, reasons of missed visits, and what was measured in one arm only. Criteria about one
    arm, adherence or safety go with them.
    """
    letters = arm_letters(folder, study.protocol)
    hidden = ["The arms stand as letters; the first letter takes the place of the reference arm."]
    participants = study.participants.copy()
    if "arm" in participants:
        typed = participants["arm"].astype(str)
        otherwise = typed.where(typed == "", NO_ARM)
        participants["arm"] = typed.map(letters).where(typed.isin(letters), otherwise).astype("str")
    tables, told = _in_every_arm(study, participants, set(letters.values()))
    hidden += told
    for name in ONE_SIDED:
        if len(study.table(name)):
            hidden.append(f"Left out: the sheet {name} ({len(study.table(name))} rows).")
    visits = study.visits
    if "reason" in visits and (visits["reason"] != "").any():
        told_reason = visits["reason"].where(visits["reason"] == "", HIDDEN)
        visits = visits.assign(reason=told_reason.astype("str"))
        hidden.append("Left out: the reasons of missed visits and withdrawals, which are free text.")
    tables |= {name: empty(SHEETS[name]) for name in ONE_SIDED}
    series, told = _recordings(study, participants, set(letters.values()))
    hidden += told
    protocol, told = _protocol(study, letters, folder, tables)
    masked = replace(
        study,
        protocol=protocol,
        participants=participants,
        visits=visits,
        **tables,
        **series,
        hidden_rows={name: len(study.table(name)) - len(frame) for name, frame in tables.items()},
        findings=hidden_findings(study),
        departures=tuple(_departure(each, letters) for each in study.departures),
        masked=True,
    )
    words = words_of_arms(study)
    masked, unsaid = without_telling_texts(masked, words, columns_in_use(study.protocol))
    return replace(masked, hidden=tuple(words.name(line) for line in (*hidden, *told, *unsaid)))


def _in_every_arm(
    study: Study, participants: pd.DataFrame, letters: set[str]
) -> tuple[dict[str, pd.DataFrame], list[str]]:
    """The sheets of measurements without what was measured in some arms only; the primary outcome stays."""
    tables = {name: study.table(name) for name in MEASUREMENTS}
    if "arm" not in participants:
        return tables, []
    arms = participants.drop_duplicates("participant").set_index("participant")["arm"]
    arms = arms[arms.isin(letters)]
    measured = {arm for frame in tables.values() for arm in arms.reindex(frame["participant"].unique()).dropna()}
    primary = study.protocol.primary.partition(".")[0]
    elsewhere = any(_rows_of(frame, primary) for frame in tables.values())
    told: list[str] = []
    for name, frame in tables.items():
        if len(measured) > 1 and len(frame):
            main = primary if "instrument" in frame or not elsewhere else ""
            tables[name], lines = _shared(frame, arms, measured, main)
            told += lines
    return tables, told


def _recordings(
    study: Study, participants: pd.DataFrame, letters: set[str]
) -> tuple[dict[str, pd.DataFrame], list[str]]:
    """Recordings and their measures without what was recorded in some arms only; the primary outcome's values stay."""
    if "arm" not in participants or study.series.empty:
        return {}, []
    arms = participants.drop_duplicates("participant").set_index("participant")["arm"]
    arms = arms[arms.isin(letters)]
    kept, told = {}, []
    for name, kinds in (("series", ["quantity", "digit", "joint", "motion"]), ("series_values", ["outcome", "motion"])):
        frame = study.table(name)
        own = frame["participant"].map(arms)
        shown = pd.Series(True, index=frame.index)
        for kind, part in frame.groupby(kinds, sort=False):
            main = name == "series_values" and kind == (study.protocol.primary, "active")
            if not main and set(own[part.index].dropna()) < set(own.dropna()):
                shown[part.index] = False
                words = ", ".join(str(word) for word in kind if word)
                told.append(f"Left out: {words}, recorded in some arms only ({len(part)} recordings).")
        kept[name] = frame[shown]
    return kept, told


def _shared(frame: pd.DataFrame, arms: pd.Series, measured: set[str], primary: str) -> tuple[pd.DataFrame, list[str]]:
    kinds = [name for name in ("instrument", "condition", "mode") if name in frame]  # of angles: the mode alone
    own = frame["participant"].map(arms)
    told, kept = [], pd.Series(True, index=frame.index)
    for kind, part in frame.groupby(kinds, sort=False, observed=True, dropna=False):
        facts, rows = dict(zip(kinds, kind, strict=True)), part.index
        # Angles name no instrument: they stay where the primary outcome is in no other sheet.
        main = (facts.get("instrument", primary) == primary != "") and facts.get(
            "condition", "unassisted"
        ) == "unassisted"
        if main or set(own[rows].dropna()) >= measured:
            continue
        kept[rows] = False
        told.append(f"Left out: {', '.join(map(str, kind))}, measured in some arms only ({len(rows)} rows).")
    return frame[kept], told


def _protocol(
    study: Study, letters: dict[str, str], folder: Path, tables: dict[str, pd.DataFrame]
) -> tuple[Protocol, list[str]]:
    protocol, told = study.protocol, []
    arms = [Arm(letter, f"Arm {letter}", place == 0) for place, letter in enumerate(sorted(letters.values()))]
    given = {name for period in protocol.periods for name in period.treatments.values()}
    names = {name: f"treatment {n}" for n, name in enumerate(ranked(folder, protocol, given, "treatment"), 1)}
    periods = tuple(
        Period(one.id, one.start, one.end, {letters[arm]: names[what] for arm, what in one.treatments.items()})
        for one in protocol.periods
    )
    criteria = tuple(
        each for each in protocol.criteria if "arm" not in each and each.get("measure", "other") in FREE_MEASURES
    )
    if len(criteria) < len(protocol.criteria):
        gone = len(protocol.criteria) - len(criteria)
        told.append(f"Left out: progression criteria about one arm, adherence or safety ({gone}).")
    outcomes = tuple(outcome for outcome in protocol.outcomes if _still_measured(outcome, study, tables))
    return replace(protocol, arms=tuple(arms), periods=periods, criteria=criteria, outcomes=outcomes), told


def _still_measured(outcome: str, study: Study, tables: dict[str, pd.DataFrame]) -> bool:
    """Whether an outcome has as many rows of its instrument as it had, or some; the primary outcome always stays."""
    name = outcome.partition(".")[0]
    had = sum(_rows_of(study.table(table), name) for table in MEASUREMENTS)
    return outcome == study.protocol.primary or not had or sum(_rows_of(frame, name) for frame in tables.values()) > 0


def _rows_of(frame: pd.DataFrame, instrument: str) -> int:
    return int((frame["instrument"] == instrument).sum()) if "instrument" in frame else 0


def hidden_findings(study: Study) -> Findings:
    """The findings without those of hidden sheets, and without what was typed as an arm or a reason."""
    frame = study.findings.frame()
    sheets = [file for file in (study.files.get(name, "") for name in ONE_SIDED) if file]
    shared = {file for name, file in study.files.items() if name not in ONE_SIDED}
    frame = frame[~frame["file"].isin(set(sheets) - shared)]
    own = {study.header("participants", "arm"), "arm"}
    typed = (frame["file"] == study.files.get("participants", "")) & frame["column"].isin(own)
    typed |= frame["column"].isin({study.header("visits", "reason"), "reason"})
    typed |= frame["file"].isin(sheets)
    for column in ("found", "allowed"):
        frame[column] = frame[column].where(~typed, HIDDEN)
    for column in ("participant", "visit"):
        frame[column] = frame[column].where(~typed, "")
    return Findings([frame])


def _departure(each: PlanDeparture, letters: dict[str, str]) -> PlanDeparture:
    """A departure without ids of arms: which arm is the reference, or got what in a period, would tell them apart."""
    top = each.key.partition(".")[0]
    if top in ("arms", "periods"):
        return replace(each, key=top, locked=HIDDEN, now=HIDDEN)
    named = re.compile("|".join(rf"(?<![\w-]){re.escape(arm)}(?![\w-])" for arm in letters))
    if named.search(f"{each.key} {each.locked} {each.now}"):
        return replace(each, key=named.sub(HIDDEN, each.key), locked=HIDDEN, now=HIDDEN)
    return each
