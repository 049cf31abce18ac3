"""A study folder made fit to share: `outcomes share FOLDER --to DIR`."""

import csv
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from outcomes import columns as c
from outcomes.checks.register import check
from outcomes.errors import StudyError
from outcomes.findings import as_text
from outcomes.reading.cells import plain
from outcomes.reading.study_folder import read_study
from outcomes.scoring.score import score
from outcomes.sharing.code_book import code_book, described
from outcomes.sharing.labelled_files import write_labelled
from outcomes.sharing.rare_people import FEWEST, RarePeople, coarsened, rare_people
from outcomes.sharing.renewed_codes import recorded_seed
from outcomes.sharing.shared_protocol import shared_protocol, words_of
from outcomes.sharing.shared_recordings import write_recordings
from outcomes.sharing.shared_tables import PLACES, Shared, shared_tables
from outcomes.sharing.standard_file import write_file
from outcomes.sharing.standard_tables import write_standard
from outcomes.sharing.table_schema import NAME as DESCRIPTION
from outcomes.sharing.table_schema import write_package
from outcomes.spreadsheet_cells import safe_rows
from outcomes.study import Study

MARK = "about_this_data_set.txt"
CODE_BOOK = "codebook.csv"


@dataclass(frozen=True)
class SharedStudy:
    """What was written, from what, and what was done on the way.

    rare: people with a rare combination after all steps, by new code; steps: what was coarsened. codes and texts: old
    -> new, for whoever compares the two studies; they are in no shared file.
    """

    folder: Path
    source: Path
    files: tuple[Path, ...]
    done: tuple[str, ...]
    steps: tuple[str, ...]
    rare: RarePeople
    codes: Mapping[str, Mapping[str, str]]
    texts: Mapping[str, str]


def share_study(
    folder: str | Path,
    to: str | Path,
    *,
    seed: str | int | None = None,
    coarsen: bool = False,
    fewest: int = FEWEST,
    standard: bool = False,
) -> SharedStudy:
    """Writes a copy of a study that may be shared, and reads and scores it again to see that it is the same study.

    Identifiers and free text are left out, dates become days from each participant's baseline visit, codes of people,
    raters and places are drawn anew from a seed recorded in the study folder. The copy is a study folder again; beside
    its tables stand a code book, a machine-readable description, and SPSS and Stata files.

    coarsen: make rare combinations of age, sex, diagnosis and site coarser (`rare_people` states the rule); otherwise
    they are only listed. fewest: people who must share a combination. standard: writes the answers, scores and people
    in the layout of the CDISC SDTM domains QS and DM and as a CDISC ODM file as well, which `outcomes import` reads.

    What this does not do: it is no proof that nobody can be recognised. Who knows that a person took part, and some of
    their scores, can find them. Somebody responsible for the data has to look through the copy before it goes out.

    Raises:
        StudyError: where the study has errors or is blinded, `to` cannot be used, or the copy does not score the same.
    InstrumentError: where an answer depends on an option that study.toml does not give.
    """
    source, target = Path(folder), Path(to)
    study = read_study(source)
    if study.masked:
        raise StudyError(
            f"The study in {source} is blinded: shared data name the arms, so that others can use them. Share it after "
            "'outcomes unblind'."
        )
    if fewest < 2:
        raise StudyError(
            f"fewest: found {fewest}, allowed 2 or more people. A combination of one person is one person."
        )
    check(study).raise_if_blocking()
    _usable(target, source)
    shared = shared_tables(study, recorded_seed(source, seed), words_of(study))
    people = shared.tables["participants"]
    places = tuple(name for name in shared.own.get("participants", ()) if plain(name) in PLACES)
    steps: list[str] = []
    if coarsen:
        people, steps = coarsened(people, places, fewest)
        shared.tables["participants"] = people
    rare = rare_people(people, places, fewest)
    files = _written(study, shared, rare, steps, target)
    if standard:
        made = read_study(target).protocol
        files = (*files, *write_standard(target, shared.tables, made), write_file(target, shared.tables, made))
    _same_study(study, read_study(target), shared)
    return SharedStudy(target, source, files, tuple(shared.done), tuple(steps), rare, shared.codes, shared.texts)


def _usable(target: Path, source: Path) -> None:
    if target.exists() and not target.is_dir():
        raise StudyError(f"{target}: a file has that name. Name a folder to share in.")
    here, there = source.resolve(), target.resolve()
    if here == there or here in there.parents or there in here.parents:
        raise StudyError(
            f"{target}: the shared copy and the study folder {source} lie in one another. Name a folder elsewhere: "
            "what is shared must hold nothing else."
        )
    others = [path.name for path in target.iterdir()] if target.exists() else []
    if others and MARK not in others:
        raise StudyError(
            f"The folder {target} holds other files ({', '.join(sorted(others)[:3])}). Name an empty or a new folder."
        )
    for name in others:  # of an earlier sharing: nothing of it may stay
        path = target / name
        shutil.rmtree(path) if path.is_dir() and not path.is_symlink() else path.unlink()
    target.mkdir(parents=True, exist_ok=True)
    (target / MARK).write_text("Being written.\n", encoding="utf-8")


def _written(study: Study, shared: Shared, rare: RarePeople, steps: list[str], to: Path) -> tuple[Path, ...]:
    books = {name: described(study, name, table) for name, table in shared.tables.items()}
    files = []
    for name, table in shared.tables.items():
        _write(to / f"{name}.csv", [list(table.columns), *_cells(table)])
        files += [to / f"{name}.csv", *write_labelled(to, name, table, books[name])]
    recordings = write_recordings(study, shared, to)
    _write(to / CODE_BOOK, code_book(books, shared.tables))
    (to / "study.toml").write_text(shared_protocol(study, shared), encoding="utf-8")
    title = f"Shared data of a {study.protocol.design} study"
    files += [*([recordings] if recordings else []), to / CODE_BOOK, to / "study.toml", write_package(to, title, books)]
    (to / MARK).write_text("\n".join([*_about(shared, rare, steps), ""]), encoding="utf-8")
    return (*files, to / MARK)


def _about(shared: Shared, rare: RarePeople, steps: list[str]) -> list[str]:
    return [
        "Written by the command 'outcomes share', which writes it anew each time: keep nothing of your own in here.",
        "",
        "This is a study folder: 'outcomes check' and 'outcomes report' work on it. Tables are CSV in UTF-8;",
        f"{CODE_BOOK} says what each column holds, {DESCRIPTION} says it for programs (Data Package, Table Schema);",
        "the folders spss and stata hold the same tables with labels.",
        "",
        "What was done: names, contacts and record numbers left out; free text left out or turned into codes; dates",
        "turned into days from each participant's own baseline visit; codes of people, raters and places drawn anew;",
        "rows in the order of the new codes. Columns that study.toml does not name were left out.",
        *(line for line in shared.done if "columns left out" not in line),
        *steps,
        rare.sentence + (" They were left as they are." if not steps and len(rare.people) else ""),
        "",
        "Pseudonymised data are still data about people. Nobody may try to find out who they are.",
    ]


def _cells(table: pd.DataFrame) -> list[list[object]]:
    columns = [[_cell(value) for value in table[name].tolist()] for name in table]
    return [list(row) for row in zip(*columns, strict=True)]


def _cell(value: object) -> object:
    """A value with all its digits; whole numbers without a decimal point."""
    if isinstance(value, float):
        return "" if value != value else str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    return "" if value is None or value is pd.NA or value is pd.NaT else value


def _write(path: Path, rows: list[list[object]] | list[list[str]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows(safe_rows(rows))


def _same_study(study: Study, copy: Study, shared: Shared) -> None:
    """Raises StudyError where the copy, read from disk, does not give the scores of the study."""
    found = check(copy)
    if found.blocking:
        raise StudyError(
            "The shared copy does not pass the checks that the study passes; it must not be used.\n"
            + "\n".join(found.paragraphs(("error",)))
        )
    keys = [c.PARTICIPANT, c.VISIT, c.OUTCOME, c.SIDE, c.CONDITION]
    before, after = score(study), score(copy)
    before = before[before[c.PARTICIPANT].isin([code for code in shared.codes["participant"] if code])]
    before = before.assign(participant=before[c.PARTICIPANT].map(shared.codes["participant"]).astype("str"))
    own, other = (
        frame.astype(dict.fromkeys(keys, "str")).set_index(keys)[c.VALUE].sort_index() for frame in (before, after)
    )
    # The copy holds no recording that cannot be used, and so no missing score of one.
    recorded = own.index.get_level_values(c.OUTCOME).isin([each.id for each in study.protocol.series_outcomes])
    own = own[~(recorded & own.isna() & ~own.index.isin(other.index))]
    if not own.index.equals(other.index) or not np.allclose(own, other, rtol=1e-12, atol=1e-12, equal_nan=True):
        raise StudyError(
            f"The shared copy gives {len(after)} scores that are not all those of the study ({len(before)}); it must "
            "not be used. This is an error of the kit: please report it with the kinds of sheets the study has."
        )


def listing(rare: RarePeople, most: int = 60) -> list[str]:
    """People with a rare combination, one line each, for whoever decides what may be shared."""
    lines = [rare.sentence]
    for row in rare.people.head(most).to_dict("records"):
        told = ", ".join(as_text(row[name]) or "blank" for name in rare.columns)
        lines.append(f"  {row['participant']}: {told} (shared by {row['shared_by']})")
    if len(rare.people) > most:
        lines.append(f"  ... and {len(rare.people) - most} more.")
    return lines
