"""Small good study folders to damage: a few people of every preset, in every format the kit reads."""

from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pandas as pd
import pyreadstat

from outcomes import read_study
from synthetic_cohort import make_cohort, presets

PER_ARM = 2
VISITS = 3  # the first planned ones
SESSIONS = 4  # of each participant
FORMATS = ("csv", "semicolon", "tsv", "utf-16", "windows", "xlsx", "workbook", "parquet", "sav", "dta")
TEXT_FORMATS = ("csv", "semicolon", "tsv", "utf-16", "windows")


@cache
def good(preset: str) -> tuple[str, dict[str, pd.DataFrame]]:
    """Protocol and tables (text cells) of a preset with the first two participants of each arm."""
    with TemporaryDirectory() as place:
        folder = Path(place) / "study"
        make_cohort(preset, seed=1, folder=folder)
        study = read_study(folder, masked=False)
        tables = {
            path.stem: pd.read_csv(path, dtype="str", keep_default_na=False)
            for path in sorted(folder.glob("*.csv"))
            if path.stem in study.files
        }
        text = (folder / "study.toml").read_text(encoding="utf-8")
    people = study.participants.groupby("arm", sort=False).head(PER_ARM)["participant"]
    few = {name: frame[frame["participant"].isin(people)].reset_index(drop=True) for name, frame in tables.items()}
    visits = [visit.id for visit in sorted(study.protocol.visits, key=lambda visit: visit.day)][:VISITS]
    few = {
        name: frame[frame["visit"].isin(visits)].reset_index(drop=True) if "visit" in frame else frame
        for name, frame in few.items()
    }
    if "sessions" in few:
        few["sessions"] = few["sessions"].groupby("participant", sort=False).head(SESSIONS).reset_index(drop=True)
    if "items" in few:  # the primary instrument, and at the first visit the shortest of the others
        items = few["items"]
        primary = study.protocol.primary.partition(".")[0]
        others = items.loc[items["instrument"] != primary, "instrument"].value_counts().index[::-1][:1]
        short = items["instrument"].isin(others) & (items["visit"] == visits[0])
        few["items"] = items[(items["instrument"] == primary) | short].reset_index(drop=True)
    return text, {name: frame for name, frame in few.items() if len(frame)}


def names() -> tuple[str, ...]:
    """The presets."""
    return tuple(presets())


def write(preset: str, form: str, folder: Path) -> Path:
    """Writes the small study of a preset in a format."""
    folder.mkdir(parents=True)
    for name, body in _files(preset, form).items():
        (folder / name).write_bytes(body)
    return folder


@cache
def _files(preset: str, form: str) -> dict[str, bytes]:
    """Name -> bytes; written once in a process, as making a workbook takes longer than reading it."""
    text, tables = good(preset)
    with TemporaryDirectory() as place:
        folder = Path(place)
        (folder / "study.toml").write_text(text, encoding="utf-8")
        if form == "workbook":
            with pd.ExcelWriter(folder / "study.xlsx") as book:
                for name, frame in tables.items():
                    typed(frame).to_excel(book, sheet_name=name, index=False)
        else:
            for name, frame in tables.items():
                _table(frame, folder / name, form)
        return {path.name: path.read_bytes() for path in folder.iterdir()}


def _table(frame: pd.DataFrame, path: Path, form: str) -> None:
    if form == "xlsx":
        typed(frame).to_excel(f"{path}.xlsx", index=False)
    elif form == "parquet":
        typed(frame).to_parquet(f"{path}.parquet")
    elif form == "sav":
        pyreadstat.write_sav(typed(frame), f"{path}.sav")
    elif form == "dta":
        typed(frame).to_stata(f"{path}.dta", write_index=False)
    else:
        mark = {"semicolon": ";", "tsv": "\t"}.get(form, ",")
        code = {"utf-16": "utf-16", "windows": "cp1252"}.get(form, "utf-8")
        ending = "tsv" if form == "tsv" else "csv"
        end = "\r\n" if form == "windows" else "\n"
        frame.to_csv(f"{path}.{ending}", sep=mark, index=False, encoding=code, errors="replace", lineterminator=end)


def typed(frame: pd.DataFrame) -> pd.DataFrame:
    """Columns of numbers as numbers, as programs that know types keep them."""
    frame = frame.copy()
    for column in frame:
        numbers = pd.to_numeric(frame[column], errors="coerce")
        if numbers.notna().all():
            frame[column] = numbers
    return frame
