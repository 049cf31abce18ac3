"""Files that are damaged, or made to do harm, are refused in one readable message: no traceback, no hang, no memory."""

import time
import zipfile

import openpyxl
import pytest

from outcomes import StudyError
from outcomes.reading.files import load, sheet_names


@pytest.fixture
def book(tmp_path):
    """A small workbook on disk."""
    made = openpyxl.Workbook()
    for row in range(20):
        made.active.append([f"P{row:02d}", "base", row])
    path = tmp_path / "totals.xlsx"
    made.save(path)
    return path


def repack(path, change) -> None:
    """Writes the workbook again with its parts changed."""
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    change(parts)
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)


def refused(path, says: str) -> None:
    began = time.perf_counter()
    for read in (load, sheet_names):
        with pytest.raises(StudyError, match=says) as refusal:
            read(path)
        assert "found" in str(refusal.value)
        assert "allowed" in str(refusal.value)
        assert len(str(refusal.value)) < 600
    assert time.perf_counter() - began < 20


SHEET = "xl/worksheets/sheet1.xml"


def test_every_flipped_byte_is_refused_or_harmless(book):
    """Of 60 places over the file: refused with a message, or read as it was."""
    whole, good = book.read_bytes(), load(book)[0].cells
    for place in range(0, len(whole), len(whole) // 60):
        damaged = bytearray(whole)
        damaged[place] ^= 0x10
        book.write_bytes(bytes(damaged))
        try:
            grid, _ = load(book)
        except StudyError:
            continue
        assert grid.cells.equals(good), place


@pytest.mark.parametrize("name", [SHEET, "xl/workbook.xml", "[Content_Types].xml", "xl/_rels/workbook.xml.rels"])
def test_an_empty_part_is_refused(name, book):
    repack(book, lambda parts: parts.update({name: b""}))
    with pytest.raises(StudyError, match=r"totals\.xlsx"):
        load(book)


def test_the_encryption_bit_is_refused(book):
    raw = bytearray(book.read_bytes())
    place = raw.find(b"PK\x01\x02")
    raw[place + 8] |= 1
    book.write_bytes(bytes(raw))
    refused(book, "an encrypted part")


def test_an_encrypted_or_old_workbook_is_refused(book):
    book.write_bytes(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 2000)
    refused(book, "encrypted workbook or one of the old format")


def test_a_workbook_that_unpacks_without_measure_is_refused(book):
    repack(book, lambda parts: parts.update({"xl/media/large.bin": b"\0" * 120_000_000}))
    assert book.stat().st_size < 1_000_000
    refused(book, "times the file")


def test_declared_entities_are_refused(book):
    """The billion laughs of XML: entities that stand for ten of the one before."""
    levels = "".join(f'<!ENTITY l{n} "{f"&l{n - 1};" * 10}">' for n in range(1, 10))
    head = f'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY l0 "lol">{levels}]>'.encode()
    repack(book, lambda parts: parts.update({SHEET: head + b"<worksheet>&l9;</worksheet>"}))
    refused(book, "a document type declared")


def test_elements_without_end_are_refused(book):
    repack(book, lambda parts: parts.update({"xl/styles.xml": b"<a>" * 200_000 + b"</a>" * 200_000}))
    refused(book, "elements more than 100 deep")


def test_a_stray_cell_far_out_is_no_million_rows(book):
    """The last cell of the page was touched once, and is empty."""
    made = openpyxl.load_workbook(book)
    made.active.cell(1_048_576, 16_384).number_format = "0.00"
    made.save(book)
    began = time.perf_counter()
    assert load(book)[0].cells.shape == (20, 3)
    assert time.perf_counter() - began < 20


def test_a_filled_cell_far_out_is_refused(book):
    made = openpyxl.load_workbook(book)
    made.active.cell(1_048_576, 16_384, 1)
    made.save(book)
    with pytest.raises(StudyError, match="1048576 rows of 16384 columns; allowed is 50000000 cells"):
        load(book)


def test_a_formula_without_a_result_is_told(book):
    made = openpyxl.load_workbook(book)
    made.active["C5"] = "=1+1"
    made.save(book)
    _, found = load(book)
    assert [(part["rule"].item(), part["row"].item(), part["column"].item()) for part in found] == [
        ("formula without a result", 5, "column C")
    ]


@pytest.mark.parametrize("ending", [".xlsx", ".parquet", ".sav", ".dta"])
@pytest.mark.parametrize(
    "content", [b"", b"\0" * 100, b"PK\x03\x04", b"PAR1", bytes(range(7, 199, 3)), b"$FL2" + b"\0" * 200]
)
def test_other_content_than_the_ending_says(ending, content, tmp_path):
    path = tmp_path / f"totals{ending}"
    path.write_bytes(content)
    with pytest.raises(StudyError, match=f"totals{ending}"):
        load(path)


def test_a_link_out_of_the_folder_is_refused(make_draft, tmp_path):
    from outcomes import read_study

    folder = make_draft(small=True).write(tmp_path / "study")
    (folder / "totals.csv").rename(tmp_path / "elsewhere.csv")
    (folder / "totals.csv").symlink_to(tmp_path / "elsewhere.csv")
    with pytest.raises(StudyError, match="found a link to a file outside the study folder"):
        read_study(folder)


def test_a_text_of_one_long_line_and_many_marks_ends_soon(tmp_path):
    """Marks that never close, in every line: looked for within a thousand lines, not to the end each time."""
    path = tmp_path / "totals.csv"
    path.write_text("a,b,c\n" + 'x,"""",y""\nx,"y,z""\n' * 4000, encoding="utf-8")
    began = time.perf_counter()
    grid, found = load(path)
    assert time.perf_counter() - began < 30
    assert grid.lines == 8001 == len(grid.cells) + grid.joined
    assert len(found)
