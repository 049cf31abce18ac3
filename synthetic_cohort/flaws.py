"""Planted errors: what people get wrong at the bedside, each entered in a ledger with its place and the truth.

A kind names the rules of `outcomes.check` that must report it; a kind nobody can detect from the folder names none.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.random import Generator

from outcomes.errors import StudyError
from outcomes.force import convert_force
from outcomes.registry import instrument
from synthetic_cohort.design import CohortDesign

LEDGER_COLUMNS = (
    "number",
    "kind",
    "file",
    "row",
    "column",
    "participant",
    "visit",
    "truth",
    "planted",
    "rules",
    "blocks",
)


@dataclass
class Desk:
    """The sheets while errors are planted in them; rows already touched are left alone afterwards."""

    design: CohortDesign
    sheets: dict[str, pd.DataFrame]
    rng: Generator
    ledger: list[dict[str, object]] = field(default_factory=list)
    touched: set[tuple[str, int]] = field(default_factory=set)
    number: int = 0

    def pick(self, table: str, where: pd.Series) -> int | None:
        """A row of `table` that satisfies `where` and was not touched yet; None where there is none."""
        rows = [row for row in np.flatnonzero(where.to_numpy()) if (table, int(row)) not in self.touched]
        return int(self.rng.choice(rows)) if rows else None

    def write(self, kind: str, table: str, row: int, column: str, planted: str) -> None:
        """Put `planted` into a cell and enter it in the ledger."""
        sheet = self.sheets[table]
        truth = str(sheet.at[row, column])
        sheet.at[row, column] = planted
        self.enter(kind, table, row, column, truth, planted)

    def enter(self, kind: str, table: str, row: int, column: str, truth: str, planted: str) -> None:
        """Enter an error in the ledger; row numbers are those of the file, the header being row 1."""
        sheet = self.sheets[table]
        self.touched.add((table, row))
        self.ledger.append(
            {
                "number": self.number,
                "kind": kind,
                "file": f"{table}.csv",
                "row": row + 2,
                "column": column,
                "participant": str(sheet.at[row, "participant"]),
                "visit": str(sheet.at[row, "visit"]) if "visit" in sheet else "",
                "truth": truth,
                "planted": planted,
                "rules": "; ".join(KINDS[kind].rules),
                "blocks": KINDS[kind].blocks,
            }
        )

    def append(self, table: str, record: pd.Series) -> int:
        """A further row at the end of a sheet; returns its place."""
        self.sheets[table] = pd.concat([self.sheets[table], record.to_frame().T], ignore_index=True)
        return len(self.sheets[table]) - 1


@dataclass(frozen=True)
class Flaw:
    """One kind of planted error. rules: findings of which one must report it; blocks: it stops the analysis."""

    says: str
    rules: tuple[str, ...]
    blocks: bool
    plant: Callable[[Desk, str], bool]  # True where a place was found


def plant(
    design: CohortDesign, sheets: Mapping[str, pd.DataFrame], flaws: Mapping[str, int], rng: Generator
) -> tuple[dict[str, pd.DataFrame], pd.DataFrame]:
    """Plant errors in copies of the sheets.

    flaws: kind -> how many. Returns the sheets and the ledger (columns `LEDGER_COLUMNS`).
    Raises StudyError for an unknown kind, or where the sheets have no place for one.
    """
    desk = Desk(design, {name: sheet.copy() for name, sheet in sheets.items()}, rng)
    for kind, count in flaws.items():
        if kind not in KINDS:
            raise StudyError(f"unknown kind of planted error {kind!r}; allowed {', '.join(KINDS)}.")
        for _ in range(count):
            desk.number += 1
            if not KINDS[kind].plant(desk, kind):
                raise StudyError(f"design {design.name}: no place left for a planted {kind!r}; ask for fewer.")
    return desk.sheets, pd.DataFrame(desk.ledger, columns=list(LEDGER_COLUMNS))


def _levels(desk: Desk) -> pd.DataFrame:
    """Lowest and highest answer of every row of `items`."""
    sheet = desk.sheets["items"]
    pairs = sheet[["instrument", "item"]].drop_duplicates()
    limits = {}
    for row in pairs.itertuples():
        item = instrument(str(row.instrument)).item(str(row.item))
        limits[row.instrument, row.item] = (item.low, item.high) if item else (np.nan, np.nan)
    found = [limits[key] for key in zip(sheet["instrument"], sheet["item"], strict=True)]
    return pd.DataFrame(found, columns=["low", "high"], index=sheet.index)


def _is_number(values: pd.Series) -> pd.Series:
    return pd.to_numeric(values, errors="coerce").notna()


def _above_maximum(desk: Desk, kind: str) -> bool:
    high = _levels(desk)["high"]
    row = desk.pick("items", _is_number(desk.sheets["items"]["value"]) & np.isfinite(high))
    if row is None:
        return False
    desk.write(kind, "items", row, "value", f"{high[row] + desk.rng.integers(1, 4):g}")
    return True


def _below_minimum(desk: Desk, kind: str) -> bool:
    row = desk.pick("items", _is_number(desk.sheets["items"]["value"]) & (_levels(desk)["low"] >= 0))
    if row is None:
        return False
    desk.write(kind, "items", row, "value", f"{-int(desk.rng.integers(1, 3))}")
    return True


def _text_in_number(desk: Desk, kind: str) -> bool:
    row = desk.pick("items", _is_number(desk.sheets["items"]["value"]))
    if row is None:
        return False
    typed = str(desk.sheets["items"].at[row, "value"])
    slip = {"0": "o", "1": "l", "2": "2ö"}.get(typed, f"{typed}q")
    desk.write(kind, "items", row, "value", slip)
    return True


def _duplicated_row(desk: Desk, kind: str) -> bool:
    table = str(desk.rng.choice([name for name in ("items", "trials") if name in desk.sheets]))
    sheet = desk.sheets[table]
    row = desk.pick(table, _is_number(sheet["value"]))
    if row is None:
        return False
    place = desk.append(table, sheet.loc[row])
    desk.touched.add((table, row))
    desk.enter(kind, table, place, "", "one row", f"the row again as row {place + 2}")
    return True


def _unknown_participant(desk: Desk, kind: str) -> bool:
    sheet = desk.sheets["items"]
    row = desk.pick("items", sheet["participant"] != "")
    if row is None:
        return False
    desk.write(kind, "items", row, "participant", f"{sheet.at[row, 'participant']}O")
    return True


def _unit_no_force(desk: Desk, kind: str) -> bool:
    if "trials" not in desk.sheets:
        return False
    row = desk.pick("trials", _is_number(desk.sheets["trials"]["value"]))
    if row is None:
        return False
    desk.write(kind, "trials", row, "unit", "mmHg")
    return True


def _hand_rows(desk: Desk, row: int) -> pd.Series:
    """All trials of the same person, visit, grip, side and condition as `row`."""
    sheet = desk.sheets["trials"]
    keys = ["participant", "visit", "instrument", "side", "condition"]
    return (sheet[keys] == sheet.loc[row, keys]).all(axis=1)


def _pounds_for_kilograms(desk: Desk, kind: str) -> bool:
    """All trials of a hand at one visit were read in pounds and written down as kilograms."""
    sheet = desk.sheets.get("trials", pd.DataFrame({"instrument": [], "unit": [], "value": []}))
    strong = pd.to_numeric(sheet["value"], errors="coerce") >= 12
    row = desk.pick("trials", (sheet["instrument"] == "grip") & (sheet["unit"] == "kgf") & strong)
    if row is None:
        return False
    for place in np.flatnonzero(_hand_rows(desk, row).to_numpy()):
        value = pd.to_numeric(sheet.at[place, "value"], errors="coerce")
        if np.isfinite(value):
            pounds = round(float(convert_force(float(value), "kgf", "lbf")))
            desk.write(kind, "trials", int(place), "value", f"{pounds}")
    return True


KINDS: dict[str, Flaw] = {
    "score above maximum": Flaw("a typing slip above the highest answer", ("above maximum",), True, _above_maximum),
    "score below minimum": Flaw("a stray minus sign", ("below minimum",), True, _below_minimum),
    "text in a number": Flaw("a letter typed for a digit", ("text in a number",), True, _text_in_number),
    "duplicated row": Flaw("a row entered twice", ("duplicate row",), True, _duplicated_row),
    "unknown participant": Flaw("a code with a letter too many", ("unknown participant",), True, _unknown_participant),
    "unit that is no force": Flaw("a bulb pressure among forces", ("unit not a force",), True, _unit_no_force),
    "pounds for kilograms": Flaw("trials read in pounds, written as kilograms", (), False, _pounds_for_kilograms),
}
