"""The accounting identity: every row read is scored, kept as it is, or reported with a reason."""

import numpy as np
import pandas as pd

from outcomes.checks.grouping import group_codes
from outcomes.checks.scores.motion import with_items
from outcomes.findings import Findings
from outcomes.library.known import find_instrument
from outcomes.scoring.repeated_motion import at_the_scored_velocity
from outcomes.scoring.totals import find_total
from outcomes.sheets import MEASUREMENTS, SHEETS
from outcomes.study import Study

ACCOUNT_COLUMNS = ("table", "file", "rows_read", "scored", "kept", "reported", "unaccounted")
_KEY = ["participant", "visit", "side", "condition"]


def accounting(study: Study, scores: pd.DataFrame, findings: Findings) -> pd.DataFrame:
    """Where every row went; `unaccounted` is 0 everywhere, or something was lost.

    scored: the row's value is in a score that has a value. kept: a row of a table that is not scored (participants,
    visits, sessions, adverse events, costs) whose participant is known, or that is about none
    (published trials). reported: none of these, but a finding names the row,
    or the score it belongs to says why it has no value. Of a wide sheet the answers are counted.

    Returns one row per table that has a file, with ACCOUNT_COLUMNS.
    """
    named = _Named(findings)
    rows = []
    for table in SHEETS:
        if table not in study.rows_read:
            continue
        frame = study.table(table)
        if table == "items":
            frame = pd.concat([frame, study.second_ratings], ignore_index=True)
        if table == "angles":
            frame = with_items(frame)
        flagged, wrong = named.rows(frame, study.files[table])
        scored = kept = np.zeros(len(frame), dtype=bool)
        explained = np.zeros(len(frame), dtype=bool)
        if table in MEASUREMENTS:
            scored, explained = _scored(study, table, frame, scores)
            scored = scored & ~wrong
        else:
            kept = _known(study, table, frame) & ~wrong
        reported = ~scored & ~kept & (flagged | explained)
        hidden = study.hidden_rows.get(table, 0)  # left out while blinded, which `study.hidden` says
        blank = study.rows_read[table] - len(frame) - hidden
        rows.append(
            {
                "table": table,
                "file": study.files[table],
                "rows_read": study.rows_read[table],
                "scored": int(scored.sum()),
                "kept": int(kept.sum()),
                "reported": int(reported.sum()) + named.blank_rows(study.files[table]) + hidden,
                "unaccounted": int((~scored & ~kept & ~reported).sum()) + blank - named.blank_rows(study.files[table]),
            }
        )
    return pd.DataFrame(rows, columns=list(ACCOUNT_COLUMNS))


LINE_COLUMNS = ("table", "file", "lines", "header", "joined", "blank", "rows", "unaccounted")


def line_accounting(study: Study) -> pd.DataFrame:
    """Where every line of every file went before `accounting` takes over; `unaccounted` is 0, or something was lost.

    Returns one row per file (or page of a workbook) with LINE_COLUMNS; see `reading.line_count.LineCount`.
    """
    counts = [[getattr(count, name) for name in LINE_COLUMNS] for count in study.lines]
    return pd.DataFrame(counts, columns=list(LINE_COLUMNS))


class _Named:
    """Which rows of which files the findings name; `wrong` are those named by an error."""

    def __init__(self, findings: Findings):
        frame = findings.frame()
        self.frame = frame[frame["row"].notna()]

    def blank_rows(self, files: str) -> int:
        blank = self.frame[self.frame["rule"] == "blank row"]
        return int(blank["file"].isin(files.split(", ")).sum())

    def rows(self, frame: pd.DataFrame, file: str) -> tuple[np.ndarray, np.ndarray]:
        """For every row of a table: is it named at all, and is it named by an error?

        A finding about the column of a value names that cell; one about any other column names the whole row.
        """
        if self.frame.empty:
            return np.zeros(len(frame), dtype=bool), np.zeros(len(frame), dtype=bool)
        files = frame["file"].astype("str") if "file" in frame else pd.Series(file, index=frame.index)
        headers = frame["header"].astype("str") if "header" in frame else pd.Series("", index=frame.index)
        values = set(zip(files, headers, strict=True)) if "header" in frame else set()
        of_cell = pd.Series(
            [pair in values for pair in zip(self.frame["file"], self.frame["column"], strict=True)],
            index=self.frame.index,
            dtype=bool,
        )
        flags = []
        for part in (self.frame, self.frame[self.frame["severity"] == "error"]):
            cell = part[of_cell[part.index]]
            row = part[~of_cell[part.index]]
            cells = set(zip(cell["file"], cell["row"].astype(int), cell["column"], strict=True))
            whole = set(zip(row["file"], row["row"].astype(int), strict=True))
            here = list(zip(files, frame["row"].astype(int), headers, strict=True))
            flags.append(np.array([key in cells or key[:2] in whole for key in here], dtype=bool))
        return flags[0], flags[1]


def _known(study: Study, table: str, frame: pd.DataFrame) -> np.ndarray:
    """Rows of known participants; a sheet about other things is kept whole, and a row about nobody in particular."""
    if "participant" not in frame:
        return np.ones(len(frame), dtype=bool)
    known = frame["participant"].isin(study.participants["participant"])
    if table in ("device_deficiencies", "costs"):  # a device may fail in nobody's hand; a price is of every participant
        known |= frame["participant"] == ""
    return known.to_numpy()


def _scored(study: Study, table: str, frame: pd.DataFrame, scores: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """For every row: is its value in a score, and does a score without a value (or with a rule) explain it?"""
    scored = np.zeros(len(frame), dtype=bool)
    explained = np.zeros(len(frame), dtype=bool)
    both = group_codes(pd.concat([_keys(frame).astype("str"), scores[_KEY]], ignore_index=True), _KEY)
    of_rows, of_scores = both[: len(frame)], both[len(frame) :]
    has_value = (frame["degrees" if table == "angles" else "value"].notna()).to_numpy()
    if table == "angles":
        has_value = has_value & at_the_scored_velocity(frame).to_numpy()
    valued, told = scores["value"].notna().to_numpy(), (scores["reason"] != "").to_numpy()
    codes, outcomes = pd.factorize(scores["outcome"])
    for number, outcome in enumerate(outcomes):
        mine = _belongs(study, table, frame, outcome)
        if mine.any():
            own = codes == number
            scored |= mine & has_value & np.isin(of_rows, of_scores[own & valued])
            explained |= mine & np.isin(of_rows, of_scores[own & told])
    return scored, explained


def _keys(frame: pd.DataFrame) -> pd.DataFrame:
    keys = frame[[name for name in _KEY if name in frame]].copy()
    return keys[_KEY]


def _belongs(study: Study, table: str, frame: pd.DataFrame, outcome: str) -> np.ndarray:
    """Which rows carry something of an outcome."""
    name, _, scale_id = outcome.partition(".")
    mine = (frame["instrument"] == name).to_numpy()
    if table == "totals":
        meant = {scale: find_total(study.protocol, name, str(scale)) for scale in frame.loc[mine, "scale"].unique()}
        own = {scale: _outcome(target) for scale, target in meant.items()}
        return mine & (frame["scale"].map(own) == outcome).to_numpy()
    instrument = find_instrument(name)
    scale = instrument.scale(scale_id) if instrument else None
    if scale is None or table == "trials":
        return mine
    return mine & frame["item"].isin(scale.items).to_numpy()


def _outcome(target) -> str:
    if target is None:
        return ""
    return f"{target[0].id}.{target[1].id}" if target[0] else target[1].id
