"""Every kind of finding is shown by one damage to the good study, at the right place; no rule is without its damage.

The expected rule, file, row and column are stated by hand from the damage, not read back from the program.
"""

import io
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest

from outcomes import check, instrument, lock_plan, read_study
from outcomes.blinding.letters import draw_letters
from outcomes.findings import SEVERITIES, rules
from outcomes.protocol.study_toml import read_protocol


@dataclass(frozen=True)
class Damage:
    """What is done to the good study, and the finding that must follow. `row` and `column` None: not looked at."""

    rule: str
    harm: Callable
    file: str = ""
    row: int | None = None
    column: str | None = None
    found: str = ""

    def at(self, column: str) -> "Damage":
        """The same damage, its finding at another column than the changed one."""
        return replace(self, column=column)


def cell(rule: str, file: str, row: int, column: str, value: str, found: str = "") -> Damage:
    """One cell changed; the finding is at that cell."""
    name = file + ".csv"
    return Damage(rule, lambda draft: draft.set(file, row, column, value), name, row, column, found or value)


def _write(name: str, content: str | bytes, without: str = "") -> Callable:
    def harm(draft):
        if without:
            del draft.tables[without]
        draft.raw[name] = content.encode() if isinstance(content, str) else content
        return draft

    return harm


def _as_text(draft, table: str) -> str:
    return draft.tables[table].to_csv(index=False)


def _in_windows_encoding(draft):
    draft.set("participants", 2, "diagnosis", "apoplexie, gelähmt")
    draft.raw["participants.csv"] = _as_text(draft, "participants").encode("cp1252")
    return draft


def _with_semicolons(draft):
    draft.raw["totals.csv"] = draft.tables["totals"].to_csv(index=False, sep=";").encode()
    return draft


def _longer_row(draft):
    lines = _as_text(draft, "totals").splitlines()
    lines[4] += ",extra,cells"
    draft.raw["totals.csv"] = "\n".join(lines).encode()
    return draft


def _shorter_row(draft):
    lines = _as_text(draft, "totals").splitlines()
    lines[4] = lines[4].rpartition(",")[0]
    draft.raw["totals.csv"] = "\n".join(lines).encode()
    return draft


def _stray_mark(draft):
    lines = _as_text(draft, "totals").splitlines()
    lines[4] = '"' + lines[4]
    draft.raw["totals.csv"] = "\n".join(lines).encode()
    return draft


def _text_behind_a_mark(draft):
    lines = _as_text(draft, "visits").splitlines()
    lines[4] = lines[4].rpartition(",")[0] + ',"R"1'
    draft.raw["visits.csv"] = "\n".join(lines).encode()
    return draft


def _unreadable_byte(draft):
    draft.set("participants", 2, "diagnosis", "gelähmt?")
    draft.raw["participants.csv"] = _as_text(draft, "participants").encode("cp1252").replace(b"?", b"\x81")
    return draft


def _as_workbook(draft, change) -> None:
    book = openpyxl.Workbook()
    frame = draft.tables.pop("totals")
    for row in [list(frame.columns), *frame.to_numpy().tolist()]:
        book.active.append(row)
    change(book)
    content = io.BytesIO()
    book.save(content)
    draft.raw["totals.xlsx"] = content.getvalue()


def _formula(draft):
    column = list(draft.tables["totals"].columns).index("value") + 1
    _as_workbook(draft, lambda book: book.active.cell(2, column, "=10+10"))
    return draft


def _spare_sheet(draft):
    _as_workbook(draft, lambda book: book.create_sheet("Remarks"))
    return draft


def _blank_row(draft):
    lines = _as_text(draft, "totals").splitlines()
    lines.insert(4, "," * lines[0].count(","))
    draft.raw["totals.csv"] = "\n".join(lines).encode()
    return draft


def _title_above(draft):
    draft.raw["totals.csv"] = ("Export of the totals\n\n" + _as_text(draft, "totals")).encode()
    return draft


def _renamed(table: str, old: str, new: str) -> Callable:
    def harm(draft):
        draft.tables[table] = draft.tables[table].rename(columns={old: new})
        return draft

    return harm


def _second_value_column(draft):
    frame = draft.tables["totals"]
    draft.raw["totals.csv"] = (
        frame.assign(again=frame["value"]).rename(columns={"again": "value"}).to_csv(index=False).encode()
    )
    return draft


def _dates(change: Callable[[pd.Timestamp], str]) -> Callable:
    def harm(draft):
        frame = draft.tables["visits"]
        frame["date"] = pd.to_datetime(frame["date"]).map(change)
        return draft

    return harm


def _mixed_order(draft):
    draft.set("visits", 2, "date", "25/03/2025")
    return draft.set("visits", 3, "date", "03/25/2025")


def _copy_of_totals(draft):
    draft.raw["totals.tsv"] = draft.tables["totals"].to_csv(index=False, sep="\t").encode()
    return draft


def _second_rater(draft):
    for row in draft.where("items", participant="P01", visit="base", instrument="arat"):
        draft.repeat("items", row, rater="R2")
    return draft


def _scored_raters(draft):
    _second_rater(draft)
    last = len(draft.tables["items"]) + 1
    draft.set("items", last, "value", "1")
    return draft.replace("seed = 1", 'seed = 1\nscored_raters = ["R1"]')


def _one_person_arm(draft):
    for person in ("P02", "P04", "P06"):
        draft.change("participants", "arm", "practice", participant=person)
    return draft


def _all_forces(unit: str, factor: float, **facts: str) -> Callable:
    def harm(draft):
        for row in draft.where("trials", **facts):
            value = float(draft.tables["trials"].loc[row - 2, "value"]) * factor
            draft.set("trials", row, "value", f"{value:.1f}").set("trials", row, "unit", unit)
        return draft

    return harm


def _bbt(person: str, visit: str) -> dict[str, str]:
    return {"participant": person, "visit": visit, "instrument": "bbt"}


def _fma(person: str, visit: str, item: str) -> dict[str, str]:
    return {"participant": person, "visit": visit, "instrument": "fma_ue", "item": item}


def _usability(answers: list[str], **cells: str) -> Callable:
    def harm(draft):
        for number, answer in enumerate(answers, 1):
            who = {"participant": "P01", "visit": "w8", "instrument": "sus"} | cells
            draft.append("items", **who, item=f"q{number}", value=answer)
        return draft

    return harm


def _locked(then: Callable) -> Callable:
    """The plan locked, and after that something done to the folder."""

    def harm(draft):
        with tempfile.TemporaryDirectory() as scratch:
            lock_plan(draft.write(Path(scratch) / "study"))
            draft.raw["study.lock.json"] = (Path(scratch) / "study" / "study.lock.json").read_bytes()
        return then(draft)

    return harm


def _blinded(draft):
    draft.toml = f"blinded = true\n{draft.toml}"
    with tempfile.TemporaryDirectory() as scratch:
        folder = draft.write(Path(scratch) / "study")
        draw_letters(folder, read_protocol(folder / "study.toml"))
        draft.raw["study.blinding.json"] = (folder / "study.blinding.json").read_bytes()
    return draft


def _edited_lock(draft):
    draft.raw["study.lock.json"] = draft.raw["study.lock.json"].replace(b"0.95", b"0.90", 1)
    return draft


def _other_people(draft):
    for table in draft.tables.values():
        table["participant"] = "X" + table["participant"]
    return draft


def _without(draft, person: str):
    for name in draft.tables:
        draft.drop(name, participant=person)
    return draft


def _useless_departure(draft):
    draft.toml += '\n[[departures]]\nkey = "model.df"\nreason = "none needed"\n'
    return draft


RECORDED = """
[series]
{series}
[[series_outcomes]]
id = "index.range"
measure = "range"
better = "higher"
digit = "index"
joint = "pip"

[[series_outcomes]]
id = "index.velocity"
measure = "peak-velocity"
cutoff_hz = {cutoff}
better = "higher"
digit = "index"
joint = "pip"
"""


def _recorded(change: Callable[[pd.DataFrame], object], series: str = "", taken: str = RECORDED) -> Callable:
    """Two recordings of the index finger of P01 and one of P02; `change` works on the frame, in place or by return."""

    def harm(draft):
        time = np.arange(0, 4, 0.01)
        parts = [
            pd.DataFrame({
                "participant": person, "visit": "base", "hand": hand, "digit": "index", "joint": "pip", "time": time,
                "degrees": 40 + 30 * np.sin(np.pi * time),
            })
            for person, hand in (("P01", "left"), ("P01", "right"), ("P02", "left"))
        ]  # fmt: skip
        frame = pd.concat(parts, ignore_index=True)
        changed = change(frame)
        text = (frame if changed is None else changed).to_csv(index=False)
        draft.raw["series/all.csv"] = text.encode()
        draft.toml += taken.format(series=series, cutoff=6)
        return draft

    return harm


def _put(rows: slice, column: str, value: object) -> Callable[[pd.DataFrame], object]:
    """Rows of the recordings get another value."""

    def change(frame):
        if isinstance(value, str):
            frame[column] = frame[column].astype(object)
        frame.loc[frame.index[rows], column] = value

    return change


def _copied_form(draft):
    for person, visit in (("P01", "w4"), ("P01", "w8"), ("P02", "w4")):
        for number in range(1, 12):
            answer = str(number % 5 + 1) if person == "P01" else str((number + 2) % 4 + 1)
            draft.append(
                "items", participant=person, visit=visit, instrument="quickdash", item=f"q{number}", value=answer
            )
    return draft


def _michigan(draft, person: str, **answers: str):
    """One form of P01 at week 8, every section with one answer throughout."""
    for item in instrument("mhq").items:
        value = answers[item.id.split("_")[0]]
        draft.append("items", participant=person, visit="w8", instrument="mhq", side="left", item=item.id, value=value)
    return draft


def _usability_item_turned(draft):
    """Eight people from discontent to content; item 2, worded the other way round, typed as if it were not."""
    for person in range(1, 9):
        content = (person + 1) // 2
        for number in range(1, 11):
            answer = content if number % 2 or number == 2 else 6 - content
            draft.append("items", participant=f"P{person:02d}", visit="w8", instrument="sus", item=f"q{number}",
                         value=str(answer))  # fmt: skip
    return draft


def _mistyped_word(draft):
    for person, word in (("P03", "possible"), ("P04", "possible"), ("P05", "possible"), ("P06", "possbly")):
        draft.repeat("adverse_events", 2, participant=person, related=word)
    return draft


def _no_reflexes(draft):
    for row in draft.where("items", participant="P01", visit="base", instrument="fma_ue"):
        item = draft.tables["items"].loc[row - 2, "item"]
        if item.startswith(("a1_", "a2_", "a3_")):
            draft.set("items", row, "value", "0" if item.startswith("a1_") else "2")
    return draft


def _many_sessions(draft):
    """One session a day on three more days for everyone, then one day typed twice."""
    for number, day in enumerate(("2025-03-11", "2025-03-12", "2025-03-13"), 2):
        for row in range(2, 10):
            draft.repeat("sessions", row, session=str(number), date=day)
    return draft.repeat("sessions", 10, session="9")


def _quiet_arm(draft):
    """Sessions of the usual arm taken out, but for one participant of eight."""
    for number in range(9, 19, 2):
        draft.repeat("participants", 2, participant=f"P{number:02d}", age=str(40 + number))
    for person in ("P02", "P04", "P06", "P08"):
        draft.change("participants", "arm", "practice", participant=person)
    for number in (*range(1, 8, 2), *range(9, 19, 2)):
        draft.change("participants", "arm", "usual", participant=f"P{number:02d}")
    for person in ("P03", "P05", "P07"):
        draft.drop("sessions", participant=person)
    return draft


DAMAGES = [
    # reading files
    Damage("encoding converted", _in_windows_encoding, "participants.csv"),
    Damage("semicolons between cells", _with_semicolons, "totals.csv"),
    Damage("too many cells in a row", _longer_row, "totals.csv", 5),
    Damage("too few cells in a row", _shorter_row, "totals.csv", 5, None, "5 cells"),
    Damage("quotation mark never closed", _stray_mark, "totals.csv", 5),
    Damage("quotation mark inside a cell", _text_behind_a_mark, "visits.csv", 5),
    Damage("line break in a cell", lambda draft: draft.set("visits", 5, "reason", "tired\nhome"), "visits.csv", 5),
    Damage("characters unreadable", _unreadable_byte, "participants.csv", None, None, "1 replaced"),
    Damage("formula without a result", _formula, "totals.xlsx", 2, "column F"),
    Damage("sheet not read", _spare_sheet, "totals.xlsx", None, None, "Remarks"),
    Damage("empty file", _write("sessions.csv", "", "sessions"), "sessions.csv"),
    Damage("blank row", _blank_row, "totals.csv", 5),
    Damage("table without rows", _write("adverse_events.csv", "participant,date,event\n"), "adverse_events.csv"),
    Damage("file not read", _write("notes.csv", "a,b\n1,2\n"), "notes.csv"),
    Damage(
        "declared file missing",
        lambda draft: draft.replace(
            "[model]", '[[wide]]\nfile = "later.csv"\ntable = "totals"\nprefix = "s"\n\n[model]'
        ),
        "study.toml",
        None,
        "wide",
        "later.csv",
    ),
    Damage("table in two files", _copy_of_totals, "totals.csv", None, None, "totals.csv, totals.tsv"),
    # reading headers
    Damage("header below row 1", _title_above, "totals.csv"),
    Damage("header read as", _renamed("totals", "participant", "Patient ID"), "totals.csv", None, "Patient ID"),
    Damage("header twice", _second_value_column, "totals.csv", None, "value"),
    Damage(
        "mapped header missing",
        lambda draft: draft.replace("[model]", '[columns.totals]\nvalue = "Punkte"\n\n[model]'),
        "totals.csv",
        None,
        "value",
    ),
    Damage("missing column", _renamed("totals", "value", "remarks"), "totals.csv", None, "value"),
    # reading cells
    cell("decimal comma read", "trials", 2, "value", "12,5"),
    cell("thousands comma read", "sessions", 2, "repetitions", "1,210.5"),
    cell("comma ambiguous", "sessions", 2, "repetitions", "1,210"),
    Damage(
        "decimal marks mixed",
        lambda draft: draft.set("trials", 2, "value", "12,5").set("trials", 3, "value", "12.5"),
        "trials.csv",
        3,
        "value",
        "12.5",
    ),
    cell("number in other signs", "totals", 2, "value", "２２"),
    cell("unseen sign in a number", "totals", 2, "value", "2\u200b2"),
    cell("unseen sign", "totals", 2, "participant", "P\u200b01", found="P01"),
    cell("two-digit year read", "adverse_events", 2, "date", "14/3/25"),
    cell("time of day left out", "adverse_events", 2, "date", "2025-03-12T10:30"),
    cell("word read as missing", "totals", 2, "value", "n/a"),
    cell("blank value", "totals", 2, "value", "", found=""),
    cell("text in a number", "totals", 2, "value", "about 20"),
    Damage(
        "unable is no answer here",
        lambda draft: draft.append(
            "items", participant="P01", visit="w8", instrument="quickdash", item="q9", value="unable"
        ),
        "items.csv",
        None,
        "value",
        "quickdash item q9: unable",
    ),
    Damage(
        "profile as an outcome",
        lambda draft: draft.replace('"comfort.total"]', '"comfort.total", "eq5d5l.profile"]'),
        "study.toml",
        None,
        "outcomes",
        "eq5d5l.profile",
    ),
    Damage(
        "not a whole number",
        lambda draft: draft.append(
            "items", participant="P01", visit="w8", instrument="bbt", side="right", item="blocks", value="12.5"
        ),
        "items.csv",
        None,
        "value",
        "bbt item blocks: 12.5",
    ),
    Damage("date read day first", _dates(lambda date: f"{date:%d.%m.%Y}"), "visits.csv", 2, "date", "03.03.2025"),
    Damage("date read month first", _dates(lambda date: f"{date:%m/%d/%Y}"), "visits.csv", 2, "date", "03/03/2025"),
    Damage(
        "date order assumed",
        lambda draft: draft.set("adverse_events", 2, "date", "04/03/2025"),
        "adverse_events.csv",
        2,
        "date",
    ),
    cell("date from a spreadsheet number", "adverse_events", 2, "date", "45728"),
    Damage("date order mixed", _mixed_order, "visits.csv", 2, "date", "25/03/2025"),
    cell("not a date", "visits", 2, "date", "31.02.2025"),
    cell("word not allowed", "visits", 2, "status", "perhaps"),
    cell("visit read as", "totals", 2, "visit", "baseline"),
    cell("arm read as", "participants", 2, "arm", "Usual care"),
    cell("instrument read as", "totals", 2, "instrument", "BBT"),
    cell("item read as", "items", 2, "item", "A1 reflex flexors"),
    cell("side read as", "totals", 2, "side", "affected"),
    cell("side assumed", "totals", 2, "side", "", found="blank"),
    Damage(
        "affected side unknown",
        lambda draft: draft.set("participants", 2, "affected_side", "").set("totals", 2, "side", "affected"),
        "totals.csv",
        2,
        "side",
        "affected",
    ),
    Damage(
        "side unknown",
        lambda draft: draft.set("participants", 2, "affected_side", "both").set("totals", 2, "side", ""),
        "totals.csv",
        2,
        "side",
        "blank",
    ),
    Damage("second rating", _scored_raters, "items.csv", None, "rater", "R2"),
    # participants, arms, visits
    cell("participant code like a formula", "totals", 2, "participant", "=P01"),
    cell("participant blank", "totals", 2, "participant", "", found=""),
    Damage(
        "duplicate participant",
        lambda draft: draft.repeat("participants", 2),
        "participants.csv",
        10,
        "participant",
        "P01",
    ),
    Damage(
        "participant codes alike",
        lambda draft: draft.repeat("participants", 2, participant="p-1"),
        "participants.csv",
        10,
        "participant",
        "p-1 and P01",
    ),
    cell("unknown participant", "totals", 2, "participant", "P77"),
    cell("unknown arm", "participants", 2, "arm", "device"),
    Damage(
        "arm with too few participants", _one_person_arm, "participants.csv", None, "arm", "1 participant in arm usual"
    ),
    cell("age implausible", "participants", 2, "age", "500"),
    cell("onset unreadable", "participants", 2, "onset", "last spring"),
    Damage(
        "participant without measurements",
        lambda draft: draft.repeat("participants", 2, participant="P09"),
        "participants.csv",
        10,
        "participant",
    ),
    cell("covariate missing", "participants", 2, "age", "", found=""),
    cell("unknown visit", "totals", 2, "visit", "w12"),
    Damage("duplicate visit", lambda draft: draft.repeat("visits", 2), "visits.csv", 26, "visit", "base"),
    cell("visit outside its window", "visits", 3, "date", "2025-04-10", found="day 38 (2025-04-10)"),
    cell("visits out of order", "visits", 4, "date", "2025-03-28", found="2025-03-28"),
    cell("two visits on one day", "visits", 4, "date", "2025-03-31", found="2025-03-31"),
    cell("date implausible", "visits", 2, "date", "0205-03-03", found="0205-03-03"),
    Damage(
        "date before onset", lambda draft: draft.set("participants", 2, "onset", "2025-03-20"), "visits.csv", 2, "date"
    ),
    cell("measured at a missed visit", "visits", 3, "status", "missed"),
    Damage(
        "attended without measurements",
        lambda draft: (
            [draft.drop(name, participant="P01", visit="w8") for name in ("items", "totals", "trials", "angles")]
            and draft
        ),
        "visits.csv",
        4,
        "status",
    ),
    Damage(
        "missed without a reason", lambda draft: draft.set("visits", 4, "status", "missed"), "visits.csv", 4, "reason"
    ),
    Damage(
        "visit after withdrawal", lambda draft: draft.set("visits", 3, "status", "withdrawn"), "visits.csv", 4, "status"
    ),
    # direct identifiers
    Damage(
        "header of a direct identifier",
        _renamed("participants", "diagnosis", "Surname"),
        "participants.csv",
        None,
        "Surname",
    ),
    Damage(
        "cell with a direct identifier",
        lambda draft: draft.set("visits", 2, "reason", "ask someone@example.org"),
        "visits.csv",
        2,
        "reason",
    ),
    # study.toml against the data
    Damage(
        "cannot be scored",
        lambda draft: draft.replace("ceiling_s = 120", "").change(
            "items", "value", "unable", participant="P01", visit="base", instrument="nhpt", item="time"
        ),
        "study.toml",
    ),
    Damage(
        "unknown outcome",
        lambda draft: draft.replace('"arat.total"', '"arat.sum"'),
        "study.toml",
        None,
        "outcomes",
        "arat.sum",
    ),
    Damage(
        "outcome without data",
        lambda draft: draft.replace('"grip.force"', '"pinch_tip.force"'),
        "study.toml",
        None,
        "outcomes",
        "pinch_tip.force",
    ),
    Damage(
        "no baseline",
        lambda draft: draft.drop("items", participant="P01", visit="base"),
        "participants.csv",
        2,
        "participant",
    ),
    Damage(
        "nothing after baseline",
        lambda draft: draft.drop("items", participant="P01", visit="w4").drop("items", participant="P01", visit="w8"),
        "participants.csv",
        2,
        "participant",
    ),
    Damage(
        "unknown threshold",
        lambda draft: draft.replace("bbt-chen-2009-more-affected", "bbt-nobody"),
        "study.toml",
        None,
        "thresholds",
        "bbt-nobody",
    ),
    Damage(
        "threshold of another outcome",
        lambda draft: draft.replace("bbt-chen-2009-more-affected", "nhpt-time-chen-2009-more-affected"),
        "study.toml",
        None,
        "thresholds",
    ),
    Damage(
        "unknown covariate",
        lambda draft: draft.replace('["age"]', '["height"]'),
        "study.toml",
        None,
        "covariates",
        "height",
    ),
    Damage(
        "no primary visit",
        lambda draft: draft.replace('visit = "w8"', ""),
        "study.toml",
        None,
        "estimand.visit",
        "none",
    ),
    Damage(
        "primary visit unlike its words",
        lambda draft: draft.replace("at week 8", "at week 4"),
        "study.toml",
        None,
        "estimand.visit",
        "w8",
    ),
    Damage(
        "randomisation not stated",
        lambda draft: draft.replace("randomised = true", ""),
        "study.toml",
        None,
        "randomisation.randomised",
        "not stated",
    ),
    Damage(
        "unknown stratum",
        lambda draft: draft.replace("randomised = true", 'randomised = true\nstrata = ["clinic"]'),
        "study.toml",
        None,
        "randomisation.strata",
        "clinic",
    ),
    Damage(
        "unknown instrument in study.toml",
        lambda draft: draft.replace("[instruments.nhpt]", "[instruments.peg]"),
        "study.toml",
        None,
        "instruments",
        "peg",
    ),
    Damage(
        "measure named like an instrument",
        lambda draft: draft.replace("[model]", '[measures."bbt.blocks"]\nbetter = "higher"\n\n[model]'),
        "study.toml",
        None,
        "measures",
        "bbt.blocks",
    ),
    # single measurements
    cell("unknown instrument", "totals", 2, "instrument", "boxes"),
    cell("unknown item", "items", 2, "item", "a9_elbow", found="fma_ue a9_elbow"),
    cell("unknown scale", "totals", 2, "scale", "cubes"),
    cell("above maximum", "totals", 2, "value", "151", found="bbt 151"),
    cell("below minimum", "totals", 2, "value", "-1", found="bbt -1"),
    cell("between levels", "items", 4, "value", "1.5", found="fma_ue item a2_shoulder_retraction: 1.5"),
    cell("number for a missing value", "items", 4, "value", "99", found="fma_ue item a2_shoulder_retraction: 99"),
    cell("total between steps", "totals", 2, "value", "20.5", found="bbt 20.5"),
    Damage(
        "duplicate row",
        lambda draft: draft.repeat("totals", 2),
        "totals.csv",
        50,
        "value",
        "bbt blocks left unassisted: 20",
    ),
    Damage(
        "entered twice differently",
        lambda draft: draft.repeat("totals", 2, value="25"),
        "totals.csv",
        50,
        "value",
        "bbt blocks left unassisted: 25",
    ),
    Damage("two raters", _second_rater, "items.csv", None, "value"),
    Damage("raters disagree", _scored_raters, "items.csv", None, "value", "arat item gross_hand_to_mouth: 1"),
    # whole administrations
    Damage("incomplete", lambda draft: draft.drop("items", **_fma("P01", "w4", "b_wrist_circumduction")), "items.csv"),
    Damage(
        "typed total differs",
        lambda draft: draft.append(
            "totals", participant="P01", visit="base", instrument="arat", scale="total", side="left", value="40"
        ),
        "totals.csv",
        None,
        "value",
    ),
    Damage(
        "against the gate",
        lambda draft: draft.change("items", "value", "2", **_fma("P01", "base", "a5_normal_reflexes")),
        "items.csv",
        19,
        "value",
        "fma_ue item a5_normal_reflexes: 2",
    ),
    Damage(
        "against the skip rule",
        lambda draft: draft.change(
            "items", "value", "3", participant="P01", visit="base", instrument="arat", item="grasp_block_10"
        ),
        "items.csv",
        None,
        "item",
    ),
    Damage("same answer throughout", _usability(["4"] * 10), "items.csv", None, "value", "sus: all 10 answers are 4"),
    # side and hand
    Damage("both sides at once", lambda draft: draft.set("totals", 2, "side", "both"), "totals.csv", 2, "side", "both"),
    Damage(
        "affected side missing",
        lambda draft: draft.set("participants", 2, "affected_side", ""),
        "participants.csv",
        2,
        "affected_side",
    ),
    Damage(
        "only the other hand",
        lambda draft: draft.change("totals", "side", "right", participant="P01", instrument="bbt"),
        "totals.csv",
        2,
        "side",
        "right",
    ),
    Damage(
        "tested hand changed",
        lambda draft: draft.change("totals", "side", "right", **_bbt("P01", "w8")),
        "totals.csv",
        6,
        "side",
    ),
    Damage(
        "assisted only",
        lambda draft: (
            draft.tables.update(totals=draft.tables["totals"].assign(condition=""))
            or draft.change("totals", "condition", "assisted", **_bbt("P01", "w8"))
        ),
        "totals.csv",
        6,
        "condition",
    ),
    Damage("side without meaning", _usability(["3"] * 10, side="left"), "items.csv", None, "side", "left"),
    # change from visit to visit
    Damage(
        "jump between visits",
        lambda draft: draft.change("totals", "value", "140", **_bbt("P01", "w8")),
        "totals.csv",
        None,
        None,
        "bbt.blocks 23 at w4, then 140",
    ),
    Damage(
        "best score at baseline",
        lambda draft: draft.change("items", "value", "2", participant="P01", visit="base", instrument="fma_ue"),
        "participants.csv",
    ),
    Damage(
        "rater changed",
        lambda draft: draft.change("items", "rater", "R2", participant="P01", visit="w8", instrument="arat"),
        "items.csv",
        None,
        "rater",
        "R2",
    ),
    # forces
    cell("unit not a force", "trials", 2, "unit", "mmHg"),
    Damage("units mixed", _all_forces("lbf", 2.2046, participant="P01"), "trials.csv", None, "unit", "grip: lbf, kgf"),
    cell("implausible force", "trials", 2, "value", "125", found="125 kgf"),
    Damage(
        "looks like another unit",
        _all_forces("kgf", 2.2046, participant="P01", visit="w8"),
        "trials.csv",
        None,
        "value",
    ),
    cell("trials spread out", "trials", 2, "value", "5", found="grip, spread 45.4 % of the mean"),
    Damage(
        "number of trials",
        lambda draft: draft.drop("trials", participant="P01", visit="base", trial="3"),
        "trials.csv",
        2,
        "trial",
    ),
    # joint angles
    cell("unknown joint", "angles", 2, "joint", "knee", found="thumb knee flexion"),
    cell("unknown joint", "angles", 2, "joint", "shoulder", found="thumb shoulder flexion"),
    cell("angle out of range", "angles", 2, "degrees", "600"),
    cell("negative extension deficit", "angles", 3, "degrees", "-10"),
    Damage(
        "passive below active",
        lambda draft: draft.set("angles", 6, "degrees", "40"),
        "angles.csv",
        6,
        "degrees",
        "passive 40, active 60",
    ),
    # sessions and adverse events
    cell("session minutes out of range", "sessions", 2, "minutes_performed", "-40"),
    cell("far more than prescribed", "sessions", 2, "minutes_performed", "400", found="400 of 45 minutes"),
    Damage("duplicate session", lambda draft: draft.repeat("sessions", 2), "sessions.csv", 10, "session", "1"),
    cell("adverse event incomplete", "adverse_events", 2, "serious", "", found=""),
    # the lock of the analysis plan
    Damage(
        "two affected hands",
        lambda draft: draft.change("participants", "affected_side", "both", participant="P01").change(
            "totals", "side", "right", **_bbt("P01", "w8")
        ),
        "study.toml",
        None,
        "both_hands",
    ),
    Damage(
        "no hand to analyse",
        lambda draft: (
            draft.change("participants", "affected_side", "both", participant="P01")
            .change("participants", "dominant_side", "", participant="P01")
            .replace("[[arms]]", '[both_hands]\nanalysed = "dominant"\n\n[[arms]]')
        ),
        "participants.csv",
        None,
        "affected_side",
        "no dominant hand",
    ),
    Damage(
        "crossover without periods",
        lambda draft: draft.replace('design = "parallel"', 'design = "crossover"'),
        "study.toml",
        None,
        "periods",
        "none",
    ),
    Damage("lock damaged", _locked(_edited_lock), "study.lock.json"),
    Damage("lock of another study", _locked(_other_people), "study.lock.json"),
    Damage(
        "title differs from the lock",
        _locked(lambda draft: draft.replace("A tiny invented study", "Another")),
        "study.lock.json",
        found="A tiny invented study",
    ),
    Damage(
        "participant gone since the lock",
        _locked(lambda draft: _without(draft, "P02")),
        "participants.csv",
        None,
        "participant",
        "P02",
    ),
    Damage(
        "data changed since the lock",
        _locked(lambda draft: draft.set("totals", 2, "value", "21")),
        "totals.csv",
        None,
        None,
        "totals: 1 cell changed",
    ),
    Damage(
        "cell changed since the lock",
        _locked(lambda draft: draft.set("totals", 2, "value", "21")),
        "totals.csv",
        2,
        "value",
        "21",
    ),
    Damage("locked row gone", _locked(lambda draft: draft.drop("sessions", session="1")), "sessions.csv"),
    Damage(
        "arm changed since the lock",
        _locked(lambda draft: draft.change("participants", "arm", "usual", participant="P01")),
        "participants.csv",
        2,
        "arm",
        "usual",
    ),
    Damage("rows gone since the lock", _locked(lambda draft: draft.drop("sessions", session="1")), "sessions.csv"),
    Damage(
        "departure from the locked plan",
        _locked(lambda draft: draft.replace("level = 0.95", "level = 0.9")),
        "study.toml",
        None,
        "level",
    ),
    Damage("blinded", _blinded, "study.toml", None, "blinded"),
    Damage("departure that is none", _locked(_useless_departure), "study.toml", None, "departures", "model.df"),
    # recordings of movement and force
    Damage("recordings without an outcome", _recorded(lambda frame: None, taken=""), "study.toml"),
    Damage(
        "outcome without recordings",
        _recorded(_put(slice(None), "joint", "dip")),
        "study.toml",
        found="index.range: degrees index pip active or assisted",
    ),
    Damage("series column missing", _recorded(lambda frame: frame.drop(columns="time")), "series/all.csv"),
    Damage(
        "series text in a number",
        _recorded(_put(slice(7, 8), "degrees", "lost")),
        "series/all.csv",
        found="1 of 1200, e.g. lost",
    ),
    Damage(
        "hand of a recording unknown", _recorded(_put(slice(0, 400), "hand", "upper")), "series/all.csv", found="upper"
    ),
    Damage("recording of nobody", _recorded(_put(slice(0, 400), "participant", "P99")), "series/all.csv", found="P99"),
    Damage("recording of no visit", _recorded(_put(slice(0, 400), "visit", "w99")), "series/all.csv", found="w99"),
    Damage(
        "recording refused",
        _recorded(lambda frame: frame.drop(index=range(100, 150))),
        "series/all.csv",
        found="a gap of 0.51 s, filled up to 0.1 s: cut the series there",
    ),
    Damage(
        "recording refused",
        _recorded(_put(slice(200, 400), "time", 0.5)),
        "series/all.csv",
        found="time stands still or runs back at 0.5: a jump of the clock, or two recordings in one",
    ),
    Damage("time not in seconds", _recorded(lambda frame: frame.assign(time=1000 * frame["time"])), "series/all.csv"),
    Damage(
        "samples dropped",
        _recorded(lambda frame: frame.drop(index=[100, 101])),
        "series/all.csv",
        found="in 1 of 3 recordings, up to 0.5 % of one, gaps up to 0.03 s",
    ),
    Damage(
        "samples dropped",
        _recorded(lambda frame: frame.drop(index=range(100, 200, 5))),
        "series/all.csv",
        found="20 samples, 5 %, longest gap 0.02 s",
    ),
    Damage(
        "clock uneven",
        _recorded(lambda frame: frame.assign(time=frame["time"] + 0.001 * (frame.index % 2))),
        "series/all.csv",
        found="9.09 %",  # steps of 9 and 11 ms in turn: 1 ms about a median of 11
    ),
    Damage(
        "stamps against the stated rate",
        _recorded(lambda frame: frame.assign(time=1.02 * frame["time"]), "rate = 100\n"),
        "series/all.csv",
        found="2 % (0.0798 s)",  # 399 steps of 10.2 ms where 100 a second take 10 ms
    ),
    Damage(
        "clocks of two hands run apart",
        # The right hand's clock gains 2 % on the left's: 4 s (1 - 1 / 1.02) = 0.0784 s over the 4 s.
        _recorded(
            lambda frame: frame.assign(
                degrees=40 + 30 * np.sin(np.pi * frame["time"] / np.where(frame["hand"] == "right", 1.02, 1))
            ),
            taken=RECORDED.replace('measure = "range"', 'measure = "lag"\nleader = "left"'),
        ),
        "series/all.csv",
        found="0.0776 s",
    ),
    Damage(
        "sensor at its end",
        _recorded(lambda frame: frame.assign(degrees=frame["degrees"].clip(upper=60))),
        "series/all.csv",
        found="10 to 60",
    ),
    Damage(
        "recording without a change",
        _recorded(_put(slice(0, 400), "degrees", 12.0)),
        "series/all.csv",
        found="12 in all 400 samples",
    ),
    Damage(
        "recording looks like another unit",
        # 30 sin: a range of 60 degrees, which is 1.05 in radians.
        _recorded(lambda frame: frame.assign(degrees=frame["degrees"] * np.where(frame.index < 400, np.pi / 180, 1))),
        "series/all.csv",
        found="a range of 1.05",
    ),
    Damage(
        "power near half the rate",
        _recorded(lambda frame: frame.assign(degrees=frame["degrees"] + 20 * (-1.0) ** frame.index)),
        "series/all.csv",
    ),
    Damage("rate too low for a derivative", _recorded(lambda frame: frame.iloc[::5]), "series/all.csv", found="20 Hz"),
    Damage(
        "angles look like radians",
        _recorded(lambda frame: frame.assign(degrees=np.radians(frame["degrees"]))),
        "series",
    ),
    Damage(
        "angle of a recording out of range",
        _recorded(lambda frame: frame.assign(degrees=frame["degrees"] + 80)),
        "series/all.csv",
        found="90 to 150",
    ),
    Damage(
        "sign of an angle turned",
        _recorded(lambda frame: frame.assign(degrees=frame["degrees"] * np.where(frame.index < 800, 1, -1))),
        "series/all.csv",
    ),
    # plausibility
    cell("age of a child", "participants", 2, "age", "3"),
    Damage(
        "age against the protocol",
        lambda draft: draft.replace("[model]", "[eligibility]\nage = [52, 90]\n\n[model]"),
        "participants.csv",
        2,
        "age",
        "50",
    ),
    Damage(
        "onset against the protocol",
        lambda draft: draft.replace("[model]", "[eligibility]\nonset_months = [12, 600]\n\n[model]"),
        "participants.csv",
        2,
        "onset",
        "9.03 months",
    ),
    Damage(
        "one person twice",
        lambda draft: draft.repeat("participants", 2, participant="P09"),
        "participants.csv",
        10,
        "participant",
        "P09 and P01",
    ),
    Damage("form copied", _copied_form, "items.csv", None, "value", "quickdash with all answers of P01 at w4"),
    Damage(
        "answers against each other",
        lambda draft: _michigan(
            draft, "P01", function="5", adl="4", work="1", pain="1", aesthetics="4", satisfaction="5"
        ),
        "items.csv",
        None,
        "value",
        "mhq: work 0",
    ),
    Damage(
        "part against the rest",
        _usability_item_turned,
        "items.csv",
        None,
        "item",
        "sus: q2, correlation \u22121.00 over 8 people",
    ),
    Damage("word perhaps mistyped", _mistyped_word, "adverse_events.csv", 6, "related", "possbly"),
    Damage("reflexes against movement", _no_reflexes, "items.csv", None, "value"),
    Damage(
        "faster than a hand",
        lambda draft: draft.change(
            "items", "value", "3", participant="P01", visit="base", instrument="nhpt", item="time"
        ),
        "items.csv",
        None,
        "value",
        "nhpt item time: 3",
    ),
    Damage(
        "fatal outcome not serious",
        lambda draft: draft.set("adverse_events", 2, "outcome", "fatal"),
        "adverse_events.csv",
        2,
        "serious",
        "fatal, serious no",
    ),
    Damage(
        "device in the words of an event",
        lambda draft: draft.set("adverse_events", 2, "term", "battery overheated"),
        "adverse_events.csv",
        2,
        "device_deficiency",
        "battery overheated, device_deficiency no",
    ),
    cell("before enrolment", "adverse_events", 2, "date", "2025-02-12"),
    Damage("event entered twice", lambda draft: draft.repeat("adverse_events", 2), "adverse_events.csv", None, "term"),
    cell("session without a number", "sessions", 2, "session", "–", found="-"),
    Damage("two sessions on one day", _many_sessions, "sessions.csv", 34, "date", "2025-03-11"),
    Damage("session in an arm without sessions", _quiet_arm, "sessions.csv", None, "participant"),
    Damage(
        "repetitions without minutes",
        lambda draft: draft.set("sessions", 2, "minutes_performed", "0"),
        "sessions.csv",
        2,
        "repetitions",
        "210 in 0 minutes",
    ),
    cell("repetitions implausible", "sessions", 2, "repetitions", "9999"),
    cell("repetitions in fractions", "sessions", 2, "repetitions", "210.5"),
    cell("attended without a date", "visits", 3, "date", "", found=""),
    Damage(
        "trials identical",
        lambda draft: draft.change("trials", "value", "14.5", participant="P01", visit="base"),
        "trials.csv",
        2,
        "value",
        "grip: three times 14.5",
    ),
    Damage(
        "rule switched off",
        lambda draft: draft.replace("[model]", '[checks.off]\n"age of a child" = "from 14 years"\n\n[model]'),
        "study.toml",
        None,
        "checks",
        "age of a child: from 14 years",
    ),
    Damage(
        "rule cannot be switched off",
        lambda draft: draft.replace("[model]", '[checks.off]\n"above maximum" = "no"\n\n[model]'),
        "study.toml",
        None,
        "checks",
        "above maximum",
    ),
    # trials of devices
    cell("repetition not a whole number", "angles", 11, "repetition", "2.5"),
    Damage(
        "repetitions with a gap",
        lambda draft: draft.set("angles", 12, "repetition", "5"),
        "angles.csv",
        12,
        "repetition",
        "3 repetitions, the last numbered 5",
    ),
    cell("torque without a unit", "angles", 10, "torque_unit", "", found="0.8"),
    cell("stiffness of no grade", "angles", 10, "stiffness", "slihgt"),
    Damage(
        "motion at another velocity",
        lambda draft: draft.repeat("angles", 10, velocity="90"),
        "angles.csv",
        None,
        "velocity",
        "90 degrees per second, rows: 1",
    ),
    cell("grade differs from the angles", "motion_grades", 2, "grade", "poor", found="thumb poor"),
    Damage(
        "duplicate grade",
        lambda draft: draft.repeat("motion_grades", 2, grade="fair"),
        "motion_grades.csv",
        26,
        "digit",
        "thumb fair",
    ),
    cell("serious without a criterion", "adverse_events", 2, "serious", "yes", found="tired arm").at("criterion"),
    cell(
        "criterion of an event not serious", "adverse_events", 2, "criterion", "hospital", found="hospital, serious no"
    ).at("serious"),
    cell("ends before it begins", "adverse_events", 2, "end_date", "2025-03-10"),
    Damage(
        "number given twice",
        lambda draft: draft.repeat("adverse_events", 2, date="2025-03-20", end_date="2025-03-21"),
        "adverse_events.csv",
        3,
        "event",
        "E1",
    ),
    cell("event that is not there", "device_deficiencies", 2, "event", "E7", found="E7 is none"),
    cell("deficiency incomplete", "device_deficiencies", 2, "could_have_been_serious", "", found=""),
    Damage(
        "deficiency ticked and not described",
        lambda draft: (
            draft.set("adverse_events", 2, "device_deficiency", "yes")
            .set("device_deficiencies", 2, "event", "")
            .set("device_deficiencies", 2, "date", "2025-03-13")
        ),
        "adverse_events.csv",
        2,
        "device_deficiency",
        "tired arm",
    ),
    Damage(
        "skin finding without a site",
        lambda draft: draft.set("skin_checks", 2, "finding", "swelling").set("skin_checks", 2, "site", ""),
        "skin_checks.csv",
        2,
        "site",
        "swelling",
    ),
    cell("skin damage without an event", "skin_checks", 2, "finding", "blister").at("event"),
    cell("wear out of range", "wear_log", 2, "assisted_percent", "140"),
    cell("active longer than worn", "wear_log", 2, "minutes_active", "45"),
    cell("day logged twice", "wear_log", 3, "date", "2025-03-11"),
    Damage(
        "movements without wear",
        lambda draft: draft.set("wear_log", 2, "minutes_worn", "0").set("wear_log", 2, "minutes_active", "0"),
        "wear_log.csv",
        2,
        "repetitions",
        "180 in 0 minutes",
    ),
    cell("movements in fractions", "wear_log", 2, "repetitions", "180.5"),
    cell("worn far longer than prescribed", "wear_log", 2, "minutes_worn", "240", found="240 of 60 minutes"),
    cell("after the last visit", "wear_log", 2, "date", "2025-05-12"),
    Damage(
        "duplicate rating",
        lambda draft: draft.repeat("device_ratings", 2),
        "device_ratings.csv",
        26,
        "respondent",
        "participant",
    ),
    cell("more tasks done than tried", "device_ratings", 2, "tasks_done", "6"),
    cell("donning time implausible", "device_ratings", 2, "donning_minutes", "240"),
    Damage(
        "level of an outcome without data",
        lambda draft: draft.replace('outcome = "grip.force"\nvalue', 'outcome = "pinch_tip.force"\nvalue'),
        "study.toml",
        None,
        "levels",
        "jar: pinch_tip.force",
    ),
    Damage(
        "level in another unit",
        lambda draft: draft.replace('unit = "N"\nreason', 'unit = "kPa"\nreason'),
        "study.toml",
        None,
        "levels",
        "jar: kPa",
    ),
    Damage(
        "impossible published number",
        _write("published.csv", "source,arm,n,mean,sd\nA 2019,glove,20,9,-4\nA 2019,control,20,6,4\n"),
        "published.csv",
        2,
        "sd",
        "-4",
    ),
    Damage(
        "published outcome unknown",
        _write("published.csv", "source,arm,outcome,n,mean,sd\nA 2019,glove,none.such,20,9,4\n"),
        "published.csv",
        2,
        "outcome",
        "none.such",
    ),
    Damage(
        "prices do not add up",
        _write("costs.csv", "item,price,currency,price_year\nbox,5,EUR,2024\nvisit,9,GBP,2024\n"),
        "costs.csv",
        None,
        "currency",
        "EUR, GBP",
    ),
    Damage(
        "cost of nobody",
        _write("costs.csv", "item,arm,price,currency,price_year\nbox,nowhere,5,EUR,2024\n"),
        "costs.csv",
        2,
        "arm",
        "nowhere",
    ),
]


@pytest.mark.parametrize("damage", DAMAGES, ids=lambda damage: damage.rule)
def test_damage_gives_its_finding(damage, draft, assert_accounted, tmp_path):
    study = read_study(damage.harm(draft).write(tmp_path))
    findings = check(study)
    frame = findings.frame()
    hit = frame[frame["rule"] == damage.rule]
    assert len(hit), f"no finding {damage.rule!r} among:\n{findings}"
    if damage.file:
        hit = hit[hit["file"] == damage.file]
    if damage.row is not None:
        hit = hit[hit["row"] == damage.row]
    if damage.column is not None:
        hit = hit[hit["column"] == damage.column]
    if damage.found:
        hit = hit[hit["found"] == damage.found]
    assert len(hit), f"{damage} not met by:\n{frame[frame['rule'] == damage.rule].to_string()}"
    assert findings.blocking == (frame["severity"] == "error").any()
    if rules()[damage.rule].severity == "error":
        assert findings.blocking
    # Files in other encodings and layouts are not counted a second way here.
    assert_accounted(study, findings, plain_files=not draft.raw)
    assert any(rules()[damage.rule].says in text for text in findings.paragraphs())


def test_every_rule_is_shown():
    """No rule without a damage that gives it, and at least the 40 kinds the library promises."""
    shown = {damage.rule for damage in DAMAGES}
    assert shown == set(rules())
    assert len(shown) >= 40


def test_every_rule_says_what_is_wrong_and_what_to_do():
    for rule in rules().values():
        assert rule.severity in SEVERITIES
        assert rule.says
        assert rule.advice or rule.name == "cannot be scored"
