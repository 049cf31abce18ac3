"""Which file of a study folder holds which table."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from outcomes.errors import StudyError
from outcomes.findings import flag
from outcomes.library.known import find_instrument
from outcomes.protocol.trial import Protocol, WideSheet
from outcomes.reading.files import FORMATS, load, sheet_names
from outcomes.reading.headers import find_header
from outcomes.sheets import MEASUREMENTS, SHEETS

DICTIONARY = "data_dictionary"  # describes the sheets; nothing is read from it
CODE_BOOK = "codebook"  # neither from the one of a shared study
LISTS = "lists"  # words to choose from in the sheets of a new study


@dataclass(frozen=True)
class Source:
    """One file, or one sheet of a workbook, that holds a table or a part of it.

    instrument: what a file `items_<instrument>` is about. wide: how study.toml says to unfold it.
    """

    table: str
    path: Path
    page: str | None = None
    instrument: str = ""
    wide: WideSheet | None = None

    @property
    def part(self) -> str:
        """What the source holds; two sources of the same part are one too many."""
        return f"{self.path.name} {self.wide}" if self.wide else f"{self.table}_{self.instrument}"


def find_sources(folder: Path, listed: Sequence[Path], protocol: Protocol, found: list[pd.DataFrame]) -> list[Source]:
    """The sources of all tables, in the order of the sheets.

    A table is a file named like it (`participants.csv`), a sheet named like it in any workbook, a file
    `items_<instrument>` or a file that `[[wide]]` names.

    Raises:
        StudyError: where participants or measurements are missing.
    """
    sources: list[Source] = []
    declared = {wide.file for wide in protocol.wide}
    unfolded = {(wide.file, wide.sheet) for wide in protocol.wide}
    for entry in listed:
        if (
            entry.name == "study.toml"
            or entry.stem in (DICTIONARY, CODE_BOOK)
            or (entry.name in declared and entry.suffix.lower() != ".xlsx" and not _about(entry.stem)[0])
            or entry.suffix.lower() not in FORMATS
        ):
            continue
        table, instrument = _about(entry.stem)
        pages = sheet_names(entry) if entry.suffix.lower() == ".xlsx" else []
        if table:
            sources.append(Source(table, entry, None, instrument))
        pages = [page for page in pages if (entry.name, page) not in unfolded]
        own = [Source(*_about(page)[:1], entry, page, _about(page)[1]) for page in pages if _about(page)[0]]
        own = [] if table else own
        sources += own
        read = [str(source.page) for source in own] or (pages[:1] if table else [])
        spare = [page for page in pages if page not in (*read, DICTIONARY, LISTS)] if read else []
        if spare:
            found.append(flag("sheet not read", file=entry.name, found=", ".join(spare), allowed=", ".join(read)))
        if not table and not own and entry.name not in declared:
            allowed = f"{', '.join(SHEETS)}, items_<instrument>; one of {', '.join(FORMATS)}"
            found.append(flag("file not read", file=entry.name, found=entry.name, allowed=allowed))
    for wide in protocol.wide:
        if not (folder / wide.file).is_file():
            found.append(
                flag("declared file missing", file="study.toml", column="wide", found=wide.file,
                     allowed=", ".join(entry.name for entry in listed))
            )  # fmt: skip
        else:
            sources.append(Source(wide.table, folder / wide.file, wide.sheet or None, "", wide))
    chosen = [_one([other for other in sources if other.part == part], found) for part in _parts(sources)]
    recorded = bool(protocol.series_outcomes) and (folder / "series").is_dir()
    _need({source.table for source in chosen}, folder, recorded)
    return sorted(chosen, key=lambda source: list(SHEETS).index(source.table))


def _about(name: str) -> tuple[str, str]:
    """Table and instrument a file or sheet name stands for; blank where none."""
    name = name.strip().lower().replace(" ", "_").replace("-", "_")
    if name in SHEETS:
        return name, ""
    head, _, instrument = name.partition("_")
    return ("items", instrument) if head == "items" and find_instrument(instrument) else ("", "")


def _parts(sources: Sequence[Source]) -> list[str]:
    return list(dict.fromkeys(source.part for source in sources))


def _one(choices: list[Source], found: list[pd.DataFrame]) -> Source:
    """The one source of a part; of several the only one with rows, and an error where several have some."""
    if len(choices) == 1:
        return choices[0]
    filled = [source for source in choices if _has_rows(source)]
    if len(filled) > 1:
        names = ", ".join(source.path.name for source in filled)
        allowed = f"one file for {choices[0].table}"
        found.append(flag("table in two files", file=filled[0].path.name, found=names, allowed=allowed))
    return (filled or choices)[0]


def _has_rows(source: Source) -> bool:
    grid, _ = load(source.path, source.page)
    header, _ = find_header(grid, SHEETS[source.table], {}, SHEETS[source.table].required)
    body = grid.cells.iloc[header.body :]
    return bool(len(body)) and bool(body.apply(lambda column: column.str.strip() != "").any(axis=None))


def _need(tables: set[str], folder: Path, recorded: bool) -> None:
    if "participants" not in tables:
        raise StudyError(
            f"{folder}: participants is missing: found {', '.join(sorted(tables)) or 'no table'}; allowed is a file "
            f"participants ({', '.join(FORMATS)}) with one row per participant. Add it."
        )
    if not recorded and not tables.intersection(MEASUREMENTS):
        raise StudyError(
            f"{folder}: there are no measurements: found {', '.join(sorted(tables))}; allowed is one or more of "
            f"{', '.join(MEASUREMENTS)}. Add the sheet that holds the scores."
        )
