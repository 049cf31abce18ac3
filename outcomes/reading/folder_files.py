"""The files of a study folder: which there are, that none lies outside it, and their hashes."""

import hashlib
from collections.abc import Iterable
from pathlib import Path

from outcomes.blinding.letters import NAME as LETTERS_FILE
from outcomes.errors import StudyError
from outcomes.lock.lock_file import NAME as LOCK_FILE
from outcomes.reading.sources import Source
from outcomes.sheets import MEASUREMENTS


def listed_files(path: str | Path) -> tuple[Path, list[Path]]:
    """A study folder and the files in it; StudyError where there is none."""
    folder = Path(path)
    if not folder.is_dir():
        raise StudyError(
            f"{folder}: there is no such study folder; allowed is a folder with study.toml, participants and a sheet "
            "of measurements. Correct the path, or make a folder to fill in with 'outcomes new'."
        )
    listed = sorted(entry for entry in folder.iterdir() if entry.is_file() and not entry.name.startswith((".", "~")))
    _inside(folder, [*listed, folder / LOCK_FILE, folder / LETTERS_FILE])
    if not listed:
        raise StudyError(
            f"{folder}: the study folder is empty: found no file; allowed are study.toml, participants and one of "
            f"{', '.join(MEASUREMENTS)}. Put the tables there, or make a folder to fill in with 'outcomes new'."
        )
    return folder, listed


def hashes_of(folder: Path, sources: Iterable[Source]) -> dict[str, str]:
    """File -> SHA-256 of what a study is read from, without its lock and its letters."""
    used = sorted({source.path for source in sources} | {folder / "study.toml"})
    return {entry.name: file_hash(entry) for entry in used}


def file_hash(path: Path) -> str:
    """SHA-256 of a file, read piece by piece."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _inside(folder: Path, entries: Iterable[Path]) -> None:
    """Nothing outside the folder is read because a link in it says so: a folder may come from anywhere."""
    home = folder.resolve()
    for entry in entries:
        if entry.is_symlink() and entry.resolve().parent != home:
            raise StudyError(
                f"{entry.name} in {folder}: found a link to a file outside the study folder; allowed are files in it. "
                "Put the file itself there."
            )
