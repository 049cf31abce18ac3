"""Wide sheets, with several answers, totals or visits side by side in one row, turned into one row per value."""

from collections.abc import Mapping

import pandas as pd

from outcomes.findings import flag
from outcomes.library.known import find_instrument
from outcomes.protocol.trial import PlannedVisit, WideSheet
from outcomes.reading.cells import plain, tidy
from outcomes.reading.files import Grid
from outcomes.reading.typed_tables import Cells, under_header
from outcomes.sheets import Sheet


def narrow(sheet: Sheet, *without: str) -> Sheet:
    """The sheet without some of its columns: what a wide file has beside its values."""
    return Sheet(sheet.name, sheet.says, tuple(column for column in sheet.columns if column.name not in without))


def unfold_declared(
    grid: Grid, sheet: Sheet, mapped: Mapping[str, str], wide: WideSheet, visits: tuple[PlannedVisit, ...]
) -> tuple[Cells, tuple[str, ...]]:
    """A wide sheet as `[[wide]]` of study.toml declares it; also returns the columns it must have.

    Every declared column that the file lacks is a finding.
    """
    outcomes = wide.across == "instrument" and any("." in name for name in wide.columns)
    keys = narrow(sheet, wide.value, wide.spread, *wide.fixed, *(["scale"] if outcomes else []))
    wanted = tuple(name for name in keys.required if name not in wide.fixed)
    cells = under_header(grid, keys, mapped, wanted)
    by_header = {plain(header): ours for ours, header in wide.columns.items()}
    for header in cells.frame.columns:
        if wide.prefix and plain(str(header)).startswith(plain(wide.prefix)):
            rest = tidy(str(header))[len(tidy(wide.prefix)) :].strip(" _-.")
            by_header.setdefault(plain(str(header)), rest)
    present = {str(header): by_header[plain(str(header))] for header in cells.frame if plain(str(header)) in by_header}
    lost = {ours: header for ours, header in wide.columns.items() if ours not in present.values()}
    for ours, header in lost.items():
        cells.found.append(
            flag("mapped header missing", file=grid.file, column=ours, found=f"no column {header!r}",
                 allowed=", ".join(text for text in cells.header.typed if text))
        )  # fmt: skip
    if wide.spread == "visit":
        labels = {plain(visit.label): visit.id for visit in visits} | {plain(visit.id): visit.id for visit in visits}
        present = {header: labels.get(plain(name), name) for header, name in present.items()}
    long = unfold(cells, wide.spread, present, wide.fixed, wide.value)
    if outcomes:  # a column named by its outcome holds one scale of its instrument
        parts = long.frame["instrument"].str.partition(".")
        long.frame["instrument"], long.frame["scale"] = parts[0], parts[2]
    if wide.value == "date":  # a visit without a date is no visit that took place
        kept = long.frame[long.frame["date"].str.strip() != ""].reset_index(drop=True).drop(columns="header")
        long = Cells(kept, long.file, long.header, long.blank_rows, long.found)
    return long, (*wanted, *wide.fixed, wide.spread, wide.value)


def unfold_items(cells: Cells, instrument: str = "") -> Cells | None:
    """A sheet of items without `item` and `value`: its other columns are items where their names say so.

    A column is an item when it is called `<instrument>.<item>`, or `<item>` of the instrument the file is about
    (`instrument`) or of one the sheet's own column `instrument` names. None where no column is an item.
    """
    named = {plain(name).replace(" ", "_") for name in cells.frame.get("instrument", pd.Series(dtype="str")).unique()}
    about = [found for found in map(find_instrument, sorted({instrument} | named)) if found]
    bare = {plain(item.id): item.id for found in about for item in found.items}
    columns: dict[str, str] = {}
    instruments: dict[str, str] = {}
    for header in cells.frame.columns.drop("row"):
        name, dot, item = tidy(str(header)).partition(".")
        found = find_instrument(plain(name).replace(" ", "_")) if dot else None
        if found:
            columns[header], instruments[header] = item, found.id
        elif plain(str(header)) in bare:
            columns[header] = bare[plain(str(header))]
    if not columns:
        return None
    long = unfold(
        cells, "item", columns, {} if "instrument" in cells.frame or not instrument else {"instrument": instrument}
    )
    if instruments:
        said = long.frame["header"].map(instruments)
        own = long.frame.get("instrument", "")
        long.frame["instrument"] = said.where(said.notna(), own).astype("str")
    if "instrument" in cells.frame:  # a blank cell under an item that the row's instrument does not have is no answer
        answers = {found.id: {item.id for item in found.items} for found in about}
        name = long.frame["instrument"].map(lambda text: plain(text).replace(" ", "_"))
        foreign = pd.Series(
            [own in answers and item not in answers[own] for own, item in zip(name, long.frame["item"], strict=True)],
            index=long.frame.index,
        )
        keep = ~(foreign & (long.frame["value"].str.strip() == ""))
        return Cells(long.frame[keep].reset_index(drop=True), long.file, long.header, long.blank_rows, long.found)
    return long


def unfold(
    cells: Cells, across: str, columns: Mapping[str, str], fixed: Mapping[str, str], value: str = "value"
) -> Cells:
    """One row per value: `columns` maps headers to what they are of `across`; rows of the file stay together.

    value: the column that takes the cells.
    """
    frame = cells.frame
    keys = [name for name in frame.columns if name not in columns]
    long = frame[keys].loc[frame.index.repeat(len(columns))].reset_index(drop=True)
    long[across] = list(columns.values()) * len(frame)
    long["header"] = list(columns) * len(frame)
    values = frame[list(columns)].to_numpy(dtype=object).reshape(-1)
    long[value] = pd.Series(values, dtype="str") if len(values) else pd.Series(dtype="str")
    for name, word in fixed.items():
        long[name] = word
    return Cells(long, cells.file, cells.header, cells.blank_rows, cells.found)


def is_wide(cells: Cells, sheet: Sheet) -> bool:
    """A sheet of items that has neither the column `item` nor the column `value`."""
    return sheet.name == "items" and "item" not in cells.frame and "value" not in cells.frame
