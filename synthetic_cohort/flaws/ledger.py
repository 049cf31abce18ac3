"""The desk at which errors are planted, and the ledger every one of them is entered in."""

from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.random import Generator

from synthetic_cohort.design import CohortDesign

LEDGER_COLUMNS = (
    "number",  # one planted error may take several cells: they share the number
    "kind",
    "file",
    "row",  # row number in the file, the header being row 1; 0 where the error belongs to no single row
    "column",
    "participant",
    "visit",
    "truth",
    "planted",
    "rules",  # findings of which one must report it, "; " between them; blank where nothing in the folder shows it
    "blocks",
)
# What is written on one form: the rows that belong together.
ADMINISTRATION = ("participant", "visit", "instrument", "side", "condition")


@dataclass
class Desk:
    """The sheets while errors are planted in them; rows already touched are left alone afterwards."""

    design: CohortDesign
    sheets: dict[str, pd.DataFrame]
    rng: Generator
    ledger: list[dict[str, object]] = field(default_factory=list)
    touched: dict[str, set[int]] = field(default_factory=lambda: defaultdict(set))
    numbers: dict[tuple[str, str], pd.Series] = field(default_factory=dict)
    number: int = 0
    kind: str = ""
    flaw: "Flaw | None" = None

    def sheet(self, table: str) -> pd.DataFrame:
        """A sheet, empty where the study has none."""
        return self.sheets.get(table, pd.DataFrame(columns=["participant", "visit", "value"], dtype=str))

    def number_in(self, table: str, column: str = "value") -> pd.Series:
        """A column as numbers, NaN where a cell holds none."""
        if (table, column) not in self.numbers:
            self.numbers[table, column] = pd.to_numeric(self.sheet(table)[column], errors="coerce")
        return self.numbers[table, column]

    def untouched(self, table: str, rows: Iterable[int]) -> bool:
        """True where no planted error has touched any of the rows."""
        return self.touched[table].isdisjoint(int(row) for row in rows)

    def pick(self, table: str, where: pd.Series | np.ndarray) -> int | None:
        """A row of `table` that satisfies `where` and was not touched yet; None where there is none."""
        rows = np.setdiff1d(np.flatnonzero(np.asarray(where)), list(self.touched[table]))
        return int(self.rng.choice(rows)) if len(rows) else None

    def write(self, table: str, row: int, column: str, planted: str) -> None:
        """Put `planted` into a cell and enter it in the ledger."""
        # Entered first: the ledger names the person and visit the row belongs to, also where that is what is mistyped.
        self.enter(table, row, column, str(self.sheets[table].at[row, column]), planted)
        self.sheets[table].at[row, column] = planted
        self.numbers.pop((table, column), None)

    def enter(self, table: str, row: int | None, column: str, truth: str, planted: str) -> None:
        """Enter an error in the ledger; `row` None: it belongs to the file as a whole."""
        sheet = self.sheets[table]
        if row is not None:
            self.touched[table].add(row)
        entry = {
            "number": self.number,
            "kind": self.kind,
            "file": f"{table}.csv",
            "row": 0 if row is None else row + 2,
            "column": column,
            "participant": "" if row is None else str(sheet.at[row, "participant"]),
            "visit": str(sheet.at[row, "visit"]) if row is not None and "visit" in sheet else "",
            "truth": truth,
            "planted": planted,
            "rules": "; ".join(self.flaw.rules if self.flaw else ()),
            "blocks": bool(self.flaw and self.flaw.blocks),
        }
        self.ledger.append(entry)

    def append(self, table: str, record: pd.Series) -> int:
        """A further row at the end of a sheet; returns its place."""
        self.numbers.clear()
        self.sheets[table] = pd.concat([self.sheets[table], record.to_frame().T], ignore_index=True)
        return len(self.sheets[table]) - 1

    def same(self, table: str, row: int, keys: Iterable[str]) -> np.ndarray:
        """Places of the rows that agree with `row` in `keys`."""
        sheet = self.sheets[table]
        keys = [key for key in keys if key in sheet]
        return np.flatnonzero((sheet[keys] == sheet.loc[row, keys]).all(axis=1).to_numpy())


@dataclass(frozen=True)
class Flaw:
    """One kind of planted error. rules: findings of which one must report it; blocks: it stops the analysis."""

    says: str
    rules: tuple[str, ...]
    blocks: bool
    plant: Callable[[Desk], bool]  # True where a place was found


def one_cell(
    table: str, column: str, where: Callable[[Desk], pd.Series | np.ndarray], new: Callable[[Desk, int], str]
) -> Callable[[Desk], bool]:
    """A planter that changes one cell."""

    def planter(desk: Desk) -> bool:
        if table not in desk.sheets:
            return False
        row = desk.pick(table, where(desk))
        if row is None:
            return False
        desk.write(table, row, column, new(desk, row))
        return True

    return planter
