"""Pictures edited by hand, their hashes put right: named by drawing the same again, or said to be not compared.

The untouched report stands for drawing everything again; that a browser draws the same bytes twice is its own test.
"""

import io
import shutil
import struct
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest
from PIL import Image

from notebooks.report import record as records
from notebooks.report.notebook_file import parsed
from notebooks.report.pictures import find_browser, write_figures
from notebooks.report.proof import drawn_again
from notebooks.report.proof.drawn_again import compared_pictures, formats_of, pictures_of
from notebooks.report.proof.steady_names import steady_names
from notebooks.show.tables import identifier

ONE, OTHER = "trajectories", "effect"


def svg(word: str, mark: int, chance: str = "0a1b2c") -> str:
    """A picture as plotly draws it: parts named by chance, a mark, a word."""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="90" height="60"><defs id="defs-{chance}"><clipPath '
        f'id="clip{chance}xy"><rect width="9" height="9"/></clipPath></defs><g clip-path="url(#clip{chance}xy)">'
        f'<path d="M{mark},20L30,40"/></g><text x="5" y="9">{word}</text></svg>'
    )


def png(dot: tuple[int, int] | None = None, size: tuple[int, int] = (90, 60)) -> bytes:
    image, body = Image.new("RGB", size, "white"), io.BytesIO()
    if dot:
        image.putpixel(dot, (255, 255, 254))  # the smallest difference there is
    image.save(body, "PNG")
    return body.getvalue()


def bomb() -> bytes:
    """A picture that says it has 3.6 thousand million dots."""
    body = png()
    head = b"IHDR" + struct.pack(">IIBBBBB", 60_000, 60_000, 8, 2, 0, 0, 0)
    return body[:12] + head + struct.pack(">I", zlib.crc32(head)) + body[33:]


def pdf(content: str, date: str) -> bytes:
    return f"%PDF-1.4\n<</Producer (a)\n/CreationDate (D:{date})\n/ModDate (D:{date})>>\n{content}\n%%EOF".encode()


@pytest.fixture
def two(tmp_path, monkeypatch) -> tuple[Path, Path]:
    """A report of two figures and its sheet, and the same drawn again: other names by chance, another date."""
    monkeypatch.setattr(drawn_again, "find_browser", lambda: "a browser")
    folders = tmp_path / "report", tmp_path / "again"
    for folder, chance, date in zip(folders, ("0a1b2c", "ffffff"), ("2025", "2026"), strict=True):
        (folder / "figures").mkdir(parents=True)
        for name, mark in ((ONE, 1), (OTHER, 2)):
            (folder / "figures" / f"{name}.svg").write_text(svg("n = 12", mark, chance), encoding="utf-8")
            (folder / "figures" / f"{name}.png").write_bytes(png())
            (folder / "figures" / f"{name}.pdf").write_bytes(pdf(name, date))
        (folder / "summary.pdf").write_bytes(pdf("sheet", date))
    return folders


def test_pictures_drawn_again_are_the_same(two):
    found, told = compared_pictures(*two)
    assert found == []
    assert told == "Pictures drawn again: 2 of 2 SVG the same; 2 of 2 PNG the same; 3 of 3 PDF the same."
    assert len(pictures_of(two[0])) == 7
    assert formats_of(two[0]) == ("svg", "png", "pdf")


EDITS: dict[str, tuple[str, bytes, str, str]] = {
    "a word": (f"figures/{ONE}.svg", svg("n = 21", 1).encode(), "n = 21", "n = 12"),
    "a mark": (f"figures/{ONE}.svg", svg("n = 12", 9).encode(), "M9,20L30,40", "M1,20L30,40"),
    "a part more": (f"figures/{ONE}.svg", svg("n = 12", 1).encode() + b"<script>1</script>", "parts", "parts"),
    "a comment": (f"figures/{ONE}.svg", b"<!-- -->" + svg("n = 12", 1).encode(), "as it is", "drawn otherwise"),
    "a dot": (f"figures/{ONE}.png", png((40, 30)), "1 dots differ, from (40, 30)", "as drawn"),
    "another size": (f"figures/{ONE}.png", png(size=(91, 60)), "91 by 60 dots, drawn 90 by 60", "as drawn"),
    "a bomb": (f"figures/{ONE}.png", bomb(), "cannot be read (DecompressionBombError)", "as drawn"),
    "no picture": (f"figures/{ONE}.png", b"\x89PNG\r\n", "cannot be read", "as drawn"),
    "the sheet": ("summary.pdf", pdf("a sheet of my own", "2025"), "bytes", "bytes"),
    "nothing": (f"figures/{ONE}.pdf", b"", "0 bytes", "bytes"),
}


@pytest.mark.parametrize("what", EDITS)
def test_an_edited_picture_is_named(what, two):
    name, body, recorded, now = EDITS[what]
    (two[0] / name).write_bytes(body)
    found, told = compared_pictures(*two)
    assert {one.name for one in found} == {name}
    assert recorded in found[0].recorded
    assert now in found[0].now
    assert "the same" in told


def test_a_picture_that_the_analysis_does_not_draw_is_named(two):
    (two[0] / "figures" / "of_my_own.svg").write_text(svg("p = 0.01", 4), encoding="utf-8")
    found, _ = compared_pictures(*two)
    assert [(one.name, one.now) for one in found] == [("figures/of_my_own.svg", "not drawn")]


def test_another_browser_is_told_from_an_edit_and_the_words_are_compared_all_the_same(two):
    for name in (ONE, OTHER):
        for place in (two[0] / "figures").glob(f"{name}.*"):
            place.write_bytes({".svg": svg("n = 12", 30).encode(), ".png": png((1, 1)), ".pdf": b"%PDF"}[place.suffix])
    (two[0] / "summary.pdf").write_bytes(b"%PDF")
    found, told = compared_pictures(*two)
    assert found == []
    assert "none of 2 SVG is the same" in told
    assert "their words are the same, their marks were not compared" in told
    assert "none of 3 PDF is the same, as where another browser or other fonts drew them: they were not" in told
    (two[0] / "figures" / f"{ONE}.svg").write_text(svg("n = 21", 30), encoding="utf-8")
    found, told = compared_pictures(*two)
    assert [(one.place, one.recorded, one.now) for one in found] == [("words", "n = 21", "n = 12")]
    assert "their words differ" in told


@pytest.mark.parametrize("why", ["not asked", "no browser", "none there"])
def test_what_was_not_compared_is_said(why, two, monkeypatch):
    if why == "no browser":
        monkeypatch.setattr(drawn_again, "find_browser", lambda: None)
    if why == "none there":
        shutil.rmtree(two[0] / "figures")
        (two[0] / "summary.pdf").unlink()
    found, told = compared_pictures(two[0], None if why == "not asked" else two[1])
    assert found == []
    assert told.startswith(
        "Pictures: 7 were not compared" if why != "none there" else "Pictures: the report holds none"
    )


def test_a_link_in_place_of_a_picture_is_not_followed(two):
    place = two[0] / "figures" / f"{ONE}.svg"
    place.unlink()
    place.symlink_to("/dev/zero")
    assert f"figures/{ONE}.svg" not in pictures_of(two[0])  # verifying hashes names it
    assert compared_pictures(*two)[0] == []


def test_names_by_chance_are_replaced_in_attributes_only():
    first, second = (steady_names(svg("ffffff and 0a1b2c", 1, chance)) for chance in ("0a1b2c", "ffffff"))
    assert first == second
    assert "ffffff and 0a1b2c" in first
    assert steady_names("<svg><text>plain</text></svg>") == "<svg><text>plain</text></svg>"


@pytest.fixture(scope="module")
def again(stroke_report, tmp_path_factory) -> Path:
    """One figure of the report, drawn again from what its notebook holds."""
    if find_browser() is None:
        pytest.skip("no Chromium-family browser found (BROWSER_PATH, PATH)")
    name = sorted((stroke_report / "figures").glob("*_89mm.svg"))[0].name.removesuffix("_89mm.svg")
    to = tmp_path_factory.mktemp("again")
    assert write_figures({name: _spec(stroke_report, name)}, to / "figures") == []
    return to


def _spec(report: Path, name: str) -> dict:
    for path in sorted((report / "notebooks").glob("*.ipynb")):
        for content in records.contents(parsed(path.read_text(encoding="utf-8"))):
            if content["kind"] == "figure" and identifier(content["name"]) == name:
                return content["spec"]
    raise AssertionError(name)


def _redrawn(again: Path, report: Path, to: Path) -> Path:
    """A copy of a report's pictures as far as they were drawn again."""
    (to / "figures").mkdir()
    for path in (again / "figures").iterdir():
        shutil.copyfile(report / "figures" / path.name, to / "figures" / path.name)
    return to


def test_a_browser_draws_the_pictures_of_a_report_again_byte_by_byte(again, stroke_report, tmp_path):
    copy = _redrawn(again, stroke_report, tmp_path)
    assert compared_pictures(copy, again) == (
        [], "Pictures drawn again: 2 of 2 SVG the same; 2 of 2 PNG the same; 2 of 2 PDF the same."
    )  # fmt: skip


def word_of(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    place = text.index("</text>")
    path.write_text(f"{text[:place]}9{text[place:]}", encoding="utf-8")


def mark_of(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    place = text.rindex('d="M') + 4
    path.write_text(f"{text[:place]}1{text[place:]}", encoding="utf-8")


def dot_of(path: Path) -> None:
    with Image.open(path) as image:
        edited = image.convert("RGB")
    edited.putpixel((edited.width // 2, edited.height // 2), (1, 2, 3))
    edited.save(path)


def byte_of(path: Path) -> None:
    body = bytearray(path.read_bytes())
    body[len(body) // 2] ^= 1
    path.write_bytes(bytes(body))


@pytest.mark.parametrize(
    ("end", "edit"), [("svg", word_of), ("svg", mark_of), ("png", dot_of), ("png", byte_of), ("pdf", byte_of)]
)
def test_one_edit_of_a_real_picture_is_named(end: str, edit: Callable[[Path], None], again, stroke_report, tmp_path):
    copy = _redrawn(again, stroke_report, tmp_path)
    path = sorted((copy / "figures").glob(f"*.{end}"))[0]
    edit(path)
    found, told = compared_pictures(copy, again)
    assert {one.name for one in found} == {f"figures/{path.name}"}
    assert f"1 of 2 {end.upper()} the same" in told
