"""What a notebook shows: tables, paragraphs and groups of them, each carrying its full-precision content.

Every exhibit puts a machine-readable copy of itself beside the readable one (a MIME type of its own, ignored by
JupyterLab). The report and the record are built from those copies, so what is recorded is what was shown.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from IPython.display import display

MIME = "application/vnd.outcomes-kit+json"


@dataclass(frozen=True)
class Table:
    """A table: `frame` holds every number in full, `columns` says what is printed and how.

    columns: heading -> template; `{name}` writes the value of that column (see `tables.written`).
    keys: columns that name a row in the record. group: heading whose equal values become a group heading.
    decimals: column of `frame` or a number; the precision of the outcome in each row.
    where: column of `frame` that says (True) which rows are printed; limit: number of rows printed. The file and the
    record hold all of them.
    """

    name: str
    caption: str
    frame: pd.DataFrame
    columns: Mapping[str, str]
    keys: tuple[str, ...] = ()
    group: str | None = None
    notes: tuple[str, ...] = ()
    decimals: str | int = 1
    unit: str = ""
    recorded: bool = True
    limit: int | None = None
    where: str | None = None

    def content(self) -> dict:
        """The table for the report and the record: plain values, nothing rounded."""
        return {
            "kind": "table",
            "name": self.name,
            "caption": self.caption,
            "frame": plain(self.frame),
            "columns": [[heading, template] for heading, template in self.columns.items()],
            "keys": list(self.keys),
            "group": self.group,
            "notes": list(self.notes),
            "decimals": self.decimals,
            "unit": self.unit,
            "recorded": self.recorded,
            "limit": self.limit,
            "where": self.where,
        }

    def _repr_mimebundle_(self, include=None, exclude=None) -> dict:
        from notebooks.tables import to_html, to_text

        return {"text/html": to_html(self), "text/plain": to_text(self), MIME: self.content()}


def from_content(content: Mapping) -> Table:
    """The table again from its content, as a notebook file keeps it."""
    return Table(
        name=content["name"],
        caption=content["caption"],
        frame=pd.DataFrame(dict(content["frame"])),
        columns=dict(content["columns"]),
        keys=tuple(content["keys"]),
        group=content["group"],
        notes=tuple(content["notes"]),
        decimals=content["decimals"],
        unit=content["unit"],
        recorded=content["recorded"],
        limit=content["limit"],
        where=content["where"],
    )


@dataclass(frozen=True)
class Prose:
    """Paragraphs for a report. `items` are the reporting-guideline items the text serves."""

    name: str
    paragraphs: tuple[str, ...]
    items: tuple[str, ...] = ()
    heading: str = ""

    def content(self) -> dict:
        """The paragraphs for the report and the record."""
        return {"kind": "prose", "name": self.name, "heading": self.heading} | {
            "paragraphs": list(self.paragraphs),
            "items": list(self.items),
        }

    def _repr_mimebundle_(self, include=None, exclude=None) -> dict:
        heading = f"**{self.heading}**\n\n" if self.heading else ""
        text = heading + "\n\n".join(self.paragraphs)
        return {"text/markdown": text, "text/plain": text, MIME: self.content()}


@dataclass(frozen=True)
class Exhibits:
    """Several exhibits shown one below the other, and in plain words what was left out."""

    shown: tuple = ()
    left_out: tuple[str, ...] = field(default=())

    def __iter__(self):
        return iter(self.shown)

    def __len__(self) -> int:
        return len(self.shown)

    def _ipython_display_(self) -> None:
        for exhibit in self.shown:
            display(exhibit)
        if self.left_out:
            display(Prose("left out", ("Left out here: " + " ".join(self.left_out),)))


def gather(made: Iterable, left_out: Iterable[str] = ()) -> Exhibits:
    """Exhibits from what was made (None is skipped) and the reasons for what was not."""
    return Exhibits(tuple(exhibit for exhibit in made if exhibit is not None), tuple(left_out))


def plain(frame: pd.DataFrame) -> list[list]:
    """Pairs of column name and plain values: full precision, None for a missing value.

    Pairs, not a mapping: notebook files sort the keys of mappings, and the order of columns is part of a table.
    """
    return [[str(column), [plain_value(value) for value in frame[column].tolist()]] for column in frame.columns]


def plain_value(value: object) -> bool | int | float | str | None:
    """One value as JSON can hold it."""
    if value is None or value is pd.NaT or value is pd.NA:
        return None
    if isinstance(value, (bool, np.bool_)):
        return bool(value)
    if isinstance(value, (int, np.integer)):
        return int(value)
    if isinstance(value, (float, np.floating)):
        number = float(value)
        if np.isnan(number):
            return None
        return number if np.isfinite(number) else ("infinite" if number > 0 else "minus infinite")
    if isinstance(value, pd.Timestamp):
        return value.date().isoformat()
    return str(value)
