"""The printed sheet is taken from the last report where it is as it was printed, and printed again where not."""

import pytest

from notebooks.report.kept import Kept
from notebooks.report.pictures import Pictures, find_browser

PRINTED = b"%PDF as printed"


@pytest.mark.skipif(find_browser() is None, reason="no Chromium-family browser on this computer")
def test_a_sheet_is_printed_once_and_again_only_when_it_was_edited_or_the_page_changed(tmp_path):
    pages: list[str] = []

    async def how(browser, page: str) -> bytes:
        pages.append(page)
        return PRINTED

    def write(page: str) -> None:
        with Pictures(tmp_path / "figures", kept=Kept(tmp_path / "kept")) as drawn:
            drawn.print(page, tmp_path / "sheet.pdf", how)
        assert drawn.missing == []
        assert (tmp_path / "sheet.pdf").read_bytes() == PRINTED

    write("one")
    write("one")
    assert pages == ["one"]
    (tmp_path / "sheet.pdf").write_bytes(b"%PDF of my own")
    write("one")
    write("another")
    assert pages == ["one", "one", "another"]


def test_where_no_pictures_are_asked_for_no_sheet_is_missing(tmp_path):
    with Pictures(tmp_path / "figures", ()) as drawn:
        drawn.print("page", tmp_path / "sheet.pdf", None)
    assert drawn.missing == []


def test_what_cannot_be_drawn_leaves_no_picture_of_an_earlier_report(tmp_path, monkeypatch):
    monkeypatch.setattr("notebooks.report.pictures.find_browser", lambda: None)
    (tmp_path / "figures").mkdir()
    earlier = [tmp_path / "sheet.pdf", tmp_path / "figures" / "one.svg", tmp_path / "figures" / "one_89mm.png"]
    for path in earlier:
        path.write_text("of an earlier report")
    with Pictures(tmp_path / "figures", kept=Kept(tmp_path / "kept")) as drawn:
        drawn.print("page", earlier[0], None)
        drawn.add("one", {"data": [], "layout": {}})
    assert not any(path.exists() for path in earlier)
    assert [line.partition(":")[0] for line in drawn.missing] == [
        "sheet.pdf was not written", "No picture files were written"
    ]  # fmt: skip
