"""A study as it was read: the protocol and every table, with what was noted on the way."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from outcomes.blinding.arm_words import ArmWords
from outcomes.findings import Findings
from outcomes.lock.departures import PlanDeparture
from outcomes.lock.lock_file import Lock
from outcomes.protocol.trial import Protocol
from outcomes.sheets import SHEETS, empty


@dataclass(frozen=True)
class LineCount:
    """Where every line of a file went when it was read; of a workbook, every row of a page.

    header: the lines of column names and the titles above them. joined: lines that continue a cell. blank: lines
    without a filled cell, inside the table (each is a finding) or below it. rows: those read into the table.
    """

    table: str
    file: str
    lines: int
    header: int
    joined: int
    blank: int
    rows: int

    @property
    def unaccounted(self) -> int:
        """0, or something was lost."""
        return self.lines - self.header - self.joined - self.blank - self.rows


@dataclass(frozen=True)
class Study:
    """What `read_study` returns. Tables without a file are empty, with the right columns.

    Every table has `row`, the row number in its file (the header is row 1). A sheet of measurements also has `file`,
    and its measured value has four columns: `value` (`degrees` in angles; NaN where there is no number), `typed` (the
    cell as typed), `header` (the column it stands in) and `code` (one of `columns.NOT_A_NUMBER`, or "not applicable",
    where the cell says why there is no number; "" for a number or an unreadable cell).
    """

    folder: Path
    protocol: Protocol
    participants: pd.DataFrame
    visits: pd.DataFrame
    items: pd.DataFrame
    totals: pd.DataFrame
    trials: pd.DataFrame
    angles: pd.DataFrame
    sessions: pd.DataFrame
    adverse_events: pd.DataFrame
    # Of other trials, and of prices: for an application (`outcomes.planning_sheets`).
    published: pd.DataFrame = field(default_factory=lambda: empty(SHEETS["published"]))
    costs: pd.DataFrame = field(default_factory=lambda: empty(SHEETS["costs"]))
    files: Mapping[str, str] = field(default_factory=dict)  # table -> file it was read from
    headers: Mapping[str, Mapping[str, str]] = field(default_factory=dict)  # table -> our column -> header in the file
    hashes: Mapping[str, str] = field(default_factory=dict)  # file -> SHA-256
    rows_read: Mapping[str, int] = field(default_factory=dict)  # table -> rows in the file
    lines: tuple[LineCount, ...] = ()  # where the lines of every file went
    # Items of raters outside `scored_raters`: to compare, not to score.
    second_ratings: pd.DataFrame = field(default_factory=lambda: empty(SHEETS["items"]))
    device_deficiencies: pd.DataFrame = field(default_factory=lambda: empty(SHEETS["device_deficiencies"]))
    wear_log: pd.DataFrame = field(default_factory=lambda: empty(SHEETS["wear_log"]))
    skin_checks: pd.DataFrame = field(default_factory=lambda: empty(SHEETS["skin_checks"]))
    device_ratings: pd.DataFrame = field(default_factory=lambda: empty(SHEETS["device_ratings"]))
    motion_grades: pd.DataFrame = field(default_factory=lambda: empty(SHEETS["motion_grades"]))
    # Recordings of the folder `series`, one row each, and what [[series_outcomes]] give of them, one row a measure.
    series: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=["participant", "visit"]))
    series_values: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=["participant", "visit", "value"]))
    findings: Findings = field(default_factory=Findings)  # what was converted or unreadable; `check` adds the rest
    plan_sha256: str = ""  # hash of the plan part of study.toml in its canonical form
    lock: Lock | None = field(default=None, repr=False)  # of the plan; None where it was not locked
    departures: tuple[PlanDeparture, ...] = ()  # from the locked plan
    masked: bool = False  # letters stand for the arms (`outcomes.blinding.letters.masking`)
    hidden: tuple[str, ...] = ()  # what is left out of a masked study, in words
    arm_words: ArmWords | None = field(default=None, repr=False)  # of a masked study: what no printed text may hold
    identifiers: tuple[str, ...] = ()  # what was masked because it could name a person, in words
    masked_texts: Mapping[str, str] = field(default_factory=dict, repr=False)  # typed -> what stands in its place
    hidden_rows: Mapping[str, int] = field(default_factory=dict)  # table -> rows left out of a masked study

    def __repr__(self) -> str:
        rows = ", ".join(f"{name} {count}" for name, count in self.rows_read.items())
        plan = f"{self.protocol.design}, {len(self.participants)} participants, {len(self.protocol.visits)} visits"
        return f"Study {self.protocol.title!r}: {plan}; rows read: {rows}"

    def shown_name(self, text: str) -> str:
        """An id, header or name of a file as it may be printed: without words of an arm while the study is masked."""
        return self.arm_words.name(text) if self.arm_words is not None else text

    def shown_text(self, text: str) -> str:
        """A text that somebody typed, as it may be printed."""
        return self.arm_words.prose(text) if self.arm_words is not None else text

    def table(self, name: str) -> pd.DataFrame:
        """A table by the name of its sheet."""
        return getattr(self, name)

    def header(self, table: str, column: str) -> str:
        """The header in the file of one of our columns."""
        return self.headers.get(table, {}).get(column, column)
