"""Limits for files that unpack into more than they are: workbooks, and tables that state their own size."""

import re
import zipfile
from pathlib import Path
from xml.parsers import expat

from outcomes.errors import StudyError

MOST_CELLS = 50_000_000
_MOST_BYTES = 1_500_000_000  # unpacked: a full sheet of a million rows stays below
_MOST_PARTS = 5_000
_SUSPECT = 50_000_000  # bytes unpacked, above which the ratio counts
_MOST_TIMES = 200  # unpacked to packed; sheets of repeated rows reach about 100 (measured)
_DEEPEST = 100  # elements inside each other; a workbook has about a dozen
_WHOLLY_READ = 20_000_000  # bytes of a part that are looked through; of longer ones (sheets) the beginning
_BEGINNING = 1_000_000
_OLD_CONTAINER = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"


def check_workbook(path: Path, name: str) -> None:
    """Refuse a workbook that is encrypted, unpacks beyond all measure, or holds XML no spreadsheet program writes.

    Raises:
        StudyError: with what was found, what is allowed and what to do.
    """
    with path.open("rb") as file:
        if file.read(8) == _OLD_CONTAINER:
            raise _refused(name, "an encrypted workbook or one of the old format .xls", "a workbook without a password")
    with zipfile.ZipFile(path) as book:
        parts = book.infolist()
        if any(part.flag_bits & 1 for part in parts):
            raise _refused(name, "an encrypted part", "a workbook without a password")
        unpacked = sum(part.file_size for part in parts)
        times = unpacked / max(path.stat().st_size, 1)
        if unpacked > _MOST_BYTES or (unpacked > _SUSPECT and times > _MOST_TIMES) or len(parts) > _MOST_PARTS:
            found = f"{len(parts)} parts that unpack to {unpacked} bytes, {int(times)} times the file"
            raise _refused(name, found, f"{_MOST_BYTES} bytes, and {_MOST_TIMES} times the file")
        for part in parts:
            if re.search(r"\.(xml|rels|vml)$", part.filename, re.IGNORECASE) and part.file_size:
                _check_xml(book, part, name)


def _check_xml(book: zipfile.ZipFile, part: zipfile.ZipInfo, name: str) -> None:
    """A part without declarations of its own (which can multiply text without end) and without endless depth."""
    depth = 0

    def start(element: str, attributes: dict) -> None:
        nonlocal depth
        depth += 1
        if depth > _DEEPEST:
            raise _refused(name, f"elements more than {_DEEPEST} deep in {part.filename}", "a plain workbook")

    def end(element: str) -> None:
        nonlocal depth
        depth -= 1

    def declared(*facts: object) -> None:
        raise _refused(name, f"a document type declared in {part.filename}", "a plain workbook")

    parser = expat.ParserCreate()
    parser.StartElementHandler, parser.EndElementHandler, parser.StartDoctypeDeclHandler = start, end, declared
    with book.open(part) as content:
        if part.file_size <= _WHOLLY_READ:
            parser.ParseFile(content)
        else:
            parser.Parse(content.read(_BEGINNING), False)


def check_cells(rows: int, columns: int, name: str) -> None:
    """Refuse a table larger than this kit is for, before its cells are made.

    Raises:
        StudyError: above MOST_CELLS cells.
    """
    if rows * columns > MOST_CELLS:
        raise _refused(name, f"{rows} rows of {columns} columns", f"{MOST_CELLS} cells")


def _refused(name: str, found: str, allowed: str) -> StudyError:
    return StudyError(f"{name}: the file is not read: found {found}; allowed is {allowed}. Save it again as CSV.")
