"""Hashes of every file of a report, in its record, and whether the files still have them."""

import hashlib
import json
import stat
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

RECORD = "record.json"
MAY_GO = "kept/"  # results for the next report; the folder's own note says that it may be deleted
SHOWN_AS = {"changed": "is not as it was written", "gone": "is gone", "added": "was not written with the report"}


@dataclass(frozen=True)
class FileFinding:
    """A file of a report that is not as the record says: `what` is "changed", "gone" or "added"."""

    name: str
    what: str

    def __str__(self) -> str:
        return f"{self.name} {SHOWN_AS[self.what]}."


def file_digest(path: Path) -> str:
    """SHA-256 of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def record_digest(record: Mapping) -> str:
    """SHA-256 of a record without its hashes: of its JSON with sorted keys, no blanks, in UTF-8."""
    body = {key: value for key, value in record.items() if key != "hashes"}
    text = json.dumps(body, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def hashes(folder: Path, record: Mapping) -> dict[str, str]:
    """The hashes a record carries: of each file by its place in the folder, and of the record itself."""
    found = {name: file_digest(folder / name) for name in _files(folder) if name != RECORD}
    return found | {RECORD: record_digest(record)}


def verify(folder: Path, record: Mapping) -> list[FileFinding]:
    """What is changed, gone or added since the report was written. Nothing of the folder is run or parsed.

    record: the record as read from the folder, with its `hashes`.
    """
    told: Mapping[str, str] = record["hashes"]
    there = set(_files(folder))
    found = []
    for name in sorted({*told, *there}):
        if name == RECORD:
            digest = record_digest(record)
        elif name not in there:
            if not name.startswith(MAY_GO):
                found.append(FileFinding(name, "gone"))
            continue
        elif name not in told:
            found.append(FileFinding(name, "added"))
            continue
        else:
            digest = _digest_if_plain(folder / name)
        if digest != told.get(name):
            found.append(FileFinding(name, "changed"))
    return found


def _digest_if_plain(path: Path) -> str:
    """The hash of a plain file; nothing of a link, a pipe or a device, which may lead anywhere and never end."""
    try:
        return file_digest(path) if stat.S_ISREG(path.lstat().st_mode) else ""
    except OSError:
        return ""


def _files(folder: Path) -> Iterator[str]:
    """Every file by its place in the folder. A link counts as a file that is not as it was written."""
    for path in sorted(folder.rglob("*")):
        if path.is_symlink() or not path.is_dir():
            yield path.relative_to(folder).as_posix()
